"""How much of the pit's swings shows in a probe: next to nothing in meat, nearly all in the air, some along a shaft."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import isnan, sqrt
from operator import sub
from statistics import fmean

COUPLING_WINDOW = 60
"""Minutes looked at."""
SPAN = 3
"""Minutes over which changes are taken: longer than a lid, shorter than a core can answer."""
LAGS = (0, 1, 2)
"""Minutes a probe in air may be behind a pit probe."""
LEAST_PAIRS = 20
LEAST_SWING = 1.0
"""°C, sd of the pit's changes below which there is nothing to follow."""


@dataclass(frozen=True, slots=True)
class Coupling:
    """share: °C of the probe per °C of the pit, both as changes over `SPAN` minutes with their mean taken out.
    correlation: of the same changes, -1..1. The best of `LAGS`."""

    share: float
    correlation: float


def coupling(probe: Sequence[float], pit: Sequence[float]) -> Coupling | None:
    """Least squares of the probe's changes on the pit's; None when too little was read or the pit hardly moved.

    probe, pit: minute medians, °C, same length, NaN allowed."""
    best: Coupling | None = None
    for lag in LAGS:
        one = _at_lag(probe, pit, lag)
        if one is not None and (best is None or one.correlation > best.correlation):
            best = one
    return best


def _at_lag(probe: Sequence[float], pit: Sequence[float], lag: int) -> Coupling | None:
    causes = map(sub, pit[SPAN:], pit)
    answers = map(sub, probe[SPAN + lag :], probe[lag:])
    pairs = [(c, a) for c, a in zip(causes, answers, strict=False) if not (isnan(a) or isnan(c))]
    if len(pairs) < LEAST_PAIRS:
        return None
    mean_cause, mean_answer = fmean([c for c, _ in pairs]), fmean([a for _, a in pairs])
    cause_square = sum([(c - mean_cause) ** 2 for c, _ in pairs])
    if cause_square < LEAST_SWING**2 * len(pairs):
        return None
    both = sum([(c - mean_cause) * (a - mean_answer) for c, a in pairs])
    answer_square = sum([(a - mean_answer) ** 2 for _, a in pairs])
    return Coupling(both / cause_square, both / sqrt(cause_square * answer_square) if answer_square > 0.0 else 0.0)
