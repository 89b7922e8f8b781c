"""A piece's stage table: complete, followed; marks believed, doubts asked."""

from __future__ import annotations

import json
from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import StageChanged
from daemon.core.orders import Mark, MarkKind
from daemon.core.pieces.stage import (
    ANSWERS_IN,
    COLD_PIT,
    NEXT,
    ON_THE_PIT,
    PiecePhase,
    PieceSign,
    PieceSigns,
    PieceStage,
)
from daemon.core.settings import MeatKind, PieceSettings, Wrap
from tests.texts.english import in_english

CHUCK = PieceSettings(
    "chuck", "Chuck roll", "beef-chuck-roll", MeatKind.WHOLE_ROAST, "meat1", 6.5, 0.13, 1.2,
    wrap=Wrap.PAPER, wrap_at=74.0, tender_low=93.0, tender_high=97.0,
)  # fmt: skip
SAUSAGE = PieceSettings("links", "Sausages", "sausage", MeatKind.GROUND, "meat2", 1.0, 0.03, 1.0, target=72.0)


def feed(
    stage: PieceStage, cores: list[float], start: int = 0, pit: float = 128.0, stalled: bool = False
) -> list[StageChanged]:
    """Feeds minute cores with the slope over the last 10 of them."""
    changes: list[StageChanged] = []
    for i, core in enumerate(cores):
        slope = (core - cores[max(0, i - 9)]) / max(1, min(i, 9))
        changes += stage.minute((start + i) * 60.0, PieceSigns(core, slope, pit, stalled))
    return changes


def mark(stage: PieceStage, kind: MarkKind, minute: float, piece: str | None = "chuck") -> list[StageChanged]:
    return stage.mark(Mark(kind, piece), minute * 60.0)


def cooking() -> PieceStage:
    stage = PieceStage(CHUCK)
    mark(stage, MarkKind.MEAT_ON, 0)
    feed(stage, [5.0 + 0.3 * i for i in range(180)])
    assert stage.stage == "cooking"
    return stage


def slipped(kind: MarkKind, core: float) -> PieceStage:
    """Marked off the fire by a slip, three hours into its cook."""
    stage = cooking()
    feed(stage, [core] * 11, 180)
    mark(stage, kind, 191)
    return stage


@pytest.mark.parametrize("kind", [MarkKind.OFF, MarkKind.REST, MarkKind.HOLD, MarkKind.CHILL, MarkKind.SERVE])
def test_meat_that_does_not_cool_over_a_pit_that_cooks_may_still_be_on_it(kind: MarkKind) -> None:
    """A core climbs on by itself for less than an hour; common practice, no source."""
    still_on = [85.0 + 0.01 * i for i in range(130)]
    asked = [change for change in feed(slipped(kind, 85.0), still_on, 191) if change.asks]
    assert "still heats up" in in_english(asked[0].asks) and asked[0].time >= 191 * 60.0 + 2 * 3600.0
    in_a_box = [85.0 + 3.0 * min(1.0, i / 30) - 0.025 * max(0, i - 30) for i in range(300)]
    assert not [change for change in feed(slipped(kind, 85.0), in_a_box, 191) if change.asks]
    assert not [change for change in feed(slipped(kind, 85.0), still_on, 191, pit=40.0) if change.asks]


def test_a_log_on_a_pit_without_meat_asks_whether_the_meat_is_off() -> None:
    stage = slipped(MarkKind.SERVE, 70.0)
    assert "still heats up" in in_english(stage.fed(200 * 60.0)[0].asks)
    assert stage.fed(201 * 60.0) == [], "once"
    cooled = slipped(MarkKind.OFF, 70.0)
    feed(cooled, [70.0 - 0.2 * i for i in range(20)], 191)
    assert cooled.fed(220 * 60.0) == [] and cooking().fed(180 * 60.0) == []
    asked = slipped(MarkKind.OFF, 70.0)
    asked.fed(192 * 60.0)
    feed(asked, [70.0] * 15, 192)
    assert asked.stage == "rest" and asked.question, "rest comes of itself and answers nothing"
    assert mark(asked, MarkKind.MEAT_ON, 210)[0].after == "cooking" and not asked.question


