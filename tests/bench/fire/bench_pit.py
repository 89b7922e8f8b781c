"""Scores the pit's stages "out" and "runaway" and the guess of a moved damper, on simulated pits.

    python -m tests.bench.figures --only pit --seed 4711

Pits differ in size, insulation, wood and probe. Nothing is marked. No published target exists for any of this: each is our
own, "common practice, no source". Lines that miss say MISSED.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import nan

import numpy as np
import numpy.typing as npt

from daemon.core.events import FireSign
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.stage import PitPhase, PitStage
from daemon.core.settings import Band
from daemon.wiring.learned import learned
from drivers.simulated.pit import PitParameters, Pits, Stokers
from drivers.simulated.sensor import Probes
from tests.bench.figure import Figure

Array = npt.NDArray[np.float64]

BAND = Band(121.0, 135.0)
AMBIENT = 12.0
STEP, STEPS = 15.0, 4
"""s, and how many a minute; the minute's value is the median of so many readings."""
OUT_BELOW = 15.0
"""°C under the band: the fire no longer carries the pit."""
RUNS_ABOVE = 25.0
"""°C over the band: more than a log does that catches well."""
FLARES = (2500.0, 6000.0)
"""W of burning fat."""
DAMPER_WINDOW = 12
"""Minutes within which a damper sign must follow a moved damper."""
SOURCE = "common practice, no source"


@dataclass
class Watched:
    """What pits did and what was said of them. true: (minutes, pits) °C. stages: by pit and minute. dampers: minutes at
    which a moved damper was told, by pit."""

    true: Array
    stages: list[list[str]]
    dampers: list[list[int]]

    @property
    def hours(self) -> float:
        return self.true.size / 60


Act = Callable[[int, Pits, Stokers], None]


def run(rng: np.random.Generator, pits: int, hours: int, act: Act, *, tends_damper: bool) -> Watched:
    """Tended pits; `act` is called every minute to bring the bad luck."""
    world = Pits(
        PitParameters.uniform(
            pits,
            gas_heat=14e3 * rng.uniform(0.7, 1.4, pits),
            steel_heat=58e3 * rng.uniform(0.6, 1.8, pits),
            steel_loss=25 * rng.uniform(0.5, 1.25, pits),
        )
    )
    world.settle(AMBIENT)
    stokers = Stokers(
        world,
        rng,
        look_every=rng.uniform(240, 720, pits),
        skill=rng.uniform(0.05, 0.3, pits),
        log_kg=rng.uniform(0.35, 0.65, pits),
        tends_damper=tends_damper,
    )
    probes = Probes(rng, pits, lag=rng.uniform(20, 60, pits), noise=0.4)
    probes.follow(STEP, world.gas)
    watches = [(FireWatch(learned().fire), PitStage()) for _ in range(pits)]
    seen = Watched(np.zeros((hours * 60, pits)), [[] for _ in watches], [[] for _ in watches])
    for minute in range(hours * 60):
        now = minute * 60.0
        act(minute, world, stokers)
        stokers.act(now, probes.read(), np.full(pits, AMBIENT))
        readings = []
        for _ in range(STEPS):
            world.step(STEP, AMBIENT)
            probes.follow(STEP, world.gas)
            readings.append(probes.read())
        seen.true[minute] = world.gas
        for i, pit in enumerate(np.median(readings, axis=0).tolist()):
            fire, stage = watches[i]
            fire.scan(now, pit)
            signs = fire.minute(now, pit, BAND, AMBIENT)
            stage.minute(now, pit, fire.slope, BAND, fire.lid_open)
            seen.stages[i].append(str(stage.stage))
            seen.dampers[i] += [minute for s in signs if s.sign is FireSign.DAMPER_CHANGED]
    return seen


def begins(stages: list[str], phase: PitPhase) -> list[int]:
    """The minutes at which a stage was entered."""
    return [m for m in range(1, len(stages)) if stages[m] == phase and stages[m - 1] != phase]


def crossings(true: Array, beyond: npt.NDArray[np.bool_]) -> int:
    """How often a naive limit would have called: a run of minutes beyond it is one call."""
    return int(sum(np.count_nonzero(np.diff(column.astype(int)) == 1) for column in beyond.T)) if true.size else 0


def left_alone(pits: int, seed: int) -> list[Figure]:
    """Nobody looks any more after an hour or two: the fire goes out."""
    rng = np.random.default_rng(seed)
    at = rng.integers(60, 150, pits)

    def act(minute: int, _world: Pits, stokers: Stokers) -> None:
        stokers.away = minute >= at

    seen = run(rng, pits, 7, act, tends_damper=True)
    delays = []
    for i, stages in enumerate(seen.stages):
        cold = np.flatnonzero(seen.true[:, i] < BAND.low - OUT_BELOW)
        cold = cold[cold >= at[i]]
        told = [m for m in begins(stages, PitPhase.OUT) if m >= at[i]]
        if cold.size:
            delays.append(float(told[0] - cold[0]) if told else nan)
    found = 1 - float(np.isnan(delays).mean())
    late = float(np.nanpercentile(delays, 90)) if found else nan
    return [
        Figure("out: fires found out", found, ">= .95", found >= 0.95, f"{SOURCE}; n {len(delays)}"),
        Figure("out: from 15 °C under the band to the word, p90 min", late, "<= 25", late <= 25, SOURCE),
    ]


