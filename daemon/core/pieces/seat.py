"""Where in a row of core minutes a probe was seated anew: moved to another piece, pulled and put back, or swapped.

What it reads afterwards has nothing to do with what it read before: neither a rate nor a stage may be taken across.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, nan

FASTEST_CORE = 3.0
"""°C/min: no core in a pit heats faster, and none cools faster; what does is a probe that changed its place. Common practice, no
source."""
SETTLES_IN = 5
"""Minutes from then on in which a probe and the meat about it come to one temperature: a 5 mm probe disturbs about its own
width, and (5 mm)² over the diffusivity of meat (1.35e-7 m²/s) is 3 min."""


FEWEST_FOR_A_SLOPE = 5
"""Minutes of one seat that make a rate: two of them are a probe's last digit. Ours, no source."""
MOVING_AT_MOST = 15
"""Minutes after which a core that never comes to rest is judged as it is read: no hand is in it any more, and a loose wire is the
conditioning's. Also the minutes before and after a move was said in which it is looked for in the readings. Ours, no source."""
EXCURSION = 3
"""Minutes within which a core that is back where it was never left: a spike, not a seat."""


def seats(cores: Sequence[float]) -> list[int]:
    """Places in minute medians (°C, NaN = unknown) at which a probe is seated otherwise than at the known one before."""
    found: list[int] = []
    before: int | None = None
    for place, core in enumerate(cores):
        if isnan(core):
            continue
        if before is not None and abs(core - cores[before]) > FASTEST_CORE * (place - before):
            soon = range(place + 1, min(place + 1 + EXCURSION, len(cores)))
            if any(abs(cores[later] - cores[before]) <= FASTEST_CORE for later in soon):
                continue
            found.append(place)
        before = place
    return found


def settled(cores: Sequence[float], told: Sequence[int] = ()) -> list[float]:
    """The same minutes, NaN where the probe was on its way. told: places from which on another probe read them."""
    left = list(cores)
    for place in (*seats(cores), *told):
        for minute in range(place, min(place + SETTLES_IN, len(left))):
            left[minute] = nan
    return left


def last_seat(cores: Sequence[float], told: Sequence[int] = ()) -> int | None:
    """Place of the last one; None: one seat all along."""
    return max((*seats(cores), *told), default=None)


def slope_per_minute(values: Sequence[float]) -> float:
    """Mean °C per minute between the first and last known of minute values, NaN if fewer than two are known."""
    known = [(i, v) for i, v in enumerate(values) if not isnan(v)]
    if len(known) < 2:
        return nan
    (first, start), (last, end) = known[0], known[-1]
    return (end - start) / (last - first)


def slope_of_one_seat(cores: Sequence[float], told: Sequence[int] = ()) -> float:
    """As `slope_per_minute`, of what was read since the probe was last seated and came to rest; NaN while that is too little."""
    seat = last_seat(cores, told)
    if seat is None:
        return slope_per_minute(cores)
    here = cores[seat + SETTLES_IN :]
    return slope_per_minute(here) if len(here) >= FEWEST_FOR_A_SLOPE else nan
