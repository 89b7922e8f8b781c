"""What pits that are built alike have in common, from what each of them learned of its own fires.

A pit sends, for each figure of its fires, the mean of the logarithms, their variance and their number: an estimate, a spread and
a count, no reading. They are pooled in two stages, each a random-effects mean by the moments of DerSimonian and Laird (1986,
Meta-analysis in clinical trials, Controlled Clinical Trials 7:177-188): pits to their class, classes to all pits. A class is then
held back towards all classes by the share of its variance that is its own uncertainty (Morris 1983, Parametric empirical Bayes
inference, JASA 78:47-55). What comes back counts for as many fires as its variance is worth: the variance of a pit yet to come,
widened as its prediction interval is for a spread that few pits have shown (Higgins, Thompson and Spiegelhalter 2009, A
re-evaluation of random-effects meta-analysis, JRSS A 172:137-159: Student's t with two degrees of freedom fewer than pits).

Pure: no database, no clock.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from math import atan, cos, exp, log, pi, sin, sqrt
from statistics import NormalDist, fmean, variance
from typing import Final

from daemon.core.pit.habits import LIKE_A_PIT, USUAL, PitHabits
from daemon.core.pit_profile import ClassFigure, FireProfile

LEAST_PITS: Final = 3
"""Pits that must have told of a figure before their class says anything of it: fewer show no spread, and show each other."""
SIDE: Final = 0.95
"""Chance below the upper end of the interval that a class's spread is widened to hold: forecasts tell the middle 90 %."""
LEAST_SPREAD: Final = 0.02**2
"""Variance of a logarithm that one fire has at least: two fires that agree by chance are no exact measurement."""


@dataclass(frozen=True, slots=True)
class Lesson:
    """What one pit knows of one figure: mean and variance of the logarithms of so many fires."""

    figure: str
    mean: float
    spread: float
    fires: int


@dataclass(frozen=True, slots=True)
class Pooled:
    """mean: of the random effects; uncertain: its variance; between: variance of the effects themselves."""

    mean: float
    uncertain: float
    between: float


def lessons_of(profile: FireProfile) -> list[Lesson]:
    """What may be sent of a pit's fires. Raises nothing: rows that cannot be read are passed over."""
    habits = PitHabits()
    habits.use(profile.episodes)
    found = []
    for figure in USUAL:
        logs = [log(v) for fire in habits.fires if (v := getattr(fire, figure)) is not None and v > 0]
        if logs:
            found.append(Lesson(figure, fmean(logs), variance(logs) if len(logs) > 1 else 0.0, len(logs)))
    return found


def pooled(means: Sequence[float], variances: Sequence[float]) -> Pooled:
    """DerSimonian and Laird. variances: of the means, each above 0. At least one of each."""
    weights = [1.0 / v for v in variances]
    total = sum(weights)
    fixed = sum(w * m for w, m in zip(weights, means, strict=True)) / total
    heterogeneity = sum(w * (m - fixed) ** 2 for w, m in zip(weights, means, strict=True))
    scale = total - sum(w * w for w in weights) / total
    between = max(0.0, (heterogeneity - (len(means) - 1)) / scale) if scale > 0 else 0.0
    weights = [1.0 / (v + between) for v in variances]
    total = sum(weights)
    return Pooled(sum(w * m for w, m in zip(weights, means, strict=True)) / total, 1.0 / total, between)


@cache
def widened(pits: int) -> float:
    """Times the variance of a prediction from so many pits, 3 or more, against one whose spread is known."""
    freedom = pits - 2
    low, high = 0.0, 8.0
    while high - low > 1e-9:
        middle = (low + high) / 2
        low, high = (middle, high) if _student(middle, freedom) < SIDE else (low, middle)
    return (low / NormalDist().inv_cdf(SIDE)) ** 2


def _student(t: float, freedom: int) -> float:
    """Chance below t >= 0 of Student's distribution (Abramowitz and Stegun 1964, Handbook of mathematical functions,
    26.7.3 and 4)."""
    angle, odd = atan(t / sqrt(freedom)), freedom % 2
    term, total = cos(angle) if odd else 1.0, 0.0
    for n in range(2 + odd, freedom + 1, 2):
        total += term
        term *= cos(angle) ** 2 * (n - 1) / n
    inside = 2 / pi * (angle + sin(angle) * total) if odd else sin(angle) * total
    return 0.5 + inside / 2


def class_figures(lessons: Mapping[str, Sequence[Sequence[Lesson]]]) -> dict[str, tuple[ClassFigure, ...]]:
    """Of each class. lessons: class -> what each of its pits knows."""
    found: dict[str, list[ClassFigure]] = {name: [] for name in lessons}
    for figure in USUAL:
        told = {
            name: [one for pit in pits for one in pit if one.figure == figure and _like_a_pit(one)]
            for name, pits in lessons.items()
        }
        told = {name: known for name, known in told.items() if len(known) >= LEAST_PITS}
        spreads = {name: _spread(known) for name, known in told.items()}
        classes = {
            name: pooled([one.mean for one in known], [spreads[name] / one.fires for one in known])
            for name, known in told.items()
        }
        if not classes:
            continue
        every = pooled([one.mean for one in classes.values()], [one.uncertain for one in classes.values()])
        for name, one in classes.items():
            kept = every.between / (every.between + one.uncertain) if len(classes) > 1 else 1.0
            middle = every.mean + kept * (one.mean - every.mean)
            unsure = one.between + kept * one.uncertain + (1.0 - kept) * every.uncertain
            unsure *= widened(len(told[name]))
            found[name].append(ClassFigure(figure, exp(middle), spreads[name] / unsure))
    return {name: tuple(figures) for name, figures in found.items()}


def _like_a_pit(one: Lesson) -> bool:
    """What no board would take from a class is not counted for one either: a single liar would move all."""
    return abs(one.mean - log(USUAL[one.figure])) <= log(LIKE_A_PIT)


def _spread(known: Sequence[Lesson]) -> float:
    """Variance of one fire of a pit about the pit's own mean: within pits, by their degrees of freedom."""
    freedom = sum(one.fires - 1 for one in known)
    within = sum((one.fires - 1) * one.spread for one in known)
    return max(LEAST_SPREAD, within / freedom) if freedom else LEAST_SPREAD


def by_class(rows: Sequence[tuple[str, str, Lesson]]) -> dict[str, list[list[Lesson]]]:
    """rows: (class, pit, lesson)."""
    pits: dict[str, dict[str, list[Lesson]]] = defaultdict(lambda: defaultdict(list))
    for name, pit, lesson in rows:
        pits[name][pit].append(lesson)
    return {name: list(of.values()) for name, of in pits.items()}
