"""Finds the conformal factors of the forecast's intervals on cooks of every world, each world counting the same.

    python -m tests.bench.meat.calibrate_forecast --write      # replaces daemon/core/forecast/factors.py
    python -m tests.bench.meat.calibrate_forecast --write --plans    # only the factors of the plan
    python -m tests.bench.meat.calibrate_forecast --priors     # how far the prior lies from what cooks teach, by world

Split-conformal: the centre factor is the one with the least absolute error; each half-width is stretched until the wanted
share of true times lies inside, by kind of goal and by predicted time left. A world that has not been seen may be as far
from those that were as the worst of them is from the rest: each side is stretched halfway from what holds for all to what
holds for the worst. `tests.bench.meat.strangers_meat` holds factors that were found without a world against that world.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast import factors as forecast_factors
from daemon.core.forecast.assimilation import bodies_at_start, brought_up, course_of
from daemon.core.forecast.members import PRIOR
from drivers.simulated.records import CookRecord
from tests.bench.meat.cook_sets import cook_set
from tests.bench.meat.forecast_cases import (
    READ_AT,
    Answer,
    answers,
    beforehand,
    beforehand_to_target,
    by_hand,
    question,
)
from tests.bench.meat.world_cooks import world_cooks
from tests.worlds.meats import MEAT_WORLDS

SEED = 901
PITS, COOKS = 12, 24
"""Pits of each fire world that a meat world is put on; cooks of each simulator of the project's own."""
SHARES = (0.12, 0.25, 0.35, 0.5, 0.62, 0.75, 0.84, 0.9, 0.95)
HAND_SHARES = (0.35, 0.5, 0.62, 0.75, 0.84, 0.9)
"""The same of pieces that no probe follows."""
KNOTS = (20.0, 45.0, 90.0, 150.0, 240.0, 360.0, 540.0)
"""Minutes left at which factors are held; a knot is fitted on the answers between its neighbours."""
TAIL = 0.05
"""Share of true times to lie beyond each end."""
FEWEST = 40
"""Answers without which a knot is not fitted and takes its neighbour's values."""
FEWEST_OF_A_WORLD = 15
"""Answers of one world without which it has no say of its own."""
TARGET = Path(__file__).parents[3] / "daemon" / "core" / "forecast" / "factors.py"

Floats = NDArray[np.float64]
Row = tuple[float, float, float, float]
Factors = dict[str, tuple[Row, ...]]


def cooks_of_worlds(seed: int, pits: int, cooks: int) -> dict[str, list[CookRecord]]:
    """World -> its cooks that became tender: the worlds of tests.worlds, then the project's own two simulators."""
    found = {name: world_cooks(name, seed, pits) for name in MEAT_WORLDS}
    for name, own in (("simulator", "calibration"), ("second truth", "second")):
        found[name] = [c for c in cook_set(own, seed=seed, count=cooks) if c.tender_minute is not None]
    return found


def raw_answers(cooks: list[CookRecord], shares: tuple[float, ...] = SHARES) -> list[Answer]:
    """Answers with every factor 1: middle and half-widths are the ensemble's own."""
    done = [(i, cook) for i, cook in enumerate(cooks) if cook.tender_minute is not None]
    with every_factor_one():
        asked = [a for i, cook in done for a in answers(cook, i, shares)]
    return asked + plan_answers(cooks)


def plan_answers(cooks: list[CookRecord]) -> list[Answer]:
    """What is said before the meat goes on, to tender and to a target."""
    done = [(i, cook) for i, cook in enumerate(cooks) if cook.tender_minute is not None]
    with every_factor_one():
        return [a for i, cook in done for a in (*beforehand(cook, i), *beforehand_to_target(cook, i))]


def hand_answers(cooks: list[CookRecord]) -> list[Answer]:
    """The same of these pieces without a probe, read by hand once, twice or three times."""
    done = [(i, cook) for i, cook in enumerate(cooks) if cook.tender_minute is not None]
    with every_factor_one():
        return [a for i, c in done for share in HAND_SHARES for a in by_hand(c, i, share, READ_AT[i % len(READ_AT) :])]


def all_answers(cooks: list[CookRecord]) -> list[Answer]:
    """What the factors are found on."""
    return raw_answers(cooks) + hand_answers(cooks)


@contextmanager
def every_factor_one() -> Iterator[None]:
    """Meanwhile forecasts are the ensemble's own."""
    published = dict(forecast_factors.FACTORS)
    forecast_factors.FACTORS.update(dict.fromkeys(published, ((0.0, 1.0, 1.0, 1.0),)))
    try:
        yield
    finally:
        forecast_factors.FACTORS.update(published)


