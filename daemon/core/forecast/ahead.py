"""Runs an ensemble forward under several assumptions at once and reads off when each goal is reached.

The pit to come is the mean of its last six hours with every minute held to the band, reached from now with a time
constant of 25 min: a fire dip or an open lid is never extrapolated. The assumptions are columns of one run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast.assimilation import Bodies, wrap_material
from daemon.core.forecast.body import Array
from daemon.core.forecast.members import MEMBERS, fixed_scores
from daemon.core.forecast_request import ForecastRequest
from daemon.core.settings import Band, Wrap

PLANNED: Final = "planned"
WRAPPED_NOW: Final = "wrapped-now"
NEVER_WRAPPED: Final = "never-wrapped"
HOTTER: Final = "pit-10-hotter"

THINNING: Final = 3
"""The what-ifs use every third of the members, so that a difference between assumptions is no accident."""
STEPS: Final = ((3600.0, 300.0), (4 * 3600.0, 600.0), (np.inf, 1800.0))
"""(until so many s ahead, s of one step): what is far off is not known to the minute."""
REST_STEP: Final = 1800.0
"""s of one step once everybody is off."""
LONGEST: Final = 20 * 3600.0
"""s; what has not been reached by then is not forecast."""
REST_WATCHED: Final = 8 * 3600.0
"""s of cooling looked at after the last member is off."""
SETTLES_IN: Final = 25 * 60.0
"""s, time constant of a tended pit on its way back to its band."""
PIT_MEMORY: Final = 360
"""Minutes of pit readings from which the pit to come is taken."""
PIT_DOUBT: Final = 5.0
"""°C, standard deviation of the hours to come in a pit that has been steady: by day and by night it is another's work."""
FEWEST_PIT_MINUTES: Final = 15
"""Without so many the pit to come is the middle of its band."""
WRAP_DELAY: Final = 12 * 60.0
"""s between the wrap temperature and the wrap, common practice, no source."""
WRAP_OVERDUE: Final = 40
"""Minutes above the wrap temperature after which a cook who has not wrapped is taken not to."""
RESIDUAL_FADES_IN: Final = 150 * 60.0
"""s, time constant with which the difference between last readings and body is forgotten."""
HOTTER_BY: Final = 10.0  # °C
STALL_SLOPE: Final = 6.0
"""°C/h below which a core between 55 and 85 °C is stalled."""


def wrapped_at(celsius: float) -> str:
    """Scenario of a wrap at a core temperature of the cook's own choosing."""
    return f"wrapped-at-{celsius:.1f}"


def pit_to_come(pit: Array, band: Band) -> tuple[float, float]:
    """(now, later) °C from one-minute pit readings, oldest first, NaN where unknown."""
    recent = pit[-PIT_MEMORY:]
    recent = recent[np.isfinite(recent)]
    enough = recent.size >= FEWEST_PIT_MINUTES
    later = float(np.clip(recent, band.low, band.high).mean()) if enough else band.middle
    last = pit[-5:]
    last = last[np.isfinite(last)]
    return (float(np.median(last)) if last.size else later), later


def pit_unsteadiness(pit: Array) -> float:
    """°C, standard deviation of the pit to come about what it is taken for: what this pit's hours have differed by, and what
    any pit's may. Nobody knows whether somebody will be up to feed it."""
    recent = pit[-PIT_MEMORY:]
    hours = recent[recent.size % 60 :].reshape(-1, 60)
    hours = hours[np.isfinite(hours).all(axis=1)].mean(axis=1)
    own = float(hours.std()) if hours.size > 1 else 0.0
    return float(np.hypot(PIT_DOUBT, own))


def wrap_ahead(request: ForecastRequest) -> bool:
    """Whether the plan still holds a wrap: there is one, it is not done, and it is not long overdue."""
    piece = request.piece
    if piece.wrap is None or piece.wrap_at is None or request.wrapped is not None:
        return False
    core = np.asarray(request.core, dtype=np.float64)
    return int((core >= piece.wrap_at).sum()) <= WRAP_OVERDUE


@dataclass(frozen=True, slots=True)
class Ahead:
    """Paths of all columns. times (steps + 1,) s from now, 0 first; core (steps + 1, columns), centre, °C;
    off (columns,) s from now when it leaves the fire, inf if never. columns: scenario -> its column numbers."""

    times: Array
    core: Array
    off: Array
    columns: dict[str, NDArray[np.intp]]
    misfit: float = 0.0
    """°C that the ensemble missed lately."""

    def reached(self, scenario: str, celsius: float) -> Array:
        """s from now when each member first reads `celsius` or more; inf if it does not."""
        return first_crossing(self.times, self.core[:, self.columns[scenario]], celsius)


def first_crossing(times: Array, paths: Array, level: float) -> Array:
    """First time each column of `paths` is at or above `level`, interpolated; inf if never."""
    above = paths >= level
    at = above.argmax(axis=0)
    column = np.arange(paths.shape[1])
    before = np.maximum(at - 1, 0)
    low, high = paths[before, column], paths[at, column]
    share = np.where(at > 0, (level - low) / np.maximum(high - low, 1e-9), 0.0)
    crossing: Array = times[before] + share * (times[at] - times[before])
    return np.where(above.any(axis=0), crossing, np.inf)


