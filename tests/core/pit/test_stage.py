"""The pit's stage table: complete, followed, and quiet at its edges."""

from __future__ import annotations

import json
from math import nan

from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import StageChanged
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.stage import (
    CATCHES_IN,
    LID_AT_MOST,
    NEXT,
    NOT_CAUGHT,
    QUESTIONS,
    SEEN_AGAIN,
    PitPhase,
    PitSign,
    PitStage,
)
from daemon.core.settings import Band
from tests.texts.english import in_english

BAND = Band(121.0, 135.0)


def run(
    stage: PitStage, values: list[float], start: int = 0, band: Band = BAND, lid: bool = False
) -> list[StageChanged]:
    """Feeds minute values with the slope over the last 10 of them."""
    changes: list[StageChanged] = []
    for i, value in enumerate(values):
        slope = (value - values[max(0, i - 9)]) / max(1, min(i, 9))
        changes += stage.minute((start + i) * 60.0, value, slope, band, lid)
    return changes


def in_band() -> PitStage:
    stage = PitStage()
    run(stage, [20.0] * 5 + [20.0 + 4 * i for i in range(28)] + [128.0] * 25)
    assert stage.stage == "in-band"
    return stage


def test_every_stage_is_in_the_table_and_can_be_reached() -> None:
    assert set(NEXT) == set(PitPhase)
    reached, todo = {PitPhase.UNLIT}, [PitPhase.UNLIT]
    while todo:
        for after in NEXT[todo.pop()].values():
            if after not in reached:
                reached.add(after)
                todo.append(after)
    assert reached == set(PitPhase)


def test_every_sign_is_used_and_every_question_belongs_to_a_row() -> None:
    assert {sign for row in NEXT.values() for sign in row} == set(PitSign)
    for (phase, sign), text in QUESTIONS.items():
        assert sign in NEXT[phase]
        assert len(in_english(text)) <= 80


def test_a_night_from_lighting_to_cooling() -> None:
    stage = PitStage()
    seen = stage.mark(Mark(MarkKind.FIRE_LIT), 0.0)
    seen += run(stage, [20.0 + 3 * i for i in range(37)] + [128.0] * 30)
    seen += stage.finish(9000.0)
    seen += run(stage, [128.0 - 2 * i for i in range(60)], 200)
    assert [c.after for c in seen] == ["lighting", "heating", "in-band", "cooling", "unlit"]
    assert seen[0].because == "mark"
    assert not any(c.asks for c in seen)


def test_a_pit_that_warms_without_a_mark_asks() -> None:
    stage = PitStage()
    changes = run(stage, [12.0] * 10 + [12.0 + 2 * i for i in range(40)])
    assert [c.after for c in changes] == ["lighting", "heating"]
    assert changes[0].asks
    assert not changes[1].asks


def test_a_question_stands_until_the_mark_or_the_readings_answer_it() -> None:
    stage = PitStage()
    run(stage, [12.0] * 10 + [12.0 + 2 * i for i in range(10)])
    assert (stage.stage, stage.question) == ("lighting", QUESTIONS[PitPhase.UNLIT, PitSign.WARMS])
    marked = PitStage()
    marked.load(json.loads(json.dumps(stage.dump())))
    assert marked.mark(Mark(MarkKind.FIRE_LIT), 1300.0) == []
    assert marked.question == ""
    run(stage, [32.0 + 4 * i for i in range(12)], 20)
    assert (stage.stage, stage.question) == ("heating", "")


