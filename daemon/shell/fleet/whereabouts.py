"""Which of a board's pits an event is of: told by the pit, the piece or the channel that it names.

A piece is where the kept cook and the orders of the journal put it, at the time of the event, so that the same row has the same
pit whenever it is sent. What names nothing of a pit (the hub, the card, a plan) is the first pit's, as in a rig with one.

Pure: no journal, no clock.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

from daemon.core.orders import AddPiece, ChangeCook, ChangePiece, MovePiece, StartCook

PLACING: Final = (StartCook, AddPiece, ChangePiece, ChangeCook, MovePiece)
"""Orders by which a piece comes to be on a pit."""
Placed = Mapping[str, str]
"""Piece -> pit."""
NAMED = ("piece", "subject", "channel")
"""Keys of an event under which a pit, a piece or a channel is named."""


@dataclass(frozen=True, slots=True)
class BoardPits:
    """names: of each pit, the first under "". channels: pit and meat channels of the others -> pit."""

    names: Mapping[str, str] = field(default_factory=lambda: {"": ""})
    channels: Mapping[str, str] = field(default_factory=dict)

    @property
    def others(self) -> tuple[str, ...]:
        """Ids of those beside the first."""
        return tuple(pit for pit in self.names if pit)


@dataclass(frozen=True, slots=True)
class Placing:
    """At this engine time, by this input of the journal: an order, or the pieces of a cook that was begun."""

    time: float
    seq: int
    what: object


class Whereabouts:
    """told: in any order. An order that the watch refused places nothing that is there."""

    def __init__(self, pits: BoardPits, told: Iterable[Placing] = ()) -> None:
        self.pits = pits
        self._times: list[float] = []
        self._placed: list[Placed] = []
        for one in sorted(told, key=lambda one: (one.time, one.seq)):
            self._times.append(one.time)
            self._placed.append(_after(one.what, self._placed[-1] if self._placed else {}))

    def pit_of(self, body: Mapping[str, Any], time: float) -> str:
        """body: of the event file. time: engine s."""
        placed = self.placed(time)
        own = body.get("pit")
        told = [body.get(key) for key in NAMED] + [_subject(body.get("alarm")), _subject(body.get("notification"))]
        for word in (own, *told):
            if isinstance(word, str) and word:
                if word in self.pits.names:
                    return word
                if word in placed:
                    return self.known(placed[word])
                if word in self.pits.channels:
                    return self.pits.channels[word]
        return ""

    def known(self, pit: str) -> str:
        """The pit, or the first where there is no such pit any more."""
        return pit if pit in self.pits.names else ""

    def placed(self, time: float) -> Placed:
        """Of the cook that ran then or last."""
        at = bisect_right(self._times, time)
        return self._placed[at - 1] if at else {}

    def in_use(self, time: float) -> frozenset[str]:
        """The pits that have a piece of that cook; the first where there is none on any."""
        return self._used([self.placed(time)])

    def used(self, start: float, end: float) -> frozenset[str]:
        """The pits that had a piece in that span, one of which is this."""
        return self._used([self.placed(start), *self._within(start, end)])

    def were_on(self, pit: str, start: float, end: float) -> frozenset[str]:
        """Pieces that were on it some time in that span."""
        spans = [self.placed(start), *self._within(start, end)]
        return frozenset(piece for placed in spans for piece, on in placed.items() if self.known(on) == pit)

    def _within(self, start: float, end: float) -> Iterable[Placed]:
        return self._placed[bisect_right(self._times, start) : bisect_right(self._times, end)]

    def _used(self, spans: Iterable[Placed]) -> frozenset[str]:
        return frozenset(self.known(pit) for placed in spans for pit in placed.values()) or frozenset({""})


def _after(what: object, placed: Placed) -> Placed:
    match what:
        case StartCook(cook) | ChangeCook(cook):
            return {piece.id: piece.pit for piece in cook.pieces}
        case AddPiece(piece) if piece.id not in placed:
            return {**placed, piece.id: piece.pit}
        case ChangePiece(piece) if piece.id in placed:
            return {**placed, piece.id: piece.pit}
        case MovePiece(name, pit) if name in placed:
            return {**placed, name: pit}
        case dict():
            return what
    return placed


def _subject(key: Any) -> str:
    """Of "rule/subject", or of a message's id "rule/subject#3.0"."""
    return key.partition("/")[2].partition("#")[0] if isinstance(key, str) else ""
