"""Recorded fires of the worlds in tests/worlds, with the truth beside them, and how the fire watch is fed with one.

A recording is a night of many pits, run by cooks who do not come when called, and from each second minute run on with nobody
coming. Recordings are kept as files in a cache directory, for they take longer to make than to read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import isnan, nan
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.fire import FireWatch
from daemon.core.readings.control_value import ControlValue
from daemon.core.settings import Band
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, STEP
from tests.worlds.marks import MarkMade, Marks, draw_marking
from tests.worlds.night import draw_night
from tests.worlds.unfed import unfed

Floats = npt.NDArray[np.float64]
HOURS = 12.0
FIRE_MARKS = {"fire-lit", "log", "lid-open", "lid-closed", "damper"}
CHANNELS = ("left", "right")
STEPS_OF_AMPLIFIER = 4
"""A reading is a multiple of 1/4 °C."""

NEAR = 20.0
"""°C under the band down to which a pit is said to be near it."""
LEAST_PACE, MOST_PACE, MOST_SWING = 0.5, 2.5, 1.7
"""Between which factors pits are varied."""


@dataclass(frozen=True)
class FireCook:
    """One pit of a recording, perhaps stretched in time. shown: what each pit probe says, (channels, steps), °C.

    logs: minutes at which wood truly went in. left, air_left: minutes until what the probes stand at, and the true air,
    leave the band at the bottom if nobody comes, at each of `minutes`. meat_on: minute."""

    world: str
    number: int
    band: Band
    shown: Floats
    ambient: Floats | None
    marks: tuple[MarkMade, ...]
    logs: Floats
    minutes: Floats
    left: Floats
    air_left: Floats
    meat_on: float

    @property
    def length(self) -> int:
        """Whole minutes."""
        return int(self.shown.shape[1] // PER_MINUTE)


def recording(
    cache: Path, world: str, seed: int, n: int, *, every: int = 2, stress: str | None = None
) -> dict[str, Floats]:
    """The arrays of one recorded night, from the cache if it is there. every: minutes from truth to truth."""
    path = cache / f"{world}-{seed}-{n}-{every}-{stress or 'plain'}.npz"
    if not path.exists():
        night = draw_night(FIRE_WORLDS[world], seed, n, hours=HOURS, obeys=False, stress=stress, save_every=every)
        night.run()
        truth = unfed(night)
        marks = [
            (pit, list(Marks).index(policy), mark.minute, sorted(FIRE_MARKS | {"meat-on"}).index(mark.text))
            for policy in Marks
            for marking in [draw_marking(seed, n, policy)]
            for pit in range(n)
            for mark in marking.of(night, pit)
        ]
        cache.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(
            path, seen=night.seen.astype("f4"), shown=night.shown.astype("f4"), sd=night.probes.values["sd"],
            count=night.probes.count, ambient=night.weather.ambient[: night.steps].astype("f4"), low=night.nature["low"],
            high=night.nature["high"], logs=np.array([(log.step, log.pit) for log in night.logs], dtype=float).reshape(-1, 2),
            lid=night.lid.astype("i1"), minute=truth.minute, air=truth.air.astype("f4"), left=truth.seen.astype("f4"),
            meat_on=night.meat_on, astray=night.probes.values["from"] / PER_MINUTE,
            marks=np.array(marks, dtype=float).reshape(-1, 4),
        )  # fmt: skip
    with np.load(path) as arrays:
        return dict(arrays)


def fire_cook(
    night: dict[str, Floats],
    world: str,
    number: int,
    marks: Marks,
    stretch: float,
    rng: np.random.Generator,
    *,
    swing: float = 1.0,
) -> FireCook:
    """One pit of a recording. stretch: factor on all its times; swing: factor on the band and on what the pit moves in it and
    near it. The noise of its probes is drawn anew then. Half of the pits have a probe for the air outside."""
    count = int(night["count"][number])
    shown = night["shown"][:count, :, number].astype(float)
    ambient = night["ambient"][:, number].astype(float)
    steps = shown.shape[1]
    low, high = float(night["low"][number]), float(night["high"][number])
    if (stretch, swing) != (1.0, 1.0):
        at = np.arange(int(steps * stretch)) / stretch
        lost = np.isnan(shown)[:, np.minimum(at.astype(int), steps - 1)]
        seen = np.stack([np.interp(at, np.arange(steps), s) for s in night["seen"][:count, :, number].astype(float)])
        seen = low + np.where(seen > low - NEAR, swing * (seen - low), seen - low - (swing - 1) * NEAR)
        noise = rng.standard_normal(seen.shape) * night["sd"][:count, number][:, None]
        shown = np.round((seen + noise) * STEPS_OF_AMPLIFIER) / STEPS_OF_AMPLIFIER
        shown[lost] = nan
        ambient = np.interp(at, np.arange(steps), ambient)
    words = sorted(FIRE_MARKS | {"meat-on"})
    policy = list(Marks).index(marks)
    made = [MarkMade(m * stretch, words[int(w)]) for pit, p, m, w in night["marks"] if pit == number and p == policy]
    logs = night["logs"][night["logs"][:, 1] == number, 0] / PER_MINUTE
    left = night["left"][:count, :, number].astype(float)
    return FireCook(
        world=world,
        number=number,
        band=Band(low, low + swing * (high - low)),
        shown=shown,
        ambient=ambient if rng.random() < 0.5 else None,
        marks=tuple(made),
        logs=logs * stretch,
        minutes=night["minute"] * stretch,
        left=np.exp(np.log(left + 3.0).mean(axis=0)) * stretch - 3.0 * stretch,
        air_left=night["air"][:, number].astype(float) * stretch,
        meat_on=float(night["meat_on"][number]) / PER_MINUTE * stretch,
    )


def watched(cook: FireCook, watch: FireWatch, each: Callable[[int, FireWatch, float], None]) -> None:
    """The fire watch sees one cook as the engine would show it. each: called after every minute with (minute, watch, pit °C)."""
    control = ControlValue()
    marks = _by_minute(cook)
    names = CHANNELS[: len(cook.shown)]
    for minute in range(1, cook.length + 1):
        now = minute * 60.0
        for kind in marks.get(minute, ()):
            watch.mark(Mark(kind), now - 1.0)
        part = cook.shown[:, (minute - 1) * PER_MINUTE : minute * PER_MINUTE]
        for j in range(PER_MINUTE):
            watch.scan(now - 60.0 + STEP * (j + 1), control.of(_good(names, part[:, j])))
        known = [(name, values[~np.isnan(values)]) for name, values in zip(names, part, strict=True)]
        good = {name: float(np.median(values)) for name, values in known if values.size}
        pit = control.of(good)
        control.minute(good)
        watch.minute(now, pit, cook.band, nan if cook.ambient is None else float(cook.ambient[minute * PER_MINUTE - 1]))
        each(minute, watch, pit)


def _good(names: tuple[str, ...], values: Floats) -> dict[str, float]:
    return {name: float(v) for name, v in zip(names, values, strict=True) if not isnan(v)}


def _by_minute(cook: FireCook) -> dict[int, list[MarkKind]]:
    marks: dict[int, list[MarkKind]] = {}
    for mark in cook.marks:
        if mark.text in FIRE_MARKS:
            marks.setdefault(int(mark.minute) + 1, []).append(MarkKind(mark.text))
    return marks


def truth_at(cook: FireCook, minute: float, *, air: bool = False) -> float:
    """Minutes left if nobody comes: of the nearest earlier truth, less the time since."""
    row = max(int(np.searchsorted(cook.minutes, minute + 1e-6)) - 1, 0)
    truth = cook.air_left if air else cook.left
    return max(0.0, float(truth[row]) - (minute - float(cook.minutes[row])))


def cooks_of(cache: Path, world: str, seed: int, n: int) -> Iterator[FireCook]:
    """Every pit of a recording at another pace and with another swing, and every second one as it is; marked as it falls."""
    night = recording(cache, world, seed, n)
    rng = np.random.default_rng([seed, 5])
    kinds = list(Marks)
    for number in range(n):
        for varied in (True, False)[: 1 + (number % 2 == 0)]:
            marks = kinds[int(rng.choice(len(kinds), p=[0.45, 0.25, 0.25, 0.05]))]
            drawn = np.exp(rng.uniform(np.log([LEAST_PACE, 1 / MOST_SWING]), np.log([MOST_PACE, MOST_SWING])))
            stretch, swing = drawn.tolist() if varied else (1.0, 1.0)
            yield fire_cook(night, world, number, marks, stretch, rng, swing=swing)
