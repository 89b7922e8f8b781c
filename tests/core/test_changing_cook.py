"""A cook that changes while it runs: pieces come and go, probes move, marks come late. No outside source: the rules are ours."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TypeVar
from zoneinfo import ZoneInfo

import pytest

from daemon.core.engine import Engine
from daemon.core.events import CommandRefused, CookChanged, Event, Marked, StageChanged
from daemon.core.inputs import Input, Readings
from daemon.core.orders import AddPiece, ChangeCook, Mark, MarkKind, MoveProbe, RemovePiece, TakeBack
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
    Wrap,
)
from daemon.shell.wording import input_from_json, input_to_json
from drivers.reading import Reading
from tests.texts.english import in_english

START = 1_000_000_800.0
BAND = Band(107.0, 135.0)


def piece(name: str, channel: str) -> PieceSettings:
    return PieceSettings(
        name, name.title(), "lamb-shank", MeatKind.WHOLE_ROAST, channel, 0.45, 0.055, 1.0, tender_low=90.0
    )


CHUCK, LAMB, SHANK = piece("chuck", "m1"), piece("lamb", "m2"), piece("shank", "m3")


class Night:
    """Two pieces on, a reading of every channel a minute: the pit at 120 °C, each core at its own temperature."""

    def __init__(self, lit: bool = True, wrap_at: float | None = None) -> None:
        channels = (ChannelSettings("pit", "Pit", Role.PIT, stale_after=90.0), *(
            ChannelSettings(f"m{n}", f"Probe {n}", Role.MEAT, stale_after=90.0) for n in (1, 2, 3)))  # fmt: skip
        chuck = CHUCK if wrap_at is None else replace(CHUCK, wrap=Wrap.PAPER, wrap_at=wrap_at)
        cook = CookSettings("hall", "Hall", BAND, (chuck, LAMB))
        announcing = AnnouncingSettings(QuietHours(22 * 60, 7 * 60, ZoneInfo("UTC")))
        self.engine = Engine(WatchSettings("pit", "Pit", channels, cook, announcing))
        self.now = START
        self.core = {"m1": 50.0, "m2": 60.0, "m3": 20.0}
        if not lit:
            return
        self.give(Mark(MarkKind.FIRE_LIT))
        self.minutes(5)
        self.give(Mark(MarkKind.MEAT_ON))
        self.minutes(20)

    def give(self, item: Input) -> list[Event]:
        """As the journal would bring it back."""
        kind, body = input_to_json(item)
        again = input_from_json(kind, body)
        assert again == item
        return self.engine.handle(again, self.now)

    def minutes(self, count: int) -> None:
        for _ in range(count * 12):
            self.now += 5.0
            while (due := self.engine.next_deadline()) is not None and due <= self.now:
                self.engine.handle_timer(due)
            values = {"pit": 120.0 + self.now % 3.0, **{c: v + self.now % 0.5 for c, v in self.core.items()}}
            self.engine.handle(Readings(tuple(Reading(c, v, self.now) for c, v in values.items())), self.now)


Kind = TypeVar("Kind")


def the(kind: type[Kind], events: list[Event]) -> Kind:
    (found,) = [e for e in events if isinstance(e, kind)]
    return found


def test_a_piece_joins_and_the_others_stay_as_they_are() -> None:
    night = Night()
    before = {name: watch.dump() for name, watch in night.engine.pieces.items()}
    changed = the(CookChanged, night.give(AddPiece(SHANK, "page")))
    assert changed == CookChanged(night.now, ("shank",), (), (), (), "page")
    assert {name: night.engine.pieces[name].dump() for name in before} == before
    assert night.engine.pieces["shank"].stage.stage == "waiting"
    night.give(Mark(MarkKind.MEAT_ON, "shank"))
    night.minutes(2)
    assert night.engine.pieces["shank"].on_fire
    assert [view.id for view in night.engine.snapshot(night.now).pieces] == ["chuck", "lamb", "shank"]


def test_a_piece_leaves_with_its_alarms() -> None:
    night = Night()
    assert the(CookChanged, night.give(RemovePiece("lamb", "page"))).removed == ("lamb",)
    assert list(night.engine.pieces) == ["chuck"]
    night.minutes(10)
    assert not [view for view in night.engine.alarms.views() if view.subject == "lamb"]


def test_two_pieces_swap_their_probes_and_keep_their_own_past() -> None:
    night = Night()
    night.give(MoveProbe("chuck", "m2", "page"))
    pieces = night.engine.pieces
    assert (pieces["chuck"].settings.channel, pieces["lamb"].settings.channel) == ("m2", "m1")
    night.core = {"m1": 60.0, "m2": 50.0, "m3": 20.0}  # what each probe reads after the move
    night.minutes(10)
    last = int(night.now // 60.0) - 1
    for name, core in (("chuck", 50.0), ("lamb", 60.0)):
        cores = pieces[name].cores(night.engine.trace, last - 25, last - 1)
        assert len(cores) == 25 and all(abs(value - core) < 1.0 for value in cores), (name, cores)


@pytest.mark.parametrize(
    ("order", "words"),
    [
        (AddPiece(CHUCK, "x"), "called chuck already"),
        (AddPiece(piece("shank", "m1"), "x"), "share the probe m1"),
        (AddPiece(piece("shank", "pit"), "x"), "no meat channel is called pit"),
        (RemovePiece("goat", "x"), "no piece is called goat"),
        (MoveProbe("goat", "m3", "x"), "no piece is called goat"),
        (MoveProbe("chuck", "m9", "x"), "no meat channel is called m9"),
    ],
)
def test_what_cannot_be_is_refused_and_changes_nothing(order: Input, words: str) -> None:
    night = Night()
    before = night.engine.dump()
    refused = the(CommandRefused, night.give(order))
    assert words in in_english(refused.reason)
    assert json.dumps(night.engine.dump() | {"acted_at": before["acted_at"]}) == json.dumps(before), (
        "but somebody is up"
    )


def test_a_cook_that_means_something_else_keeps_what_its_pieces_went_through() -> None:
    night = Night()
    on_at = night.engine.pieces["chuck"].stage.on_at
    heavier = replace(CHUCK, weight=9.0, tender_low=92.0)
    cook = CookSettings("another-id", "Hall, later", Band(110.0, 130.0), (heavier, SHANK), serve_at=night.now + 3600.0)
    changed = the(CookChanged, night.give(ChangeCook(cook, "cook file")))
    assert changed == CookChanged(night.now, ("shank",), ("lamb",), ("chuck",), (), "cook file")
    chuck = night.engine.pieces["chuck"]
    assert (chuck.settings.weight, chuck.stage.on_at, chuck.on_fire) == (9.0, on_at, True)
    assert night.engine.pit.band == Band(110.0, 130.0)
    assert night.engine.settings.cook.id == "hall", "it is the same cook"


def test_a_changed_cook_survives_a_restart() -> None:
    night = Night()
    night.give(AddPiece(SHANK, "page"))
    night.give(MoveProbe("chuck", "m2", "page"))
    night.minutes(3)
    again = Night().engine
    again.load(json.loads(json.dumps(night.engine.dump())))
    assert again.pieces["chuck"].dump() == night.engine.pieces["chuck"].dump()
    last = int(night.now // 60.0) - 1
    assert again.pieces["chuck"].cores(again.trace, last - 9, last) == pytest.approx(
        night.engine.pieces["chuck"].cores(night.engine.trace, last - 9, last), nan_ok=True
    )


def test_a_mark_that_was_forgotten_counts_from_when_it_was_done() -> None:
    night = Night()
    done = night.now - 600.0
    events = night.give(Mark(MarkKind.WRAPPED, "chuck", "page", "foil", at=done))
    assert the(Marked, events) == Marked(night.now, MarkKind.WRAPPED, "chuck", "page", "foil", done)
    assert night.engine.pieces["chuck"].stage.wrapped_at == done
    assert the(StageChanged, events).time == night.now, "events never go back in time"
    for impossible in (night.now + 60.0, night.now - 13 * 3600.0):
        assert "twelve hours" in in_english(the(CommandRefused, night.give(Mark(MarkKind.LOG, at=impossible))).reason)


def test_a_mark_of_meat_on_puts_right_what_readings_saw_late() -> None:
    """The core is seen to rise long after the meat went on; whoever says when it did is believed."""
    night = Night()
    chuck = night.engine.pieces["chuck"].stage
    seen = chuck.on_at
    assert seen is not None
    night.give(Mark(MarkKind.MEAT_ON, "chuck"))
    assert chuck.on_at == seen, "said now, it says that it is on, not when it went on"
    night.give(Mark(MarkKind.MEAT_ON, "chuck", at=seen - 1800.0))
    assert chuck.on_at == seen - 1800.0
    assert next(p for p in night.engine.snapshot(night.now).pieces if p.id == "chuck").on_at == seen - 1800.0
    night.minutes(2)
    night.give(Mark(MarkKind.WRAPPED, "chuck", at=night.now - 60.0))
    assert chuck.on_at == seen - 1800.0 and night.engine.pieces["chuck"].stage.stage == "wrapped"


def test_a_mark_taken_back_leaves_the_piece_as_if_it_had_gone_on_when_said_first() -> None:
    night = Night()
    first = night.engine.pieces["chuck"].stage.on_at
    assert first is not None
    night.give(Mark(MarkKind.MEAT_ON, "chuck", at=first - 1800.0))
    night.give(TakeBack("meat-on", "chuck", by="cook"))
    again = night.engine.pieces["chuck"].stage.on_at
    assert again is not None and again >= first - 60.0