def run_ahead(
    request: ForecastRequest, bodies: Bodies, residual: Array, ambient: float, off_goal: float | None
) -> Ahead:
    """All assumptions from now on. residual: °C by which the core reads more than each member. off_goal: core °C at which
    a planned piece leaves the fire, None = never."""
    members = np.arange(MEMBERS)
    few = members[::THINNING]
    cooking = request.phase == "cook"
    groups = [(PLANNED, members)]
    if cooking:
        groups.append((HOTTER, few))
        if request.wrapped is None:
            groups += [(WRAPPED_NOW, few), (NEVER_WRAPPED, few)]
            if request.asked_wrap is not None:
                groups.append((wrapped_at(request.asked_wrap), few))
    columns, first = {}, 0
    for name, group in groups:
        columns[name] = np.arange(first, first + group.size)
        first += group.size
    which = np.concatenate([group for _, group in groups])
    ensemble, around = bodies.ensemble.take(which), bodies.around.take(which)
    traits, residual = ensemble.traits, residual[which]

    material = request.piece.wrap or Wrap.FOIL
    wrap_at = np.full(which.size, np.inf)
    if cooking and request.wrapped is None:
        if wrap_ahead(request):
            assert request.piece.wrap_at is not None
            wrap_at[columns[PLANNED]] = wrap_at[columns[HOTTER]] = request.piece.wrap_at
        if request.asked_wrap is not None:
            wrap_at[columns[wrapped_at(request.asked_wrap)]] = request.asked_wrap
        now_wrapped = np.zeros(which.size, dtype=bool)
        now_wrapped[columns[WRAPPED_NOW]] = True
        around.wrap(traits, material, now_wrapped)
    elif request.wrapped is not None:
        material = wrap_material(request.wrapped.material)
    leaves = np.zeros(which.size, dtype=bool)
    leaves[columns[PLANNED]] = True
    goal = off_goal if off_goal is not None else np.inf
    hotter = np.zeros(which.size)
    if cooking:
        hotter[columns[HOTTER]] = HOTTER_BY
    pit = np.asarray(request.pit, dtype=np.float64)
    pit_now, pit_later = pit_to_come(pit, request.band)
    pit_later = pit_later + pit_unsteadiness(pit) * fixed_scores()[which]

    time = 0.0
    times, paths = [0.0], [ensemble.centre + residual]
    off = np.where(leaves & (not cooking), 0.0, np.inf)
    wrap_due = np.full(which.size, np.inf)
    wrapped = np.zeros(which.size, dtype=bool)
    wraps = bool(np.isfinite(wrap_at).any())
    stop = LONGEST
    piece = request.piece
    final = max((goal for goal in (piece.tender_low, piece.target) if goal is not None), default=np.inf)
    done = np.zeros(which.size, dtype=bool)
    while time < stop:
        everyone_off = bool(np.isfinite(off[columns[PLANNED]]).all())
        step = REST_STEP if everyone_off and done.all() else next(s for until, s in STEPS if time < until)
        middle = time + 0.5 * step
        ahead = pit_later + (pit_now - pit_later) * np.exp(-middle / SETTLES_IN)
        resting = np.isfinite(off)
        if resting.all():
            ensemble.rest_step(step, rest_air(request, off, middle, ambient), around)
        else:
            over = ahead + traits.pit_bias + hotter
            if resting.any():
                air = np.where(resting, rest_air(request, off, middle, ambient), over)
                ensemble.step_mixed(step, air, resting, around)
            else:
                ensemble.step(step, over, traits.convection, traits.vapour_pressure, around)
        time += step
        kept = residual * np.exp(-time / RESIDUAL_FADES_IN)
        core = ensemble.centre + kept
        times.append(time)
        paths.append(core)
        if wraps:
            due = (ensemble.core + kept >= wrap_at) & np.isinf(wrap_due)
            wrap_due[due] = time + WRAP_DELAY
            now_due = (wrap_due <= time) & ~wrapped
            if now_due.any():
                around.wrap(traits, material, now_due)
                wrapped |= now_due
                wraps = not wrapped[np.isfinite(wrap_at)].all()
        going = leaves & (core >= goal) & np.isinf(off)
        off[going] = time
        done |= core >= final
        done |= np.isfinite(off)
        if done.all() and stop == LONGEST:
            stop = min(LONGEST, time + REST_WATCHED)
    return Ahead(np.asarray(times), np.asarray(paths), off, columns, bodies.misfit)


def rest_air(request: ForecastRequest, off: Array, time: float, ambient: float) -> Array:
    """°C about each resting column: the room, then the cabinet once the rest is over or at once in phase "hold"."""
    if request.hold_cabinet is None:
        return np.full(off.size, ambient)
    rest_ends = off + request.rest
    if request.off_at is not None:
        rest_ends = np.full(off.size, request.off_at + request.rest - request.asked_at)
    if request.phase == "hold":
        rest_ends = np.zeros(off.size)
    return np.where(time >= rest_ends, request.hold_cabinet, ambient)


def stall_end(ahead: Ahead, scenario: str) -> Array:
    """s from now when each member's stall, present or to come, is over; NaN for members without one ahead."""
    paths = ahead.core[:, ahead.columns[scenario]]
    slope = np.diff(paths, axis=0) / np.diff(ahead.times)[:, None] * 3600.0
    level = paths[:-1]
    cooking = ahead.times[1:, None] <= ahead.off[ahead.columns[scenario]]
    stalled = (slope < STALL_SLOPE) & (level > 55.0) & (level < 85.0) & cooking
    begun = np.maximum.accumulate(stalled, axis=0)
    over = begun & ~stalled
    end = ahead.times[over.argmax(axis=0)]
    return np.where(over.any(axis=0), end, np.nan)
