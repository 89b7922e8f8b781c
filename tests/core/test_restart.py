"""A checkpoint brings back all that is shown, and time that nobody watched is neither silence nor a fresh start."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import config
from config.loader import load_both
from daemon.commands.demo.virtual_cook import VirtualCook
from daemon.core.alarms.table import alarm_key
from daemon.core.drive import replayed, steps
from daemon.core.engine import SCAN_CYCLE, Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, FireNoticed, Notification
from daemon.core.grace import GRACE, Grace
from daemon.core.inputs import Health, Input, Part, Readings, Resumed, WallClock
from daemon.core.orders import GoToSleep, Mark, MarkKind
from daemon.core.settings import WatchSettings
from daemon.core.watch_state import CHECKPOINT_VERSION
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from drivers.simulated.cook import SimulatedCook
from drivers.simulated.scenarios import demo_scenario
from tests.core import night
from tests.texts.english import in_english

EXAMPLES = Path(config.__file__).parent / "examples"
NOON = 1_795_867_200.0  # 2026-11-28T12:00:00Z
CHANNELS = ("pit-left", "pit-right", "chuck", "lamb")


def engine() -> Engine:
    return Engine(watch_settings(*load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")))


def read(now: float, pit: float, core: float = 60.0) -> Readings:
    """Both pit probes and both cores, each with a little noise: what stands still to the last bit is doubted."""
    noise = 0.125 * (int(now) % 2)
    values = dict(zip(CHANNELS, (pit, pit + 1.0, core, core), strict=True))
    return Readings(tuple(Reading(c, on_grid(v + noise), now) for c, v in values.items()))


def reloaded(one: Engine) -> Engine:
    again = engine()
    again.load(json.loads(json.dumps(one.dump())))
    return again


def simulated_evening(hours: float) -> Iterator[tuple[float, Input]]:
    """The demo's pit, meat and cook, a line every 15 s; the cook lies down after two hours."""
    simulated = SimulatedCook(demo_scenario(), 3)
    posted: list[Input] = []
    cook = VirtualCook(simulated, posted.append, lambda _: None)
    yield NOON, WallClock(0.0, True)
    asleep = False
    while simulated.now < hours * 3600.0:
        simulated.advance(15.0)
        now = NOON + simulated.now
        cook.step(simulated.now)
        for item in posted:
            yield now, item
        posted.clear()
        if simulated.now >= 7200.0 and not asleep:
            asleep = True
            yield now, GoToSleep("cook")
        yield (
            now,
            Readings(
                tuple(
                    Reading(m.source, None if m.celsius is None else on_grid(m.celsius), now, m.fault, m.quality)
                    for m in simulated.measure()
                )
            ),
        )


def test_all_that_is_shown_survives_a_checkpoint_at_any_instant() -> None:
    """Every 97 s or so of a simulated evening, so in the middle of minutes too."""
    one = engine()
    looked, shown, fires = NOON, 0, 0
    for now, item in simulated_evening(4.0):
        for step in steps(one, now, item):
            fires += sum(isinstance(e, FireNoticed) for e in step.events)
        if now - looked >= 97.0:
            looked, again = now, reloaded(one)
            assert again.dump() == one.dump()
            assert again.snapshot(now) == one.snapshot(now)
            shown += 1
    end = one.snapshot(looked)
    assert shown > 100 and fires and end.fires and end.pit.evenness.spread is not None and end.nap is not None
    assert end.sleep.asleep, "or this evening had nothing to lose"


def test_what_comes_after_a_checkpoint_is_judged_the_same() -> None:
    evening = list(simulated_evening(2.5))
    one = engine()
    cut = len(evening) // 2
    for _ in replayed(one, evening[:cut]):
        pass
    again = reloaded(one)
    assert list(replayed(again, evening[cut:])) == list(replayed(one, evening[cut:]))


@pytest.mark.parametrize("version", [None, CHECKPOINT_VERSION - 1, CHECKPOINT_VERSION + 1])
def test_a_checkpoint_of_another_version_is_refused(version: int | None) -> None:
    state = engine().dump() | {"version": version}
    with pytest.raises(ValueError, match=str(version)):
        engine().load(state)


