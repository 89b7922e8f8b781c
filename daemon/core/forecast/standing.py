"""During a cook: ahead of the serving time or behind it, and what still helps. Pure; engine seconds, °C."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Final

from daemon.core.forecast.ahead import PLANNED
from daemon.core.forecast.plan import chance_by
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.settings import Band

OVEN: Final = 150.0
"""°C of a kitchen oven that finishes a wrapped piece; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """What may still be done about one piece.

    action: "none", "raise" (pit 10 °C hotter), "wrap", "oven". off: when it would be done. chance of serving it on time.
    gain: s sooner than doing nothing, at the median. rough: scaled by hand, not run by the ensemble."""

    piece: str
    action: str
    off: Interval
    chance: float
    gain: float
    rough: bool = False


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a running cook stands. chance: all pieces served on time, None if unknown. ahead: s, negative = behind, of the
    piece that is worst off, at the median. unknown: pieces without a forecast. planned: ahead is by the hours of the kept plan,
    for want of a forecast of every piece."""

    chance: float | None
    ahead: float | None
    remedies: tuple[Remedy, ...]
    unknown: tuple[str, ...] = ()
    planned: bool = False


def standing(
    serve_at: float,
    rest: float,
    now: float,
    band: Band,
    outlooks: Mapping[str, Sequence[Outlook]],
    core: Mapping[str, float],
    own: Mapping[str, float] | None = None,
) -> Standing:
    """Ahead or behind, and what still helps. outlooks: the newest of each piece still on the fire; core: its reading, °C;
    own: when it is served, where not with the rest."""
    ready_by = {piece: (own or {}).get(piece, serve_at) - rest for piece in outlooks}
    remedies: list[Remedy] = []
    unknown = []
    for piece, its in outlooks.items():
        done_by = ready_by[piece]
        mine = _remedies(piece, its, done_by, now, band, core.get(piece, float("nan")))
        remedies += mine
        if not mine:
            unknown.append(piece)
    idle = [r for r in remedies if r.action == "none"]
    if not idle:
        return Standing(None, None, (), tuple(unknown))
    chance = None if unknown else prod(r.chance for r in idle)
    return Standing(chance, min(ready_by[r.piece] - r.off.p50 for r in idle), tuple(remedies), tuple(unknown))


def _remedies(
    piece: str, outlooks: Sequence[Outlook], done_by: float, now: float, band: Band, core: float
) -> list[Remedy]:
    """Doing nothing first; empty when even that has no forecast."""
    goal = Goal.TARGET if any(o.goal is Goal.TARGET for o in outlooks) else Goal.TENDER
    known = {o.scenario: o.at for o in outlooks if o.goal is goal and o.at is not None}
    idle = known.get(PLANNED)
    if idle is None:
        return []

    def remedy(action: str, off: Interval, rough: bool = False) -> Remedy:
        return Remedy(piece, action, off, chance_by(off, done_by), idle.p50 - off.p50, rough)

    found = [remedy("none", idle)]
    if hotter := known.get("pit-10-hotter"):
        found.append(remedy("raise", hotter))
    if wrapped := known.get("wrapped-now"):
        found.append(remedy("wrap", wrapped))
    if core < OVEN and band.middle < OVEN:
        # Heat flows in proportion to the difference: the wrapped time left shrinks by the ratio of the two differences.
        share = (band.middle - core) / (OVEN - core) if core < band.middle else 1.0
        base = known.get("wrapped-now", idle)
        scaled = (now + (t - now) * share for t in (base.p05, base.p50, base.p95))
        found.append(remedy("oven", Interval(*scaled), rough=True))
    return found
