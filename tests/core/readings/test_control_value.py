"""The control value of a pit with several probes: what a drop-out, a return and a newcomer must not do."""

from __future__ import annotations

import json
from datetime import UTC
from itertools import pairwise
from math import isnan, sin
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.engine import Engine
from daemon.core.inputs import Readings
from daemon.core.readings.control_value import PROVEN_AFTER, ControlValue
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Reading, on_grid

PLACES = {"left": 118.0, "middle": 125.0, "firebox": 141.0}


def settled(places: dict[str, float] = PLACES, minutes: int = 90) -> ControlValue:
    control = ControlValue()
    for minute in range(minutes):
        control.minute({c: v + (minute % 7) / 2 for c, v in places.items()})
    return control


def test_all_probes_good_is_the_plain_median() -> None:
    assert ControlValue().of(PLACES) == 125.0
    assert settled().of(PLACES) == pytest.approx(125.0, abs=0.5)
    assert isnan(ControlValue().of({}))


@pytest.mark.parametrize("lost", [("left",), ("middle",), ("firebox",), ("left", "middle"), ("middle", "firebox")])
def test_a_drop_out_makes_no_jump_where_the_plain_median_jumps(lost: tuple[str, ...]) -> None:
    control = settled()
    left = {c: v for c, v in PLACES.items() if c not in lost}
    assert control.of(left) == pytest.approx(control.of(PLACES), abs=0.5)
    assert abs(median(left.values()) - 125.0) >= 3


def test_two_probes_are_enough() -> None:
    pair = {"left": 118.0, "right": 132.0}
    control = settled(pair)
    assert control.of(pair) == pytest.approx(125.0, abs=0.5)
    assert control.of({"left": 118.0}) == pytest.approx(125.0, abs=0.5)


def test_a_real_fall_still_shows_with_a_probe_missing() -> None:
    control = settled()
    assert control.of({"left": 108.0, "middle": 115.0}) == pytest.approx(115.0, abs=0.5)


def test_what_is_left_becomes_the_plain_median_slowly() -> None:
    control, left = settled(), {"left": 118.0, "firebox": 141.0}
    values = []
    for _ in range(24 * 60):
        control.minute(left)
        values.append(control.of(left))
    steps = [abs(b - a) for a, b in pairwise(values)]
    assert max(steps) < 0.05
    assert values[-1] == pytest.approx(129.5, abs=0.5)
    assert control.of(PLACES) == pytest.approx(values[-1], abs=0.5)


def test_a_newcomer_counts_only_once_it_has_proven_itself() -> None:
    control = settled({"left": 118.0, "right": 132.0})
    for minute in range(60):
        celsius = 20.0 if minute < 2 else 150.0  # in the hand, then on the grate
        value = control.of({"left": 118.0, "right": 132.0, "new": celsius})
        assert value == pytest.approx(125.0, abs=0.5 if minute < PROVEN_AFTER else 2.0)
        control.minute({"left": 118.0, "right": 132.0, "new": celsius})


def by_the_firebox(minutes: int, dies_from: int = 10**9) -> list[dict[str, float]]:
    """The one where the meat lies swings by 8 °C, the one by the firebox three times as far about 15 °C more; both fall by 1 °C
    a minute once the fire dies (common practice, no source)."""
    found = []
    for i in range(minutes):
        swing, fallen = 8.0 * sin(i / 6.4), float(max(0, i - dies_from))
        found.append({"grate": 120.0 + swing - fallen, "firebox": 135.0 + 3 * swing - fallen})
    return found


def test_beside_a_calm_probe_one_by_the_firebox_hardly_counts_and_a_dying_fire_shows_whole() -> None:
    control, seen = ControlValue(), []
    for good in by_the_firebox(300, dies_from=260):
        control.minute(good)
        seen.append(control.of(good))
    fed, dying = seen[140:260], seen[260:]
    assert max(fed) - min(fed) <= 1.25 * 16.0, "twice as far by the plain median"
    assert dying[0] - dying[-1] >= 39.0 - 2 * 8.0 * 1.25
    alike = ControlValue()
    for i in range(200):
        alike.minute({"left": 118.0 + 8 * sin(i / 6.4), "right": 132.0 + 9 * sin(i / 6.4)})
    assert alike.of({"left": 100.0, "right": 132.0}) == pytest.approx(116.0, abs=3.0), "two alike count alike"


