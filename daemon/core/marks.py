"""What people said in this cook, in order: marks and spot readings, so that one of them can be taken back.

Told apart by what it is, its piece, and when it was said: names that mean the same in a journal, in a table and on a page.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from typing import Any

from daemon.core.orders import SPOT, Mark, MarkKind, SpotReading, TakeBack

OF_THE_PIT = frozenset(
    {MarkKind.FIRE_LIT, MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.LID_CLOSED, MarkKind.DAMPER}
)  # fmt: skip
"""Marks that speak of no piece."""
KEPT = 500
"""Sayings kept: more than one cook has. Beyond, one of those goes that there are most of: a lid button that marks itself
pushes out nothing else, and not the first of its own."""
SAME = 0.0015
"""s: a table keeps times to the millisecond."""


@dataclass(frozen=True, slots=True)
class Said:
    """said_at, done: engine times at which it was said, and at which it was done or read."""

    what: Mark | SpotReading
    said_at: float
    done: float

    @property
    def word(self) -> str:
        """A MarkKind value, or "spot"."""
        return self.what.kind.value if isinstance(self.what, Mark) else SPOT


class Marks:
    """Oldest first by when it was said."""

    def __init__(self) -> None:
        self._said: list[Said] = []

    def __iter__(self) -> Iterator[Said]:
        return iter(self._said)

    def add(self, what: Mark | SpotReading, now: float) -> Said:
        """done: `what.at`, or now."""
        said = Said(what, now, now if what.at is None else what.at)
        self._said.append(said)
        if len(self._said) > KEPT:
            [(most, _)] = Counter(s.word for s in self._said).most_common(1)
            self._said.remove([s for s in self._said if s.word == most][1])
        return said

    def meant(self, order: TakeBack) -> Said | None:
        """What an order takes back: the newest that fits."""
        fits = (
            said
            for said in reversed(self._said)
            if said.word == order.what
            and said.what.piece == order.piece
            and (not isinstance(said.what, Mark) or said.what.pit == order.pit)
            and (order.said_at is None or abs(said.said_at - order.said_at) < SAME)
        )
        return next(fits, None)

    def remove(self, said: Said) -> None:
        self._said = [other for other in self._said if other is not said]

    def of_the_pit(self, pit: str) -> list[tuple[MarkKind, float]]:
        """(kind, done) of the marks that speak of this pit, in the order in which it was done."""
        marks = ((said.what, said.done) for said in self._said)
        kinds = [(m.kind, at) for m, at in marks if isinstance(m, Mark) and m.kind in OF_THE_PIT and m.pit == pit]
        return sorted(kinds, key=lambda one: one[1])

    def of_piece(self, piece: str, since: float) -> list[Said]:
        """What was said of a piece from `since` on, in the order in which it was done."""
        own = [s for s in self._said if s.said_at >= since and s.what.piece in (None, piece) and not _of_the_pit(s)]
        return sorted(own, key=lambda s: (s.done, s.said_at))

    def begin_cook(self) -> None:
        """Of the cook before only what concerns the pit is kept."""
        self._said = [said for said in self._said if _of_the_pit(said)]

    def dump(self) -> list[dict[str, Any]]:
        """As JSON-able values."""
        return [{"word": s.word, "said_at": s.said_at, "done": s.done, "what": asdict(s.what)} for s in self._said]

    def load(self, dumped: list[dict[str, Any]]) -> None:
        """The inverse of `dump`."""
        self._said = [Said(_what(row["word"], row["what"]), row["said_at"], row["done"]) for row in dumped]


def _of_the_pit(said: Said) -> bool:
    return isinstance(said.what, Mark) and said.what.kind in OF_THE_PIT


def _what(word: str, plain: dict[str, Any]) -> Mark | SpotReading:
    return SpotReading(**plain) if word == SPOT else Mark(**{**plain, "kind": MarkKind(plain["kind"])})


AFTER_ON = (
    MarkKind.WRAPPED,
    MarkKind.PROBED_TENDER,
    MarkKind.OFF,
    MarkKind.REST,
    MarkKind.HOLD,
    MarkKind.CHILL,
    MarkKind.SERVE,
)
"""What can only have been done to meat that was on the fire."""


def on_only_at(mark: Mark, pieces: Iterable[tuple[str, float | None]]) -> float | None:
    """When the meat that a back-dated mark speaks of went on, where that was after what it tells: such a time would be used for
    nothing. None: no such contradiction. pieces: id and when it went on, engine time, s."""
    if mark.at is None or mark.kind not in AFTER_ON:
        return None
    on = [at for id_, at in pieces if at is not None and mark.piece in (None, id_)]
    return min(on) if on and min(on) > mark.at else None