def test_every_stage_is_in_the_table_and_can_be_reached() -> None:
    assert set(NEXT) == set(PiecePhase)
    reached, todo = {PiecePhase.WAITING}, [PiecePhase.WAITING]
    while todo:
        for after in NEXT[todo.pop()].values():
            if after not in reached:
                reached.add(after)
                todo.append(after)
    assert reached == set(PiecePhase)
    used = {key for row in NEXT.values() for key in row}
    assert set(PieceSign) <= used
    assert used - set(PieceSign) == {
        MarkKind(k) for k in ("meat-on", "wrapped", "probed-tender", "off", "rest", "hold", "chill", "serve")
    }


def test_a_whole_cook_by_marks_and_readings() -> None:
    stage = PieceStage(CHUCK)
    seen = feed(stage, [4.0] * 5)
    seen += mark(stage, MarkKind.MEAT_ON, 5)
    seen += feed(stage, [5.0 + 0.3 * i for i in range(200)], 6)
    seen += feed(stage, [66.0] * 30, 210, stalled=True)
    seen += feed(stage, [68.0 + 0.2 * i for i in range(30)], 240)
    seen += mark(stage, MarkKind.WRAPPED, 270)
    seen += feed(stage, [74.0 + 0.2 * i for i in range(100)], 271)
    seen += mark(stage, MarkKind.OFF, 380)
    seen += feed(stage, [94.0] * 15, 381, pit=nan)
    seen += mark(stage, MarkKind.HOLD, 400)
    seen += mark(stage, MarkKind.SERVE, 700)
    assert [c.after for c in seen] == [
        "on", "cooking", "stall", "past-stall", "wrapped", "tender-range", "off", "rest", "hold", "done",
    ]  # fmt: skip
    assert (stage.on_at, stage.wrapped_at, stage.off_at) == (300.0, 270 * 60.0, 380 * 60.0)
    assert [in_english(c.asks) for c in seen if c.asks] == ["Chuck roll climbs again: has it been wrapped?"]
    assert stage.question == ""


def test_a_core_that_rises_in_a_hot_pit_is_on_and_asks() -> None:
    stage = PieceStage(CHUCK)
    changes = feed(stage, [6.0] * 20 + [6.0 + 0.2 * i for i in range(30)])
    assert [c.after for c in changes] == ["on", "cooking"]
    assert "mark it on" in in_english(changes[0].asks)
    assert mark(stage, MarkKind.MEAT_ON, 60) == []
    assert stage.question == "", "the mark answers the question"


def test_meat_that_warms_on_the_table_waits() -> None:
    stage = PieceStage(CHUCK)
    assert feed(stage, [4.0 + 0.05 * i for i in range(120)], pit=128.0) == []
    assert feed(stage, [4.0 + 0.2 * i for i in range(60)], 200, pit=20.0) == []
    assert stage.stage == "waiting"


def test_a_watch_started_in_mid_cook_finds_its_piece() -> None:
    assert [c.after for c in feed(PieceStage(CHUCK), [68.0] * 15)] == ["on", "cooking"]


def test_a_falling_core_in_a_hot_pit_asks_once_and_stays() -> None:
    stage = cooking()
    changes = feed(stage, [58.0 - 0.4 * i for i in range(40)], 200)
    assert [(c.before, c.after) for c in changes] == [("cooking", "cooking")]
    assert "is it off" in in_english(changes[0].asks)
    assert mark(stage, MarkKind.OFF, 250)[0].after == "off"
    assert stage.question == ""


def test_a_dip_after_wrapping_asks_nothing() -> None:
    stage = cooking()
    mark(stage, MarkKind.WRAPPED, 200)
    stage.question = ""
    assert feed(stage, [74.0 - 0.4 * i for i in range(15)], 201) == []


def unanswered(cores: list[float], in_band: bool = True, start: int = 0, stage: PieceStage | None = None) -> PieceStage:
    """Marked on in a hot pit, then these minute cores."""
    if stage is None:
        stage = PieceStage(CHUCK)
        mark(stage, MarkKind.MEAT_ON, 0)
    for i, core in enumerate(cores, start):
        stage.minute(i * 60.0, PieceSigns(core, 0.0, 121.0, False, in_band))
    return stage


def test_a_core_that_does_not_answer_for_an_hour_in_the_band_asks_once() -> None:
    drifting = [5.0 + 0.02 * i for i in range(200)]
    assert unanswered(drifting[: ANSWERS_IN - 1]).question == ""
    stage = unanswered(drifting[:ANSWERS_IN])
    assert (
        "is it on the fire, and the probe in it?" in in_english(stage.question) and len(in_english(stage.question)) < 80
    )
    again = PieceStage(CHUCK)
    again.load(json.loads(json.dumps(stage.dump())))
    mark(again, MarkKind.MEAT_ON, 61)
    assert unanswered(drifting[ANSWERS_IN:80], start=ANSWERS_IN, stage=again).question == "", "the cook has said yes"
    assert unanswered([5.0 + 0.2 * i for i in range(20)], start=80, stage=stage).question == "", "the core has said it"
    assert stage.stage == "cooking"