def test_a_fire_marked_lit_that_does_not_warm_the_pit_is_asked_about_once() -> None:
    stage = PitStage()
    stage.mark(Mark(MarkKind.FIRE_LIT), 0.0)
    changes = run(stage, [12.0 + 0.02 * i for i in range(CATCHES_IN + 40)])
    assert [(c.before, c.after, c.asks, c.time) for c in changes] == [
        ("lighting", "lighting", NOT_CAUGHT, (CATCHES_IN - 1) * 60.0)
    ]
    assert stage.question == NOT_CAUGHT and len(in_english(NOT_CAUGHT)) <= 80
    stage.mark(Mark(MarkKind.FIRE_LIT), 5000.0)
    assert not in_english(stage.question)
    again = run(stage, [13.0] * CATCHES_IN + [13.0 + 2 * i for i in range(10)], 90)
    assert [c.asks for c in again] == [NOT_CAUGHT]
    assert not in_english(stage.question), "a pit that warms after all has answered"


def test_a_fire_that_catches_is_not_asked_about() -> None:
    stage = PitStage()
    run(stage, [12.0] * 10)
    stage.mark(Mark(MarkKind.FIRE_LIT), 600.0)
    seen = run(stage, [12.0 + 0.5 * i for i in range(60)] + [nan] * 60 + [42.0] * 60, 10)
    assert not any(c.asks for c in seen)


def test_a_dying_fire_falls_is_low_and_then_out_but_only_after_long() -> None:
    stage = in_band()
    falling = [128.0 - 0.6 * i for i in range(100)]
    changes = run(stage, falling, 100)
    assert [c.after for c in changes] == ["falling", "low", "out"]
    out_minute = int(changes[2].time / 60) - 100
    assert falling[out_minute] < BAND.low - 15
    assert out_minute >= 32 + 20, "well below the band for 20 min before it is called out"
    assert changes[2].asks


def test_a_slow_recovery_far_below_the_band_is_not_out() -> None:
    stage = in_band()
    changes = run(stage, [128.0 - 1.5 * i for i in range(25)] + [92.0 + 0.3 * i for i in range(90)], 100)
    assert "out" not in [c.after for c in changes]


def test_a_relit_fire_heats_again() -> None:
    stage = in_band()
    run(stage, [128.0 - 0.6 * i for i in range(100)], 100)
    assert stage.stage == "out"
    assert [c.after for c in run(stage, [70.0 + 2 * i for i in range(20)], 300)] == ["heating"]


def test_runaway_is_far_above_the_band_for_two_minutes_and_still_climbing() -> None:
    once = in_band()
    assert "runaway" not in [c.after for c in run(once, [128.0, 165.0, 150.0, 150.0, 150.0], 100)]
    log = in_band()
    assert "runaway" not in [c.after for c in run(log, [128.0 + 4.0 * i for i in range(8)] + [157.0] * 20, 100)]
    fat = in_band()
    changes = run(fat, [128.0, 150.0, 160.0, 163.0, 165.0, 167.0, 169.0], 100)
    assert [c.after for c in changes][-1] == "runaway"
    assert [c.after for c in run(fat, [169.0, 169.0, 168.0, 167.0], 110)] == ["high"]


def test_an_open_lid_moves_nothing_unless_it_is_left_open() -> None:
    stage = in_band()
    assert run(stage, [60.0] * LID_AT_MOST, 100, lid=True) == []
    assert [c.after for c in run(stage, [60.0] * 5, 100 + LID_AT_MOST, lid=True)] == ["low"]


def test_a_blind_pit_moves_nothing() -> None:
    stage = in_band()
    assert run(stage, [nan] * 120, 100) == []
    assert stage.stage == "in-band"


