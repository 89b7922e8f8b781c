"""The stall watch on hand-made cores: onset, end, and what is no stall."""

from __future__ import annotations

import json
from math import nan

from hypothesis import given
from hypothesis import strategies as st

from daemon.core.pieces.stall import StallWatch
from daemon.core.settings import Band

BAND = Band(121.0, 135.0)


def feed(watch: StallWatch, cores: list[float], pit: list[float] | float = 128.0, start: int = 0) -> list[int]:
    """The minutes at which `stalled` changed."""
    pits = pit if isinstance(pit, list) else [pit] * len(cores)
    return [
        start + i
        for i, (core, air) in enumerate(zip(cores, pits, strict=True))
        if watch.minute((start + i) * 60.0, core, air, BAND, False)
    ]


def ramp(start: float, per_hour: float, minutes: int) -> list[float]:
    return [start + per_hour * i / 60 for i in range(minutes)]


def stalled_watch() -> StallWatch:
    watch = StallWatch()
    feed(watch, ramp(52.0, 15.0, 60) + ramp(67.0, 2.0, 60))
    assert watch.stalled
    return watch


def test_a_plateau_is_a_stall_within_35_minutes_and_ends_when_the_core_climbs() -> None:
    watch = StallWatch()
    assert feed(watch, ramp(52.0, 15.0, 60)) == []
    (onset,) = feed(watch, ramp(67.0, 2.0, 120), start=60)
    assert 60 < onset <= 95
    assert watch.probability > 0.9
    (end,) = feed(watch, ramp(71.0, 14.0, 50), start=180)
    assert 180 < end <= 215
    assert watch.probability < 0.3


def test_a_steady_climb_is_no_stall() -> None:
    watch = StallWatch()
    assert feed(watch, ramp(40.0, 11.0, 300)) == []
    assert watch.probability < 0.1


def test_a_fire_dip_that_slows_the_core_is_no_stall() -> None:
    watch = StallWatch()
    core = ramp(52.0, 14.0, 60) + ramp(66.0, 1.0, 50) + ramp(66.8, 14.0, 60)
    pit = [128.0] * 45 + [128.0 - 2.0 * i for i in range(25)] + [80.0] * 25 + [128.0] * 75
    assert feed(watch, core, pit) == []


def test_a_core_that_climbs_again_behind_a_fire_that_came_back_is_no_stall_but_may_end_one() -> None:
    pit = [128.0] * 60 + [90.0] * 40 + [128.0] * 40
    core = ramp(52.0, 14.0, 60) + ramp(66.0, -4.0, 40)
    assert feed(StallWatch(), core + ramp(63.3, 2.0, 35), pit[:135]) == []
    watch = stalled_watch()
    assert feed(watch, ramp(69.0, -4.0, 40) + ramp(66.3, 12.0, 35), pit[60:135], start=120) != []
    assert not watch.stalled


def test_a_shallow_dip_hides_no_stall() -> None:
    core = ramp(52.0, 15.0, 60) + ramp(67.0, 2.0, 40)
    (onset,) = feed(StallWatch(), core, [128.0] * 58 + [110.0] * 30 + [128.0] * 12)
    assert onset <= 95


def test_a_core_that_climbs_in_earnest_is_told_within_15_minutes() -> None:
    (end,) = feed(stalled_watch(), ramp(69.0, 12.0, 40), start=120)
    assert end <= 135


def test_a_core_that_pauses_and_picks_up_has_not_stalled() -> None:
    pause = ramp(66.0, 0.0, 10)
    assert feed(StallWatch(), ramp(52.0, 14.0, 60) + pause + ramp(66.0, 14.0, 40)) == []


def test_a_core_that_pauses_once_more_on_its_way_out_stalls_again_only_if_it_stays() -> None:
    watch = stalled_watch()
    out = ramp(69.0, 14.0, 40)
    pause = ramp(78.3, 2.0, 27)
    on = ramp(79.2, 14.0, 15)
    assert len(feed(watch, out + pause + on, start=120)) == 1
    assert len(feed(StallWatch(), ramp(60.0, 14.0, 79) + pause + on)) >= 1, "the same pause, not after a stall"
    again = stalled_watch()
    assert len(feed(again, out + ramp(78.3, 2.0, 60), start=120)) == 2
    assert again.stalled


def test_the_probability_is_sure_of_nothing_and_follows_the_newest_minutes() -> None:
    watch = StallWatch()
    feed(watch, ramp(52.0, 15.0, 60) + ramp(67.0, 2.0, 15))
    assert watch.probability > 0.6
    feed(watch, ramp(67.5, 2.0, 205), start=75)
    assert 0.9 < watch.probability < 0.97
    feed(watch, ramp(74.3, 14.0, 16), start=280)
    assert watch.probability < 0.4


def test_a_short_lid_opening_changes_nothing() -> None:
    shut, opened = StallWatch(), StallWatch()
    core = ramp(52.0, 15.0, 60) + ramp(67.0, 2.0, 120) + ramp(71.0, 14.0, 60)
    pit = [128.0] * 240
    pit[30:33] = [70.0, 85.0, 110.0]
    assert feed(opened, core, pit) == feed(shut, core)


def test_a_slow_core_near_boiling_or_still_cold_is_no_stall() -> None:
    assert feed(StallWatch(), ramp(88.0, 1.0, 120)) == []
    assert feed(StallWatch(), ramp(54.0, 15.0, 118) + ramp(83.5, 0.5, 40)) != [], "hot, but not near boiling"
    assert feed(StallWatch(), ramp(20.0, 2.0, 240)) == []


def test_a_core_that_creeps_past_the_end_of_the_range_ends_its_stall_once() -> None:
    watch = stalled_watch()
    creeping = ramp(69.0, 2.5, 420)
    noisy = [core + (0.4 if i % 11 == 0 else 0.0) for i, core in enumerate(creeping)]
    assert len(feed(watch, noisy, start=120)) == 1
    assert not watch.stalled


def test_a_core_that_pauses_before_it_is_warm_is_no_stall() -> None:
    assert feed(StallWatch(), ramp(30.0, 15.0, 60) + ramp(45.0, 4.0, 140)) == []


def test_wrapping_ends_a_stall_at_once() -> None:
    watch = stalled_watch()
    assert watch.minute(9000.0, 70.0, 128.0, BAND, True)
    assert not watch.stalled
    assert watch.probability == 0.0


def test_a_blind_probe_or_pit_moves_nothing() -> None:
    watch = stalled_watch()
    assert feed(watch, [nan] * 120, start=120) == []
    assert feed(watch, [70.0] * 60, [nan] * 60, start=240) == []
    assert watch.stalled


def test_a_probe_that_answers_now_and_then_moves_nothing() -> None:
    watch = stalled_watch()
    feed(watch, [nan] * 6, start=120)
    before = watch.probability
    assert feed(watch, [69.0, 69.9, 70.9, 71.9], start=126) == []
    assert watch.probability == before


@given(st.lists(st.tuples(*[st.one_of(st.just(nan), st.floats(-20, 300))] * 2, st.booleans()), max_size=80))
def test_odd_data_never_raises_and_a_restart_changes_nothing(minutes: list[tuple[float, float, bool]]) -> None:
    watch, twin = StallWatch(), StallWatch()
    for i, (core, pit, wrapped) in enumerate(minutes):
        twin.load(json.loads(json.dumps(watch.dump())))
        answers = [one.minute(i * 60.0, core, pit, BAND, wrapped) for one in (watch, twin)]
        assert answers[0] == answers[1]
        assert watch.dump() == twin.dump()
        assert 0.0 <= watch.probability <= 1.0
