"""A bench of whole nights: a simulated cook asleep, the engine watching, and an oracle that knows consequences only.

    python -m tests.bench.nights.bench_nights --nights 60 --seed 1
    python -m tests.bench.nights.bench_nights --nights 1000 --seed 1 --jobs 2 --out nights.jsonl --resume
    python -m tests.bench.nights.bench_nights --wrong-build late    # must fail: shows that the bench bites
    python -m tests.bench.nights.bench_nights --wrong-builds        # all of them, each with the bar that finds it

A night's number and the seed make the night, whatever is run beside it. Bars are the project's own: common practice, no
source. The bounds are one-sided, 95 %. Exit code 1 when a bar is missed (with --wrong-builds: when one is met).
"""

from __future__ import annotations

import argparse
import resource
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from daemon.core.alarms.rules import rule_by_id
from drivers.simulated.cook import HOUR
from drivers.simulated.scenarios import START_HOUR
from tests.bench.nights.night_oracle import at_least, rate_bound
from tests.bench.nights.night_record import Night, from_line, to_line
from tests.bench.nights.night_run import NightRun
from tests.bench.nights.night_script import BED, KINDS, MINUTE, draw
from tests.bench.nights.wrong_builds import WRONG_BUILDS, Build

SEED_STEP = 100_000
"""Nights of one seed: night n of seed s is drawn from s * SEED_STEP + n."""


def worst_in(times: list[float], seconds: float) -> int:
    """Most of these times in any window of this length."""
    ordered = sorted(times)
    return max((sum(1 for t in ordered if a <= t < a + seconds) for a in ordered), default=0)


def clock(seconds: float) -> str:
    whole = int(seconds + START_HOUR * HOUR) % 86400
    return f"{whole // 3600:02d}:{whole % 3600 // 60:02d}"


@dataclass(frozen=True)
class Bar:
    """One line of the table."""

    name: str
    asked: str
    got: str
    met: bool


def bars(nights: list[Night]) -> list[Bar]:
    """Every bar. A second call soon after the first counts as a wake of its own unless the oracle holds it to be for a
    distinctly worse hazard; those are shown beside the bar."""
    calls = sum(t.time >= BED for n in nights for t in n.calls)
    missed = sum(len(n.verdict.missed) for n in nights)
    needs = [need for n in nights for need in n.verdict.needs]
    musts = sum(need.must_by is not None for need in needs)
    false = sum(len(n.false) for n in nights)
    healthy = [
        sum(not rule_by_id(t.alarms[0].partition("/")[0]).prompt for t in n.calls if t.time >= BED)
        for n in nights
        if n.kind == "uneventful"
    ]
    possible = [lead for n in nights for lead, allowed in n.verdict.leads if allowed]
    kept = sum(lead >= 22.0 for lead in possible)
    wakes = max((worst_in([t.time for t in n.calls if t.time not in n.worse], 600.0) for n in nights), default=0)
    worse = sum(len(n.worse) for n in nights)
    notices = max((worst_in(n.notices, 600.0) for n in nights), default=0)
    chatter = sum(
        worst_in([t for t, key in n.raised if key == alarm], 600.0) >= 3
        for n in nights
        for alarm in {key for _, key in n.raised}
    )
    middle, p95 = (float(np.median(healthy)), float(np.percentile(healthy, 95))) if healthy else (0.0, 0.0)
    share = kept / len(possible) if possible else 1.0
    lost, doubled, hollow = (sum(getattr(n, name) for n in nights) for name in ("lost", "doubled", "hollow"))
    many, third = len(nights), len(healthy) / len(nights)
    return [
        Bar(
            "must-wake missed",
            "0",
            f"{missed} in {many} nights, {len(needs)} needs, {musts} near asleep; <= {rate_bound(missed, many):.2%} a night",
            missed == 0,
        ),
        Bar(
            "false wakes a night",
            "<= 0.1",
            f"{false / many:.3f} ({false} of {calls} calls); <= {rate_bound(false, many):.3f}",
            false <= 0.1 * many,
        ),
        Bar("abnormal wakes, uneventful night: median", "0", f"{middle:.1f} ({len(healthy)} nights)", middle == 0),
        Bar("abnormal wakes, uneventful night: P95", "<= 1", f"{p95:.1f} (most {max(healthy, default=0)})", p95 <= 1),
        Bar(
            "fire wakes with lead >= 22 min, if possible",
            ">= 95 %",
            f"{share:.1%} of {len(possible)}; >= {at_least(kept, len(possible)):.1%}",
            share >= 0.95,
        ),
        Bar("wake calls in any 10 min", "<= 1", f"{wakes}, and {worse} for a distinctly worse hazard", wakes <= 1),
        Bar("notices in any 10 min", "<= 2", f"{notices}", notices <= 2),
        Bar("chattering alarms (3 raises in 10 min)", "0", f"{chatter}", chatter == 0),
        Bar("alarms lost or changed over a restart", "0", f"{lost}", lost == 0),
        Bar("message ids used twice", "0", f"{doubled}", doubled == 0),
        Bar("wakes about nothing that stands", "0", f"{hollow}", hollow == 0),
        Bar("uneventful nights", ">= 1/3", f"{third:.1%}", third >= 1 / 3 or len({n.kind for n in nights}) == 1),
    ]