def test_a_core_that_cannot_answer_or_does_is_not_asked_about() -> None:
    assert unanswered([5.0] * 200, in_band=False).question == "", "the pit is not hot"
    assert unanswered([20.0 - 0.25 * min(i, 40) for i in range(200)]).question == "", "a warm probe in cold meat"
    assert unanswered([5.0 + 0.04 * i for i in range(200)]).stage == "cooking"
    off = unanswered([5.0] * 30)
    mark(off, MarkKind.OFF, 30)
    assert unanswered([5.0] * 100, start=31, stage=off).question == ""


def test_marks_that_contradict_the_readings_are_believed_and_asked_about() -> None:
    early = cooking()
    assert "right piece" in in_english(mark(early, MarkKind.WRAPPED, 190)[0].asks)
    tender = cooking()
    change = mark(tender, MarkKind.PROBED_TENDER, 190)[0]
    assert (change.after, "probe well placed" in in_english(change.asks)) == ("tender-range", True)
    cold = PieceStage(CHUCK)
    feed(cold, [5.0] * 3, pit=15.0)
    assert "is the fire lit" in in_english(mark(cold, MarkKind.MEAT_ON, 4)[0].asks)
    feed(cold, [5.0] * 3, 5, pit=COLD_PIT - 1.0)
    assert "is the fire lit" in in_english(cold.question)
    feed(cold, [5.0] * 3, 8, pit=COLD_PIT)
    assert cold.question == "", "it is: the number in the question would be an old one"
    off = cooking()
    mark(off, MarkKind.OFF, 190)
    assert any("still heats" in in_english(c.asks) for c in feed(off, [60.0 + 0.3 * i for i in range(60)], 191))
    waiting = PieceStage(CHUCK)
    change = mark(waiting, MarkKind.OFF, 1)[0]
    assert (change.before, change.after) == ("waiting", "waiting")
    assert change.asks


def test_a_probe_in_the_air_is_not_tender() -> None:
    stage = cooking()
    feed(stage, [60.0, 90.0, 128.0, 128.0, 128.0, 128.0, 128.0], 200)
    assert stage.stage == "cooking"


def test_a_piece_that_slips_under_the_tender_range_cooks_on() -> None:
    stage = cooking()
    feed(stage, [60.0 + 1.0 * i for i in range(36)], 200)
    assert stage.stage == "tender-range"
    feed(stage, [88.0] * 15, 240)
    assert stage.stage == "cooking"


def test_a_piece_with_only_a_target_uses_it() -> None:
    stage = PieceStage(SAUSAGE)
    stage.mark(Mark(MarkKind.MEAT_ON, None), 0.0)
    assert [c.after for c in feed(stage, [5.0 + 1.0 * i for i in range(71)])] == ["cooking", "tender-range"]


def test_a_piece_without_any_goal_just_cooks() -> None:
    stage = PieceStage(PieceSettings("x", "Thing", "other", MeatKind.OTHER, "m", 1.0, 0.1, 1.0))
    stage.mark(Mark(MarkKind.MEAT_ON), 0.0)
    feed(stage, [5.0 + 1.0 * i for i in range(100)])
    assert stage.stage == "cooking"


def test_all_on_does_not_bring_back_what_is_off_but_its_own_mark_does() -> None:
    stage = cooking()
    mark(stage, MarkKind.WRAPPED, 200)
    mark(stage, MarkKind.OFF, 300)
    assert mark(stage, MarkKind.MEAT_ON, 301, None) == []
    assert mark(stage, MarkKind.MEAT_ON, 302)[0].after == "wrapped"
    assert stage.off_at is None
    assert mark(stage, MarkKind.OFF, 303, "someone-else") == []


signs = st.builds(
    PieceSigns,
    core=st.one_of(st.just(nan), st.floats(-20, 130)),
    slope=st.one_of(st.just(nan), st.floats(-5, 5)),
    pit=st.one_of(st.just(nan), st.floats(-20, 400)),
    stalled=st.booleans(),
)
steps = st.lists(st.one_of(signs, st.sampled_from(list(MarkKind))), max_size=60)


