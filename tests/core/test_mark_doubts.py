"""Marks and cores that can hardly be meant, by stage; what is natural is never asked about."""

from __future__ import annotations

from dataclasses import replace

import pytest

from daemon.core.mark_doubts import HARDLY, doubt
from daemon.core.orders import AddPiece, ChangePiece, Mark, MarkKind, RemovePiece, SpotReading
from daemon.core.pieces.stage import AFTER_THE_PIT, NEXT, ON_THE_PIT, PiecePhase
from daemon.core.settings import Role
from daemon.core.snapshot import ChannelView, Snapshot, SpotView
from drivers.reading import Quality
from tests.core.night import NIGHT, engine_at_night, read
from tests.texts.english import in_english

HOUR = 3600.0
NOW = NIGHT + 10 * HOUR
ON_AT, OFF_AT = NOW - 8 * HOUR, NOW - 2 * HOUR


@pytest.fixture(scope="module")
def night() -> Snapshot:
    engine = engine_at_night()
    read(engine, 0.0, 120.0, 15.0, pit_left=120.0, pit_right=118.0, chuck=60.0, lamb=60.0)
    return replace(engine.snapshot(NIGHT + 120.0), time=NOW)


def with_piece(night: Snapshot, stage: PiecePhase, **more: object) -> Snapshot:
    first = night.pieces[0]
    off_at = OFF_AT if stage in AFTER_THE_PIT else None
    on_at = None if stage is PiecePhase.WAITING else ON_AT
    wrapped_at = ON_AT + HOUR if stage is PiecePhase.WRAPPED else None
    own = replace(
        first, stage=stage.value, on_at=on_at, off_at=off_at, wrapped_at=wrapped_at, question="", since=OFF_AT,
        channel=None,
    )  # fmt: skip
    return replace(night, pieces=(replace(own, **more), *night.pieces[1:]))  # type: ignore[arg-type]


def of(night: Snapshot) -> str:
    return night.pieces[0].id


@pytest.mark.parametrize("stage", list(PiecePhase))
def test_every_mark_of_every_stage_is_asked_about_by_the_table(night: Snapshot, stage: PiecePhase) -> None:
    seen = with_piece(night, stage)
    asked = {kind for kind in MarkKind if doubt(Mark(kind, of(seen)), seen)}
    expected = set(HARDLY.get(stage, {})) | ({MarkKind.MEAT_ON} if stage in ON_THE_PIT else set())
    assert asked - {MarkKind.FIRE_LIT} == expected
    moves = {sign for sign in NEXT[stage] if isinstance(sign, MarkKind)}
    meant = {
        PiecePhase.WAITING: {MarkKind.WRAPPED},
        PiecePhase.CHILL: {MarkKind.MEAT_ON},
        PiecePhase.DONE: {MarkKind.MEAT_ON},
    }
    assert moves & asked == meant.get(stage, set()), "what moves a piece on is natural but for these"


@pytest.mark.parametrize("kind", [MarkKind.WRAPPED, MarkKind.HOLD, MarkKind.SERVE])
def test_what_comes_hours_after_is_not_done_at_once(night: Snapshot, kind: MarkKind) -> None:
    just_on = with_piece(night, PiecePhase.ON, on_at=NOW - 120.0)
    assert "is on only since" in in_english(doubt(Mark(kind, of(just_on)), just_on))
    assert doubt(Mark(MarkKind.OFF, of(just_on)), just_on) == "", "it may rain"
    assert doubt(Mark(MarkKind.MEAT_ON, of(just_on)), just_on) == ""


def test_a_forgotten_mark_is_judged_by_the_time_it_was_done(night: Snapshot) -> None:
    held = with_piece(night, PiecePhase.HOLD)
    assert doubt(Mark(MarkKind.WRAPPED, of(held)), held)
    assert doubt(Mark(MarkKind.WRAPPED, of(held), at=OFF_AT - HOUR), held) == ""
    on = with_piece(night, PiecePhase.COOKING)
    assert doubt(Mark(MarkKind.MEAT_ON, of(on), at=ON_AT - 600.0), on) == "", "it was put on before it was seen"


def test_a_mark_of_all_pieces_is_asked_about_only_where_it_fits_none(night: Snapshot) -> None:
    waiting = with_piece(night, PiecePhase.WAITING)
    rest = tuple(replace(piece, stage="waiting", on_at=None) for piece in waiting.pieces[1:])
    assert doubt(Mark(MarkKind.OFF), replace(waiting, pieces=(waiting.pieces[0], *rest)))
    cooking = tuple(replace(piece, stage="cooking", on_at=ON_AT, channel=None) for piece in waiting.pieces[1:])
    assert doubt(Mark(MarkKind.OFF), replace(waiting, pieces=(waiting.pieces[0], *cooking))) == ""