def test_over_hours_the_pit_has_what_the_calm_probe_reads() -> None:
    """The band is that of the place where the meat lies: the firebox reads 15 °C more here."""
    control, seen = ControlValue(), []
    for good in by_the_firebox(14 * 60):
        control.minute(good)
        seen.append(control.of(good))
    last = seen[-400:]
    assert sum(last) / len(last) == pytest.approx(120.0, abs=1.0), "127.5 by the plain median"


def test_one_that_lies_on_the_floor_is_no_measure_of_calm() -> None:
    control = ControlValue()
    for i in range(200):
        control.minute({"floor": 62.0 + 2 * sin(i / 6.4), "grate": 120.0 + 9 * sin(i / 6.4)})
    fell, stands = control.of({"floor": 62.0, "grate": 90.0}), control.of({"floor": 62.0, "grate": 120.0})
    assert stands - fell == pytest.approx(15.0, abs=0.5), "it counts as half, as the other does"


def test_one_that_was_away_for_long_may_hang_elsewhere_and_proves_itself_anew() -> None:
    control = settled({"left": 118.0, "right": 132.0})
    for _ in range(30):
        control.minute({"left": 118.0})
    for minute in range(30):
        moved = {"left": 118.0, "right": 112.0}
        assert control.of(moved) == pytest.approx(125.0, abs=2.5), minute
        control.minute(moved)


values = st.dictionaries(st.sampled_from("abc"), st.floats(-20, 400))


@given(st.lists(values, max_size=40), st.lists(values, max_size=10))
def test_a_restart_changes_nothing_and_the_value_stays_finite(
    before: list[dict[str, float]], after: list[dict[str, float]]
) -> None:
    control, twin = ControlValue(), ControlValue()
    for good in before:
        control.minute(good)
    twin.load(json.loads(json.dumps(control.dump())))
    for good in after:
        assert isnan(control.of(good)) == (not good)
        assert good == {} or control.of(good) == twin.of(good)
        control.minute(good)
        twin.minute(good)
    assert control.dump() == twin.dump()


def a_night(watched: Engine, start: int, minutes: int, lost: str | None = None) -> list[float]:
    """The pit value of every minute while readings of PLACES come in every 5 s; `lost` is silent."""
    pit = []
    for beat in range(start * 12, (start + minutes) * 12):
        now = 5.0 * beat
        swing = 2.0 * sin(now / 900.0) + 0.25 * (beat % 3)
        readings = tuple(Reading(c, on_grid(v + swing), now) for c, v in PLACES.items() if c != lost)
        watched.handle(Readings(readings), now)
        while (due := watched.next_deadline()) is not None and due <= now:
            watched.handle_timer(due)
        if beat % 12 == 11:
            pit.append(watched.readout.pit_now())
    return pit


def test_the_watch_sees_no_fall_when_a_probe_drops_out_and_a_restart_knows_the_offsets() -> None:
    channels = tuple(ChannelSettings(name, name, Role.PIT) for name in PLACES)
    cook = CookSettings("night", "night", Band(118.0, 132.0))
    settings = WatchSettings("pit", "Pit", channels, cook, AnnouncingSettings(QuietHours(0, 1, UTC)))
    engine = Engine(settings)
    before = a_night(engine, 0, 60)
    restarted = Engine(settings)
    restarted.load(json.loads(json.dumps(engine.dump())))
    for one in (engine, restarted):
        after = a_night(one, 60, 10, lost="middle")
        assert max(abs(b - a) for a, b in pairwise([before[-1], *after])) < 1.0


def test_what_was_learned_while_one_of_two_lied_is_forgotten_when_it_is_found_out() -> None:
    control = settled({"left": 118.0, "right": 132.0})
    before = control.of({"right": 132.0})
    for _ in range(20):
        control.minute({"left": 235.0, "right": 132.0})
    lied = control.of({"right": 132.0})
    control.lying({"left"})
    assert lied >= before + 10.0, "the lie did move it"
    assert control.of({"right": 132.0}) == pytest.approx(before, abs=1.0)
    twin = ControlValue()
    twin.load(json.loads(json.dumps(control.dump())))
    twin.lying({"left"})
    for one in (control, twin):
        one.minute({"right": 131.0})
        one.lying(())
    assert twin.dump() == control.dump(), "found out once and not again after a restart"
    assert control.of({"left": 118.0, "right": 131.0}) == pytest.approx(before, abs=2.0), "it returns to where it hung"


def test_of_one_that_lied_from_the_start_nothing_is_kept() -> None:
    control = settled({"left": 120.0, "right": 5.0})
    control.lying({"right"})
    assert control.of({"left": 120.0}) == pytest.approx(120.0, abs=3.5)
