"""What a new pit gains from pits that are built like it: the error of its log due in its first two fires, with and without.

    python -m tests.bench.fire.learn_fire && python -m tests.bench.fire.bench_pooled

Each world of tests/worlds is examined with the model that was learned without it. A class is a pit of that world, and others
moved by `--apart` of the way from it to another pit of the world, in logarithms: built alike, not the same. TEACHERS of a class
have cooked once; NEW have never. Nothing of the new ones is in the prior. Truth as in `strangers`: the world run on from that
minute with nobody coming. Judged are the minutes up to the second fire of its own that a pit has learned from, with at most an
hour and a half left, for the same minutes of the same pits.
"""

from __future__ import annotations

import argparse
import time
import zlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.core.pit.exit_model import MIDDLE
from daemon.core.pit.fire import FireWatch
from daemon.core.pit_profile import ClassFigure
from daemon.core.settings import Band
from daemon.shell.fleet.pooling import Lesson, class_figures, lessons_of
from tests.bench.fire.fire_cooks import FireCook, truth_at, watched
from tests.bench.fire.learn_fire import CACHE, model_without
from tests.worlds.fire.proving import pits_of, proven
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, Lanes, take
from tests.worlds.marks import Marks, draw_marking
from tests.worlds.night import Night, draw_night
from tests.worlds.unfed import unfed

SEED = 20261128
TEACHERS, NEW = 6, 4
"""Pits of a class that have cooked, and that have not."""
DRAWN = 3
"""Pits drawn for one that is proven."""
HOURS = 9.0
JUDGED_UNTIL = 330
"""min of a new pit's first cook that are followed."""
EVERY = 3
"""min between truths."""
NEAR = 90.0
"""min left, beyond which nobody plans."""
FIRES = 2
RESAMPLED = 2000

Told = list[tuple[float, float, float, float, float]]
"""(own fires known, true min left, 5 %, 50 % and 95 % as said)."""


def classes_of(world: str, seed: int, classes: int, apart: float) -> Lanes:
    """classes x (TEACHERS + NEW) proven pits, class by class."""
    size = TEACHERS + NEW
    rng = np.random.default_rng([seed, zlib.crc32(world.encode())])
    centres = pits_of(FIRE_WORLDS[world], seed, classes)
    others = pits_of(FIRE_WORLDS[world], seed + 1, classes * size * DRAWN)
    which = np.repeat(np.arange(classes), size * DRAWN)
    share = apart * rng.uniform(0.5, 1.5, len(which))
    moved = {key: between(value[..., which], others[key], share) for key, value in centres.items()}
    moved["low"], moved["high"] = np.round(moved["low"]), np.round(moved["high"])
    found, good = proven(FIRE_WORLDS[world], moved)
    kept = [np.flatnonzero(good & (which == one))[:size] for one in range(classes)]
    whole = [one for one in kept if len(one) == size]
    return take(found, np.concatenate(whole))


