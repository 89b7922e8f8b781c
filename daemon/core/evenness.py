"""How evenly the pit heats: spread over the grate, hot spots, how far the pieces lie apart, which to turn or move."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from statistics import fmean, median

EVEN_WITHIN = 10.0
"""°C between the hottest and the coolest place that call for no advice. Common practice, no source."""
LEAST_MINUTES = 10
"""Minutes in which all places must have been read together; fewer, and a lid or a log would be taken for a hot spot."""


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
    core_spread: °C between the most and the least advanced core. advice: one sentence, verb first, or empty."""

    spread: float | None = None
    places: tuple[PlaceHeat, ...] = ()
    advice: str = ""
    pieces: tuple[PieceHeat, ...] = ()
    core_spread: float | None = None


def evenness(places: dict[str, list[float]], cores: dict[str, tuple[str | None, list[float]]]) -> Evenness:
    """places: grate place -> minute medians of the window, °C, newest last, NaN allowed, all the same length.
    cores: piece name -> (place or None, minute medians)."""
    heats = _place_heats(places)
    pieces = _piece_heats(cores)
    spread = heats[0].celsius - heats[-1].celsius if len(heats) > 1 else None
    core_spread = pieces[0].celsius - pieces[-1].celsius if len(pieces) > 1 else None
    advice = _advice(heats, pieces) if spread is not None and spread >= EVEN_WITHIN else ""
    return Evenness(spread, heats, advice, pieces, core_spread)


def _place_heats(places: dict[str, list[float]]) -> tuple[PlaceHeat, ...]:
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


def _piece_heats(cores: dict[str, tuple[str | None, list[float]]]) -> tuple[PieceHeat, ...]:
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


def _advice(heats: tuple[PlaceHeat, ...], pieces: tuple[PieceHeat, ...]) -> str:
    """Swap when the piece in the hot place is ahead of the one in the cool place; else turn or move the one."""
    hottest, coolest = heats[0], heats[-1]
    spread = f"{hottest.celsius - coolest.celsius:.0f} °C"
    hot = next((piece for piece in pieces if piece.place == hottest.place), None)
    cool = next((piece for piece in reversed(pieces) if piece.place == coolest.place), None)
    if hot and cool and hot.celsius > cool.celsius:
        return f"Swap {hot.piece} and {cool.piece}: {hottest.place} is {spread} hotter than {coolest.place}."
    if hot and cool:
        return f"Leave {hot.piece} in the hot place ({hottest.place}): it is behind {cool.piece}."
    if hot:
        return f"Turn {hot.piece}: {hottest.place} is {spread} hotter than {coolest.place}."
    if cool:
        return f"Move {cool.piece} towards {hottest.place}: {coolest.place} is {spread} cooler."
    return f"Keep meat away from {hottest.place}: it is {spread} hotter than {coolest.place}."
