"""The cook's own reminders: every so often from a stage or an hour, until another stage. One that nobody answers waits; it
does not pile up. Pure; engine times, s."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.stage import AFTER_THE_PIT, PiecePhase
from daemon.core.pit.stage import PitPhase, PitStage
from daemon.core.plan.steps import NO_FIRE, TAKES_MEAT
from daemon.core.planned import From, ReminderSettings
from daemon.core.settings import reminder_from_plain

BY_MARKS = frozenset({From.LIT, From.ON, From.WRAPPED, From.TENDER, From.OFF, From.HOLD})
"""What a mark may have led to."""
STALLS = frozenset({PiecePhase.STALL, PiecePhase.PAST_STALL})

OnPit = tuple[PieceWatch, PitStage]
"""A piece and the pit that it is on."""


@dataclass(slots=True)
class Reminder:
    """began: since when it counts, which may lie ahead; None = its stage has not come. done_at: when it was last answered.
    ended: its last stage was reached."""

    settings: ReminderSettings
    began: float | None = None
    done_at: float | None = None
    ended: bool = False

    @property
    def due(self) -> float | None:
        """When it is to be done next; None: not yet known, or never again."""
        own = self.settings
        if self.began is None or self.ended:
            return None
        if self.done_at is not None:
            return None if own.every is None else self.done_at + own.every
        waits = own.every if own.at is None and own.every is not None else 0.0
        return self.began + waits

    def is_due(self, now: float) -> bool:
        return (due := self.due) is not None and now >= due


def reached(word: From, piece: PieceWatch, pit: PitStage) -> float | None:
    """Since when this piece, or the pit that it is on, is at or past the stage; None: not yet."""
    stage = piece.stage
    match word:
        case From.LIT:
            return None if pit.stage in NO_FIRE else pit.since
        case From.IN_BAND:
            return pit.since if pit.stage in TAKES_MEAT else None
        case From.ON:
            return stage.on_at
        case From.STALL:
            return stage.since if stage.stage in STALLS else None
        case From.WRAPPED:
            return stage.wrapped_at
        case From.TENDER:
            return stage.since if stage.stage is PiecePhase.TENDER_RANGE else stage.off_at
        case From.OFF:
            return stage.off_at
        case From.HOLD:
            return stage.since if stage.stage is PiecePhase.HOLD else None


class Reminders:
    """All of the running cook, by id."""

    def __init__(self) -> None:
        self._by_id: dict[str, Reminder] = {}

    def __iter__(self) -> Iterator[Reminder]:
        return iter(tuple(self._by_id.values()))

    def begin(self, wanted: tuple[ReminderSettings, ...]) -> None:
        """Those of a new cook."""
        self._by_id = {own.id: Reminder(own, own.at) for own in wanted}

    def change(self, before: tuple[ReminderSettings, ...], wanted: tuple[ReminderSettings, ...]) -> tuple[str, ...]:
        """The cook was changed: what differs counts anew, what the page added stays. Returns ids of those that are gone."""
        kept = {own.id for own in wanted}
        gone = tuple(own.id for own in before if own.id not in kept and own.id in self._by_id)
        for id_ in gone:
            del self._by_id[id_]
        for own in wanted:
            if own not in before:
                self.add(own)
        return gone

    def add(self, own: ReminderSettings) -> None:
        self._by_id[own.id] = Reminder(own, own.at)

    def remove(self, id_: str) -> bool:
        """False: there is none of this id."""
        return self._by_id.pop(id_, None) is not None

    def done(self, id_: str, now: float) -> bool:
        """It was answered, called or not: it counts anew. False: there is none of this id."""
        reminder = self._by_id.get(id_)
        if reminder is not None:
            reminder.done_at = now
            if reminder.began is None:
                reminder.began = now
        return reminder is not None

    def take_back(self, pieces: Collection[str], done: float) -> None:
        """A mark of these pieces, or of the fire under them, no longer counts: what began or ended with it waits for its
        stage again."""
        for reminder in self._by_id.values():
            own = reminder.settings
            if own.piece is not None and own.piece not in pieces:
                continue
            if own.start in BY_MARKS and reminder.began is not None and reminder.began >= done:
                reminder.began = None
            if own.until in BY_MARKS:
                reminder.ended = False  # the next minute tells

    def minute(self, pits: Mapping[str, PitStage], pieces: Mapping[str, PieceWatch]) -> None:
        """Begin and end what stages begin and end. A fire is that of the piece's own pit; of no piece in particular, the
        first under any; before there is meat, the first pit's."""
        for reminder in self._by_id.values():
            own = reminder.settings
            mine = [(w, pits[w.settings.pit]) for id_, w in pieces.items() if own.piece in (None, id_)]
            if reminder.began is None:
                reminder.began = self._begins(own.start, mine, pits[""])
            if own.until is not None and not reminder.ended:
                reminder.ended = self._ends(own.until, mine)
            if own.piece is not None and own.piece not in pieces:
                reminder.ended = True

    def _begins(self, word: From | None, mine: list[OnPit], first: PitStage) -> float | None:
        if word is None:
            return None
        if word in (From.LIT, From.IN_BAND):
            waiting = NO_FIRE if word is From.LIT else frozenset(PitPhase) - TAKES_MEAT
            fires = [pit for _, pit in mine] or [first]
            return min((pit.since for pit in fires if pit.stage not in waiting), default=None)
        return min((at for watch, pit in mine if (at := reached(word, watch, pit)) is not None), default=None)

    def _ends(self, word: From, mine: list[OnPit]) -> bool:
        """Whichever comes first; for all pieces off the fire, the last."""
        if word is From.OFF:
            return bool(mine) and all(watch.stage.stage in AFTER_THE_PIT for watch, _ in mine)
        return any(reached(word, watch, pit) is not None for watch, pit in mine)

    def dump(self) -> list[dict[str, Any]]:
        """As JSON-able values."""
        return [
            {"settings": asdict(r.settings), "began": r.began, "done_at": r.done_at, "ended": r.ended}
            for r in self._by_id.values()
        ]

    def load(self, dumped: list[dict[str, Any]]) -> None:
        """The inverse of `dump`."""
        rows = (Reminder(reminder_from_plain(r["settings"]), r["began"], r["done_at"], r["ended"]) for r in dumped)
        self._by_id = {reminder.settings.id: reminder for reminder in rows}
