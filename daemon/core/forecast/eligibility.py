"""Who has a right to a forecast, and the reason where nobody has. Pure and deterministic."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from daemon.core.forecast.assimilation import BLOCK, BLOCK_STEPS, Bodies, Course
from daemon.core.forecast_request import CoreSpot, ForecastRequest
from daemon.core.said import Text, say

FIRST_MINUTES: Final = 45
"""No forecast in the first 45 min: the core has not begun to answer."""
FEWEST_BLOCKS: Final = 3
"""Ten-minute core medians without which nothing is fitted."""
LEAST_PIT_READ: Final = 1.0 / 3.0
"""Share of the minutes over the fire with a pit reading below which what heats the meat is not known. Ours, no source."""
SILENT_TOO_LONG: Final = 30 * 60.0
"""s without a good core reading after which the last one is no guide."""
WORST_MISS: Final = 6.0
"""°C, root mean square of the ensemble's miss above which it does not describe this piece."""
SUSPECT: Final = "forecast.suspect"
"""Key of the reason where the probe is not to be believed."""
SLID_OUT: Final = "forecast.slid-out"
"""Key of the reason where the probe seems to have slid out of the meat."""
SLIDES_IN: Final = 3
"""Blocks in a row whose misses are summed."""
SLIDES_BY: Final = 10.0
"""°C that a core gains in them beyond all bodies: more than any healthy probe of the worlds, and less than most that slide
(`python -m tests.bench.meat.bench_slid`)."""
SLIDES_FROM: Final = 50.0
"""°C: a colder core is in its first climb, which says most about the piece and so is missed most. Ours."""
AGREES: Final = 3.0
"""°C between a reading by hand and the probe up to which the probe is where it should be, beside the hand's own spread. Ours."""
POSSIBLE: Final = (-40.0, 500.0)
"""°C; nothing about a pit lies outside."""
THICKNESS: Final = (0.005, 0.5)
"""m; no piece lies outside."""
LONGEST_COOK: Final = 60 * 3600.0
"""s; a piece that has been on for longer is not replayed."""


def possible(request: ForecastRequest) -> ForecastRequest:
    """The request without values that no thermometer or clock can have meant."""
    low, high = POSSIBLE

    def celsius(value: float | None) -> float | None:
        return value if value is not None and low <= value <= high else None

    def readings(values: Sequence[float]) -> tuple[float, ...]:
        return tuple(v if low <= v <= high else np.nan for v in values)

    wrapped = request.wrapped
    if wrapped is not None and not np.isfinite(wrapped.at):
        wrapped = replace(wrapped, at=request.on_at)
    off_at = request.off_at if request.off_at is not None and np.isfinite(request.off_at) else None
    if request.phase != "cook":
        off_at = request.asked_at if off_at is None else min(off_at, request.asked_at)
    return replace(
        request,
        pit=readings(request.pit),
        core=readings(request.core),
        ambient=celsius(request.ambient),
        hold_cabinet=celsius(request.hold_cabinet),
        wrapped=wrapped,
        spots=tuple(s for s in request.spots if _meant(s)),
        asked_wrap=celsius(request.asked_wrap),
        off_at=off_at,
    )


def _meant(spot: CoreSpot) -> bool:
    numbers = (spot.at, spot.celsius, spot.spread, spot.depth)
    return all(map(np.isfinite, numbers)) and POSSIBLE[0] <= spot.celsius <= POSSIBLE[1] and spot.spread >= 0.0


def ineligible(request: ForecastRequest) -> Text:
    piece = request.piece
    if request.suspect:
        return say(SUSPECT, why=request.suspect)
    if not (np.isfinite(piece.shape) and THICKNESS[0] <= piece.thickness <= THICKNESS[1]):
        return say("forecast.not-described")
    if (
        not all(map(np.isfinite, (request.asked_at, request.on_at, request.boiling_point)))
        or request.boiling_point < 60.0
    ):
        return say("forecast.where-unknown")
    if request.on_for < 0.0 or (request.piece.channel and request.on_for < FIRST_MINUTES * 60.0):
        return say("forecast.too-early", minutes=FIRST_MINUTES)
    if request.on_for > LONGEST_COOK:
        return say("forecast.too-long")
    if not len(request.minutes) == len(request.pit) == len(request.core):
        return say("forecast.out-of-line")
    return ""


def too_little(request: ForecastRequest, course: Course) -> Text:
    """Off the fire the pit drives nothing any more: there only the core must be read."""
    on_fire = np.asarray(request.minutes) * 60.0 > request.on_at - 60.0
    read = np.isfinite(np.asarray(request.pit, dtype=np.float64)) & on_fire
    if request.phase == "cook" and read.sum() < LEAST_PIT_READ * request.on_for / 60.0:
        return say("forecast.pit-unread")
    if not request.piece.channel:
        return ""
    since_read = [s for s in course.spots if s.at > request.on_for - course.silent]
    if np.isfinite(course.core).sum() < FEWEST_BLOCKS and not since_read:
        return say("forecast.few-cores")
    if course.silent > SILENT_TOO_LONG and not since_read:
        return say("forecast.core-silent")
    return ""


def slid_out(bodies: Bodies, residual: float, course: Course) -> Text:
    """The reading runs away from every body, up towards the hotter air: its probe creeps out of the meat. It is said until the
    probe is seated anew or a reading by hand bears it out. residual: °C that is missed now."""
    missed = np.append(bodies.missed, residual)
    core = np.append(course.core[: missed.size - 1], course.last)
    agreed = [int(s.at // BLOCK) for s in course.spots if abs(s.celsius - course.core_at(s.at)) <= AGREES + s.spread]
    first = max((*course.seated, *agreed), default=-1) + 1
    for begin in range(first, missed.size - SLIDES_IN + 1):
        end = begin + SLIDES_IN
        air = course.air[begin * BLOCK_STEPS : end * BLOCK_STEPS].mean()
        upwards = SLIDES_FROM <= core[begin] < core[end - 1] < air
        # after a time unread, as when the watch is started late, the bodies only catch up with what they could not know
        known = np.isfinite(missed[max(0, begin - 1) : end]).all()
        if upwards and known and missed[begin:end].sum() > SLIDES_BY:
            return say(SLID_OUT)
    return ""


def poor_fit(bodies: Bodies) -> Text:
    return "" if bodies.misfit < WORST_MISS else say("forecast.unlike")
