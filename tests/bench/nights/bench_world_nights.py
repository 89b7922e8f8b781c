"""Nights in worlds that the judge never saw: with the program, by the alarm clock, with nobody, and with an oracle, side by side.

    python -m tests.bench.fire.learn_fire                          # once: the models that were learned without each world
    python -m tests.bench.nights.bench_world_nights --nights 15    # the table; the seed is printed
    python -m tests.bench.nights.bench_world_nights --only program --nights 1000 --slice 0/5 --out nights.jsonl
    python -m tests.bench.nights.bench_world_nights --read nights.jsonl      # the table of what several slices wrote
    python -m tests.bench.nights.bench_world_nights --stress all --nights 15

A night lies in one of the fire worlds with meat of one of the meat worlds, dealt in turn. The cooks come when they are called, 3
to 22 min later, and sleep otherwise, from the fourth hour to half past the eleventh. `--out` holds each night as it is done: the
same command goes on from there. Missed and false are what `night_oracle` says of the wakes; who rings without a word is taken to
look at pit and meat alike. Beside false: the interval of 90 % by drawing nights anew; with none, the one-sided bound of 95 %.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from math import isnan, nan
from pathlib import Path
from typing import Any

import numpy as np

from daemon.wiring.learned import learned
from tests.bench.fire.learn_fire import CACHE, model_without
from tests.bench.nights.night_callers import AlarmClock, Caller, Nobody, Oracle
from tests.bench.nights.night_oracle import rate_bound
from tests.bench.nights.world_nights import WorldNight, lived
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.marks import Marks
from tests.worlds.meats import MEAT_WORLDS
from tests.worlds.night import STRESSES

SEED = 20261127
BATCH = 4
"""Pits of one world that are lived through side by side."""
DRAWN_ANEW = 1000
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
    meat: str
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
    told: tuple[str, ...] = ()
    """Every call that was opened: minute of the night and rule."""

    @property
    def key(self) -> tuple[str, str, str, int, int]:
        return self.who, self.world, self.stress, self.seed, self.number


def row_of(who: str, stress: str, night: WorldNight) -> Row:
    verdict = night.verdict
    refused = [int(w.minute) for w in verdict.false]
    told = zip(night.calls, night.rules, night.texts, night.left, strict=True) if night.texts else ()
    which = [f"false {m}: {rule}: {text} ({left:.0f} min left)" for m, rule, text, left in told if m in refused]
    which += [f"missed {need.kind} from {need.opens}, must by {need.must_by}" for need in verdict.missed]
    return Row(
        who, night.world, night.meat, stress, night.seed, night.number, night.wakes, round(night.in_band, 4),
        round(night.longest, 3), night.lost, sum(n.must_by is not None for n in verdict.needs), len(verdict.missed),
        len(verdict.false), tuple(which), tuple(f"{m} {rule}" for m, rule in zip(night.calls, night.rules, strict=False)),
    )  # fmt: skip


@dataclass(frozen=True)
class Batch:
    """Pits of one world that are lived through side by side."""

    world: str
    meat: str
    seed: int
    pits: int


def batches(nights: int, worlds: list[str], seed: int, part: int = 0, parts: int = 1) -> Iterator[Batch]:
    """The part of so many parts of `nights` nights, spread evenly over the fire worlds and, dealt in turn, the meat worlds."""
    meats = list(MEAT_WORLDS)
    number = done = 0
    while done < nights:
        pits = min(BATCH, max(1, nights // len(worlds)), nights - done)
        turn, at = divmod(number, len(worlds))
        if number % parts == part:
            yield Batch(worlds[at], meats[(turn + at) % len(meats)], seed + turn, pits)
        number, done = number + 1, done + pits


def rows(asked: argparse.Namespace, known: set[tuple[str, str, str, int, int]]) -> Iterator[list[Row]]:
    """Batch by batch, but for those that are known already."""
    part, parts = (int(n) for n in asked.slice.split("/"))
    for batch in batches(asked.nights, asked.worlds, asked.seed, part, parts):
        for stress in asked.stress:
            for who in asked.only:
                if all((who, batch.world, stress, batch.seed, n) in known for n in range(batch.pits)):
                    continue
                caller: Any = CONTESTANTS[who]() if who in CONTESTANTS else model(asked.cache, batch.world)
                lives = lived(batch.world, batch.seed, batch.pits, caller, Marks(asked.marks),
                              None if stress == "none" else stress, batch.meat)  # fmt: skip
                yield [row_of(who, stress, night) for night in lives]


def model(cache: Path, world: str) -> object:
    try:
        return model_without(cache, world)
    except OSError:
        print(f"no model learned without {world} in {cache}: the shipped one, which knows it, is used", file=sys.stderr)
        return learned().fire


def table(found: list[Row]) -> None:
    """Per stress and contestant the worst world first (of fire, then of meat), then all pooled."""
    for stress in dict.fromkeys(r.stress for r in found):
        mine = [r for r in found if r.stress == stress]
        print(f"\n{'' if stress == 'none' else stress + ': '}worst world first, then all pooled")
        heads = ("nights", 7), ("in band", 9), ("wakes", 7), ("h asleep", 10), ("lost", 6), ("missed", 12), ("false", 7)
        print(" " * 30 + "".join(f"{name:>{width}}" for name, width in heads) + "   false a night")
        for who in dict.fromkeys(r.who for r in mine):
            own = [r for r in mine if r.who == who]
            for key in ("world", "meat"):
                if key == "meat" and who != PROGRAM:
                    continue
                parts = [[r for r in own if getattr(r, key) == w] for w in dict.fromkeys(getattr(r, key) for r in own)]
                for part in sorted(parts, key=badness, reverse=True):
                    _show(f"{who}, {getattr(part[0], key)}", part)
            _show(f"{who}, pooled", own)


def badness(part: list[Row]) -> tuple[float, float]:
    """Needs missed a night, then false wakes a night."""
    return sum(r.missed for r in part) / len(part), sum(r.false for r in part) / len(part)


def interval(part: list[Row]) -> str:
    """Of the false wakes a night: nights of one pit come with several, so whole nights are drawn anew."""
    false = np.array([r.false for r in part])
    if not false.any():
        return f"<= {rate_bound(0, len(part)):.2f}"
    rng = np.random.default_rng(1)
    means = false[rng.integers(0, len(false), (DRAWN_ANEW, len(false)))].mean(axis=1)
    low, high = np.percentile(means, [5, 95])
    return f"{low:.2f} to {high:.2f}"


def _show(name: str, part: list[Row]) -> None:
    wakes, asleep = (float(np.mean([getattr(r, key) for r in part])) for key in ("wakes", "longest"))
    bands = [r.in_band for r in part if not isnan(r.in_band)]
    band = float(np.mean(bands)) if bands else nan
    missed, false, n = sum(r.missed for r in part), sum(r.false for r in part), len(part)
    print(
        f"  {name:28}{n:>7}{band:>9.0%}{wakes:>7.1f}{asleep:>10.1f}{sum(r.lost for r in part):>6}"
        f"{f'{missed}/{sum(r.needs for r in part)}':>12}{false:>7}   {false / n:.2f} ({interval(part)})",
        flush=True,
    )


def kept(path: Path) -> list[Row]:
    """What was written; a line that was broken off is cut away, so that the next run makes it anew."""
    whole = [line for line in path.read_text().splitlines(keepends=True) if line.endswith("\n")]
    path.write_text("".join(whole))
    plain: list[dict[str, Any]] = [json.loads(line) for line in whole]
    return [Row(**{**p, "which": tuple(p["which"]), "told": tuple(p["told"])}) for p in plain]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--nights", type=int, default=15, help="of each contestant, over all worlds")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--worlds", nargs="*", default=list(FIRE_WORLDS), choices=list(FIRE_WORLDS))
    parser.add_argument("--only", nargs="*", default=[PROGRAM, *CONTESTANTS], choices=[PROGRAM, *CONTESTANTS])
    parser.add_argument("--marks", default="all", choices=[str(m) for m in Marks])
    parser.add_argument("--stress", nargs="*", default=["none"], choices=["none", "all", *STRESSES])
    parser.add_argument("--slice", default="0/1", help="k/n: every n-th batch, from the k-th")
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--out", type=Path, help="append each night as a line of JSON, and pass over what it holds")
    parser.add_argument("--read", type=Path, help="only show the table of what --out wrote")
    parser.add_argument("--which", action="store_true", help="name each wake that was missed or false")
    asked = parser.parse_args(arguments)
    if asked.read:
        table(kept(asked.read))
        return 0
    if "all" in asked.stress:
        asked.stress = ["none", *STRESSES]
    print(f"seed {asked.seed}, slice {asked.slice}, marked: {asked.marks}", flush=True)
    found = kept(asked.out) if asked.out and asked.out.exists() else []
    for batch in rows(asked, {r.key for r in found}):
        found += batch
        if asked.out:
            with asked.out.open("a") as lines:
                lines.write("".join(json.dumps(asdict(row)) + "\n" for row in batch))
        for row in batch:
            if asked.which and row.which:
                print(
                    f"{row.stress} {row.world} {row.meat} {row.seed} {row.number}: {'; '.join(row.which)}", flush=True
                )
    table(found)
    told = [r for r in found if r.who == PROGRAM]
    kinds = Counter(word.split(": ")[1] for r in told for word in r.which if word.startswith("false"))
    print("false by alarm: " + (", ".join(f"{n} {kind}" for kind, n in kinds.most_common()) or "none"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
