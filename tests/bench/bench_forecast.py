"""Scores the forecaster on simulated cooks it has never seen, against its targets and a straight line.

    python -m tests.bench.bench_forecast --seed 4711 --cooks 200

Three truths: the simulator that the intervals were calibrated on (other seeds), the same with shifted physics, and a second
truth of other structure. All are simulated; a real cook will be forecast worse. Lines that miss their target say MISS.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from daemon.core.forecast import forecast
from daemon.core.inputs import Goal
from daemon.core.plan import WANTED_CHANCE, at_chance
from drivers.simulated.records import CookRecord
from tests.bench.cook_sets import cook_set
from tests.bench.forecast_cases import Answer, answers, beforehand, question

TENDER_MAE = {0.25: 55.0, 0.5: 50.0, 0.75: 22.0, 0.9: 10.0}
WRAP_MAE = {0.25: 28.0, 0.5: 15.0}
COVERED = (0.85, 0.95)
COVERED_IN_BIN = 0.82
BINS = ((0.0, 60.0), (60.0, 180.0), (180.0, np.inf))
SECOND_WORSE = 1.25
QUERY_SECONDS = 1.0
BOOTSTRAPS = 2000


class Report:
    """Prints lines; counts those that miss."""

    def __init__(self) -> None:
        self.missed = 0

    def line(self, what: str, value: float, wanted: str, ok: bool, beside: str = "") -> None:
        self.missed += not ok
        print(f"{what:46s} {value:8.2f}  target {wanted:14s} {'ok  ' if ok else 'MISS'} {beside}")


def errors(found: list[Answer]) -> tuple[np.ndarray, np.ndarray]:
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
    return [a for i, c in enumerate(cooks) if c.tender_minute for share in shares for a in answers(c, i, share)]


def maes(found: list[Answer], goal: Goal) -> dict[float, float]:
    table = TENDER_MAE if goal is Goal.TENDER else WRAP_MAE
    by_share = {share: [a for a in found if a.goal is goal and a.share == share] for share in table}
    return {share: float(errors(mine)[0].mean()) for share, mine in by_share.items() if mine}


def report_accuracy(report: Report, found: list[Answer]) -> None:
    for goal, table in ((Goal.TENDER, TENDER_MAE), (Goal.WRAP, WRAP_MAE)):
        for share, target in table.items():
            mine = [a for a in found if a.goal is goal and a.share == share]
            if not mine:
                continue
            own, line = errors(mine)
            report.line(
                f"{goal.value} MAE at {share:.0%} of the cook, min (n={len(mine)})", own.mean(), f"<= {target:.0f}",
                own.mean() <= target,
                f"median {np.median(own):.0f}; line {line.mean():.0f}, median {np.median(line):.0f}",
            )  # fmt: skip
            gain = bootstrap_gain(mine)
            report.line("  gain on the straight line, lower bound, min", gain, "> 0", gain > 0)


def report_coverage(report: Report, found: list[Answer]) -> None:
    for goal in (Goal.TENDER, Goal.WRAP, Goal.STALL_END):
        mine = [a for a in found if a.goal is goal]
        if not mine:
            continue
        share = covered(mine)
        report.line(
            f"{goal.value} 90 % interval covers (n={len(mine)})", share, "0.85..0.95", COVERED[0] <= share <= COVERED[1]
        )
        for low, high in BINS:
            inside = [a for a in mine if low <= a.at.p50 < high]
            if len(inside) < 10:
                continue
            share = covered(inside)
            width = np.median([a.at.p95 - a.at.p05 for a in inside])
            report.line(
                f"  {low:.0f}-{high:.0f} min left (n={len(inside)})", share, f">= {COVERED_IN_BIN}",
                share >= COVERED_IN_BIN, f"median width {width:.0f} min",
            )  # fmt: skip


def report_plan(report: Report, cooks: list[CookRecord]) -> None:
    """The share of cooks that would have been on time, put on when the plan for one piece says."""
    plans = [a for i, c in enumerate(cooks) if c.tender_minute for a in beforehand(c, i)]
    share = float(np.mean([a.truth <= at_chance(a.at, WANTED_CHANCE) for a in plans]))
    spare = np.median([at_chance(a.at, WANTED_CHANCE) - a.truth for a in plans])
    ok = abs(share - WANTED_CHANCE) <= 0.05
    report.line(
        f"plan: on time (n={len(plans)})", share, "0.85..0.95", ok, f"median wait before the rest {spare:.0f} min"
    )


def report_other_truth(report: Report, name: str, found: list[Answer], base: list[Answer]) -> None:
    for goal in (Goal.TENDER, Goal.WRAP):
        for (share, own), reference in zip(maes(found, goal).items(), maes(base, goal).values(), strict=False):
            line = errors([a for a in found if a.goal is goal and a.share == share])[1].mean()
            ratio = own / reference
            report.line(
                f"{name}: {goal.value} at {share:.0%}, MAE over own truth's", ratio, f"<= {SECOND_WORSE}",
                ratio <= SECOND_WORSE, f"MAE {own:.0f} min; straight line {line:.0f}",
            )  # fmt: skip
    mine = [a for a in found if a.goal is Goal.TENDER]
    print(f"{name}: tender interval covers {covered(mine):.2f} (n={len(mine)}); no target")


def report_speed(report: Report, cooks: list[CookRecord]) -> None:
    spent = []
    for cook in [c for c in cooks if c.tender_minute][:20]:
        request = question(cook, int(0.9 * (cook.tender_minute or 0)))
        start = time.perf_counter()
        forecast(request)
        spent.append(time.perf_counter() - start)
    report.line("slowest query at 90 % of a cook, s", max(spent), "<= 1", max(spent) <= QUERY_SECONDS,
                f"median {1e3 * np.median(spent):.0f} ms")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--cooks", type=int, default=200)
    asked = parser.parse_args()
    report = Report()
    cooks = cook_set("test", seed=asked.seed, count=asked.cooks)
    never = sum(c.tender_minute is None for c in cooks)
    print(f"seed {asked.seed}, {len(cooks)} cooks, of which {never} were never tender and are left out")
    base = collect(cooks)
    report_accuracy(report, base)
    report_coverage(report, base)
    report_plan(report, cooks)
    report_speed(report, cooks)
    for name in ("shifted", "second"):
        other = collect(cook_set(name, seed=asked.seed + 1, count=max(10, asked.cooks // 2)))
        report_other_truth(report, name, other, base)
    print(f"{report.missed} lines miss their target")


if __name__ == "__main__":
    main()
