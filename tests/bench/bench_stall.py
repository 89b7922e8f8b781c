"""Scores the stall watch on simulated cooks it has never seen, against its targets and a naive slope.

    python -m tests.bench.bench_stall --seed 4711 --cooks 300

The truth is the simulator's own label (drivers.simulated.batch.stall_label): evaporation eats more than half of the
heat while the core hardly climbs in a pit that is hot enough, on both of its truths. Lines that miss say MISS.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from daemon.core.fire_signs import slope
from daemon.core.settings import Band
from daemon.core.stall import StallWatch
from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import CookRecord, stall_label
from tests.bench.second_truth import second_cooks

GRACE = 20
"""Minutes around a label within which an onset is not false."""
LID_AFTER = 15
"""Minutes after an open lid within which a false onset is laid to it."""


@dataclass
class Score:
    """All over many cooks. onsets: (cook, minute) of the false ones."""

    cooks: int = 0
    stalls: int = 0
    delays: list[float] = field(default_factory=list)
    false: list[tuple[int, int]] = field(default_factory=list)
    dips: int = 0
    lids: int = 0
    truths: list[float] = field(default_factory=list)
    said: list[float] = field(default_factory=list)


def by_core_alone(cook: CookRecord) -> CookRecord:
    """The same cook, labelled without the share of evaporation, which no thermometer can see: a core that hardly climbs
    in a hot pit is then a stall whatever holds it back."""
    everything = np.ones_like(cook.core_true)
    stalls = stall_label(cook.core_true, cook.pit_true, everything, cook.band_low, cook.wrapped_minute)
    return replace(cook, stalls=stalls)


def states(cook: CookRecord) -> tuple[list[bool], list[float]]:
    """What the watch says every minute: stalled, probability."""
    watch, band = StallWatch(), Band(cook.band_low, cook.band_high)
    said: list[bool] = []
    probable: list[float] = []
    for minute, (core, pit) in enumerate(zip(cook.core_read.tolist(), cook.pit_read.tolist(), strict=True)):
        wrapped = cook.wrapped_minute is not None and minute >= cook.wrapped_minute
        watch.minute(minute * 60.0, core, pit, band, wrapped)
        said.append(watch.stalled)
        probable.append(watch.probability)
    return said, probable


def naive(cook: CookRecord) -> tuple[list[bool], list[float]]:
    """Half-hour slope under 6 °C/h, core 50-88 °C, nothing else."""
    core = cook.core_read.tolist()
    said = [
        m >= 30
        and 50 < core[m] < 88
        and slope(core[m - 29 : m + 1]) * 60 < 6
        and (cook.wrapped_minute is None or m < cook.wrapped_minute)
        for m in range(len(core))
    ]
    return said, [float(s) for s in said]


def from_lid(cook: CookRecord, onset: int, method: Callable[[CookRecord], tuple[list[bool], list[float]]]) -> bool:
    """Was this onset made by an open lid: is it gone when the lid's mark on the pit trace is taken away?"""
    lids = [int(a) for a, _ in cook.lid_openings if 0 <= onset - a <= LID_AFTER]
    if not lids:
        return False
    pit = cook.pit_read.copy()
    for lid in lids:
        last = min(lid + LID_AFTER, pit.size - 1)
        pit[lid : last + 1] = np.linspace(pit[max(0, lid - 1)], pit[last], last + 1 - lid)
    said, _ = method(replace(cook, pit_read=pit))
    return not any(said[max(0, onset - 5) : onset + 6])


def score(cooks: Sequence[CookRecord], method: Callable[[CookRecord], tuple[list[bool], list[float]]]) -> Score:
    total = Score(cooks=len(cooks))
    for number, cook in enumerate(cooks):
        said, probable = method(cook)
        onsets = [m for m in range(1, len(said)) if said[m] and not said[m - 1]]
        total.stalls += len(cook.stalls)
        for start, end in cook.stalls:
            heard = next((m for m in range(start, min(end, len(said))) if said[m]), None)
            if heard is not None:
                total.delays.append(heard - start)
        for onset in onsets:
            if any(start - GRACE <= onset <= end for start, end in cook.stalls):
                continue
            total.false.append((number, onset))
            low = np.mean(cook.pit_true[max(0, onset - 45) : onset]) < cook.band_low - 3
            total.dips += bool(low or any(a <= onset <= b + 30 for a, b in cook.dips))
            total.lids += from_lid(cook, onset, method)
        truth = np.zeros(len(said))
        for start, end in cook.stalls:
            truth[start:end] = 1
        total.truths += truth[::10].tolist()
        total.said += probable[::10]
    return total


def report(name: str, total: Score) -> None:
    sensitivity = len(total.delays) / max(1, total.stalls)
    middle, late = np.percentile(total.delays, [50, 90])
    dips, everything = total.dips / total.cooks, len(total.false) / total.cooks
    brier = float(np.mean((np.array(total.said) - np.array(total.truths)) ** 2))
    print(f"== {name}: {total.cooks} cooks, {total.stalls} stalls")
    for what, value, target, met in (
        ("sensitivity", sensitivity, ">= .95", sensitivity >= 0.95),
        ("delay, median min", middle, "<= 15", middle <= 15),
        ("delay, p90 min", late, "<= 35", late <= 35),
        ("false onsets a cook, from fire dips", dips, "<= .03", dips <= 0.03),
        ("false onsets a cook, all", everything, "<= .20", everything <= 0.20),
        ("false onsets after an open lid (number)", total.lids, "0", total.lids == 0),
    ):
        print(f"  {what:<42} {value:7.3f}   target {target:<8} {'ok' if met else 'MISS'}")
    print(f"  Brier score of the probability {brier:.3f} (always the mean: {np.var(total.truths):.3f})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, required=True, help="one not used before")
    parser.add_argument("--cooks", type=int, default=300)
    arguments = parser.parse_args()
    truths = (
        ("drivers.simulated", simulate_cooks(arguments.seed, arguments.cooks)),
        ("the second truth", second_cooks(arguments.seed, arguments.cooks)),
    )
    for truth, cooks in truths:
        before = time.perf_counter()
        total = score(cooks, states)
        minutes = sum(c.core_read.size for c in cooks)
        took = 1e6 * (time.perf_counter() - before) / minutes
        report(f"stall watch on {truth}, seed {arguments.seed}", total)
        print(f"  {took:.0f} µs a minute")
        report(f"stall watch on {truth}, label by the core alone", score([by_core_alone(c) for c in cooks], states))
        report(f"naive half-hour slope on {truth}", score(cooks, naive))


if __name__ == "__main__":
    main()
