"""A piece as it would stand had something not been said: its minutes, which are kept, go once more through fresh machines with
what was said beside them.

What cannot be known again is taken as it is now: the band, and what of a pit's probes was learned since.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import nan

from daemon.core.marks import Said
from daemon.core.orders import Mark
from daemon.core.pieces.piece import PieceWatch
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.settings import Band


@dataclass(frozen=True, slots=True)
class Past:
    """What the minutes up to `last` (an engine minute) read. pit: control value of each minute, °C, the last one last. stuck:
    engine time since which a channel stands still that is found to be stuck."""

    trace: Trace
    last: int
    pit: Sequence[float]
    band: Band
    stuck: Mapping[str, float]

    def pit_of(self, minute: int) -> float:
        at = len(self.pit) - 1 - (self.last - minute)
        return self.pit[at] if 0 <= at < len(self.pit) else nan


def retold(piece: PieceWatch, fresh: PieceWatch, said: Sequence[Said], past: Past) -> PieceWatch:
    """`fresh`, a watch of the same piece that has seen nothing, brought to where `piece` would be. said: what was said of it
    and stands, in the order in which it was done."""
    fresh.begin_like(piece)
    waiting = list(said)
    first = past.last + 1 if piece.first_seen is None else piece.first_seen
    for minute in range(first, past.last + 1):
        end = (minute + 1) * MINUTE
        while waiting and waiting[0].done < end:
            _say(fresh, waiting.pop(0), past.trace)
        stuck = {channel: since for channel, since in past.stuck.items() if since < end}
        fresh.minute(end, past.trace, minute, past.pit_of(minute), past.band, stuck)
    for one in waiting:
        _say(fresh, one, past.trace)
    fresh.forecast_like(piece)
    return fresh


def _say(piece: PieceWatch, said: Said, trace: Trace) -> None:
    if isinstance(said.what, Mark):
        piece.mark(said.what, piece.done_at(said.what.kind, said.done))
    else:
        piece.spot(replace(said.what, at=said.done), said.done, trace)