def test_a_pit_at_its_edge_does_not_flap() -> None:
    for edge in (BAND.low, BAND.high):
        stage = in_band()
        wobble = [edge + (0.9 if i % 2 else -0.9) for i in range(300)]
        assert len(run(stage, wobble, 100)) <= 1
        slow = [edge + (0.95 if (i // 4) % 2 else -0.95) for i in range(300)]
        assert len(run(stage, slow, 500)) <= 1


def test_a_raised_band_is_heating_not_low() -> None:
    stage = in_band()
    run(stage, [122.0] * 5, 100, Band(107.0, 121.0))
    assert [c.after for c in run(stage, [122.0] * 10, 110, Band(135.0, 150.0))][-1:] == ["heating"]


values = st.lists(
    st.tuples(
        st.one_of(st.just(nan), st.floats(-30, 400)), st.booleans(), st.sampled_from(["", "lit", "finish", "raise"])
    ),
    max_size=60,
)


@given(values)
def test_whatever_happens_only_the_table_is_followed_and_a_restart_changes_nothing(
    steps: list[tuple[float, bool, str]],
) -> None:
    stage, twin, band = PitStage(), PitStage(), BAND
    for minute, (value, lid, act) in enumerate(steps):
        before, now = PitPhase(stage.stage), minute * 60.0
        twin.load(json.loads(json.dumps(stage.dump())))
        changes: list[list[StageChanged]] = []
        for one in (stage, twin):
            if act == "lit":
                changes.append(one.mark(Mark(MarkKind.FIRE_LIT), now))
            elif act == "finish":
                changes.append(one.finish(now))
            else:
                band = Band(130.0, 140.0) if act == "raise" else BAND
                changes.append(one.minute(now, value, 0.0, band, lid))
        assert changes[0] == changes[1]
        assert stage.dump() == twin.dump()
        assert len(changes[0]) <= 1
        for change in changes[0]:
            assert change.before == before
            assert PitPhase(change.after) in NEXT[before].values() or (change.after == before and change.asks)
            assert len(in_english(change.asks)) <= 80


def test_meat_on_a_pit_left_to_cool_is_the_next_cook() -> None:
    stage = in_band()
    assert stage.meat_on(3600.0) == [], "a burning pit needs no telling"
    stage.finish(3660.0)
    assert [c.after for c in stage.meat_on(3720.0)] == ["heating"]
    assert [c.after for c in run(stage, [128.0] * 5, 63)] == ["in-band"]


def test_a_fire_marked_late_on_a_pit_in_its_band_is_not_called_lighting_for_minutes() -> None:
    stage = PitStage()
    run(stage, [125.0, 125.0])
    assert stage.stage == "unlit", "too young to be told by itself"
    run(stage, [125.0], start=2)
    stage.mark(Mark(MarkKind.FIRE_LIT), 180.0)
    run(stage, [125.0], start=3)
    assert stage.stage == "in-band"


def test_a_pit_that_wavers_about_the_top_of_its_band_has_reached_it() -> None:
    """Coming up, minute by minute across the top edge: never three minutes inside, never three above."""
    stage = PitStage()
    stage.mark(Mark(MarkKind.FIRE_LIT), 0.0)
    run(stage, [20.0 + 5 * i for i in range(23)] + [137.0, 134.0] * 15)
    assert stage.stage == "in-band"


def test_a_pit_that_shoots_through_its_band_was_never_in_it() -> None:
    stage = PitStage()
    stage.mark(Mark(MarkKind.FIRE_LIT), 0.0)
    moved = run(stage, [20.0 + 15 * i for i in range(10)] + [175.0 + i for i in range(10)])
    assert "in-band" not in [change.after for change in moved] and stage.stage in ("high", "runaway")


def test_a_pit_that_is_read_one_minute_in_four_comes_to_its_stages_in_the_same_time() -> None:
    """A loose plug over a fire that dies: what is read has lasted since the last reading."""
    falls = [128.0 - 1.5 * minute for minute in range(60)]
    whole, loose, dead = in_band(), in_band(), in_band()
    moves = {change.after: change.time for change in run(whole, falls, 60)}
    seldom = [pit if minute % 4 == 0 else nan for minute, pit in enumerate(falls)]
    later = {change.after: change.time for change in run(loose, seldom, 60)}
    assert later["low"] - moves["low"] <= 4 * 60.0 and later["out"] - moves["out"] <= 4 * 60.0
    run(dead, [nan] * SEEN_AGAIN + [100.0])
    assert dead.stage == "in-band", "of what nobody saw for long one reading tells the end only"