@pytest.mark.parametrize("piece", [CHUCK, SAUSAGE])
@given(steps)
def test_whatever_happens_only_the_table_is_followed_and_a_restart_changes_nothing(
    piece: PieceSettings, steps: list[PieceSigns | MarkKind]
) -> None:
    stage, twin = PieceStage(piece), PieceStage(piece)
    for minute, step in enumerate(steps):
        before, now = PiecePhase(stage.stage), minute * 60.0
        twin.load(json.loads(json.dumps(stage.dump())))
        changes = [
            one.mark(Mark(step, piece.id), now) if isinstance(step, MarkKind) else one.minute(now, step)
            for one in (stage, twin)
        ]
        assert changes[0] == changes[1]
        assert stage.dump() == twin.dump()
        assert len(changes[0]) <= 1
        for change in changes[0]:
            assert change.before == before
            allowed = {*NEXT[before].values(), before, PiecePhase.WRAPPED}
            assert PiecePhase(change.after) in allowed
            assert len(in_english(change.asks)) <= 80
            assert change.after != change.before or change.asks
        assert (stage.stage in ON_THE_PIT) <= (stage.on_at is not None and stage.off_at is None)


@pytest.mark.parametrize("first", ["the forecaster", "the readings"])
def test_the_wrap_of_a_piece_is_asked_for_once_however_often_it_stalls(first: str) -> None:
    stage = cooking()
    asked = list(stage.ask_about_wrap(True, 200 * 60.0)) if first == "the forecaster" else []
    for hour in (4, 6, 8):
        asked += [c for c in feed(stage, [65.0] * 10, 60 * hour, stalled=True) if c.asks]
        asked += [c for c in feed(stage, [65.0 + 0.1 * i for i in range(10)], 60 * hour + 10) if c.asks]
        asked += stage.ask_about_wrap(True, (60 * hour + 30) * 60.0)
    assert stage.stage == "past-stall" and len(asked) == 1
    assert "has it been wrapped?" in in_english(stage.question), "and stays until it is answered"
    mark(stage, MarkKind.WRAPPED, 600)
    assert "has it been wrapped?" not in in_english(stage.question)


def test_the_forecaster_asks_about_a_wrap_once_and_no_longer_than_it_matters() -> None:
    stage = cooking()
    (asked,) = stage.ask_about_wrap(True, 200 * 60.0)
    assert in_english(asked.asks) == "Chuck roll: has it been wrapped? If so, mark it: when it is tender hangs on it"
    assert stage.ask_about_wrap(True, 210 * 60.0) == []
    assert stage.question
    stage.ask_about_wrap(False, 220 * 60.0)
    assert stage.question == ""
    assert stage.ask_about_wrap(True, 230 * 60.0) == [] and stage.question == ""


def test_a_wrap_that_is_marked_or_of_no_use_any_more_is_not_asked_about() -> None:
    stage = cooking()
    stage.ask_about_wrap(True, 200 * 60.0)
    mark(stage, MarkKind.WRAPPED, 205)
    assert stage.question == "" or "wrapped?" not in in_english(stage.question)
    stage.question = ""
    assert stage.ask_about_wrap(True, 210 * 60.0) == []
    done = cooking()
    mark(done, MarkKind.PROBED_TENDER, 205)
    done.question = ""
    assert done.ask_about_wrap(True, 210 * 60.0) == []


def test_another_question_goes_before_that_about_the_wrap() -> None:
    stage = cooking()
    feed(stage, [60.0 - 0.3 * i for i in range(15)], start=180)
    other = stage.question
    assert other and stage.ask_about_wrap(True, 200 * 60.0) == [] and stage.question == other
    assert stage.ask_about_wrap(False, 210 * 60.0) == [] and stage.question == other


def test_a_probe_that_seems_to_have_slid_out_is_asked_about_once_a_stage_before_all_else() -> None:
    stage = cooking()
    stage.ask_about_wrap(True, 200 * 60.0)
    (asked,) = stage.ask_about_probe(True, 210 * 60.0)
    assert in_english(asked.asks) == "Chuck roll warms as no meat does: has its probe slid out?"
    assert stage.ask_about_probe(True, 220 * 60.0) == []
    stage.ask_about_probe(False, 230 * 60.0)
    assert stage.question == ""
    assert stage.ask_about_probe(True, 240 * 60.0) == [] and stage.question == ""
    waiting = PieceStage(CHUCK)
    assert waiting.ask_about_probe(True, 10 * 60.0) == []