# --- grace ------------------------------------------------------------------------------------------------


def test_grace_is_earned_back_by_watching() -> None:
    grace = Grace()
    grace.resumed(0.0, None)
    assert grace.until == GRACE
    grace.resumed(50.0, 45.0)  # the first life lasted 45 s
    assert grace.until == 50.0 + GRACE - 45.0
    grace.resumed(100.0, 95.0)  # the second one, of 45 s too, had 30 s left when its grace was over
    assert grace.until == 100.0 + 30.0
    grace.resumed(10_000.0, 9_000.0)
    assert grace.until == 10_000.0 + GRACE, "never more than at first"


class Lives:
    """A watch that is killed again and again: of each life only what went to disk counts, `lost` s less than it lived."""

    def __init__(self, lost: float = SCAN_CYCLE) -> None:
        self.inputs: list[tuple[float, Input]] = [(NOON, WallClock(0.0, True)), (NOON, Resumed())]
        self.lost, self.events = lost, list[Event]()
        self.now = NOON
        self.watch = engine()
        self.events += replayed(self.watch, self.inputs)

    def live(self, seconds: float, pit: list[float], core: float = 60.0, blind: bool = False) -> None:
        """pit: one value a second from now on, as many as there are seconds."""
        for second in range(int(seconds)):
            self.now += 1.0
            item = read(self.now, pit[second], core)
            if blind:
                item = Readings(item.readings[2:])
            self._take(item)

    def say(self, item: Input) -> None:
        self._take(item)

    def _take(self, item: Input) -> None:
        self.inputs.append((self.now, item))
        self.events += replayed(self.watch, [(self.now, item)])

    def die(self, away: float) -> None:
        """Killed, and started again after so many s."""
        kept = [
            (now, item) for now, item in self.inputs if now <= self.now - self.lost or not isinstance(item, Readings)
        ]
        self.inputs = kept
        before = engine()
        for _ in replayed(before, kept):
            pass
        self.watch = engine()  # what the next life finds is a checkpoint
        self.watch.load(json.loads(json.dumps(before.dump())))
        watched_until = kept[-1][0]
        self.now += away
        self._take(Resumed(watched_until=watched_until))

    def raised(self) -> list[str]:
        return [e.alarm for e in self.events if isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED]

    def woke(self) -> list[str]:
        return [in_english(e.text) for e in self.events if isinstance(e, Notification) and e.level == "wake"]


@pytest.mark.parametrize("climb", [10.0, 20.0, 60.0])
def test_a_watch_that_dies_every_45_s_wakes_somebody_within_three_lives(climb: float) -> None:
    """The pit climbs from 120 to 300 °C at so many °C a minute, from when it is out of its band."""
    lives = Lives()
    lives.say(Mark(MarkKind.FIRE_LIT))
    lives.say(Mark(MarkKind.MEAT_ON))
    lives.live(600, [120.0] * 600)
    began, pit = 0, 120.0
    for _ in range(20):
        trace = [min(300.0, pit + climb * second / 60.0) for second in range(45)]
        lives.live(45, trace)
        pit = min(300.0, trace[-1] + climb * 3.0 / 60.0)
        began += trace[0] > 165.0  # the band's edge and the margin of a runaway
        if lives.woke():
            break
        lives.die(3.0)
    assert any("dampers" in text or "damper" in text for text in lives.woke())
    assert began <= 3


def test_a_pit_that_stays_blind_over_many_short_lives_is_told() -> None:
    """Grace spares what speaks of silence, but not for ever."""
    lives = Lives()
    lives.say(Mark(MarkKind.FIRE_LIT))
    lives.say(Mark(MarkKind.MEAT_ON))
    lives.live(600, [120.0] * 600)
    for life in range(40):  # noqa: B007
        lives.live(45, [120.0] * 45, blind=True)
        if "pit-blind/pit" in lives.raised():
            break
        lives.die(3.0)
    assert "pit-blind/pit" in lives.raised()
    assert life < 25


