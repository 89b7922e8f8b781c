"""How evenly the pit heats: spread over the grate, hot spots, how far the pieces lie apart, which to turn or move.

Two probes that differ say nothing of the grate as far as their tolerances reach. What lies beyond is a hot spot and is
called one; what lies within is a question the cook can answer by letting the probes change places.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from math import hypot, isnan
from statistics import fmean, median
from typing import Any

from daemon.core.said import Said, Text, said, say

EVEN_WITHIN = 10.0
"""°C between the hottest and the coolest place that call for no advice. Common practice, no source."""
LEAST_MINUTES = 10
"""Minutes in which all places must have been read together; fewer, and a lid or a log would be taken for a hot spot."""
CLASS_2 = 2.5
"""± °C of a probe of which nothing better is known (IEC 60584-1, types K and N, class 2, below 333 °C)."""
AHEAD_BY = hypot(CLASS_2, CLASS_2)
"""°C between two cores below which neither piece is called ahead: see `made_by_probes`."""


@dataclass(frozen=True, slots=True)
class PlaceHeat:
    """One grate place: mean °C, and °C above or below the mean of all places over the same minutes."""

    place: str
    celsius: float
    offset: float


@dataclass(frozen=True, slots=True)
class PieceHeat:
    """One piece: where it lies (None = not told), newest core °C, °C per hour over the window (None = unknown)."""

    piece: str
    place: str | None
    celsius: float
    rate: float | None


@dataclass(frozen=True, slots=True)
class Evenness:
    """spread: °C between hottest and coolest place, None with fewer than two. places and pieces: hottest first.
    core_spread: °C between the most and the least advanced core. advice: one sentence, verb first, or empty.
    doubt: °C of the spread that the tolerances of those two probes may make. certain: the advice holds without it; else the
    advice is how to find out."""

    spread: float | None = None
    places: tuple[PlaceHeat, ...] = ()
    advice: Text = ""
    pieces: tuple[PieceHeat, ...] = ()
    core_spread: float | None = None
    doubt: float = 0.0
    certain: bool = False

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return asdict(self)

    @staticmethod
    def loaded(dumped: dict[str, Any]) -> Evenness:
        """The inverse of `dump`."""
        places = tuple(PlaceHeat(**place) for place in dumped["places"])
        pieces, advice = tuple(PieceHeat(**p) for p in dumped["pieces"]), said(dumped["advice"])
        return Evenness(**{**dumped, "advice": advice, "places": places, "pieces": pieces})


def evenness(
    places: Mapping[str, list[float]],
    cores: Mapping[str, tuple[str | None, list[float]]],
    tolerances: Mapping[str, float] | None = None,
) -> Evenness:
    """places: grate place -> minute medians of the window, °C, newest last, NaN allowed, all the same length.
    cores: piece name -> (place or None, minute medians). tolerances: place -> ± °C of its probe, CLASS_2 where not given."""
    heats = _place_heats(places)
    pieces = _piece_heats(cores)
    core_spread = pieces[0].celsius - pieces[-1].celsius if len(pieces) > 1 else None
    if len(heats) < 2:
        return Evenness(None, heats, "", pieces, core_spread)
    spread = heats[0].celsius - heats[-1].celsius
    doubt = made_by_probes(*((tolerances or {}).get(heats[at].place, CLASS_2) for at in (0, -1)))
    certain = spread - doubt >= EVEN_WITHIN
    advice: Text = ""
    if certain:
        advice = _advice(heats, pieces)
    elif spread >= EVEN_WITHIN:
        advice = _question(heats, doubt)
    return Evenness(spread, heats, advice, pieces, core_spread, doubt, certain)


def made_by_probes(hottest: float, coolest: float) -> float:
    """°C between two places that probes of these tolerances, ± °C, may make: independent errors add as squares
    (JCGM 100:2008, 5.1.2, from memory)."""
    return hypot(hottest, coolest)


def _place_heats(places: Mapping[str, list[float]]) -> tuple[PlaceHeat, ...]:
    """Means over the minutes all readable places share: else a place that was silent while the fire was low looks hot.
    A place read in less than half of the minutes of the best one is left out, not allowed to blind the others."""
    counts = {place: sum(not isnan(value) for value in values) for place, values in places.items()}
    most = max(counts.values(), default=0)
    readable = {place: values for place, values in places.items() if counts[place] and counts[place] >= most / 2}
    shared = [minute for minute in zip(*readable.values(), strict=True) if not any(map(isnan, minute))]
    if len(shared) < LEAST_MINUTES:
        return ()
    means = [fmean(column) for column in zip(*shared, strict=True)]
    whole = fmean(means)
    heats = (PlaceHeat(place, mean, mean - whole) for place, mean in zip(readable, means, strict=True))
    return tuple(sorted(heats, key=lambda heat: (-heat.celsius, heat.place)))


def _piece_heats(cores: Mapping[str, tuple[str | None, list[float]]]) -> tuple[PieceHeat, ...]:
    heats = []
    for piece, (place, values) in cores.items():
        known = [(minute, value) for minute, value in enumerate(values) if not isnan(value)]
        if known:
            heats.append(PieceHeat(piece, place, known[-1][1], _rate(known)))
    return tuple(sorted(heats, key=lambda heat: (-heat.celsius, heat.piece)))


def _rate(known: list[tuple[int, float]]) -> float | None:
    """°C per hour between the middles of the first and the last third: no single reading decides."""
    third = len(known) // 3
    if third < 2:
        return None
    first, last = known[:third], known[-third:]
    minutes = median(minute for minute, _ in last) - median(minute for minute, _ in first)
    return 60.0 * (median(value for _, value in last) - median(value for _, value in first)) / minutes


def _advice(heats: tuple[PlaceHeat, ...], pieces: tuple[PieceHeat, ...]) -> Said:
    """Swap when the piece in the hot place is ahead of the one in the cool place; leave it there while it is behind; else
    turn or move the one."""
    hottest, coolest = heats[0], heats[-1]
    spread = hottest.celsius - coolest.celsius
    hot = next((piece for piece in pieces if piece.place == hottest.place), None)
    cool = next((piece for piece in reversed(pieces) if piece.place == coolest.place), None)
    ahead = hot.celsius - cool.celsius if hot and cool else 0.0
    if hot and cool and ahead >= AHEAD_BY:
        return say(
            "evenness.swap", hot=hot.piece, cool=cool.piece, hottest=hottest.place, coolest=coolest.place, spread=spread
        )
    if hot and cool and ahead <= -AHEAD_BY:
        return say("evenness.leave", hot=hot.piece, cool=cool.piece, hottest=hottest.place)
    if hot:
        return say("evenness.turn", hot=hot.piece, hottest=hottest.place, coolest=coolest.place, spread=spread)
    if cool:
        return say("evenness.move", cool=cool.piece, hottest=hottest.place, coolest=coolest.place, spread=spread)
    return say("evenness.keep-away", hottest=hottest.place, coolest=coolest.place, spread=spread)


def _question(heats: tuple[PlaceHeat, ...], doubt: float) -> Said:
    """Readings alone cannot tell a hot place from a probe that reads high; probes that change places can. What they make
    then counts the other way, so the places differ by half of both differences together."""
    hottest, coolest = heats[0].place, heats[-1].place
    spread = heats[0].celsius - heats[-1].celsius
    enough = max(0.0, 2 * EVEN_WITHIN - spread)
    return say("evenness.change-places", hottest=hottest, coolest=coolest, spread=spread, doubt=doubt, enough=enough)
