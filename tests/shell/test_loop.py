"""The loop: journal before effect, arrival times kept through a hold-up, a refusing disk survived."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import pytest

import config
from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import Event, ForecastMade, ForecastRequest, QualityChanged, SamplesJudged
from daemon.core.inputs import ForecastArrived, Health, Mark, MarkKind, Part, Readings
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal, JournalUnavailable
from daemon.shell.loop import WatchLoop
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading

EXAMPLES = Path(config.__file__).parent / "examples"
NOW = 1_795_867_200.0


class Bench:
    def __init__(self, tmp_path: Path, forecaster: Callable[[ForecastRequest], ForecastArrived] | None = None) -> None:
        self.clock = ManualClock(NOW)
        self.journal = Journal(tmp_path / "j.sqlite")
        rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
        engine = Engine(watch_settings(rig, cook))
        self.loop = WatchLoop(engine, self.clock, self.journal, forecaster=forecaster, time_scale=1e9)
        self.seen: list[Event] = []
        self.loop.listeners.append(self.hear)

    def hear(self, events: Sequence[Event], engine: Engine, now: float) -> None:
        self.seen += events

    async def settle(self, turns: int = 60) -> None:
        task = asyncio.create_task(self.loop.run())
        for _ in range(turns):
            await asyncio.sleep(0.002)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def reading(now: float) -> Readings:
    return Readings((Reading("pit-left", 121.0, now),))


async def test_a_hold_up_is_not_taken_for_silence(tmp_path: Path) -> None:
    """Readings that waited in the queue for a minute were not silent: nothing is called stale."""
    bench = Bench(tmp_path)
    for _ in range(60):
        bench.loop.post(reading(bench.loop.stamp()))
        bench.clock.time += 1.0
    await bench.settle()
    stale = [e for e in bench.seen if isinstance(e, QualityChanged) and e.channel == "pit-left"]
    assert stale == []


async def test_an_effect_is_seen_only_after_the_journal_has_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    on_disk: list[int] = []
    bench.loop.listeners.append(lambda events, engine, now: on_disk.append(len(list(bench.journal.inputs()))))
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    await bench.settle()
    assert on_disk and on_disk[0] == 1


async def test_a_refusing_disk_stops_no_judging_and_is_said_once_each_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    commit, refusing = bench.journal.commit, [True]

    def sometimes(now: float) -> None:
        if refusing[0]:
            raise JournalUnavailable("database or disk is full")
        commit(now)

    monkeypatch.setattr(bench.journal, "commit", sometimes)
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    await bench.settle()
    bench.loop.post(Mark(MarkKind.LOG))
    await bench.settle()
    key = (Part.DISK, "journal")
    assert bench.loop.engine.health[key][0] == Health(Part.DISK, "journal", False, "database or disk is full")
    assert bench.loop.engine.pit_stage.stage == "lighting"
    refusing[0] = False
    bench.clock.time += 11.0
    bench.loop.post(Mark(MarkKind.LOG))
    await bench.settle()
    assert bench.loop.engine.health[key][0].ok
    assert len([i for _, i in bench.journal.inputs() if isinstance(i, Mark)]) == 3


async def test_the_watch_judges_on_while_a_forecast_is_computed(tmp_path: Path) -> None:
    """The forecaster here answers only once a reading that came after its question has been judged."""
    thinking, judged, waited = threading.Event(), threading.Event(), list[bool]()

    def forecaster(request: ForecastRequest) -> ForecastArrived:
        judged.clear()
        thinking.set()
        waited.append(judged.wait(2.0))
        thinking.clear()
        return ForecastArrived(request.piece.id, request.asked_at, ())

    def hear(events: Sequence[Event], engine: Engine, now: float) -> None:
        if thinking.is_set() and any(isinstance(e, SamplesJudged) for e in events):
            judged.set()

    bench = Bench(tmp_path, forecaster)
    bench.loop.listeners.append(hear)
    bench.loop.post(Mark(MarkKind.MEAT_ON, "chuck"))
    task = asyncio.create_task(bench.loop.run())
    for _ in range(1000):
        bench.clock.time += 60.0
        bench.loop.post(reading(bench.loop.stamp()))
        await asyncio.sleep(0.002)
        if any(isinstance(e, ForecastMade) for e in bench.seen):
            break
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert waited and all(waited)
    assert any(isinstance(e, ForecastMade) for e in bench.seen), "the answer comes back as an input"
