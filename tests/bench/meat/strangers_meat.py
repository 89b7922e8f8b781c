"""The forecast and the stall watch on worlds that did not teach them: each world left out in turn, by one command.

    python -m tests.bench.meat.strangers_meat --seed 4711

For each meat world the factors of the intervals are found on all other worlds, and then held against fresh cooks of this one.
Worst world first, with its name; pooled beneath; a straight line through the last 45 minutes beside it, and an oracle: the
same bodies told the pit and the wrap to come. Cooks whose wrap nobody marked are asked about without it. The stall watch's
constants and the prior of the bodies are not learned anew without the world, being set by hand.
"""

from __future__ import annotations

import argparse
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isnan, nan
from pathlib import Path

import numpy as np

import daemon.core.forecast
import drivers.simulated
import tests.worlds
from daemon.core.forecast.body import Array
from daemon.core.forecast.plan import WANTED_CHANCE, at_chance
from daemon.core.outlook import Goal, Interval
from drivers.simulated.records import CookRecord
from tests.bench.meat import calibrate_forecast, forecast_cases, second_truth
from tests.bench.meat import world_cooks as worlds_on_pits
from tests.bench.meat.bench_stall import score, states
from tests.bench.meat.calibrate_forecast import (
    COOKS,
    PITS,
    SEED,
    Factors,
    all_answers,
    cooks_of_worlds,
    every_factor_one,
    factors_from,
    raw_answers,
)
from tests.bench.meat.cook_sets import cached
from tests.bench.meat.forecast_cases import Answer, by_hand, foreknown
from tests.bench.meat.world_cooks import world_cooks
from tests.worlds.meats import MEAT_WORLDS

FRESH_SEED = 77_309
FRESH_PITS = 8
SHARES = (0.25, 0.5, 0.75, 0.9)
TENDER = {0.25: (90.0, 120.0), 0.5: (55.0, 75.0), 0.75: (28.0, 40.0), 0.9: (15.0, 20.0)}
"""Mean error, min: (pooled, worst world) at most."""
WRAP = {0.25: 60.0, 0.5: 22.0}
COVERED = (0.85, 0.95)
BIAS = 10.0
"""% of the time left."""
UNMARKED = 1.5
"""Mean error without the mark of a wrap over that with it, at most."""
BY_HAND_AT, BY_HAND = 0.75, 1.5
"""Share of the cook, and the most that a piece without a probe may be off, as a multiple of what it is with one."""
STALL = {"found": 0.9, "delay, median min": 15.0, "delay, p90 min": 35.0, "false a cook": 0.15}


@dataclass(frozen=True, slots=True)
class Row:
    """One world at one share. Minutes, but shares for covers; bias in % of the time left. asked: cooks that were asked about,
    answered: those with an interval. Errors are over the answered; line over the same."""

    world: str
    asked: int
    answered: int
    error: float
    bias: float
    covers: float
    width: float
    line: float
    oracle: float = nan
    unmarked: float = nan


def published(answer: Answer, table: Factors) -> Interval:
    """A raw answer as it would be published with these factors."""
    knots, centre, low, high = (np.array(column) for column in zip(*table[answer.kind], strict=True))
    at, left = answer.at, answer.at.p50
    middle = left * float(np.interp(left, knots, centre))
    early = middle - float(np.interp(left, knots, low)) * (left - at.p05)
    return Interval(max(0.0, early), middle, middle + float(np.interp(left, knots, high)) * (at.p95 - left))


def row_of(world: str, asked: int, found: Sequence[tuple[Answer, Interval]]) -> Row:
    if not found:
        return Row(world, asked, 0, nan, nan, nan, nan, nan)
    truth = np.array([a.truth for a, _ in found])
    middle = np.array([at.p50 for _, at in found])
    inside = [at.p05 <= a.truth <= at.p95 for a, at in found]
    return Row(
        world, asked, len(found), float(np.abs(middle - truth).mean()), float(100.0 * (middle - truth).mean() / truth.mean()),
        float(np.mean(inside)), float(np.median([at.p95 - at.p05 for _, at in found])),
        float(np.mean([abs(a.line - a.truth) for a, _ in found])),
    )  # fmt: skip


def unmarked(cooks: Sequence[CookRecord]) -> list[CookRecord]:
    """The wrapped ones, with nobody having marked it."""
    return [replace(c, wrapped=None, wrapped_minute=None) for c in cooks if c.wrapped is not None]


Found = Mapping[str, list[tuple[Answer, Interval]]]
"""World -> raw answers and how they would be published without it."""


def at(found: Found, goal: Goal, share: float) -> dict[str, list[tuple[Answer, Interval]]]:
    return {w: [f for f in its if f[0].goal is goal and f[0].share == share] for w, its in found.items()}