@pytest.mark.parametrize("away", [3.0, 70.0, 600.0, 7200.0])
def test_a_healthy_night_with_restarts_raises_nothing(away: float) -> None:
    lives = Lives()
    lives.say(Mark(MarkKind.FIRE_LIT))
    lives.say(Mark(MarkKind.MEAT_ON))
    for _ in range(4):
        lives.live(400, [120.0] * 400)
        lives.die(away)
    lives.live(400, [120.0] * 400)
    assert lives.raised() == [] and lives.woke() == []


def test_minutes_that_nobody_watched_are_unknown_and_not_left_out() -> None:
    """The pit sank by 12 °C in an hour away: that is no fall within a minute, and no lid."""
    lives = Lives()
    lives.say(Mark(MarkKind.FIRE_LIT))
    lives.say(Mark(MarkKind.MEAT_ON))
    lives.live(900, [124.0] * 900)
    lives.die(3600.0)
    lives.live(180, [112.0] * 180)
    assert not lives.watch.pit.fire.lid_open
    assert abs(lives.watch.minutes("pit-left", int(lives.now // 60) - 30, int(lives.now // 60) - 30)[0]) != 124.0
    assert not lives.watch.pit.fire.slope < -0.5


def test_the_sleep_promise_survives_and_goes_on_with_what_is_known() -> None:
    lives = Lives()
    lives.live(300, [120.0] * 300)
    lives.say(GoToSleep("cook"))
    before = lives.watch.snapshot(lives.now).nap
    lives.die(30.0)
    lives.live(60, [120.0] * 60)
    nap = lives.watch.snapshot(lives.now).nap
    assert before is not None and nap is not None and nap.time == before.time


# --- another rig over the same state ----------------------------------------------------------------------


def test_what_is_of_another_rig_ends_with_the_next_life_and_what_is_not_stays() -> None:
    """One renames a device in a cook that runs, another takes the same directory for another pit."""
    old = replace(night.SETTINGS, parts=frozenset({"board", "phone"}), cook=replace(night.COOK, pieces=()))
    one = night.engine_at_night(old)
    night.step(one, Mark(MarkKind.FIRE_LIT), night.NIGHT)
    night.read(one, 0.0, 600.0, pit_left=124.0, pit_right=118.0)
    for part, name in ((Part.DEVICE, "board"), (Part.BATTERY, "pit-left"), (Part.CHANNEL, "phone")):
        night.step(one, Health(part, name, ok=False, detail="silent"), night.NIGHT + 600.0)
    silent = night.NIGHT + 3600.0
    night.step(one, Readings((Reading("outside", 8.0, silent),)), silent)
    stood = one.alarms.standing()
    assert stood >= {"device-lost/board", "battery-low/pit-left", "watch-channel-down/phone", "pit-blind/pit"}

    def under(settings: WatchSettings) -> frozenset[str]:
        again = Engine(settings)
        again.load(json.loads(json.dumps(one.dump())))
        left = {alarm_key(*each) for each in again.left_behind()}
        night.step(again, Resumed(watched_until=silent, life="ab"), silent + 60.0)
        assert not again.left_behind()
        night.step(again, Readings((Reading("outside", 8.0, silent + 120.0),)), silent + 120.0)
        assert left == stood - again.alarms.standing()
        return again.alarms.standing()

    other = tuple(replace(c, id=f"new-{c.id}") for c in night.CHANNELS)
    assert stood <= under(old)
    assert under(replace(old, parts=frozenset({"plate", "phone"}))) >= stood - {"device-lost/board"}
    assert under(replace(old, channels=other)) >= stood - {"battery-low/pit-left"}, "the pit is what it was"
    assert under(replace(old, pit_id="brick")) >= stood, "under another name, with the same probes"
    strange = replace(old, pit_id="brick", channels=other, parts=frozenset({"plate", "bell"}))
    assert not stood & under(strange)
