"""The middle of what several probes read, minute by minute."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, nan
from statistics import median


def middle(values: Sequence[float]) -> float:
    """The median of those that are known, °C."""
    known = [v for v in values if not isnan(v)]
    return median(known) if len(known) > 1 else known[0] if known else nan


def middles(probes: Sequence[Sequence[float]], minutes: int) -> list[float]:
    """`middle` of each of the last `minutes`, °C, the newest last; of a probe that was read for less long, NaN before."""
    newest = [list(values[-minutes:]) if minutes else [] for values in probes]
    even = [[nan] * (minutes - len(values)) + values for values in newest]
    if not even:
        return [nan] * minutes
    if len(even) == 1:  # the middle of one is itself
        return even[0]
    if len(even) == 2:  # NaN is not itself
        return [b if a != a else a if b != b else (a + b) / 2 for a, b in zip(*even, strict=True)]
    return [middle(values) for values in zip(*even, strict=True)]
