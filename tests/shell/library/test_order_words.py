"""What people said goes into a cell of a table and comes back the same. No outside source: the words are ours."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.inputs import Input
from daemon.core.marks import OF_THE_PIT
from daemon.core.orders import (
    SPOT,
    AddPiece,
    AddReminder,
    ChangeCook,
    ChangePiece,
    ChooseSpot,
    CountWood,
    KeepPlan,
    Mark,
    MarkKind,
    MovePiece,
    MoveProbe,
    ReminderDone,
    RemovePiece,
    RemoveReminder,
    SetBand,
    SpotReading,
    TakeBack,
)
from daemon.core.planned import From, KeptPlan, PlannedPiece, ReminderSettings, shifted
from daemon.core.settings import Band, CookSettings, MeatKind, PieceSettings, Wrap, cook_shifted
from daemon.shell.library.order_words import said_in, word_of
from daemon.shell.library.tables import guarded, unguarded

ids = st.from_regex(r"[a-z0-9][a-z0-9-]{0,9}", fullmatch=True)
texts = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=20)
degrees = st.floats(-20, 120).map(lambda v: round(v, 3))
times = st.none() | st.integers(1_700_000_000_000, 1_900_000_000_000).map(lambda ms: ms / 1000)
pieces = st.builds(
    PieceSettings,
    ids, texts, texts, st.sampled_from(MeatKind), st.none() | ids, st.floats(0.1, 20), st.floats(0.01, 0.3), st.floats(0, 2),
    wrap=st.none() | st.sampled_from(Wrap), wrap_at=st.none() | degrees, tender_low=st.none() | degrees,
    target=st.none() | degrees, safe_minimum=degrees, safe_rule=texts, place=st.none() | texts,
    serve_at=times,
)  # fmt: skip
bands = st.floats(40, 200).map(lambda low: Band(low, low + 30.0))
marks = st.builds(Mark, st.sampled_from(MarkKind), st.none() | ids, at=times)
lengths = st.integers(600, 80_000).map(float)
reminders = st.builds(
    ReminderSettings, ids, texts, st.none() | lengths, st.none() | st.sampled_from(From), times,
    st.none() | st.sampled_from(From), st.none() | ids, st.booleans(),
)  # fmt: skip
instants = st.integers(1_700_000_000, 1_900_000_000).map(float)
plans = st.builds(
    KeptPlan, instants, lengths, instants, lengths, lengths,
    st.tuples(st.builds(PlannedPiece, ids, instants, lengths, lengths, lengths, st.none() | lengths)), st.booleans(),
)  # fmt: skip
said = st.one_of(
    marks,
    st.builds(Mark, st.just(MarkKind.WRAPPED), st.none() | ids, note=st.sampled_from(Wrap).map(str), at=times),
    st.builds(TakeBack, st.sampled_from([*map(str, MarkKind), SPOT]), st.none() | ids, times),
    st.builds(SpotReading, ids, degrees, at=times),
    st.builds(SpotReading, ids, degrees, texts, texts, st.floats(0.1, 10), at=times),
    st.builds(ChooseSpot, ids, st.just("cook")),
    st.builds(MoveProbe, ids, st.none() | ids, st.just("cook")),
    st.builds(MovePiece, ids, st.just("") | ids, st.just("cook")),
    st.builds(Mark, st.sampled_from(sorted(OF_THE_PIT)), at=times, pit=ids),
    st.builds(TakeBack, st.sampled_from(sorted(OF_THE_PIT)).map(str), said_at=times, pit=ids),
    st.builds(AddPiece, pieces, st.just("cook")),
    st.builds(ChangePiece, pieces, st.just("cook")),
    st.builds(RemovePiece, ids, st.just("cook")),
    st.builds(ChangeCook, st.builds(CookSettings, ids, texts, bands, st.tuples(pieces), times), st.just("cook")),
    st.builds(SetBand, bands, st.just("cook"), st.just("") | ids),
    st.builds(KeepPlan, st.none() | plans, st.just("cook")),
    st.builds(AddReminder, reminders, st.just("cook")),
    st.builds(RemoveReminder, ids, st.just("cook")),
    st.builds(ReminderDone, ids, st.just("cook")),
    st.builds(CountWood, st.integers(0, 2000), st.just("cook")),
)


@given(said)
def test_every_word_comes_back_through_a_table(item: Input) -> None:
    word = word_of(item, 0.0)
    assert word is not None
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(["2026-11-28T17:00:00Z", guarded(word)])
    (row,) = csv.reader(io.StringIO(out.getvalue()))
    assert said_in(unguarded(row[1])) == item


@given(said, st.floats(-1e6, 1e6).map(lambda v: round(v, 3)))
def test_instants_are_written_in_utc(item: Input, offset: float) -> None:
    word = word_of(item, offset)
    assert word is not None
    again = said_in(word)
    for name in ("at", "said_at"):
        if getattr(item, name, None) is not None:
            assert getattr(again, name) == pytest.approx(getattr(item, name) + offset, abs=0.0011)
    if isinstance(item, ChangeCook) and item.cook.serve_at is not None:
        assert isinstance(again, ChangeCook)
        assert again.cook == cook_shifted(item.cook, offset)
    if isinstance(item, AddPiece | ChangePiece) and item.piece.serve_at is not None:
        assert isinstance(again, AddPiece | ChangePiece)
        assert again.piece == replace(item.piece, serve_at=item.piece.serve_at + offset)
    if isinstance(item, KeepPlan) and item.plan is not None:
        assert again == replace(item, plan=shifted(item.plan, offset))


@pytest.mark.parametrize(
    "cell",
    [
        "sung", "", "log:a:b", "wrapped:chuck:leaf", "take-back", "take-back:sung", "take-back:log:a:b", "spot:loaf",
        "spot:loaf:hot", "spot:{", 'spot:{"piece": "loaf"}', "add-piece:loaf", "add-piece:{}", "choose-spot",
        "wood:many", "keep-plan:{}", "drop-plan:now", "remind:spritz", "reminder-done",
        "move-probe", "band:107", "band:a:b", "remove-piece", "remove-piece:a@2026-11-28T17:40:00Z",
        "log@2026-11-28T17:40:00", "log@2026-99-28T17:40:00Z",
        "move-piece", "off:/drum", "band:107:135:drum:more",
    ],
)  # fmt: skip
def test_what_is_no_such_word_is_refused(cell: str) -> None:
    assert said_in(cell) is None


def test_a_word_with_a_capital_is_the_same_word() -> None:
    """A table that a person writes by hand."""
    assert said_in("Log") == said_in("log") and said_in("WRAPPED:chuck:foil") == said_in("wrapped:chuck:foil")


@given(st.text(max_size=60))
def test_no_cell_breaks_the_reader(cell: str) -> None:
    said_in(cell)