def table(nights: list[Night]) -> bool:
    """Print the bars. True when all are met."""
    kinds = Counter(need.kind for n in nights for need in n.verdict.needs)
    print("needs: " + ", ".join(f"{count} {kind}" for kind, count in kinds.most_common()))
    rows = bars(nights)
    for bar in rows:
        print(f"{'ok  ' if bar.met else 'MISS'} {bar.name:46} bar {bar.asked:8} got {bar.got}")
    return all(bar.met for bar in rows)


def details(night: Night) -> Iterator[str]:
    """One line for each missed must-wake, false wake and short lead."""
    for need in night.verdict.missed:
        assert need.must_by is not None
        called = [f"{t.alarms[0]} {clock(t.time)}" for t in night.told if abs(t.time / MINUTE - need.must_by) < 60]
        yield (
            f"MISSED night {night.seed} {night.kind}: {need.kind} from {clock(need.opens * MINUTE + 60)}, "
            f"must by {clock(need.must_by * MINUTE + 60)}; told near it: {', '.join(called) or 'nothing'}"
        )
    for first, second in pairwise(night.calls):
        if second.time - first.time < 600.0:
            told = f"{clock(first.time)} {first.alarms}, {clock(second.time)} {second.alarms}"
            yield f"{'WORSE ' if second.time in night.worse else 'CLOSE '} night {night.seed} {night.kind}: {told}"
    for call in night.false:
        yield f"FALSE  night {night.seed} {night.kind}: {clock(call.time)} {call.alarms}: {call.text}"
    for lead, possible in night.verdict.leads:
        if possible and lead < 22.0:
            yield f"SHORT  night {night.seed} {night.kind}: a call {lead:.0f} min before the fire left its band"
    if night.lost or night.doubled or night.hollow:
        yield f"BROKEN night {night.seed} {night.kind}: {night.lost} lost, {night.doubled} doubled, {night.hollow} hollow"


def live_one(kind: str, seed: int, build: Build | None = None) -> Night:
    build = build or Build()
    with build.in_force():
        run = NightRun(draw(kind, np.random.default_rng([seed, 1])), seed, build)
        run.run()
        return run.outcome()


def numbered(number: int, seed: int, kind: str | None, wrong: str | None) -> Night:
    """One night of many; what a worker process is asked for."""
    build = WRONG_BUILDS[wrong] if wrong else None
    return live_one(kind or KINDS[number % len(KINDS)], seed * SEED_STEP + number, build)


def many(asked: argparse.Namespace, done: list[Night]) -> Iterator[Night]:
    """The nights that are not done yet, as they come out of the workers."""
    known = {night.seed for night in done}
    todo = [n for n in range(asked.nights) if asked.seed * SEED_STEP + n not in known]
    one = partial(numbered, seed=asked.seed, kind=asked.kind, wrong=asked.wrong_build)
    if asked.jobs == 1:
        yield from map(one, todo)
        return
    with get_context("spawn").Pool(asked.jobs) as pool:
        yield from pool.imap_unordered(one, todo)


def found_out() -> bool:
    """Live the nights that show each wrong build and print which bar finds it. True when each misses its own."""
    all_found = True
    for name, build in WRONG_BUILDS.items():
        nights = [numbered(n, build.seed, build.kind, name) for n in range(build.nights)]
        missed = [bar for bar in bars(nights) if not bar.met]
        found = any(bar.name == build.bar for bar in missed)
        all_found &= found
        also = ", ".join(bar.name for bar in missed if bar.name != build.bar)
        print(
            f"{'found ' if found else 'UNSEEN'} {name:10} by: {build.bar}{'; also ' + also if also else ''}", flush=True
        )
    return all_found


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wrong-build", choices=sorted(WRONG_BUILDS), help="break the watch: the bench must fail")
    parser.add_argument("--wrong-builds", action="store_true", help="every wrong build, each on nights that show it")
    parser.add_argument("--kind", choices=sorted(set(KINDS)), help="only nights of this kind")
    parser.add_argument("--jobs", type=int, default=1, help="worker processes")
    parser.add_argument("--out", type=Path, help="write each night as a line of JSON")
    parser.add_argument("--resume", action="store_true", help="go on from the nights that --out already holds")
    asked = parser.parse_args(arguments)
    if asked.wrong_builds:
        return 0 if found_out() else 1
    nights: list[Night] = []
    if asked.resume and asked.out and asked.out.exists():
        whole = [line for line in asked.out.read_text().splitlines(keepends=True) if line.endswith("\n")]
        nights = [from_line(line) for line in whole]
        asked.out.write_text("".join(whole))
    elif asked.out:
        asked.out.write_text("")
    for night in many(asked, nights):
        nights.append(night)
        if asked.out:
            with asked.out.open("a") as lines:
                lines.write(to_line(night) + "\n")
        for line in details(night):
            print(line, flush=True)
    nights.sort(key=lambda night: night.seed)
    used = [resource.getrusage(who).ru_utime for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    counts = Counter(n.kind for n in nights)
    print(
        f"{len(nights)} nights, seed {asked.seed}, {sum(used):.0f} s of CPU; "
        + ", ".join(f"{c} {k}" for k, c in counts.items())
    )
    met = table(nights)
    print("all bars met" if met else "a bar was missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
