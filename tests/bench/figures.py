"""Every figure of judging against its target, with the baseline beside it: one command.

    python -m tests.bench.figures                 # tens of minutes
    python -m tests.bench.figures --quick         # a few minutes, wide margins of error
    python -m tests.bench.figures --only stall --seed 99

All cooks, fires and pits are simulated: a real cook will be judged worse. The default seeds were drawn after the judges were
frozen; to hold a changed build to account, give a seed that nobody has seen. A line that misses its target says MISSED.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

from tests.bench.figure import NO_TARGET, Figure, show
from tests.bench.fire import bench_evenness, bench_fire, bench_pit
from tests.bench.meat import bench_forecast, bench_plan, bench_rest, bench_safety, bench_stall

SEED = 41_507
"""Drawn after the freeze; every part counts on from it."""
APART = 1000
"""Between the seeds of two parts: a part may use as many of its own."""


@dataclass(frozen=True, slots=True)
class Part:
    """One bench. run(size, seed); size and quick: how many cooks, fires or pits of each truth; of: what they are."""

    name: str
    run: Callable[[int, int], list[Figure]]
    size: int
    quick: int
    of: str


PARTS = (
    Part("fire", bench_fire.figures, 300, 40, "fires"),
    Part("lid", lambda size, seed: bench_fire.lid_figures(seed, size), 40, 10, "pits"),
    Part("pit", bench_pit.figures, 100, 20, "pits"),
    Part("stall", bench_stall.figures, 300, 40, "cooks"),
    Part("forecast", bench_forecast.figures, 200, 20, "cooks"),
    Part("plan", bench_plan.figures, 150, 20, "cooks"),
    Part("evenness", bench_evenness.figures, 200, 30, "pits"),
    Part("rest", bench_rest.figures, 150, 20, "pieces"),
    Part("marked-logs", lambda size, seed: bench_fire.figures(size, seed, marked=True), 150, 20, "fires"),
    Part("safety", lambda _size, _seed: bench_safety.figures(), 1, 1, "set of published tables"),
)


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="few cooks: to see that it runs, not to quote")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument(
        "--size", type=int, help="cooks, fires or pits of each truth, instead of each part's own number"
    )
    parser.add_argument("--only", choices=[p.name for p in PARTS], nargs="+", help="these parts")
    asked = parser.parse_args(arguments)
    told: list[Figure] = []
    for number, part in enumerate(PARTS):
        if asked.only and part.name not in asked.only:
            continue
        size = asked.size or (part.quick if asked.quick else part.size)
        seed, before = asked.seed + number * APART, time.process_time()
        found = part.run(size, seed)
        took = time.process_time() - before
        show(f"== {part.name}: {size} {part.of}, seed {seed}, {took:.0f} s of CPU", found)
        told += [f._replace(name=f"{part.name}: {f.name}") for f in found]
    held = [f for f in told if f.target != NO_TARGET]
    missed = [f.name for f in held if not f.met]
    print(f"\n{len(held) - len(missed)} of {len(held)} figures meet their target; missed:")
    print("\n".join(f"  {name}" for name in missed) or "  none")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
