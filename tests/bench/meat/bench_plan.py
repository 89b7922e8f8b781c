"""Scores what is promised about serving on time: a claimed chance against how often it came true.

    python -m tests.bench.figures --only plan --seed 4711

Before the cook, a piece that goes on when the plan says must be tender in time nine times in ten, and two pieces planned together
must both be. During it, the chance that the watch shows is asked at half and three quarters of the cook for deadlines drawn
around its own median. Cooks are simulated; a real cook keeps less of a promise. Lines that miss say MISSED.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import nan
from statistics import median

import numpy as np

from daemon.core.forecast.plan import WANTED_CHANCE, at_chance, chance_by
from daemon.core.outlook import Goal
from drivers.simulated.records import CookRecord
from tests.bench.figure import Figure
from tests.bench.meat.cook_sets import cook_set
from tests.bench.meat.forecast_cases import Answer, answers, beforehand

WITHIN = 0.05
"""How far a realised share may lie from the claimed chance."""
SHARES = (0.5, 0.75)
DEADLINES = (0.4, 2.5)
"""Times the median forecast, between which deadlines are drawn, evenly by ratio."""
SURE, LEAST = 0.9, 10
"""A chance that sounds sure (or, as its complement, hopeless), and the fewest of them that are scored."""


def per_kilo(cooks: Sequence[CookRecord]) -> dict[str, float]:
    """Minutes a kilo by cut, medians: the rule of thumb that stands beside the plan."""
    told: dict[str, list[float]] = {}
    for cook in cooks:
        if cook.tender_minute:
            told.setdefault(cook.cut, []).append(cook.tender_minute / cook.weight)
    return {cut: median(minutes) for cut, minutes in told.items()}


def before(name: str, cooks: Sequence[CookRecord], others: Sequence[CookRecord]) -> list[Figure]:
    """The plan made before the meat goes on. others: the cooks whose hours a kilo are the rule of thumb."""
    plans = [(c, a) for i, c in enumerate(cooks) if c.tender_minute for a in beforehand(c, i)]
    thumb, usual = per_kilo(others), median(c.tender_minute for c in others if c.tender_minute)
    kept = [a.truth <= at_chance(a.at, WANTED_CHANCE) for _, a in plans]
    guessed = [a.truth <= thumb.get(c.cut, usual / c.weight) * c.weight for c, a in plans]
    each = [a.truth <= at_chance(a.at, WANTED_CHANCE**0.5) for _, a in plans]
    pairs = [one and other for one, other in zip(each[::2], each[1::2], strict=False)]
    share, both = _share(kept), _share(pairs)
    return [
        Figure(f"{name}: served on time, planned for {WANTED_CHANCE}", share, f"+-{WITHIN}",
               abs(share - WANTED_CHANCE) <= WITHIN, f"minutes a kilo {_share(guessed):.2f}; n {len(plans)}"),
        Figure(f"{name}: two pieces, planned for {WANTED_CHANCE} together", both, f"+-{WITHIN}",
               abs(both - WANTED_CHANCE) <= WITHIN, f"n {len(pairs)}"),
    ]  # fmt: skip


def during(name: str, cooks: Sequence[CookRecord], rng: np.random.Generator) -> list[Figure]:
    """The chance shown while it cooks."""
    found: list[Answer] = [
        a for i, c in enumerate(cooks) if c.tender_minute for a in answers(c, i, SHARES)
        if a.goal is Goal.TENDER
    ]  # fmt: skip
    deadlines = [a.at.p50 * float(np.exp(rng.uniform(*np.log(DEADLINES)))) for a in found]
    claimed = np.array([chance_by(a.at, d) for a, d in zip(found, deadlines, strict=True)])
    came = np.array([a.truth <= d for a, d in zip(found, deadlines, strict=True)], dtype=float)
    line = np.array([a.line <= d for a, d in zip(found, deadlines, strict=True)], dtype=float)
    brier, mean, straight = _square(claimed, came), float(np.var(came)) if came.size else nan, _square(line, came)
    sure, never = claimed >= SURE, claimed <= 1 - SURE
    kept = _share(came[sure].tolist())
    least = float(claimed[sure].mean()) - WITHIN if sure.any() else nan
    broke = _share(came[never].tolist())
    most = float(claimed[never].mean()) + WITHIN if never.any() else nan
    told = [
        Figure(f"{name}: Brier score of the chance shown", brier, f"< {mean:.3f}", brier < mean,
               f"always the mean {mean:.3f}, straight line {straight:.3f}; n {came.size}"),
    ]  # fmt: skip
    if sure.sum() >= LEAST:
        told.append(Figure(f"{name}: came true, of chances of {SURE} or more", kept, f">= {least:.2f}", kept >= least,
                           f"claimed {least + WITHIN:.2f}; n {sure.sum()}"))  # fmt: skip
    if never.sum() >= LEAST:
        told.append(Figure(f"{name}: came true, of chances of {1 - SURE:.1f} or less", broke, f"<= {most:.2f}",
                           broke <= most, f"claimed {most - WITHIN:.2f}; n {never.sum()}"))  # fmt: skip
    return told


def _share(came: Sequence[bool] | Sequence[float]) -> float:
    return float(np.mean(came)) if came else nan


def _square(claimed: np.ndarray, came: np.ndarray) -> float:
    return float(np.mean((claimed - came) ** 2)) if came.size else nan


def figures(cooks: int, seed: int) -> list[Figure]:
    """Every figure of the plan on `cooks` cooks of each truth; the live chance on half of them."""
    rng = np.random.default_rng(seed)
    told: list[Figure] = []
    for name, kind in (("simulated cooks", "test"), ("second truth", "second")):
        drawn = cook_set(kind, seed=seed, count=cooks)
        others = cook_set(kind, seed=seed + 1, count=cooks)
        told += [*before(name, drawn, others), *during(name, drawn[: max(2, cooks // 2)], rng)]
    return told
