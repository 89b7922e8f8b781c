"""Nights in worlds that the judge never saw: with the program, by the alarm clock, with nobody, and with an oracle, side by side.

    python -m tests.bench.fire.learn_fire                          # once: the models that were learned without each world
    python -m tests.bench.nights.bench_world_nights --nights 4     # the table; the seed is printed
    python -m tests.bench.nights.bench_world_nights --only program --nights 200 --slice 0/5 --out nights.jsonl
    python -m tests.bench.nights.bench_world_nights --read nights.jsonl      # the table of what several slices wrote
    python -m tests.bench.nights.bench_world_nights --stress fell moved shaded lid-left-open shower fire-dies nothing-marked

The cooks come when they are called, 3 to 22 min later, and sleep otherwise, from the fourth hour to half past the eleventh.
Missed and false are what `night_oracle` says of the program's wakes; an alarm clock says nothing that could be false.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from daemon.wiring.learned import learned
from tests.bench.fire.learn_fire import CACHE, model_without
from tests.bench.nights.night_oracle import rate_bound
from tests.bench.nights.world_nights import AlarmClock, Caller, Nobody, Oracle, WorldNight, lived
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.marks import Marks
from tests.worlds.night import STRESSES

SEED = 20261127
BATCH = 8
"""Pits of one world that are lived through side by side."""
CONTESTANTS: dict[str, Callable[[], Caller]] = {
    "oracle": Oracle,
    "clock 45": lambda: AlarmClock(45),
    "clock 90": lambda: AlarmClock(90),
    "nobody": Nobody,
}
PROGRAM = "program"


@dataclass(frozen=True)
class Row:
    """One night of one contestant, as a line of JSON."""

    who: str
    world: str
    stress: str
    seed: int
    number: int
    wakes: int
    in_band: float
    longest: float
    lost: bool
    needs: int = 0
    missed: int = 0
    false: int = 0
    which: tuple[str, ...] = ()
    """What was missed or false, in words."""


def row_of(who: str, stress: str, night: WorldNight) -> Row:
    verdict, which = night.verdict, []
    if verdict is not None:
        refused = [int(w.minute) for w in verdict.false]
        told = zip(night.calls, night.rules, night.texts, night.left, strict=True)
        which = [f"false {m}: {rule}: {text} ({left:.0f} min left)" for m, rule, text, left in told if m in refused]
        which += [f"missed {need.kind} from {need.opens}, must by {need.must_by}" for need in verdict.missed]
    return Row(
        who, night.world, stress, night.seed, night.number, night.wakes, round(night.in_band, 4), round(night.longest, 3),
        night.lost, 0 if verdict is None else sum(n.must_by is not None for n in verdict.needs),
        0 if verdict is None else len(verdict.missed), 0 if verdict is None else len(verdict.false), tuple(which),
    )  # fmt: skip


def batches(asked: argparse.Namespace) -> Iterator[tuple[str, int, int]]:
    """(world, seed, pits) of this slice: a world's nights are numbered through, whatever is run beside them."""
    part, parts = (int(n) for n in asked.slice.split("/"))
    for first in range(0, asked.nights, BATCH):
        for at, world in enumerate(asked.worlds):
            if (first // BATCH * len(asked.worlds) + at) % parts == part:
                yield world, asked.seed + first // BATCH, min(BATCH, asked.nights - first)


def rows(asked: argparse.Namespace) -> Iterator[Row]:
    for stress in asked.stress:
        for world, seed, n in batches(asked):
            for who in asked.only:
                caller: Any = CONTESTANTS[who]() if who in CONTESTANTS else model(asked.cache, world)
                for night in lived(world, seed, n, caller, Marks(asked.marks), None if stress == "none" else stress):
                    yield row_of(who, stress, night)


def model(cache: Path, world: str) -> object:
    try:
        return model_without(cache, world)
    except OSError:
        print(f"no model learned without {world} in {cache}: the shipped one, which knows it, is used", file=sys.stderr)
        return learned().fire


def table(found: list[Row]) -> None:
    """Per stress and world the worst world of the program first, then all pooled."""
    for stress in dict.fromkeys(r.stress for r in found):
        mine = [r for r in found if r.stress == stress]
        print(f"\n{'' if stress == 'none' else stress + ': '}worst world first, then all pooled")
        heads = ("nights", 7), ("in band", 9), ("wakes", 7), ("h asleep", 10), ("lost", 6), ("missed", 8), ("false", 7)
        print(" " * 28 + "".join(f"{name:>{width}}" for name, width in heads) + "   false a night")
        worlds = dict.fromkeys(r.world for r in mine)
        for who in dict.fromkeys(r.who for r in mine):
            own = [r for r in mine if r.who == who]
            parts = {w: [r for r in own if r.world == w] for w in worlds}
            for world in sorted(worlds, key=lambda w: np.mean([r.in_band for r in parts[w]])):
                _show(f"{who}, {world}", parts[world], who == PROGRAM)
            _show(f"{who}, pooled", own, who == PROGRAM)


def _show(name: str, part: list[Row], judged: bool) -> None:
    wakes, asleep, band = (float(np.mean([getattr(r, key) for r in part])) for key in ("wakes", "longest", "in_band"))
    missed, false, n = sum(r.missed for r in part), sum(r.false for r in part), len(part)
    verdict = (
        f"{f'{missed}/{sum(r.needs for r in part)}':>8}{false:>7}   {false / n:.2f} (<= {rate_bound(false, n):.2f})"
    )
    print(
        f"  {name:26}{n:>7}{band:>9.0%}{wakes:>7.1f}{asleep:>10.1f}{sum(r.lost for r in part):>6}{verdict if judged else ''}",
        flush=True,
    )


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--nights", type=int, default=8, help="of each world")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--worlds", nargs="*", default=list(FIRE_WORLDS), choices=list(FIRE_WORLDS))
    parser.add_argument("--only", nargs="*", default=[PROGRAM, *CONTESTANTS], choices=[PROGRAM, *CONTESTANTS])
    parser.add_argument("--marks", default="all", choices=[str(m) for m in Marks])
    parser.add_argument("--stress", nargs="*", default=["none"], choices=["none", *STRESSES])
    parser.add_argument("--slice", default="0/1", help="k/n: every n-th batch, from the k-th")
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--out", type=Path, help="append each night as a line of JSON")
    parser.add_argument("--read", type=Path, help="only show the table of what --out wrote")
    parser.add_argument("--which", action="store_true", help="name each wake that was missed or false")
    asked = parser.parse_args(arguments)
    if asked.read:
        table([Row(**json.loads(line)) for line in asked.read.read_text().splitlines()])
        return 0
    print(f"seed {asked.seed}, slice {asked.slice}, marked: {asked.marks}", flush=True)
    found: list[Row] = []
    for row in rows(asked):
        found.append(row)
        if asked.out:
            with asked.out.open("a") as lines:
                lines.write(json.dumps(asdict(row)) + "\n")
        if asked.which and row.which:
            print(f"{row.stress} {row.world} {row.seed} {row.number}: {'; '.join(row.which)}", flush=True)
    table(found)
    kinds = Counter(word.split(": ")[1] for r in found for word in r.which if word.startswith("false"))
    print("false by alarm: " + (", ".join(f"{n} {kind}" for kind, n in kinds.most_common()) or "none"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