@pytest.mark.parametrize("kind", [MarkKind.OFF, MarkKind.REST, MarkKind.HOLD, MarkKind.CHILL, MarkKind.SERVE])
def test_meat_that_is_not_done_is_taken_off_only_once_that_is_meant(night: Snapshot, kind: MarkKind) -> None:
    probe = ChannelView("own", "Own", Role.MEAT, None, 78.0, Quality.GOOD, (), None, 1.0, 0.0)
    here = replace(night, channels=(probe,))
    young = with_piece(here, PiecePhase.COOKING, channel="own", tender_low=92.0)
    assert "78 °C, to be 92 °C" in in_english(doubt(Mark(kind, of(young)), young))
    assert "78 °C" in in_english(doubt(Mark(kind), young)), "said of all, one of them may have been forgotten"
    assert doubt(Mark(kind, of(young), at=NOW - 600.0), young) == ""
    for done in (
        replace(here, channels=(replace(probe, celsius=85.0),)),
        replace(here, channels=(replace(probe, quality=Quality.SUSPECT),)),
    ):
        near = with_piece(done, PiecePhase.WRAPPED, channel="own", tender_low=92.0)
        assert doubt(Mark(kind, of(near)), near) == ""


def test_a_question_that_stands_may_be_answered(night: Snapshot) -> None:
    seen = with_piece(night, PiecePhase.COOKING, question="seems to be on the pit: mark it on?")
    assert doubt(Mark(MarkKind.MEAT_ON, of(seen)), seen) == ""
    burning = replace(night, pit=replace(night.pit, stage="in-band", celsius=120.0, question=""))
    assert "burns" in in_english(doubt(Mark(MarkKind.FIRE_LIT), burning))
    asked = replace(burning, pit=replace(burning.pit, question="Is the pit lit?"))
    assert doubt(Mark(MarkKind.FIRE_LIT), asked) == ""
    assert doubt(Mark(MarkKind.FIRE_LIT), replace(burning, pit=replace(burning.pit, stage="low"))) == ""


def spot(seen: Snapshot, celsius: float) -> str:
    return in_english(doubt(SpotReading(of(seen), celsius), seen))


def test_a_core_that_cannot_be_so_is_asked_about(night: Snapshot) -> None:
    """165 °F are 73.9 °C, and 45 °F a minute later 7.2 °C: the definition of the scale."""
    before = SpotView(73.9, NOW - 60.0, NOW - 60.0, "", "", 1.0, "page")
    seen = with_piece(night, PiecePhase.COOKING, channel=None, spots=(before,))
    assert "is far from that" in spot(seen, 7.2)
    assert spot(seen, 68.0) == "", "another place in the same piece"
    hour_ago = replace(before, at=NOW - HOUR)
    assert spot(with_piece(night, PiecePhase.REST, channel=None, spots=(hour_ago,)), 7.2) == "", "it may have been iced"
    assert "hotter than wet meat gets" in spot(seen, 110.0) and "frozen" in spot(seen, -10.0)
    cold = with_piece(night, PiecePhase.WAITING, channel=None, spots=())
    assert "has not gone on yet" in spot(cold, 60.0) and spot(cold, 4.0) == ""


def test_a_core_far_from_a_believed_probe_is_asked_about(night: Snapshot) -> None:
    probe = ChannelView("own", "Own", Role.MEAT, None, 74.0, Quality.GOOD, (), None, 1.0, 0.0)
    seen = with_piece(replace(night, channels=(probe,)), PiecePhase.COOKING, channel="own", spots=())
    assert "the probe in" in spot(seen, 7.2) and spot(seen, 66.0) == ""
    doubted = replace(seen, channels=(replace(probe, quality=Quality.SUSPECT),))
    assert spot(doubted, 7.2) == "", "it is read by hand because the probe is not believed"


@pytest.mark.parametrize("stage", list(PiecePhase))
def test_a_piece_that_is_watched_leaves_the_cook_only_when_it_is_meant(night: Snapshot, stage: PiecePhase) -> None:
    seen = with_piece(night, stage)
    said = in_english(doubt(RemovePiece(of(seen), "cook"), seen))
    assert bool(said) is (stage not in (PiecePhase.WAITING, PiecePhase.DONE))
    assert ("on the fire" in said) is (stage in ON_THE_PIT)
    assert not doubt(RemovePiece("nobody", "cook"), seen)


def test_a_goal_below_what_is_safe_is_asked_about_when_it_is_said_and_not_again(night: Snapshot) -> None:
    now = night.pieces[1].ordered
    assert now is not None and now.tender_low is not None
    rare = replace(now, tender_low=None, tender_high=None, target=57.2, safe_rule="USDA")
    said = in_english(doubt(ChangePiece(rare, "cook"), night))
    assert said == "57.2 °C is below the safe minimum of 62.8 °C (USDA)"
    assert in_english(doubt(AddPiece(replace(rare, id="third"), "cook"), night)) == said
    assert not doubt(ChangePiece(replace(rare, target=62.8), "cook"), night) and not doubt(
        ChangePiece(now, "cook"), night
    )
    meant = replace(night, pieces=(night.pieces[0], replace(night.pieces[1], ordered=rare)))
    assert not doubt(ChangePiece(replace(rare, name="Leg"), "cook"), meant)
    assert doubt(ChangePiece(replace(rare, safe_minimum=73.9), "cook"), meant), "of another kind of meat"