def rows_at(found: Found, cooks: Mapping[str, int]) -> list[Row]:
    """Worst first, then all pooled (each cook the same)."""
    rows = sorted(
        (row_of(w, cooks[w], its) for w, its in found.items()), key=lambda r: -1.0 if isnan(r.error) else -r.error
    )
    return [*rows, row_of("pooled", sum(cooks.values()), [f for its in found.values() for f in its])]


def verdict(row: Row, limit: tuple[float, float]) -> str:
    missed = []
    if not row.error <= (limit[0] if row.world == "pooled" else limit[1]):
        missed.append("error")
    if not abs(row.bias) <= BIAS:
        missed.append("bias")
    if not COVERED[0] <= row.covers <= COVERED[1]:
        missed.append("covers")
    if not row.error <= row.line:
        missed.append("line is better")
    return "MISSED: " + ", ".join(missed) if missed else "met"


def tell(title: str, rows: Sequence[Row], judge: Callable[[Row], str]) -> None:
    columns = ("n", "error", "bias %", "covers", "width", "line", "oracle")
    print(f"\n{title}\n  {'world left out':14s}", *(f"{c:>7s}" for c in columns))
    for r in rows:
        print(
            f"  {r.world:14s} {r.answered:3d}/{r.asked:3d} {r.error:7.0f} {r.bias:+7.0f} {r.covers:7.2f} {r.width:7.0f} "
            f"{r.line:7.0f} {r.oracle:7.0f}  {judge(r)}"
        )


def stalls(worlds: Mapping[str, list[CookRecord]]) -> None:
    print("\nstall\n  world             n  stalls  found  delay p50  p90  false a cook  ends told within 45 min")
    scored = {world: score(cooks, states) for world, cooks in worlds.items()}
    for world, s in sorted(scored.items(), key=lambda item: len(item[1].delays) / max(1, item[1].stalls)):
        middle, late = np.percentile(s.delays, [50, 90]) if s.delays else (nan, nan)
        found, false = len(s.delays) / max(1, s.stalls), len(s.false) / s.cooks
        ends = [wait for wait in s.ends if wait is not None and wait <= 45]
        values = (found, float(middle), float(late), false)
        wrong = [
            name for (name, limit), value in zip(STALL.items(), values, strict=True)
            if (value < limit if name == "found" else not value <= limit)
        ]  # fmt: skip
        said = "MISSED: " + ", ".join(wrong) if wrong else "met"
        print(
            f"  {world:14s} {s.cooks:4d} {s.stalls:6d} {found:7.2f} {middle:8.0f} {late:6.0f} {false:9.2f} "
            f"{len(ends):10d} of {len(s.ends):3d}  {said}"
        )


def what_taught() -> dict[str, list[Answer]]:
    """World -> answers that the factors are found on; kept on disk, for no seed of an exam changes them."""
    sources = [Path(m.__file__ or "") for m in (calibrate_forecast, forecast_cases, second_truth, worlds_on_pits)]
    for package in (daemon.core.forecast, drivers.simulated, tests.worlds):
        sources += [p for p in Path(package.__path__[0]).rglob("*.py") if p.name != "factors.py"]
    digest = hashlib.sha256(b"".join(p.read_bytes() for p in sorted(sources))).hexdigest()[:12]
    return {
        world: cached(f"taught-{world}-{SEED}-{PITS}-{COOKS}", lambda its=cooks: all_answers(its), digest)  # type: ignore[misc]
        for world, cooks in cooks_of_worlds(SEED, PITS, COOKS).items()
    }


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=FRESH_SEED, help="of the cooks that are asked about")
    parser.add_argument("--pits", type=int, default=FRESH_PITS, help="of each fire world")
    parser.add_argument("--no-oracle", action="store_true", help="saves a third of the time")
    parser.add_argument("--only-plans", action="store_true", help="nothing but what is planned before the meat goes on")
    asked = parser.parse_args(arguments)
    taught = what_taught()
    worlds = {name: world_cooks(name, asked.seed, asked.pits) for name in MEAT_WORLDS}
    without = {w: factors_from({k: v for k, v in taught.items() if k != w}) for w in worlds}

    def said(
        cooks: Mapping[str, list[CookRecord]], shares: tuple[float, ...] = SHARES
    ) -> dict[str, list[tuple[Answer, Interval]]]:
        return {w: [(a, published(a, without[w])) for a in raw_answers(its, shares)] for w, its in cooks.items()}

    if asked.only_plans:
        tell_plans(said(worlds, ()))
        return 0
    found, silent = said(worlds), said({w: unmarked(cooks) for w, cooks in worlds.items()})
    for share in SHARES:
        rows = rows_at(at(found, Goal.TENDER, share), {w: len(c) for w, c in worlds.items()})
        if not asked.no_oracle:
            known = {w: [foreknown(c, share) for c in cooks] for w, cooks in worlds.items()}
            known["pooled"] = [e for its in known.values() for e in its]
            rows = [replace(r, oracle=float(np.mean(known[r.world]))) for r in rows]
        tell(f"tender at {share:.0%} of the cook, min; targets {TENDER[share][0]:g} pooled, {TENDER[share][1]:g} worst",
             rows, lambda r, share=share: verdict(r, TENDER[share]))  # type: ignore[misc]  # fmt: skip
    for share, limit in WRAP.items():
        waiting = at(found, Goal.WRAP, share)
        rows = rows_at(waiting, {w: len(its) for w, its in waiting.items()})
        tell(f"wrap at {share:.0%}, min; target {limit:g}", rows, lambda r, limit=limit: verdict(r, (limit, limit)))  # type: ignore[misc]
    print(
        "\nunmarked wrap: mean error of tender without the mark over that with it, cooks wrapped by then; target 1.5 at most"
    )
    for share in SHARES:
        told = [_unmarked_ratio(worlds[w], found[w], silent[w], share) for w in worlds]
        print(f"  at {share:.0%}: " + ", ".join(f"{w} {r:.2f} (n {n})" for w, (r, n) in zip(worlds, told, strict=True)))
    tell_by_hand(worlds, found, without)
    tell_plans(found)
    stalls(worlds)
    return 0


