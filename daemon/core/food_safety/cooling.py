"""How soon a core can have fallen so far at most, which is what a gap may hide, and how soon it will at its own pace."""

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
COLD_AIR = 3.0
"""°C that chilling meat tends to: a fridge set to keep food under 5 °C, or ice water (common practice, no source)."""
PACE_SPAN, PACE_EVERY = 30 * 60.0, 5 * 60.0
"""s of chilling from which its pace is taken, and between the temperatures noted for it."""
SLOWEST_COOLING = 24 * 3600.0
"""s; no pace is told that takes longer."""


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


def noted(pace: list[list[float]], now: float, core: float) -> list[list[float]]:
    """The pace of chilling with this minute in it: [engine s, core °C], one every PACE_EVERY of the last PACE_SPAN."""
    if not pace or now - pace[-1][0] >= PACE_EVERY:
        pace = [*pace, [now, core]]
    return [note for note in pace if now - note[0] <= PACE_SPAN]


def cooling_takes(pace: list[list[float]], now: float, goal: float) -> float | None:
    """s until a core of this pace is down to `goal`, °C, by Newton's law through its notes; None while they are too few."""
    if len(pace) < 3 or pace[-1][0] - pace[0][0] < PACE_SPAN - PACE_EVERY:
        return None
    above = [log(max(core - COLD_AIR, 0.1)) for _, core in pace]
    middle, mean = sum(at for at, _ in pace) / len(pace), sum(above) / len(above)
    away = [at - middle for at, _ in pace]
    rate = -sum(a * (x - mean) for a, x in zip(away, above, strict=True)) / sum(a * a for a in away)
    still = mean - rate * (now - middle) - log(max(goal - COLD_AIR, 0.1))
    return 0.0 if still <= 0.0 else SLOWEST_COOLING if rate * SLOWEST_COOLING <= still else still / rate
