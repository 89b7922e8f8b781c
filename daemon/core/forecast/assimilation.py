"""Bodies carried along a cook: each ten minutes of readings move them on, and none is looked at twice.

An ensemble square-root filter (Whitaker & Hamill, Monthly Weather Review 130, 2002): all bodies are stepped through ten
minutes of the measured pit, then their traits and their state are moved by what the core's median says of them. Traits
drift a little towards what was believed beforehand, for no body is the piece. What was read by hand counts as one observation
of its own, at its own moment; a piece without a probe is followed by nothing else. Everything happens at fixed times after the
piece went on, so that bodies carried along are, to the bit, those of a run from the start.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from math import nan
from statistics import median
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast.body import Array, MeatEnsemble, Surroundings, air_pressure
from daemon.core.forecast.members import MEMBERS, SHARED, drift, prior, seated_anew, traits_of
from daemon.core.forecast_request import CoreSpot, ForecastRequest
from daemon.core.settings import Wrap

STEP: Final = 300.0
"""s of one step; the surface is implicit, 60 s would move the 95 °C time by about 1 %."""
BLOCK_STEPS: Final = 2
"""Steps whose core readings make one observation; it stands for their middle."""
BLOCK: Final = STEP * BLOCK_STEPS
FEWEST_IN_BLOCK: Final = 3
"""Core minutes without which a block says nothing."""
READING_SPREAD: Final = 0.5
"""°C, standard deviation of a 10-min core median about a good member: probe and model error together."""
FOLLOWING: Final = 3.0
"""10-min misses of one body follow each other: that many carry the information of one."""
FORGETS_IN: Final = 12 * 3600.0
"""s, time constant with which a trait drifts back to what was believed beforehand."""
USUAL_START: Final = 7.0
"""°C of meat that nobody has measured yet: from the refrigerator, some left out for an hour (common practice, no source)."""
MISSED_PLACE: Final = 0.15
"""Share of the half thickness by which a hand misses the place that it means, standard deviation. Ours, no source."""
SEAT_SPREAD: Final = 1.0
"""°C, standard deviation of what a probe reads where it has just been seated, beyond what its depth and its error explain: the
meat about it is disturbed, and its place is not on the axis. Ours, no source."""
START_READ_WITHIN: Final = 3
"""Blocks after meat on within which a first core reading still tells where it began: a core has not begun to climb by then."""
MISFIT_SPAN: Final = 2 * 3600.0
"""s over which the ensemble is asked whether it describes this piece at all."""
LATELY: Final = 5400.0
"""s over which rates are compared: shorter, and quantised readings make rates of their own."""
FEWEST_FOR_A_RATE: Final = 4
"""Observations without which no rates are compared."""


@dataclass(frozen=True, slots=True)
class Course:
    """The cook so far in steps of STEP from meat on; what is left of the last block stands in `rest_of`, s.

    air: °C at the pit probe, or the room when off, and on_fire, per step; core: °C per block, NaN where unknown. spots: read by
    hand, their `at` in s since meat on, oldest first. seated: blocks in which the probe was seated anew. wrap_step: first step
    under the wrap or None. The last step of `air` is the begun one, of rest_of s; it may be empty."""

    air: Array
    on_fire: NDArray[np.bool_]
    core: Array
    spots: tuple[CoreSpot, ...]
    wrap_step: int | None
    material: Wrap | None
    rest_of: float
    pressure: float
    last: float
    """°C, median of the last core readings."""
    silent: float
    """s since the last core reading."""
    seated: frozenset[int] = frozenset()

    @property
    def blocks(self) -> int:
        return self.core.size

    def begins(self, other: Course, blocks: int) -> bool:
        """Whether nothing up to the end of block `blocks` would be otherwise on the other course."""
        steps = blocks * BLOCK_STEPS
        mine, its = (None if c.wrap_step is None or c.wrap_step >= steps else (c.wrap_step, c.material)
                     for c in (self, other))  # fmt: skip
        return (
            min(self.blocks, other.blocks) >= blocks
            and mine == its
            and self.pressure == other.pressure
            and self.start == other.start
            and self._spots_before(blocks * BLOCK) == other._spots_before(blocks * BLOCK)
            and {s for s in self.seated if s < blocks} == {s for s in other.seated if s < blocks}
            and np.array_equal(self.air[:steps], other.air[:steps])
            and np.array_equal(self.on_fire[:steps], other.on_fire[:steps])
            and np.array_equal(self.core[:blocks], other.core[:blocks], equal_nan=True)
        )

    @property
    def start(self) -> float | None:
        """°C of the first core reading; None where there is none of the beginning."""
        early = self.core[:START_READ_WITHIN]
        known = early[np.isfinite(early)]
        return float(known[0]) if known.size else None

    def core_at(self, after: float) -> float:
        """°C of the block that `after` s since meat on lies in; of the last readings where it has not ended."""
        block = int(after // BLOCK)
        return float(self.core[block]) if block < self.blocks else self.last

    def _spots_before(self, after: float) -> tuple[CoreSpot, ...]:
        return tuple(s for s in self.spots if s.at < after)

    def spots_within(self, begin: float, seconds: float) -> list[CoreSpot]:
        """Those read in the `seconds` from `begin` s after meat on."""
        return [s for s in self.spots if begin <= s.at < begin + seconds]

    @property
    def on_fire_blocks(self) -> int:
        """Blocks that lie over the fire as a whole."""
        whole = self.on_fire[: self.blocks * BLOCK_STEPS]
        return (whole.size if whole.all() else int(whole.argmin())) // BLOCK_STEPS


def course_of(request: ForecastRequest, ambient: float) -> Course:
    """The request's minutes on steps. Gaps in the pit trace are bridged in a straight line."""
    minute = np.asarray(request.minutes, dtype=np.float64) * 60.0 + 30.0 - request.on_at
    pit = np.asarray(request.pit, dtype=np.float64)
    core = np.asarray(request.core, dtype=np.float64)
    blocks = max(0, int(request.on_for // BLOCK))
    rest_of = request.on_for - blocks * BLOCK
    begun = int(np.ceil(rest_of / STEP))
    steps = blocks * BLOCK_STEPS + begun
    middle = STEP * (np.arange(steps) + 0.5)
    inside = (minute >= 0.0) & (minute <= request.on_for)
    air = _bridged(_means(minute[inside], pit[inside], STEP, steps), request.band.middle)
    off = request.off_at - request.on_at if request.off_at is not None else np.inf
    on_fire = middle < off
    air = np.where(on_fire, air, ambient)
    if request.phase == "hold" and request.hold_cabinet is not None:
        air = np.where(middle >= off + request.rest, request.hold_cabinet, air)
    wrap_step = material = None
    if request.wrapped is not None:
        wrap_step = int(np.clip(round((request.wrapped.at - request.on_at) / STEP), 0, steps))
        material = wrap_material(request.wrapped.material)
    known = inside & np.isfinite(core)
    seats = [at - request.on_at for at in request.seated if 0.0 <= at - request.on_at < request.on_for]
    for at in seats:  # what was read before in the same block was read elsewhere
        known &= (minute >= at) | (minute < at // BLOCK * BLOCK)
    return Course(
        air=air,
        on_fire=on_fire,
        core=_medians(minute[known], core[known], blocks),
        spots=_spots(request),
        wrap_step=wrap_step,
        material=material,
        rest_of=rest_of,
        pressure=air_pressure(request.boiling_point),
        last=float(np.median(core[known][-5:])) if known.any() else float("nan"),
        silent=float(request.on_for - minute[known][-1]) if known.any() else float("inf"),
        seated=frozenset(int(at // BLOCK) for at in seats),
    )


def _spots(request: ForecastRequest) -> tuple[CoreSpot, ...]:
    since = (replace(s, at=s.at - request.on_at) for s in request.spots)
    return tuple(sorted((s for s in since if 0.0 <= s.at < request.on_for), key=lambda s: s.at))


def _means(minute: Array, values: Array, width: float, count: int) -> Array:
    """Mean of the known values in each stretch of `width` s; NaN where there is none."""
    known = np.isfinite(values)
    place = np.minimum((minute[known] // width).astype(np.intp), max(count - 1, 0))
    total = np.bincount(place, values[known], minlength=count)[:count]
    number = np.bincount(place, minlength=count)[:count]
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _bridged(values: Array, otherwise: float) -> Array:
    known = np.flatnonzero(np.isfinite(values))
    if not known.size:
        return np.full(values.size, otherwise)
    bridged: Array = np.interp(np.arange(values.size), known, values[known])
    return bridged


def _medians(minute: Array, core: Array, blocks: int) -> Array:
    block = (minute // BLOCK).astype(np.intp)
    found = np.full(blocks, np.nan)
    edges = np.searchsorted(block, np.arange(blocks + 1))
    for number in range(blocks):
        here = core[edges[number] : edges[number + 1]]
        if here.size >= FEWEST_IN_BLOCK:
            found[number] = median(here.tolist())  # of so few dearer by numpy
    return found


def wrap_material(word: str) -> Wrap:
    """The wrap named by a mark; what is not known is taken for foil, the usual one."""
    return Wrap(word) if word in {w.value for w in Wrap} else Wrap.FOIL


@dataclass(slots=True)
class Bodies:
    """An ensemble as it stands after `steps` steps. z (traits, members). missed: what each block's core was beyond the
    ensemble's mean before it was taken in (°C, NaN: nothing read); shift: what of it is still missed afterwards."""

    z: Array
    ensemble: MeatEnsemble
    around: Surroundings
    steps: int = 0
    missed: list[float] = field(default_factory=list)
    just_seated: bool = False
    """The probe was seated anew, and has not been read there yet."""
    evidence: float = 0.0
    """Logarithm of how likely all that was read has been under these bodies."""

    def copy(self) -> Bodies:
        everyone = np.arange(self.z.shape[1])
        return Bodies(
            self.z.copy(),
            self.ensemble.take(everyone),
            self.around.take(everyone),
            self.steps,
            list(self.missed),
            self.just_seated,
            self.evidence,
        )

    @property
    def blocks(self) -> int:
        return self.steps // BLOCK_STEPS

    @property
    def misfit(self) -> float:
        """°C, root mean square of what the ensemble did not see coming lately."""
        lately = np.asarray(self.missed[-round(MISFIT_SPAN / BLOCK) :])
        lately = lately[np.isfinite(lately)]
        return float(np.sqrt(np.mean(lately**2))) if lately.size else 0.0


def bodies_at_start(request: ForecastRequest, course: Course, shared: Array | None = None) -> Bodies:
    """What is believed of the piece before it has been read, but for where its core began. shared (rows of SHARED, members): what
    another piece has taught about the pit."""
    z = prior()
    if shared is not None:
        z[SHARED] = shared
    known = course.start is not None
    traits = traits_of(z, request.piece, course.start if course.start is not None else USUAL_START, known)
    return Bodies(z, MeatEnsemble(traits, course.pressure), Surroundings.bare(MEMBERS))


def carry(bodies: Bodies, request: ForecastRequest, course: Course, blocks: int) -> None:
    """Move the bodies on to the end of block `blocks`, in place."""
    while bodies.steps < blocks * BLOCK_STEPS:
        seen: list[Observation] = []
        if bodies.blocks in course.seated:
            bodies.z = seated_anew(bodies.z, bodies.blocks)
            bodies.ensemble.correct(traits_of(bodies.z, request.piece, 0.0), bodies.ensemble.state())
            bodies.just_seated = True
        middle = bodies.steps + BLOCK_STEPS // 2
        while bodies.steps < middle:
            seen += _step(bodies, course, STEP)
        predicted = bodies.ensemble.core
        while bodies.steps < middle + BLOCK_STEPS - BLOCK_STEPS // 2:
            seen += _step(bodies, course, STEP)
        number = bodies.steps // BLOCK_STEPS - 1
        read = float(course.core[number])
        bodies.missed.append(nan if bodies.just_seated else float(read - predicted.mean()))
        if np.isfinite(read):
            fresh = SEAT_SPREAD**2 if bodies.just_seated else 0.0
            noise = READING_SPREAD**2 * FOLLOWING + fresh
            seen.append(Observation(read, predicted, noise))
            expected = float(predicted.var(ddof=1)) + noise
            bodies.evidence -= 0.5 * (float(read - predicted.mean()) ** 2 / expected + float(np.log(expected)))
            bodies.just_seated = False
        kept = np.exp(-BLOCK / FORGETS_IN)
        bodies.z = kept * bodies.z + np.sqrt(1.0 - kept * kept) * drift(number)
        _take_in(bodies, request, course, seen)


@dataclass(slots=True)
class Observation:
    """celsius: read, °C; predicted: what the members had there and then, °C; variance of the reading about a good member."""

    celsius: float
    predicted: Array
    variance: float


def _step(bodies: Bodies, course: Course, seconds: float) -> list[Observation]:
    """Move on; what was read by hand meanwhile, beside what the members had at that moment."""
    spots = course.spots_within(bodies.steps * STEP, seconds)
    before = [bodies.ensemble.at_depth(s.depth) for s in spots]
    begin = bodies.steps * STEP
    _move(bodies, course, seconds)
    seen = []
    for spot, had in zip(spots, before, strict=True):
        share = (spot.at - begin) / seconds
        predicted = had + share * (bodies.ensemble.at_depth(spot.depth) - had)
        beside = bodies.ensemble.at_depth(spot.depth + MISSED_PLACE) - bodies.ensemble.at_depth(spot.depth)
        variance = spot.spread**2 + READING_SPREAD**2 + float(beside.mean()) ** 2
        seen.append(Observation(spot.celsius, predicted, variance))
    return seen


def _move(bodies: Bodies, course: Course, seconds: float) -> None:
    step, traits, around = bodies.steps, bodies.ensemble.traits, bodies.around
    if step == course.wrap_step and course.material is not None:
        around.wrap(traits, course.material, np.ones(traits.start.size, dtype=bool))
    if course.on_fire[step]:
        bodies.ensemble.step(
            seconds, course.air[step] + traits.pit_bias, traits.convection, traits.vapour_pressure, around
        )
    else:
        bodies.ensemble.rest_step(seconds, np.full(traits.start.size, course.air[step]), around)
    bodies.steps += 1


def _take_in(bodies: Bodies, request: ForecastRequest, course: Course, seen: list[Observation]) -> None:
    """Traits and state follow the covariances with what was predicted, one observation after the other."""
    z, state = bodies.z, bodies.ensemble.state()
    for number, observation in enumerate(seen):
        noise, predicted = observation.variance, observation.predicted
        about = predicted - predicted.mean()
        spread = float(about @ about) / (about.size - 1)
        narrower = 1.0 / (1.0 + np.sqrt(noise / (spread + noise)))
        moves = (observation.celsius - predicted.mean() - narrower * about) / (spread + noise) / (about.size - 1)
        z = np.clip(z + np.outer(z @ about, moves), -4.0, 4.0)
        state = state + np.outer(state @ about, moves)
        for later in seen[number + 1 :]:
            later.predicted = later.predicted + (later.predicted @ about) * moves
    bodies.z = z
    bodies.ensemble.correct(traits_of(z, request.piece, 0.0), state)
    if course.wrap_step is not None and course.material is not None and bodies.steps > course.wrap_step:
        bodies.around.wrap(bodies.ensemble.traits, course.material, np.ones(z.shape[1], dtype=bool))


def brought_up(bodies: Bodies, request: ForecastRequest, course: Course) -> Bodies:
    """A copy at the moment of the question: off the fire its blocks are taken in, and what is left of the last is run."""
    now = bodies.copy()
    carry(now, request, course, course.blocks)
    left, seen = course.rest_of, []
    while left > 0.0 and now.steps < course.air.size:
        seen += _step(now, course, min(left, STEP))
        left -= STEP
    if seen:
        _take_in(now, request, course, seen)
    if course.wrap_step == now.steps and course.material is not None:
        now.around.wrap(now.ensemble.traits, course.material, np.ones(now.z.shape[1], dtype=bool))
    return now
