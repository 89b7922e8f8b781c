"""Turns the spread of an ensemble into an interval that keeps its promise.

Ensemble spreads are too narrow where the members agree, for no member carries the model's own error, and too wide where some
creep towards a goal: half of what is said (by ratio) is the members' spread, half what such a time left is usually off by.
A piece that no member follows gets wide intervals, whatever the members agree on. Split-conformal factors, found on simulated
cooks by `python -m tests.bench.meat.calibrate_forecast`, stretch each side separately by kind of goal and by predicted time
left, and shift the centre (lid openings and fire dips to come slow every cook, and no member knows of them).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from daemon.core.forecast.body import Array
from daemon.core.forecast.factors import FACTORS
from daemon.core.outlook import Interval

NARROWEST: Final = (5 * 60.0, 0.05)
"""A raw half-width is never taken narrower than this many s plus this share of the time left."""
USUAL: Final = (5 * 60.0, 0.35)
"""The half-width of any forecast, s plus a share of the time left, with which the members' own is brought together. Only its
shape counts, for the factors are found with it. Ours, no source."""
GOOD_FIT: Final = 0.5
"""°C that an ensemble may miss. On worlds left out, intervals that widened from a quarter of a degree on held the surer the
more had been missed: too wide for some and, so as to hold on the whole, too narrow for the others."""
FEWEST_REACH: Final = 0.15
"""Share of the members that must reach a goal. The others are left out: pieces do get there in the end, and how much later than
the members say is what the factors were found for."""
LONG_ON_FIRE: Final = 20 * 3600.0
"""s; few pieces are left on the fire for as long, common practice, no source."""
LONG_ON_FIRE_POWER: Final = 4
"""The chance of a cook of length t falls as exp(-(t / LONG_ON_FIRE)^4): next to nothing is held against 12 h."""
LARGEST_LESSON: Final = 20.0
"""Minutes per remaining hour; past cooks may not move a forecast by more."""


@dataclass(frozen=True, slots=True)
class Spread:
    """An ensemble's raw word on one goal, s from now: median and the two half-widths."""

    middle: float
    low: float
    high: float


def doubt(misfit: float) -> float:
    """Factor >= 1 on half-widths for an ensemble that missed the last hours by `misfit` °C: the spread of a good fit
    and that of the misfit beyond it add as independent errors do."""
    return float(np.hypot(1.0, max(misfit / GOOD_FIT - 1.0, 0.0)))


def spread_of(left: Array, longest: float, misfit: float = 0.0, on: float = 0.0) -> Spread | None:
    """From each member's s until the goal (inf = never), after `on` s on the fire. None when hardly any
    member reaches it. Members that would stay on for longer than pieces do count for less: a body whose plateau lies just under
    the goal creeps for ever, and where some do the median means nothing."""
    reach = left < longest
    if reach.mean() < FEWEST_REACH:
        return None
    held = left[reach]
    stays = ((on + held) / LONG_ON_FIRE) ** LONG_ON_FIRE_POWER
    weights = np.exp(stays.min() - stays)
    order = np.argsort(held)  # numpy's own quantiles with weights, but for a tenth of their cost
    held, shares = held[order], weights[order].cumsum()
    p05, p50, p95 = held[np.searchsorted(shares / shares[-1], (0.05, 0.5, 0.95))]
    least, usual = NARROWEST[0] + NARROWEST[1] * p50, USUAL[0] + USUAL[1] * p50
    low, high = (float(doubt(misfit) * np.sqrt(max(side, least) * usual)) for side in (p50 - p05, p95 - p50))
    return Spread(float(p50), low, high)


def factors_at(kind: str, left: float) -> tuple[float, float, float]:
    """(centre, low, high) factors for a predicted time left, s; straight lines between the table's knots."""
    knots, centre, low, high = zip(*FACTORS[kind], strict=True)
    minutes = left / 60.0
    return (
        float(np.interp(minutes, knots, centre)),
        float(np.interp(minutes, knots, low)),
        float(np.interp(minutes, knots, high)),
    )


def interval_of(kind: str, spread: Spread, now: float, lesson: float = 0.0) -> Interval:
    """The published interval, engine time. lesson: what this pit taught, minutes per remaining hour. It moves the whole
    interval, and half of the move is left open on the side it came from: past cooks may have been other cooks."""
    centre, low, high = factors_at(kind, spread.middle)
    plain = spread.middle * centre
    moved = plain * min(max(lesson, -LARGEST_LESSON), LARGEST_LESSON) / 60.0
    middle = plain + moved
    return Interval(
        p05=now + max(0.0, middle - low * spread.low - 0.5 * max(moved, 0.0)),
        p50=now + middle,
        p95=now + middle + high * spread.high + 0.5 * max(-moved, 0.0),
    )
