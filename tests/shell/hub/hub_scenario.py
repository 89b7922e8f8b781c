"""Our own night for the feed: the example rig and cook (chuck roll and lamb shoulder) with the real engine."""

from __future__ import annotations

from dataclasses import replace
from importlib.resources import files
from pathlib import Path

from config.loader import load_both
from config.rig import Rig
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Priority
from daemon.core.inputs import Resumed
from daemon.core.snapshot import Snapshot
from daemon.wiring.settings_from_files import watch_settings
from tests.core.night import NIGHT as NIGHT
from tests.core.night import readings, step

WALL_OFFSET = 12.0


def rig_and_engine(file: str = "rig.toml") -> tuple[Rig, Engine]:
    examples = Path(str(files("config"))) / "examples"
    rig, cook = load_both(examples / file, examples / "cook.toml")[:2]
    engine = Engine(watch_settings(rig, cook, WALL_OFFSET))
    engine.wall = replace(engine.wall, offset=WALL_OFFSET)
    engine.handle(Resumed(), NIGHT)
    return rig, engine


def night(minutes: int = 12) -> tuple[Rig, Engine, Snapshot]:
    """Some minutes with two pit probes, both pieces, the air, and the cabinet's probe broken."""
    rig, engine = rig_and_engine()
    now = NIGHT
    for number in range(minutes * 12):
        now = NIGHT + 5.0 * number
        wobble = 0.25 * (number % 4)
        step(
            engine,
            readings(now, pit_left=124.0 + wobble, pit_right=117.0 - wobble, chuck=61.0 + number / 64,
                     lamb=55.0 + number / 32, outside=9.0 + wobble, cabinet=None),
            now,
        )  # fmt: skip
    return rig, engine, engine.snapshot(now)


def two_pits(minutes: int = 12) -> tuple[Rig, Engine, Snapshot]:
    """The same with a pit a piece: the offset's fire holds, the drum's is a little below it."""
    rig, engine = rig_and_engine("two-pits.toml")
    now = NIGHT
    for number in range(minutes * 12):
        now = NIGHT + 5.0 * number
        wobble = 0.25 * (number % 4)
        read = readings(now, offset_left=124.0 + wobble, offset_right=117.0 - wobble, drum=119.0 - wobble,
                        chuck=61.0 + number / 64, lamb=55.0 + number / 32, cabinet=64.0 + wobble)  # fmt: skip
        step(engine, read, now)
    return rig, engine, engine.snapshot(now)


class Still:
    """Stands in for the engine where only its picture is asked for."""

    def __init__(self, snapshot: Snapshot) -> None:
        self.picture = snapshot

    def snapshot(self, now: float) -> Snapshot:
        return replace(self.picture, time=now)

    def minutes(self, channel: str, first: int, last: int) -> list[float]:
        return [100.0] * (last - first + 1)

    def heat(self, channel: str, celsius: float) -> None:
        """The channel and the pit now read this."""
        channels = tuple(replace(c, celsius=celsius) if c.id == channel else c for c in self.picture.channels)
        self.picture = replace(
            self.picture, channels=channels, pit=replace(self.picture.pit, celsius=celsius)
        )  # fmt: skip


def alarm(number: int, now: float) -> AlarmChanged:
    """The number-th time the fire wanted feeding."""
    return AlarmChanged(
        now, "pit-falling/pit", "pit-falling", "pit", number, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED,
        Priority.MEDIUM, True, "Add 1-2 splits: pit 110 °C, low in 20 min", "falling", 110.0,
    )  # fmt: skip