def factors_from(found: Mapping[str, list[Answer]]) -> Factors:
    """world -> raw answers. The tables of all kinds."""
    table: Factors = {}
    for kind in sorted({a.kind for its in found.values() for a in its}):
        mine = [(a, world) for world, its in found.items() for a in its if a.kind == kind]
        table[kind] = _rows([a for a, _ in mine], [w for _, w in mine]) or ((60.0, 1.0, 2.5, 2.5),)
    return table


def _rows(found: list[Answer], worlds: list[str]) -> tuple[Row, ...]:
    middle = np.array([a.at.p50 for a in found])
    truth = np.array([a.truth for a in found])
    low = np.maximum(middle - np.array([a.at.p05 for a in found]), 1.0)
    high = np.maximum(np.array([a.at.p95 for a in found]) - middle, 1.0)
    world = np.array(worlds)
    edges = (0.0, *KNOTS, np.inf)
    rows: list[Row] = []
    for number, knot in enumerate(KNOTS):
        here = (middle >= edges[number]) & (middle < edges[number + 2])
        if here.sum() < FEWEST:
            continue
        names, counts = np.unique(world[here], return_counts=True)
        weight = 1.0 / counts[np.searchsorted(names, world[here])]
        centre = _quantile(truth[here] / np.maximum(middle[here], 1.0), weight * middle[here], 0.5)
        centre = float(np.clip(centre, 0.5, 2.0))
        miss = truth[here] - centre * middle[here]
        sides = (_side(score, weight, world[here]) for score in (-miss / low[here], miss / high[here]))
        early, late = (max(side, 0.3) for side in sides)
        rows.append((knot, round(centre, 3), round(early, 3), round(late, 3)))
    return tuple(rows)


def _side(score: Floats, weight: Floats, world: NDArray[np.str_]) -> float:
    """The factor on one half-width: halfway from what all answers need to what those of the worst world need."""
    pooled = _quantile(score, weight, 1.0 - TAIL)
    each = [score[world == name] for name in np.unique(world)]
    worst = max(
        [_quantile(s, np.ones(s.size), 1.0 - TAIL) for s in each if s.size >= FEWEST_OF_A_WORLD], default=pooled
    )
    return 0.5 * (pooled + max(pooled, worst))


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][min(np.searchsorted(total, share * total[-1]), values.size - 1)])


def show_priors(found: Mapping[str, list[CookRecord]]) -> None:
    """Mean and spread of the posteriors late in cooks, in standard normal units: 0 and 1 say that the prior is right."""
    means = {}
    for world, cooks in found.items():
        z = []
        for cook in cooks:
            assert cook.tender_minute is not None  # cooks_of_worlds takes no other
            request = question(cook, int(0.9 * cook.tender_minute))
            course = course_of(request, cook.ambient)
            z.append(brought_up(bodies_at_start(request, course), request, course).z.mean(axis=1))
        means[world] = (np.mean(z, axis=0), np.std(z, axis=0))
    print(f"{'':16s}", *(f"{world:>14s}" for world in means))
    for row, name in enumerate(PRIOR):
        print(f"{name:16s}", *(f"{mean[row]:+8.2f} {spread[row]:5.2f}" for mean, spread in means.values()))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--pits", type=int, default=PITS)
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--priors", action="store_true")
    parser.add_argument(
        "--plans", action="store_true", help="only what is said before the cook; the rest stays as it is"
    )
    asked = parser.parse_args()
    cooks = cooks_of_worlds(asked.seed, asked.pits, COOKS)
    if asked.priors:
        show_priors(cooks)
        return
    if asked.plans:
        table = forecast_factors.FACTORS | factors_from({world: plan_answers(its) for world, its in cooks.items()})
    else:
        table = factors_from({world: all_answers(its) for world, its in cooks.items()})
    lines = [
        '"""Made by `python -m tests.bench.meat.calibrate_forecast --write`: do not edit by hand.',
        "",
        f"Seed {asked.seed}; cooks: {', '.join(f'{world} {len(its)}' for world, its in cooks.items())}.",
        "kind: rows of (predicted minutes left, centre, low, high factor).",
        '"""',
        "",
        "from __future__ import annotations",
        "",
        "FACTORS: dict[str, tuple[tuple[float, float, float, float], ...]] = {",
    ]
    for kind, rows in sorted(table.items()):
        print(kind, *rows, sep="\n  ")
        lines.append(f'    "{kind}": (')
        lines += [f"        {row}," for row in rows]
        lines.append("    ),")
    lines.append("}")
    if asked.write:
        TARGET.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
