"""How soon a core could have fallen so far at most: what a gap in the readings may hide."""

from __future__ import annotations

from math import log, pi

DIFFUSIVITY = 1.5e-7
"""m²/s, cooked meat: the upper end of the handbook range 1.2-1.5e-7."""
COLDEST = 0.0
"""°C that the surface is supposed to have at once: ice water, the quickest chilling that is done."""
STANDS_STILL = 0.02
"""Fourier number up to which the centre of a ball has not begun to fall (by less than 0.1 % of its way)."""
FALLS_TO = 0.94
"""Share of its way that is left at the centre up to which the first two terms of the series tell; above it stands still."""


def falls_within(core: float, floor: float, thickness: float) -> float:
    """The fewest s in which a core can fall from `core` to `floor`, °C: a ball of the piece's thickness, m, whose surface is as
    cold as ice at once. No other shape and no other medium is quicker. Heat conduction in a ball, the series
    2 sum (-1)^(n+1) exp(-(n pi)² Fo) for its centre (Carslaw & Jaeger, Conduction of Heat in Solids, section 9.3)."""
    if core <= floor:
        return 0.0
    left = (floor - COLDEST) / (core - COLDEST)
    fourier = STANDS_STILL
    if left < FALLS_TO:
        first = left / 2
        for _ in range(60):  # first - first^4 = left / 2
            first = left / 2 + first**4
        fourier = -log(first) / pi**2
    return float(fourier * (thickness / 2) ** 2 / DIFFUSIVITY)
