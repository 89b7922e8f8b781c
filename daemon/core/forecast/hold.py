"""How long held meat stays above the floor, from its own cooling. Pure and deterministic.

No one tells the watch what the meat was laid into: the same piece passes the floor after three hours on a table and after
eight in a closed box. Its core tells, once it falls. Whatever holds it, it tends to the room as Newton's law of cooling
has it; what is small of that law early on, while the fall has not yet come through from the surface, is made good by
how long the present rate of fall must have lasted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from daemon.core.forecast.ahead import LONGEST
from daemon.core.forecast.body import Array
from daemon.core.forecast_request import ForecastRequest
from daemon.core.outlook import Interval

SLOPE_MINUTES: Final = 20
"""Minutes of core readings that give the rate."""
SMOOTHED: Final = 5
"""Minutes whose median is one temperature: a probe's last digit makes peaks of its own."""
LATELY: Final = 120
"""Minutes looked back at for how far the core has fallen: before that it may have been held otherwise."""
LATELY_IN_CABINET: Final = 30
"""The same in a cabinet colder than the floor: it was warm until it went cold, and nobody knows when."""
INDOORS: Final = 18.0
"""°C, the least that is taken for a room: meat rests in a kitchen however cold it is by the pit (common practice, no
source). On a table 10 °C here move the floor by a tenth of the time left."""
PROBE_DOUBT: Final = 1.5
"""°C that a class 2 thermocouple and where it lies may err by, nine times in ten; at the floor that is time."""
LEAST_FALL: Final = 1.0
"""°C below its highest at which a core is taken to fall."""
DIFFUSIVITY: Final = 1.35e-7
"""m²/s, cooked meat, middle of the handbook range 1.2-1.5e-7."""
COMES_THROUGH: Final = 0.065
"""Fourier number (time x diffusivity / half thickness²) in which a core's rate of fall comes within 1/e of its law: more than
the second mode of a slab takes (1/22), for the surface itself cools slowly; found on simulated rests of both truths."""
WIDTHS: Final = ((0.0, 1.3, 0.5), (0.045, 0.9, 0.4), (0.08, 0.55, 0.35), (0.12, 0.27, 0.3), (0.15, 0.2, 0.23))
"""(Fourier number, early, late): half-widths of a 90 % interval as logarithms of its ratio to the middle, on simulated
rests of both truths on tables and in boxes."""
BOX_USUALLY, BOX_AT_MOST = 2.3, 3.6
"""Times as long as is forecast for a table that a closed box keeps a piece above the floor (90 simulated rests of both
truths: middle 2.4, nineteen in twenty below 3.5)."""
FALLS_ON_A_TABLE: Final = 55 * 60.0
"""s off the fire after which the core of a piece on a table has visibly fallen (all of 80 simulated ones at 60 min)."""


@dataclass(frozen=True, slots=True)
class Cooling:
    """core °C now; rate °C/s of its fall; lasted s: how long the present rate takes for the fall of the last two hours."""

    core: float
    rate: float
    lasted: float


def cooling_of(request: ForecastRequest) -> Cooling | None:
    """The fall so far off the fire; None while there is none to see."""
    if request.off_at is None:
        return None
    minute = np.asarray(request.minutes, dtype=np.float64)
    core = np.asarray(request.core, dtype=np.float64)
    here = (minute * 60.0 >= request.off_at) & (minute * 60.0 < request.asked_at) & np.isfinite(core)
    in_cabinet = request.phase == "hold" and request.hold_cabinet is not None
    lately = LATELY_IN_CABINET if in_cabinet else LATELY
    here &= minute * 60.0 >= request.asked_at - lately * 60.0
    minute, core = minute[here], core[here]
    late = minute >= request.asked_at / 60.0 - SLOPE_MINUTES
    if late.sum() < SLOPE_MINUTES // 2 or core.size < SLOPE_MINUTES:
        return None
    smooth: Array = np.median(np.lib.stride_tricks.sliding_window_view(core, SMOOTHED), axis=1)
    away = minute[late] - minute[late].mean()
    rate = -float(away @ core[late] / (away @ away)) / 60.0
    now = float(core[late].mean() - rate * 60.0 * (request.asked_at / 60.0 - minute[late].mean()))
    fallen = float(smooth.max()) - now
    if rate <= 0.0 or fallen < LEAST_FALL:
        return None
    return Cooling(now, rate, fallen / rate)


def hold_left(request: ForecastRequest) -> Interval | None:
    """s from now until the core is below the floor, if it goes on towards the room; None where its cooling does not tell
    yet, does not lead there within LONGEST, or a cabinet keeps it."""
    if request.hold_cabinet is not None and request.hold_cabinet >= request.hold_floor:
        return None
    room = INDOORS if request.ambient is None else max(request.ambient, INDOORS)
    cooling = cooling_of(request)
    if cooling is None or room >= request.hold_floor - LEAST_FALL:
        return None
    if cooling.core <= request.hold_floor:
        return Interval(0.0, 0.0, 0.0)
    ahead = np.log((cooling.core - room) / (request.hold_floor - room))
    mean = cooling.core + 0.5 * cooling.rate * SLOPE_MINUTES * 60.0
    plain = float(ahead * (mean - room) / cooling.rate)
    through = cooling.lasted * DIFFUSIVITY / (0.5 * request.piece.thickness) ** 2
    middle = plain * float(1.0 - np.exp(-through / COMES_THROUGH))
    if middle > LONGEST:
        return None
    at_floor = cooling.rate * (request.hold_floor - room) / (cooling.core - room)
    knots, early, late = zip(*WIDTHS, strict=True)
    sooner = middle * float(1.0 - np.exp(-np.interp(through, knots, early)))
    later = middle * float(np.exp(np.interp(through, knots, late)) - 1.0)
    doubt = PROBE_DOUBT / at_floor
    return Interval(max(0.0, middle - float(np.hypot(sooner, doubt))), middle, middle + float(np.hypot(later, doubt)))


def room_for_a_box(request: ForecastRequest, at: Interval, held: float) -> Interval:
    """A hold limit for a piece on a table, `held` s of it off the fire still to come, made to hold for one in a closed box.
    A core that has not fallen long after a table's would have is in a box: then the middle is a box's as well."""
    last = max(at.p95, at.p50 + (BOX_AT_MOST - 1.0) * held)
    off_for = 0.0 if request.off_at is None else request.asked_at - request.off_at
    middle = at.p50 + (BOX_USUALLY - 1.0) * held if off_for >= FALLS_ON_A_TABLE else at.p50
    return Interval(at.p05, middle, max(last, middle))
