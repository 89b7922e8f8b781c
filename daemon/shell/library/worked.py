"""What a cook became while it was worked: pieces that came, went or changed, probes that moved, bands that were set.

Told from the orders in the journal, by the rules the core takes them by; what the core refused changes nothing here either.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Container, Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import get_args

from daemon.core.orders import SetBand
from daemon.core.pieces.changes import CookOrder, Refused, ordered
from daemon.core.settings import Band, CookSettings
from daemon.shell.wording import input_from_json

Change = CookOrder | SetBand
KINDS = tuple(kind.__name__ for kind in get_args(Change))
Probes = tuple[tuple[float, str | None], ...]
"""(engine time since, channel) of what read a piece, oldest first; None: nothing. Before the first it was not there."""
Homes = tuple[tuple[float, str], ...]
"""(engine time since, pit) of where a piece was, oldest first."""


@dataclass(frozen=True, slots=True)
class Worked:
    """cook: as it stands. whole: the same with every piece that was ever in it, as it was last meant. gone: ids of the pieces
    that were taken out. probes: by piece. bands: of the first pit, each with its engine time, oldest first, without the one of
    the start; other_bands: the same of the others. homes: piece -> (engine time since, pit) where it was, oldest first."""

    cook: CookSettings
    whole: CookSettings
    gone: frozenset[str]
    probes: Mapping[str, Probes]
    bands: tuple[tuple[float, Band], ...]
    other_bands: Mapping[str, tuple[tuple[float, Band], ...]] = field(default_factory=dict)
    homes: Mapping[str, Homes] = field(default_factory=dict)


def worked(
    cook: CookSettings,
    started: float,
    meat: Container[str],
    changes: Iterable[tuple[float, Change]],
    pits: Container[str] = ("",),
) -> Worked:
    """cook: as it was started. meat: ids of the meat channels; pits: of the pits. changes: with their engine times, oldest
    first."""
    pieces = {piece.id: piece for piece in cook.pieces}
    probes: dict[str, Probes] = {piece.id: ((started, piece.channel),) for piece in cook.pieces}
    homes: dict[str, Homes] = {piece.id: ((started, piece.pit),) for piece in cook.pieces}
    bands: dict[str, list[tuple[float, Band]]] = {"": []}
    for time, change in changes:
        if isinstance(change, SetBand):
            bands.setdefault(change.pit, []).append((time, change.band))
            continue
        meant = ordered(change, cook, meat, pits)
        if isinstance(meant, Refused):
            continue
        if meant.band != cook.band:
            bands[""].append((time, meant.band))
        for pit, band in meant.bands:
            if dict(cook.bands).get(pit) != band:
                bands.setdefault(pit, []).append((time, band))
        cook = meant
        there = {piece.id: piece for piece in cook.pieces}
        pieces |= there
        for id_ in pieces:
            channel = there[id_].channel if id_ in there else None
            known = probes.get(id_, ())
            if not known or known[-1][1] != channel:
                probes[id_] = (*known, (time, channel))
            was = homes.get(id_, ())
            if id_ in there and (not was or was[-1][1] != there[id_].pit):
                homes[id_] = (*was, (time, there[id_].pit))
    gone = frozenset(pieces) - {piece.id for piece in cook.pieces}
    others = {pit: tuple(set_) for pit, set_ in bands.items() if pit}
    whole = replace(cook, pieces=tuple(pieces.values()))
    return Worked(cook, whole, gone, probes, tuple(bands[""]), others, homes)


def changes_in(db: sqlite3.Connection, after: int = 0) -> Iterator[tuple[int, float, Change]]:
    """(seq, engine time, change) of every order in a journal that comes after that input, oldest first."""
    rows = db.execute(
        f"SELECT seq, time, kind, body FROM inputs WHERE seq > ? AND kind IN ({', '.join('?' * len(KINDS))}) ORDER BY seq",  # nosec B608
        (after, *KINDS),  # as many question marks as kinds
    )
    for seq, time, kind, body in rows:
        item = input_from_json(kind, body)
        assert isinstance(item, Change)
        yield seq, time, item