def flared(pits: int, seed: int) -> list[Figure]:
    """Fat burns for 6-25 min, once."""
    rng = np.random.default_rng(seed)
    at, lasts, power = rng.integers(60, 150, pits), rng.integers(6, 25, pits), rng.uniform(*FLARES, pits)

    def act(minute: int, world: Pits, _stokers: Stokers) -> None:
        world.flare = np.where((minute >= at) & (minute < at + lasts), power, 0.0)

    seen = run(rng, pits, 4, act, tends_damper=True)
    delays = []
    for i, stages in enumerate(seen.stages):
        burning = slice(at[i], at[i] + lasts[i])
        over = np.flatnonzero(seen.true[burning, i] > BAND.high + RUNS_ABOVE)
        told = [m for m in begins(stages, PitPhase.RUNAWAY) if at[i] <= m <= at[i] + lasts[i] + 3]
        if over.size:
            delays.append(float(told[0] - at[i] - over[0]) if told else nan)
    found = 1 - float(np.isnan(delays).mean()) if delays else nan
    late = float(np.nanpercentile(delays, 90)) if delays and found else nan
    return [
        Figure("runaway: flare-ups found", found, ">= .90", found >= 0.9, f"{SOURCE}; n {len(delays)}"),
        Figure("runaway: from 25 °C over the band to the word, p90 min", late, "<= 3", late <= 3, SOURCE),
    ]


def tended(pits: int, seed: int) -> list[Figure]:
    """Nothing happens but logs and dampers: whatever is called is false."""
    seen = run(np.random.default_rng(seed), pits, 8, lambda *_: None, tends_damper=True)
    out = sum(len(begins(s, PitPhase.OUT)) for s in seen.stages) * 100 / seen.hours
    away = sum(len(begins(s, PitPhase.RUNAWAY)) for s in seen.stages) * 100 / seen.hours
    plain_out = crossings(seen.true, seen.true < BAND.low - OUT_BELOW) * 100 / seen.hours
    plain_away = crossings(seen.true, seen.true > BAND.high + 10) * 100 / seen.hours
    return [
        Figure("out: false in 100 h of a tended pit", out, "<= 1", out <= 1, f"{SOURCE}; a plain limit {plain_out:.1f}"),
        Figure("runaway: false in 100 h of a tended pit", away, "<= 2", away <= 2,
               f"{SOURCE}; a plain limit of 10 °C over {plain_away:.1f}"),
    ]  # fmt: skip


def moved_dampers(pits: int, seed: int) -> list[Figure]:
    """Dampers that nobody touches, but three times in eight hours by much, and half an hour later back."""
    rng = np.random.default_rng(seed)
    hours = 8
    at = np.sort(np.array([rng.choice(np.arange(60, hours * 60 - 60, 40), 3, replace=False) for _ in range(pits)]))
    to = rng.choice(np.array([0.4, 0.6, 1.5, 1.8]), at.shape)

    def act(minute: int, world: Pits, _stokers: Stokers) -> None:
        for moved, settings in ((at == minute, to), (at == minute - 30, np.ones_like(to))):
            which = moved.any(axis=1)
            world.damper = np.where(which, np.where(moved, settings, 0.0).sum(axis=1), world.damper)

    seen = run(rng, pits, hours, act, tends_damper=False)
    moves = np.concatenate([at, at + 30], axis=1)
    false = told = found = 0
    for i, signs in enumerate(seen.dampers):
        told += len(signs)
        false += sum(not ((moves[i] - 1 <= s) & (s <= moves[i] + DAMPER_WINDOW)).any() for s in signs)
        found += sum(any(m - 1 <= s <= m + DAMPER_WINDOW for s in signs) for m in moves[i])
    chance = moves.shape[1] * (DAMPER_WINDOW + 1) / (hours * 60)
    right, often, share = 1 - false / max(1, told), false * 10 / seen.hours, found / moves.size
    return [
        Figure("damper: signs that are true", right, ">= .80", right >= 0.8,
               f"{SOURCE}; n {told}; at random times {chance:.2f}"),
        Figure("damper: false in 10 h", often, "<= 0.5", often <= 0.5, SOURCE),
        Figure("damper: big moves found", share, ">= .35", share >= 0.35, f"{SOURCE}; the others must be marked"),
    ]  # fmt: skip


def figures(pits: int, seed: int) -> list[Figure]:
    """Every figure of this bench."""
    return [
        *left_alone(pits, seed),
        *flared(pits, seed + 1),
        *tended(pits, seed + 2),
        *moved_dampers(pits, seed + 3),
    ]