def tell_by_hand(worlds: Mapping[str, list[CookRecord]], found: Found, without: Mapping[str, Factors]) -> None:
    """Pieces without a probe, read by hand three times, beside the same pieces with theirs."""
    print(
        f"\nno probe, three readings by hand, tender at {BY_HAND_AT:.0%}; target {BY_HAND:g} times the error with a probe"
    )
    for world, cooks in worlds.items():
        with every_factor_one():
            raw = [a for i, c in enumerate(cooks) for a in by_hand(c, i, BY_HAND_AT) if a.goal is Goal.TENDER]
        hand = {a.cook: (a, published(a, without[world])) for a in raw}
        probe = {a.cook: (a, i) for a, i in found[world] if a.goal is Goal.TENDER and a.share == BY_HAND_AT}
        both = sorted(hand.keys() & probe.keys())
        one, other = (row_of(world, len(cooks), [its[c] for c in both]) for its in (hand, probe))
        print(
            f"  {world:14s} n {len(both):3d}/{len(cooks)} error {one.error:.0f} with a probe {other.error:.0f}, ratio "
            f"{one.error / other.error:.2f}, covers {one.covers:.2f}, width {one.width:.0f} (with a probe {other.width:.0f})"
        )


def tell_plans(found: Found) -> None:
    """How often a piece was done by the time that the plan gave it a 90 % chance of."""
    for kind, what in (("plan", "to tender"), ("plan-target", "to a roast's target")):
        print(f"\nplan {what} for a chance of {WANTED_CHANCE:.0%}: kept; target {COVERED[0]:g} to {COVERED[1]:g}")
        _tell_plans(found, kind)


def _tell_plans(found: Found, kind: str) -> None:
    for world, its in found.items():
        plans = [(a.truth, i) for a, i in its if a.kind == kind]
        kept = float(np.mean([truth <= at_chance(i, WANTED_CHANCE) for truth, i in plans])) if plans else nan
        spare = float(np.median([at_chance(i, WANTED_CHANCE) - truth for truth, i in plans])) if plans else nan
        print(f"  {world:14s} n {len(plans):3d} kept {kept:.2f}, minutes to spare in the middle {spare:.0f}")


def _unmarked_ratio(
    cooks: Sequence[CookRecord], found: Sequence[tuple[Answer, Interval]], silent: Sequence[tuple[Answer, Interval]], share: float
) -> tuple[float, int]:  # fmt: skip
    """Errors on the same cooks: those that had been wrapped for half an hour when asked."""
    wrapped = [i for i, c in enumerate(cooks) if c.wrapped_minute is not None]
    with_mark = {a.cook: abs(i.p50 - a.truth) for a, i in found if a.goal is Goal.TENDER and a.share == share}
    without = {wrapped[a.cook]: abs(i.p50 - a.truth) for a, i in silent if a.goal is Goal.TENDER and a.share == share}

    def lately(cook: CookRecord) -> bool:
        assert cook.wrapped_minute is not None and cook.tender_minute is not None
        return cook.wrapped_minute + 30 <= share * cook.tender_minute

    both = [i for i in with_mark.keys() & without.keys() if lately(cooks[i])]
    if not both:
        return nan, 0
    errors: Array = np.array([[without[i], with_mark[i]] for i in both])
    return float(errors[:, 0].mean() / errors[:, 1].mean()), len(both)


if __name__ == "__main__":
    raise SystemExit(main())
