"""Replays a cook so far through the ensemble and keeps what agrees with the core readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.events import ForecastRequest
from daemon.core.forecast.body import Array, BodyTraits, MeatEnsemble, Surroundings, air_pressure
from daemon.core.forecast.members import MEMBERS, ROUNDS, draws, prior, traits_of
from daemon.core.settings import Wrap

STEP: Final = 200.0
"""s of one replayed step; the surface is implicit, halving it moves the 95 °C time by about 1 %."""
BLOCK_STEPS: Final = 3
"""Steps whose core readings make one observation (10 min)."""
READING_SPREAD: Final = 1.0
"""°C, standard deviation of a 10-min core median about a good member: probe and model error together."""
MEMORY: Final = 4 * 3600.0
"""s after which an old reading counts half."""
TEMPER: Final = 3.0
"""10-min residuals of one body follow each other: that many carry the information of one."""
FEWEST_FOR_A_RATE: Final = 4
"""Observations without which no rates are compared."""
JUST_NOW: Final = 1800.0
"""s whose readings give the residual."""
LATELY: Final = 5400.0
"""s over which rates are compared: shorter, and quantised readings make rates of their own."""
MISFIT_SPAN: Final = 2 * 3600.0
"""s over which the ensemble is asked whether it describes this piece at all."""


@dataclass(frozen=True, slots=True)
class Course:
    """The cook so far on the replay's own steps, from meat on to the question.

    air: °C at the pit probe, or the room when off; on_fire: True while over the fire (both per step). wrap_step:
    first step under the wrap or None. seen: numbers of the steps at whose end a core observation lies; core °C; age s."""

    air: Array
    on_fire: NDArray[np.bool_]
    wrap_step: int | None
    material: Wrap | None
    seen: NDArray[np.intp]
    core: Array
    age: Array
    start: float
    pressure: float


def course_of(request: ForecastRequest, ambient: float) -> Course:
    """The request's minutes on replay steps. Gaps in the pit trace are bridged in a straight line."""
    minute = np.asarray(request.minutes, dtype=np.float64)
    pit = np.asarray(request.pit, dtype=np.float64)
    core = np.asarray(request.core, dtype=np.float64)
    steps = max(1, round(request.on_for / STEP))
    middle = request.on_at + STEP * (np.arange(steps) + 0.5)
    inside = (minute * 60.0 >= request.on_at - 60.0) & (minute * 60.0 <= request.asked_at)
    known = np.isfinite(pit) & inside
    air = (
        np.interp(middle, minute[known] * 60.0 + 30.0, pit[known])
        if known.any()
        else np.full(steps, request.band.middle)
    )
    off = request.off_at if request.off_at is not None else np.inf
    on_fire = middle < off
    air = np.where(on_fire, air, ambient)
    if request.phase == "hold" and request.hold_cabinet is not None:
        air = np.where(middle >= off + request.rest, request.hold_cabinet, air)
    seen, values = [], []
    block = np.floor((minute * 60.0 + 30.0 - request.on_at) / (STEP * BLOCK_STEPS))
    for number in range(steps // BLOCK_STEPS):
        here = core[(block == number) & inside]
        here = here[np.isfinite(here)]
        if here.size >= 3:
            seen.append(number * BLOCK_STEPS + BLOCK_STEPS // 2)
            values.append(float(np.median(here)))
    wrap_step = material = None
    if request.wrapped is not None:
        wrap_step = int(np.clip(round((request.wrapped.at - request.on_at) / STEP), 0, steps))
        material = wrap_material(request.wrapped.material)
    places = np.asarray(seen, dtype=np.intp)
    return Course(
        air=air,
        on_fire=on_fire,
        wrap_step=wrap_step,
        material=material,
        seen=places,
        core=np.asarray(values),
        age=(steps - places).astype(np.float64) * STEP,
        start=values[0] if values else 7.0,
        pressure=air_pressure(request.boiling_point),
    )


def wrap_material(word: str) -> Wrap:
    """The wrap named by a mark; what is not known is taken for foil, the usual one."""
    return Wrap(word) if word in {w.value for w in Wrap} else Wrap.FOIL


@dataclass(slots=True)
class Replayed:
    """An ensemble brought up to now. predicted: its core at `course.seen` (observations, members)."""

    traits: BodyTraits
    ensemble: MeatEnsemble
    surroundings: Surroundings
    predicted: Array


def replay(traits: BodyTraits, course: Course) -> Replayed:
    """Run every member through the course."""
    members = traits.start.size
    ensemble = MeatEnsemble(traits, course.pressure)
    around = Surroundings.bare(members)
    predicted = np.empty((course.seen.size, members))
    everyone = np.ones(members, dtype=bool)
    row = 0
    for step in range(course.air.size):
        if step == course.wrap_step and course.material is not None:
            around.wrap(traits, course.material, everyone)
        if course.on_fire[step]:
            ensemble.step(STEP, course.air[step] + traits.pit_bias, traits.convection, traits.vapour_pressure, around)
        else:
            ensemble.rest_step(STEP, np.full(members, course.air[step]), around)
        if row < course.seen.size and step == course.seen[row]:
            predicted[row] = ensemble.core
            row += 1
    return Replayed(traits, ensemble, around, predicted)


@dataclass(frozen=True, slots=True)
class Fitted:
    """A replayed posterior.

    z (traits, members); weights sum to 1; effective: members that carry it; residual °C: last readings - member; drift
    °C/s: rate of the last readings - rate of the member; misfit °C: root mean square of what the whole ensemble missed
    lately."""

    z: Array
    replayed: Replayed
    weights: Array
    effective: float
    residual: Array
    drift: Array = field(default_factory=lambda: np.zeros(MEMBERS))
    misfit: float = 0.0


def fit(request: ForecastRequest, course: Course) -> Fitted:
    """Prior, smoother updates with a replay before each, a last replay and its importance weights."""
    z, noise = prior(), draws()[1]
    spread = READING_SPREAD * np.sqrt(TEMPER) * 2.0 ** (0.5 * course.age / MEMORY)
    for number in range(ROUNDS):
        predicted = replay(traits_of(z, request.piece, course.start), course).predicted
        z = _smooth(z, predicted, course.core, spread * np.sqrt(ROUNDS), noise[number])
    done = replay(traits_of(z, request.piece, course.start), course)
    missed = course.core[:, None] - done.predicted
    score = -0.5 * ((missed / spread[:, None]) ** 2).sum(axis=0)
    weights = np.exp(score - score.max())
    weights /= weights.sum()
    just_now = course.age <= max(JUST_NOW, course.age[-1])
    ensemble = course.core - done.predicted @ weights
    return Fitted(
        z,
        done,
        weights,
        effective=float(1.0 / (weights @ weights)),
        residual=np.median(missed[just_now], axis=0),
        drift=_drift(missed, course.age),
        misfit=float(np.sqrt(np.mean(ensemble[course.age <= MISFIT_SPAN] ** 2))),
    )


def _drift(missed: Array, age: Array) -> Array:
    """°C/s by which the readings have lately outrun each member: least squares through what it missed."""
    lately = age <= LATELY
    if lately.sum() < FEWEST_FOR_A_RATE:
        return np.zeros(missed.shape[1])
    before = age[lately].mean() - age[lately]
    rate: Array = before @ missed[lately] / (before @ before)
    return rate


def _smooth(z: Array, predicted: Array, core: Array, spread: Array, noise: Array) -> Array:
    """One update of all traits from all observations at once (Kalman gain from ensemble covariances)."""
    about = predicted - predicted.mean(axis=1, keepdims=True)
    traits = z - z.mean(axis=1, keepdims=True)
    share = 1.0 / (z.shape[1] - 1)
    between = about @ about.T * share + np.diag(spread * spread)
    missing = core[:, None] + spread[:, None] * noise[: core.size] - predicted
    moved: Array = z + (traits @ about.T * share) @ np.linalg.solve(between, missing)
    return np.clip(moved, -4.0, 4.0)