def between(
    one: npt.NDArray[np.float64], other: npt.NDArray[np.float64], share: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Part of the way from one to the other, in logarithms where both have them."""
    there = (one > 0) & (other > 0)
    logs = np.exp(np.log(np.where(there, one, 1.0)) * (1 - share) + np.log(np.where(there, other, 1.0)) * share)
    found: npt.NDArray[np.float64] = np.where(there, logs, one * (1 - share) + other * share)
    return found


def cook_of(night: Night, world: str, pit: int, marks: Marks, seed: int, left: npt.NDArray[np.float64] | None,
            minutes: npt.NDArray[np.float64]) -> FireCook:  # fmt: skip
    """left: (probes, minutes) until what each probe stands at leaves the band; None for a pit that only teaches."""
    count = int(night.probes.count[pit])
    steps = night.steps if left is None else min(night.steps, JUDGED_UNTIL * PER_MINUTE)
    made = tuple(m for m in draw_marking(seed, night.pits, marks).of(night, pit) if m.minute < steps // PER_MINUTE)
    logs = np.array([log.step / PER_MINUTE for log in night.logs if log.pit == pit and log.step < steps])
    truth = np.zeros_like(minutes) if left is None else np.exp(np.log(left[:count] + 3.0).mean(axis=0)) - 3.0
    return FireCook(
        world, pit, Band(float(night.nature["low"][pit]), float(night.nature["high"][pit])),
        night.shown[:count, :steps, pit].astype(float), None, made, logs, minutes, truth, truth,
        float(night.meat_on[pit]) / PER_MINUTE,
    )  # fmt: skip


def followed(cook: FireCook, watch: FireWatch) -> Told:
    """Every EVERY min from the meat on."""
    found: Told = []

    def each(minute: int, watch: FireWatch, _pit: float) -> None:
        forecast = watch.exit.forecast
        if minute % EVERY == 0 and minute > cook.meat_on and forecast is not None:
            left = truth_at(cook, minute)
            if left > 0.0:
                said = [max(0.0, (at - minute * 60.0) / 60.0) for at in forecast.exits]
                found.append((len(watch.exit.habits.fires), left, said[0], said[MIDDLE], said[-1]))

    watched(cook, watch, each)
    return found


def world_told(
    cache: Path, world: str, seed: int, classes: int, apart: float, marks: Marks
) -> tuple[list[Told], list[Told]]:
    """By pit, the same minutes of the same pits, without the class and with it."""
    model = model_without(cache, world)
    size = TEACHERS + NEW
    nature = classes_of(world, seed, classes, apart)
    pits = len(nature["set"])
    night = draw_night(FIRE_WORLDS[world], seed, pits, hours=HOURS, obeys=False, save_every=EVERY, nature=nature).run()
    night.saved = [one for one in night.saved if one.step < JUDGED_UNTIL * PER_MINUTE]
    truth = unfed(night, cap=180)
    minutes = truth.minute.astype(float)
    lessons: dict[str, list[Sequence[Lesson]]] = {}
    for pit in range(pits):
        if pit % size < TEACHERS:
            watch = FireWatch(model)
            watched(cook_of(night, world, pit, marks, seed, None, minutes), watch, lambda *_: None)
            lessons.setdefault(str(pit // size), []).append(lessons_of(watch.learned()))
    figures = class_figures(lessons)
    without: list[Told] = []
    with_class: list[Told] = []
    for pit in range(pits):
        if pit % size >= TEACHERS:
            cook = cook_of(night, world, pit, marks, seed, truth.seen[:, :, pit], minutes)
            without.append(followed(cook, FireWatch(model)))
            with_class.append(followed(cook, taught(FireWatch(model), figures[str(pit // size)])))
    return without, with_class


def taught(watch: FireWatch, figures: tuple[ClassFigure, ...]) -> FireWatch:
    watch.exit.habits.use_class(figures)
    return watch


def held(told: Told) -> tuple[int, int]:
    """Truths inside the 90 % interval and all of them, in a pit's first fires."""
    rows = [one for one in told if one[0] < FIRES and one[1] <= NEAR]
    return sum(low <= left <= high for _, left, low, _, high in rows), len(rows)


def more_held(without: list[Told], with_class: list[Told]) -> tuple[float, float, float]:
    """By how much the share held is greater with the class, and where nine of ten resamplings of the pits put that: minutes of
    one pit err together (Efron 1979, Bootstrap methods: another look at the jackknife, Annals of Statistics 7:1-26)."""
    counts = np.array([(*held(one), *held(other)) for one, other in zip(without, with_class, strict=True)])
    drawn = np.random.default_rng(SEED).integers(0, len(counts), (RESAMPLED, len(counts)))
    sums = np.vstack([counts.sum(axis=0), counts[drawn].sum(axis=1)])
    shares = sums[:, 2] / sums[:, 3] - sums[:, 0] / sums[:, 1]
    low, high = np.quantile(shares[1:], (0.05, 0.95))
    return float(shares[0]), float(low), float(high)


def row(told: Told, own: tuple[int, int]) -> tuple[float, float, float, float, int]:
    """Of minutes in which own[0] to own[1] fires were known: mean error, min; its mean in logarithms; share of truths in the
    90 % interval; the interval's median width, min; minutes."""
    rows = np.array([one for one in told if own[0] <= one[0] <= own[1] and one[1] <= NEAR])
    _, left, low, middle, high = rows.T
    logs = np.abs(np.log(np.minimum(middle, 180) + 3) - np.log(left + 3))
    inside = (low <= left) & (left <= high)
    return (
        float(np.abs(np.minimum(middle, 180) - left).mean()), float(logs.mean()), float(inside.mean()),
        float(np.median(high - low)), len(rows),
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--classes", type=int, default=8, help="of each world")
    parser.add_argument("--apart", type=float, default=0.25, help="share of the way to another pit of the world")
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--marks", default="all", choices=[str(m) for m in Marks])
    parser.add_argument("--worlds", nargs="*", default=list(FIRE_WORLDS), choices=list(FIRE_WORLDS))
    arguments = parser.parse_args()
    print(
        f"{'world':10} {'own fires':>9} {'':8} {'error, min':>10} {'in logs':>8} {'in 90 %':>8} {'width':>6} {'n':>6}"
    )
    all_told: tuple[list[Told], list[Told]] = ([], [])
    for world in (*arguments.worlds, "all"):
        began = time.process_time()
        told = all_told
        if world != "all":
            told = world_told(
                arguments.cache, world, arguments.seed, arguments.classes, arguments.apart, Marks(arguments.marks)
            )
            all_told[0].extend(told[0])
            all_told[1].extend(told[1])
        for name, own in (("0 and 1", (0, FIRES - 1)), ("2 and more", (FIRES, 99))):
            for label, one in (("without", told[0]), ("with", told[1])):
                error, logs, inside, width, count = row([minute for pit in one for minute in pit], own)
                print(
                    f"{world:10} {name:>9} {label:8} {error:10.2f} {logs:8.3f} {inside:8.2f} {width:6.0f} {count:6}",
                    flush=True,
                )
        more, low, high = more_held(*told)
        print(f"{world:10} {'0 and 1':>9} more held with it: {more:+.3f} ({low:+.3f} to {high:+.3f} by pits)")
        print(f"           {time.process_time() - began:.0f} s", flush=True)


if __name__ == "__main__":
    main()
