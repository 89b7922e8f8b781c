"""Scores the forecaster on simulated cooks it has never seen, against its targets and a straight line.

    python -m tests.bench.figures --only forecast --seed 4711

Three truths: the simulator that the intervals were calibrated on (other seeds), the same with shifted physics, and a second
truth of other structure. All are simulated; a real cook will be forecast worse.
"""

from __future__ import annotations

import time

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast.plan import WANTED_CHANCE, at_chance
from daemon.core.outlook import Goal
from drivers.simulated.records import CookRecord
from tests.bench.figure import NO_TARGET, Figure
from tests.bench.meat.cook_sets import cook_set
from tests.bench.meat.forecast_cases import Answer, answers, beforehand, foreknown, question

TENDER_MAE = {0.25: 55.0, 0.5: 50.0, 0.75: 22.0, 0.9: 10.0}
WRAP_MAE = {0.25: 28.0, 0.5: 15.0}
TARGETS = [
    (goal, share, target)
    for goal, table in ((Goal.TENDER, TENDER_MAE), (Goal.WRAP, WRAP_MAE))
    for share, target in table.items()
]
COVERED = (0.85, 0.95)
COVERED_IN_BIN = 0.82
BINS = ((0.0, 60.0), (60.0, 180.0), (180.0, np.inf))
FEWEST_IN_BIN = 10
SECOND_WORSE = 1.25
QUERY_SECONDS = 1.0
QUERIES_TIMED = 20
BOOTSTRAPS = 2000
FORETOLD = 100
"""Cooks that are also forecast with the future known."""


def errors(found: list[Answer]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(absolute errors of p50, of the straight line), minutes."""
    return (
        np.array([abs(a.at.p50 - a.truth) for a in found]),
        np.array([abs(a.line - a.truth) for a in found]),
    )


def bootstrap_gain(found: list[Answer]) -> float:
    """Lower 2.5 % bound of mean(straight line error - forecast error): one answer a cook, so answers are resampled."""
    mine, line = errors(found)
    pick = np.random.default_rng(1).integers(0, mine.size, (BOOTSTRAPS, mine.size))
    return float(np.quantile((line - mine)[pick].mean(axis=1), 0.025))


def covered(found: list[Answer]) -> float:
    return float(np.mean([a.at.p05 <= a.truth <= a.at.p95 for a in found])) if found else float("nan")


def collect(cooks: list[CookRecord]) -> list[Answer]:
    shares = sorted(TENDER_MAE)
    return [a for i, c in enumerate(cooks) if c.tender_minute for a in answers(c, i, shares)]


def of(found: list[Answer], goal: Goal, share: float) -> list[Answer]:
    return [a for a in found if a.goal is goal and a.share == share]


def at_most(name: str, value: float, limit: float, beside: str = "") -> Figure:
    return Figure(name, value, f"<= {limit:g}", value <= limit, beside)


def at_least(name: str, value: float, limit: float, beside: str = "") -> Figure:
    return Figure(name, value, f">= {limit:g}", value >= limit, beside)


def within(name: str, value: float, limits: tuple[float, float], beside: str = "") -> Figure:
    return Figure(name, value, f"{limits[0]:g}..{limits[1]:g}", limits[0] <= value <= limits[1], beside)


def accuracy(found: list[Answer]) -> list[Figure]:
    figures = []
    for goal, share, target in TARGETS:
        mine = of(found, goal, share)
        if not mine:
            continue
        own, line = errors(mine)
        gain = bootstrap_gain(mine)
        at = f"{goal.value} at {share:.0%} of the cook"
        beside = f"n={len(mine)}, median {np.median(own):.0f}; straight line {line.mean():.0f}, {np.median(line):.0f}"
        figures.append(at_most(f"{at}, MAE, min", float(own.mean()), target, beside))
        figures.append(Figure(f"{at}, gain on the line, lower bound, min", gain, "> 0", gain > 0))
    return figures


def coverage(found: list[Answer]) -> list[Figure]:
    figures = []
    for goal in (Goal.TENDER, Goal.WRAP, Goal.STALL_END):
        mine = [a for a in found if a.goal is goal]
        figures.append(within(f"{goal.value}, 90 % interval covers", covered(mine), COVERED, f"n={len(mine)}"))
        for low, high in BINS:
            inside = [a for a in mine if low <= a.at.p50 < high]
            if len(inside) < FEWEST_IN_BIN:
                continue
            beside = f"n={len(inside)}, median width {np.median([a.at.p95 - a.at.p05 for a in inside]):.0f} min"
            name = f"{goal.value}, covers with {low:.0f}-{high:.0f} min left"
            figures.append(at_least(name, covered(inside), COVERED_IN_BIN, beside))
    return figures


def known_future(cooks: list[CookRecord]) -> list[Figure]:
    done = [c for c in cooks if c.tender_minute][:FORETOLD]
    return [
        Figure(f"tender at {share:.0%}, MAE had pit and wrap to come been known, min",
               float(np.mean([foreknown(c, share) for c in done])), NO_TARGET, True, f"n={len(done)}")
        for share in TENDER_MAE
    ]  # fmt: skip


def plan(cooks: list[CookRecord]) -> Figure:
    """The share of cooks that would have been on time, put on when the plan for one piece says."""
    plans = [a for i, c in enumerate(cooks) if c.tender_minute for a in beforehand(c, i)]
    share = float(np.mean([a.truth <= at_chance(a.at, WANTED_CHANCE) for a in plans]))
    spare = np.median([at_chance(a.at, WANTED_CHANCE) - a.truth for a in plans])
    return within("plan, on time", share, COVERED, f"n={len(plans)}, median wait before the rest {spare:.0f} min")


def other_truth(name: str, found: list[Answer], base: list[Answer]) -> list[Figure]:
    figures = []
    for goal, share, _ in TARGETS:
        mine, reference = of(found, goal, share), of(base, goal, share)
        if not mine or not reference:
            continue
        own, line = errors(mine)
        beside = f"n={len(mine)}, MAE {own.mean():.0f} min; straight line {line.mean():.0f}"
        worse = float(own.mean() / errors(reference)[0].mean())
        figures.append(
            at_most(f"{name}: {goal.value} at {share:.0%}, MAE over own truth's", worse, SECOND_WORSE, beside)
        )
    for goal in (Goal.TENDER, Goal.WRAP):
        mine = [a for a in found if a.goal is goal]
        figures.append(
            Figure(f"{name}: {goal.value}, interval covers", covered(mine), NO_TARGET, True, f"n={len(mine)}")
        )
    return figures


def speed(cooks: list[CookRecord]) -> Figure:
    spent = []
    for cook in [c for c in cooks if c.tender_minute][:QUERIES_TIMED]:
        request = question(cook, int(0.9 * (cook.tender_minute or 0)))
        start = time.process_time()
        forecast(request)
        spent.append(time.process_time() - start)
    slowest = max(spent)
    median = f"median {1e3 * np.median(spent):.0f} ms"
    return at_most("slowest query at 90 % of a cook, s of CPU", slowest, QUERY_SECONDS, median)


def figures(cooks: int, seed: int) -> list[Figure]:
    """All figures: `cooks` of the own truth on `seed`, half as many of each other truth on the seed after it."""
    own = cook_set("test", seed=seed, count=cooks)
    base = collect(own)
    found = [*accuracy(base), *known_future(own), *coverage(base), plan(own), speed(own)]
    for name in ("shifted", "second"):
        other = collect(cook_set(name, seed=seed + 1, count=max(10, cooks // 2)))
        found += other_truth(name, other, base)
    return found
