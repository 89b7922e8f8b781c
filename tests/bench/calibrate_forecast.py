"""Finds the factors that make the forecaster's intervals honest, on simulated cooks of a seed kept for this.

    python -m tests.bench.calibrate_forecast --write      writes daemon/core/forecast/factors.py
    python -m tests.bench.calibrate_forecast --priors     how far the members' prior lies from what cooks teach

Split-conformal: the centre factor is half way (in ratio) to the one with the least absolute error; each half-width is
stretched until the wanted share of true times lies inside, by kind of goal and by predicted time left.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast import factors as forecast_factors
from daemon.core.forecast.assimilation import bodies_at_start, brought_up, course_of
from daemon.core.forecast.members import PRIOR
from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import CookRecord
from tests.bench.forecast_cases import Answer, answers, beforehand, question

SEED, COOKS = 61_001, 330
SHARES = (0.12, 0.25, 0.35, 0.5, 0.62, 0.75, 0.84, 0.9, 0.95)
KNOTS = (20.0, 45.0, 90.0, 150.0, 240.0, 360.0, 540.0)
"""Minutes left at which factors are held; a knot is fitted on the answers between its neighbours."""
TAIL = 0.04
"""Share of true times to lie beyond each end: a little less than the 0.05 promised."""
PLAN_TAIL = 0.05
"""The same for a plan, whose few knots overlap so widely that 0.04 gave 97 % on time for a promised 90 % on this seed and
0.07 left 80 % for two pieces together on another. Meat that is early can be held; guests that wait cannot."""
CENTRE_BELIEVED = 0.5
"""Share (in logarithm) of the best centre factor that is kept: what these cooks teach of lateness is partly a habit of their
simulator, and a piece of other structure may be late the other way."""
FEWEST = 25
"""Answers without which a knot is not fitted and takes its neighbour's values."""
TARGET = Path(__file__).parents[2] / "daemon" / "core" / "forecast" / "factors.py"

Row = tuple[float, float, float, float]


def raw_answers(cooks: list[CookRecord]) -> list[Answer]:
    """Answers with every factor 1: middle and half-widths are the ensemble's own."""
    published = dict(forecast_factors.FACTORS)
    forecast_factors.FACTORS.update(dict.fromkeys(published, ((0.0, 1.0, 1.0, 1.0),)))
    try:
        done = [(i, cook) for i, cook in enumerate(cooks) if cook.tender_minute is not None]
        asked = [a for i, cook in done for a in answers(cook, i, SHARES)]
        return asked + [a for i, cook in done for a in beforehand(cook, i)]
    finally:
        forecast_factors.FACTORS.update(published)


def rows_of(found: list[Answer], tail: float) -> tuple[Row, ...]:
    """The table of one kind."""
    middle = np.array([a.at.p50 for a in found])
    truth = np.array([a.truth for a in found])
    low = np.maximum(middle - np.array([a.at.p05 for a in found]), 1.0)
    high = np.maximum(np.array([a.at.p95 for a in found]) - middle, 1.0)
    edges = (0.0, *KNOTS, np.inf)
    rows: list[Row] = []
    for number, knot in enumerate(KNOTS):
        here = (middle >= edges[number]) & (middle < edges[number + 2])
        if here.sum() < FEWEST:
            continue
        centre = _least_error(truth[here] / np.maximum(middle[here], 1.0), middle[here]) ** CENTRE_BELIEVED
        miss = truth[here] - centre * middle[here]
        rows.append((knot, centre, _stretch(-miss / low[here], tail), _stretch(miss / high[here], tail)))
    return tuple(tuple(round(float(v), 3) for v in row) for row in rows)  # type: ignore[misc]


def _least_error(ratios: NDArray[np.float64], weights: NDArray[np.float64]) -> float:
    """The factor with the least mean absolute error: a weighted median of truth over forecast."""
    order = np.argsort(ratios)
    total = np.cumsum(weights[order])
    return float(np.clip(ratios[order][np.searchsorted(total, 0.5 * total[-1])], 0.4, 1.6))


def _stretch(scores: NDArray[np.float64], tail: float) -> float:
    """Conformal quantile of one side's scores, with the finite-sample correction."""
    level = min(1.0, (1.0 - tail) * (scores.size + 1) / scores.size)
    return float(max(np.quantile(scores, level), 0.3))


def show_priors(cooks: list[CookRecord]) -> None:
    """Mean and spread of the posteriors of whole cooks, in standard normal units: 0 and 1 say the prior is right."""
    z = []
    for cook, tender in ((c, c.tender_minute) for c in cooks if c.tender_minute is not None):
        request = question(cook, tender - 5)
        course = course_of(request, cook.ambient)
        z.append(brought_up(bodies_at_start(request, course), request, course).z.mean(axis=1))
    for name, mean, spread in zip(PRIOR, np.mean(z, axis=0), np.std(z, axis=0), strict=True):
        print(f"{name:16s} mean {mean:+.2f}  spread between cooks {spread:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--cooks", type=int, default=COOKS)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--priors", action="store_true")
    asked = parser.parse_args()
    cooks = simulate_cooks(asked.seed, asked.cooks)
    if asked.priors:
        show_priors(cooks)
        return
    found = raw_answers(cooks)
    kinds = sorted(forecast_factors.FACTORS)
    lines = [
        '"""Made by `python -m tests.bench.calibrate_forecast --write`: do not edit by hand.',
        "",
        f"Seed {asked.seed}, {asked.cooks} cooks. kind: rows of (predicted minutes left, centre, low, high factor).",
        '"""',
        "",
        "from __future__ import annotations",
        "",
        "FACTORS: dict[str, tuple[tuple[float, float, float, float], ...]] = {",
    ]
    for kind in kinds:
        mine = [a for a in found if a.kind == kind]
        rows = rows_of(mine, PLAN_TAIL if kind == "plan" else TAIL) or ((60.0, 1.0, 2.5, 2.5),)
        print(kind, len(mine), *rows, sep="\n  ")
        lines.append(f'    "{kind}": (')
        lines += [f"        {row}," for row in rows]
        lines.append("    ),")
    lines.append("}")
    if asked.write:
        TARGET.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
