"""When a piece reaches each goal, with honest intervals. Pure and deterministic.

An ensemble of small bodies (`body`) is carried along the measured pit (`assimilation`), and beside it one that was wrapped
though nobody said so (`unmarked`); they are run ahead under several assumptions (`ahead`) and given intervals that were checked
on worlds it had never seen (`intervals`).
Where there is no right to a forecast, the reason is said instead.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from daemon.core.forecast.ahead import (
    HOTTER,
    LONGEST,
    NEVER_WRAPPED,
    PLANNED,
    THINNING,
    WRAPPED_NOW,
    Ahead,
    run_ahead,
    stall_end,
    wrap_ahead,
    wrapped_at,
)
from daemon.core.forecast.assimilation import Course, bodies_at_start, course_of
from daemon.core.forecast.body import Array
from daemon.core.forecast.eligibility import SILENT_TOO_LONG, ineligible, poor_fit, possible, slid_out, too_little
from daemon.core.forecast.hold import hold_left, room_for_a_box
from daemon.core.forecast.intervals import Spread, doubt, interval_of, spread_of
from daemon.core.forecast.members import MEMBERS, SHARED
from daemon.core.forecast.unmarked import Stories, carry_stories, hangs_on_wrap, told_by
from daemon.core.forecast_request import ForecastRequest
from daemon.core.inputs import ForecastArrived
from daemon.core.outlook import FanPoint, Goal, Interval, Outlook
from daemon.core.said import Text, say
from daemon.core.settings import PieceSettings

BOILING_MARGIN: Final = 1.0
"""°C below boiling above which wet meat gets no further."""
TOO_HOT: Final = say("forecast.too-hot")
FAN_POINTS: Final = 60
FAN_STRETCH: Final = 1.6
"""The raw fan is widened about its median by this (the same lack of model error as for the intervals), and by `doubt`."""
USUAL_AMBIENT: Final = 15.0
"""°C where no probe tells."""
WIDEST: Final = 16 * 3600.0
"""s of width above which no interval is shown: all that pieces of one cut and weight do lies within, read or not, so it says less
than nothing, and nobody can act on it. Ours, no source."""
MOST_CARRIED: Final = 16
"""Pieces carried on; a cook has fewer, and one forgotten starts anew."""


class Forecaster:
    """Answers questions and carries each piece's bodies on from one to the next.

    An answer follows from its question alone: bodies are carried on only where the question's course begins with the one
    that they have come by; else they start anew. One question at a time."""

    def __init__(self) -> None:
        self._carried: dict[str, tuple[PieceSettings, Course, Stories, Array | None]] = {}

    def __call__(self, request: ForecastRequest) -> ForecastArrived:
        """All goals under all assumptions. <= 1 s on a 2-core x86. Never raises for odd data: says `reason` instead."""
        reason = ineligible(request)
        if reason:
            return _refusal(request, reason)
        request = possible(request)
        with np.errstate(all="ignore"):
            ambient = request.ambient
            if ambient is None:
                ambient = USUAL_AMBIENT
            course = course_of(request, ambient)
            reason = too_little(request, course)
            if reason:
                return _refusal(request, reason)
            bodies, unsaid = told_by(self._stories(request, course), request, course)
            residual = np.zeros(MEMBERS)
            if course.silent <= SILENT_TOO_LONG:
                residual = course.last - bodies.ensemble.core
            slid = slid_out(bodies, float(residual.mean()), course) if request.phase == "cook" else ""
            reason = slid or poor_fit(bodies)
            if reason:
                return _refusal(request, reason, _hold_by_cooling(request))
            ahead = run_ahead(request, bodies, residual, ambient, off_goal(request.piece))
            if not request.piece.channel:  # the intervals of such pieces were found without what a probe misses
                ahead = replace(ahead, misfit=0.0)
            outlooks = _cook_outlooks(request, ahead) if request.phase == "cook" else []
            outlooks += _rest_outlooks(request, ahead)
            told = in_order(outlooks, off_is(request.piece) if request.phase == "cook" else None)
            hangs = request.phase == "cook" and hangs_on_wrap(ahead.off[ahead.columns[PLANNED]], unsaid)
            return ForecastArrived(
                request.piece.id, request.asked_at, tuple(map(_rounded, told)), _fan(request, ahead, ambient), hangs
            )

    def _stories(self, request: ForecastRequest, course: Course) -> Stories:
        """Those of this piece at the end of its last whole block over the fire. Not to be changed."""
        blocks, shared = course.on_fire_blocks, self._shared(request)
        piece, known, stories, borrowed = self._carried.pop(request.piece.id, (None, None, None, None))
        same = piece == request.piece and _equal(borrowed, shared)
        if stories is None or known is None or not same or not known.begins(course, stories.blocks):
            stories = Stories(bodies_at_start(request, course, shared))
        carry_stories(stories, request, course, blocks)
        self._carried[request.piece.id] = (request.piece, course, stories, shared)
        while len(self._carried) > MOST_CARRIED:
            del self._carried[next(iter(self._carried))]
        return stories

    def _shared(self, request: ForecastRequest) -> Array | None:
        """What a sibling with a probe has taught about the pit; None where there is none, or the piece is read by itself."""
        if request.piece.channel or request.sibling is None or ineligible(request.sibling):
            return None
        sibling = replace(possible(request.sibling), sibling=None)
        course = course_of(sibling, USUAL_AMBIENT if sibling.ambient is None else sibling.ambient)
        if too_little(sibling, course):
            return None
        bodies = self._stories(sibling, course).bare
        return None if poor_fit(bodies) else bodies.z[SHARED]


def _equal(one: Array | None, other: Array | None) -> bool:
    return one is other if one is None or other is None else np.array_equal(one, other)


def forecast(request: ForecastRequest) -> ForecastArrived:
    """One answer from the start of the cook."""
    return Forecaster()(request)


def _rounded(outlook: Outlook) -> Outlook:
    """To the second and the hundredth of a degree, far below what a forecast knows: what is kept of it is a third as long."""
    at = outlook.at
    return replace(
        outlook,
        at=None if at is None else Interval(float(round(at.p05)), float(round(at.p50)), float(round(at.p95))),
        celsius=None if outlook.celsius is None else round(outlook.celsius, 2),
    )


def off_goal(piece: PieceSettings) -> float | None:
    """Core °C at which a planned piece leaves the fire: its target, or where tenderness is first probed for."""
    return piece.target if piece.target is not None else piece.tender_low


def off_is(piece: PieceSettings) -> Goal:
    """The goal at which a planned piece leaves the fire."""
    return Goal.TARGET if piece.target is not None else Goal.TENDER


def in_order(outlooks: Sequence[Outlook], off: Goal | None) -> list[Outlook]:
    """The same, but what follows from one another agrees. A piece leaves the fire (goal `off`, None: it has) before it falls
    under the hold floor, and its rest is over by then, for it must go back into the warm. What follows from a goal that is not
    foretold is not foretold either."""
    planned = {o.goal: o for o in outlooks if o.scenario == PLANNED}
    first = None if off is None else planned.get(off)
    if first is not None and first.at is None:
        kept = (Goal.REST_PEAK, Goal.REST_END, Goal.HOLD_LIMIT)
        return [replace(o, at=None, reason=first.reason, celsius=None) if o.goal in kept else o for o in outlooks]
    hold = planned.get(Goal.HOLD_LIMIT, Outlook(Goal.HOLD_LIMIT, PLANNED, None)).at
    if hold is not None and first is not None and first.at is not None:
        hold = _latest(hold, first.at)
    found = []
    for outlook in outlooks:
        if hold is not None and outlook.goal is Goal.HOLD_LIMIT:
            found.append(replace(outlook, at=hold))
        elif hold is not None and outlook.goal is Goal.REST_END and outlook.at is not None:
            found.append(replace(outlook, at=_soonest(outlook.at, hold)))
        else:
            found.append(outlook)
    return found


def _latest(one: Interval, other: Interval) -> Interval:
    return Interval(max(one.p05, other.p05), max(one.p50, other.p50), max(one.p95, other.p95))


def _soonest(one: Interval, other: Interval) -> Interval:
    return Interval(min(one.p05, other.p05), min(one.p50, other.p50), min(one.p95, other.p95))


def _goals(request: ForecastRequest) -> list[tuple[Goal, str]]:
    """What is asked of this piece in this phase."""
    piece = request.piece
    goals: list[tuple[Goal, str]] = []
    if request.phase == "cook":
        whats = [PLANNED, HOTTER] if request.wrapped else [PLANNED, WRAPPED_NOW, NEVER_WRAPPED, HOTTER]
        if request.wrapped is None and request.asked_wrap is not None:
            whats.append(wrapped_at(request.asked_wrap))
        if request.wrapped is None and piece.wrap_at is not None:
            goals += [(Goal.WRAP, PLANNED), (Goal.WRAP, HOTTER)]
        goals.append((Goal.STALL_END, PLANNED))
        if request.wrapped is None:
            goals.append((Goal.STALL_END, NEVER_WRAPPED))
        if piece.tender_low is not None:
            goals += [(Goal.TENDER, what) for what in whats]
        if piece.target is not None:
            goals += [(Goal.TARGET, what) for what in whats]
    return [*goals, (Goal.REST_PEAK, PLANNED), (Goal.REST_END, PLANNED), (Goal.HOLD_LIMIT, PLANNED)]


def _refusal(request: ForecastRequest, reason: Text, held: Outlook | None = None) -> ForecastArrived:
    """Every goal with the reason; but for the hold limit where the core's own cooling tells it without any body."""
    outlooks = tuple(
        _rounded(held) if held is not None and goal is held.goal else Outlook(goal, scenario, None, reason)
        for goal, scenario in _goals(request)
    )
    return ForecastArrived(request.piece.id, request.asked_at, outlooks)


def _cook_outlooks(request: ForecastRequest, ahead: Ahead) -> list[Outlook]:
    levels = {
        Goal.WRAP: request.piece.wrap_at,
        Goal.TENDER: request.piece.tender_low,
        Goal.TARGET: request.piece.target,
    }
    outlooks = []
    planned: dict[Goal, Spread] = {}
    asked, refused = _asked_wrap(request)
    for goal, scenario in _goals(request):
        if scenario == asked and refused:
            outlooks.append(Outlook(goal, scenario, None, refused))
        elif goal is Goal.STALL_END:
            outlooks.append(_stall_outlook(request, ahead, scenario))
        elif goal in levels:
            level = levels[goal]
            assert level is not None  # _goals asks for no other
            outlooks.append(_level_outlook(request, ahead, goal, scenario, level, planned))
    return outlooks


def _asked_wrap(request: ForecastRequest) -> tuple[str, Text]:
    """(scenario of the cook's own "if wrapped at", why it has no answer); both "" where nothing is asked or wrong."""
    if request.asked_wrap is None:
        return "", ""
    core = np.asarray(request.core, dtype=np.float64)
    if request.asked_wrap > request.boiling_point - BOILING_MARGIN:
        return wrapped_at(request.asked_wrap), TOO_HOT
    read = core[np.isfinite(core)][-1:]
    past = bool((read >= request.asked_wrap).any())
    return wrapped_at(request.asked_wrap), say("forecast.past-it") if past else ""


def _level_outlook(
    request: ForecastRequest, ahead: Ahead, goal: Goal, scenario: str, level: float, planned: dict[Goal, Spread]
) -> Outlook:
    if not np.isfinite(level) or level > request.boiling_point - BOILING_MARGIN:
        return Outlook(goal, scenario, None, TOO_HOT)
    spread = spread_of(ahead.reached(scenario, level), LONGEST, ahead.misfit, request.on_for)
    if spread is None:
        return Outlook(goal, scenario, None, say("forecast.not-within-day"))
    if scenario == PLANNED:
        planned[goal] = spread
    elif goal in planned:
        spread = _as_shifted(spread, planned[goal], ahead, scenario, level)
    kind = wrap_kind_of(request) if goal is Goal.WRAP else kind_of(request, scenario)
    return _if_narrow(goal, scenario, interval_of(kind, spread, request.asked_at, request.bias_minutes))


def _if_narrow(goal: Goal, scenario: str, at: Interval) -> Outlook:
    """No interval is shown that nobody can act on."""
    width = at.p95 - at.p05
    return Outlook(goal, scenario, *((at, "") if width <= WIDEST else (None, say("forecast.too-wide", width=width))))


def _as_shifted(spread: Spread, planned: Spread, ahead: Ahead, scenario: str, level: float) -> Spread:
    """A what-if uses few members: its median is the planned median times the ratio seen among those same members."""
    few = np.minimum(ahead.reached(PLANNED, level), LONGEST)[::THINNING]
    other = np.minimum(ahead.reached(scenario, level), LONGEST)
    ratio = float(np.median(other / np.maximum(few, 1.0)))
    scale = max(ratio, 0.0)
    widths = np.sqrt(max(scale, 1e-3))
    return Spread(
        planned.middle * scale, max(spread.low, planned.low * widths), max(spread.high, planned.high * widths)
    )


def kind_of(request: ForecastRequest, scenario: str) -> str:
    """Which calibration a core temperature's forecast belongs to. What no probe follows has one of its own: three readings by
    hand say little of how well the bodies describe the piece, so that no miss of theirs widens its intervals."""
    if not request.piece.channel:
        return "by-hand"
    if scenario == NEVER_WRAPPED:
        return "bare"
    if request.wrapped is not None or scenario == WRAPPED_NOW:
        return "wrapped"
    return "bare" if scenario in (PLANNED, HOTTER) and not wrap_ahead(request) else "to-wrap"


def wrap_kind_of(request: ForecastRequest) -> str:
    """The same of the time until the wrap."""
    return "wrap" if request.piece.channel else "wrap-by-hand"


def _stall_outlook(request: ForecastRequest, ahead: Ahead, scenario: str) -> Outlook:
    if request.wrapped is not None:
        return Outlook(Goal.STALL_END, scenario, None, say("forecast.wrapped"))
    left = stall_end(ahead, scenario)
    stalled = left[np.isfinite(left)]
    if stalled.size < 0.5 * left.size:
        return Outlook(Goal.STALL_END, scenario, None, say("forecast.no-stall"))
    spread = spread_of(stalled, LONGEST, ahead.misfit)
    if spread is None:
        return Outlook(Goal.STALL_END, scenario, None, say("forecast.stall-lasts"))
    at = interval_of("stall-end", spread, request.asked_at, request.bias_minutes)
    return _if_narrow(Goal.STALL_END, scenario, at)


def _rest_outlooks(request: ForecastRequest, ahead: Ahead) -> list[Outlook]:
    columns = ahead.columns[PLANNED]
    off = ahead.off[columns]
    left: Spread | None = Spread(0.0, 0.0, 0.0)
    if request.phase == "cook":
        left = spread_of(off, LONGEST, ahead.misfit, request.on_for)
    if left is None or (off_goal(request.piece) is None and request.phase == "cook"):
        reason = say("forecast.stays-on") if left is None else say("forecast.no-target")
        return [Outlook(goal, PLANNED, None, reason) for goal in (Goal.REST_PEAK, Goal.REST_END, Goal.HOLD_LIMIT)]
    paths = np.where(ahead.times[:, None] >= off[None, :], ahead.core[:, columns], -np.inf)
    return [
        _peak_outlook(request, ahead, paths, off, left),
        _rest_end_outlook(request, ahead, off, left),
        _hold_outlook(request, ahead, paths, off),
    ]


def _peak_outlook(request: ForecastRequest, ahead: Ahead, paths: Array, off: Array, left: Spread) -> Outlook:
    if request.phase == "hold":
        return Outlook(Goal.REST_PEAK, PLANNED, None, say("forecast.rest-over"))
    at = paths.argmax(axis=0)
    if request.phase == "rest" and np.median(at) == 0:
        return Outlook(Goal.REST_PEAK, PLANNED, None, say("forecast.past-peak"))
    celsius = float(np.median(paths.max(axis=0)))
    spread = spread_of(np.where(np.isfinite(off), ahead.times[at], np.inf), LONGEST, ahead.misfit)
    if spread is None or not np.isfinite(celsius):
        return Outlook(Goal.REST_PEAK, PLANNED, None, say("forecast.stays-on"))
    return Outlook(Goal.REST_PEAK, PLANNED, _rest_interval(request, spread), celsius=celsius)


def _rest_interval(request: ForecastRequest, spread: Spread) -> Interval:
    """What the pit taught holds for the fire only: a rest that has begun owes it nothing."""
    cooking = request.phase == "cook"
    kind = kind_of(request, PLANNED) if cooking else "wrapped"
    return interval_of(kind, spread, request.asked_at, request.bias_minutes if cooking else 0.0)


def _rest_end_outlook(request: ForecastRequest, ahead: Ahead, off: Array, left: Spread) -> Outlook:
    if request.phase == "hold":
        return Outlook(Goal.REST_END, PLANNED, None, say("forecast.rest-over"))
    if request.phase == "rest" and request.off_at is not None:
        end = max(request.off_at + request.rest, request.asked_at)
        interval = Interval(end, end, end)
        when = np.full(off.size, end - request.asked_at)
    else:
        off_at = interval_of(kind_of(request, PLANNED), left, request.asked_at, request.bias_minutes)
        interval = Interval(off_at.p05 + request.rest, off_at.p50 + request.rest, off_at.p95 + request.rest)
        when = off + request.rest
    columns = ahead.columns[PLANNED]
    core = [np.interp(t, ahead.times, ahead.core[:, c]) for t, c in zip(when, columns, strict=True) if np.isfinite(t)]
    return Outlook(Goal.REST_END, PLANNED, interval, celsius=float(np.median(core)) if core else None)


def _hold_outlook(request: ForecastRequest, ahead: Ahead, paths: Array, off: Array) -> Outlook:
    """When the core first falls below the hold floor, off the fire: by its own cooling as soon as that tells, else by the
    bodies, which lie on a table unless a cabinet is known; it may as well be laid into a closed box."""
    told = _hold_by_cooling(request)
    if told is not None:
        return told
    off_now = np.isfinite(off)
    reached = paths >= request.hold_floor
    been = np.maximum.accumulate(reached, axis=0)
    if request.phase != "cook":
        been |= True
    below = been & (paths < request.hold_floor) & np.isfinite(paths)
    when = np.where(below.any(axis=0), ahead.times[below.argmax(axis=0)], np.inf)
    when[~off_now] = np.inf
    spread = spread_of(when, float(ahead.times[-1]) if ahead.times[-1] > 0 else LONGEST, ahead.misfit)
    if spread is None:
        return Outlook(Goal.HOLD_LIMIT, PLANNED, None, say("forecast.stays-hot"))
    at = _rest_interval(request, spread)
    if request.hold_cabinet is None:
        at = room_for_a_box(request, at, spread.middle - float(np.median(off)))
    return Outlook(Goal.HOLD_LIMIT, PLANNED, at, celsius=request.hold_floor)


def _hold_by_cooling(request: ForecastRequest) -> Outlook | None:
    """The hold limit as the core's own fall has it, whatever the bodies say; None while it does not tell."""
    left = None if request.phase == "cook" else hold_left(request)
    if left is None:
        return None
    at = Interval(*(request.asked_at + seconds for seconds in (left.p05, left.p50, left.p95)))
    return Outlook(Goal.HOLD_LIMIT, PLANNED, at, celsius=request.hold_floor)


def _fan(request: ForecastRequest, ahead: Ahead, ambient: float) -> tuple[FanPoint, ...]:
    """Planned core temperatures, thinned, not wider than from the room to boiling water. Ends where the last member has
    rested for two hours."""
    columns = ahead.columns[PLANNED]
    off = ahead.off[columns]
    end = (
        min(float(np.max(off)) + 2 * 3600.0, float(ahead.times[-1]))
        if np.isfinite(off).all()
        else float(ahead.times[-1])
    )
    times = np.linspace(0.0, end, FAN_POINTS)
    low, middle, high = np.quantile(ahead.core[:, columns], (0.05, 0.5, 0.95), axis=1)
    stretch = FAN_STRETCH * doubt(ahead.misfit)
    low = np.maximum(middle - stretch * (middle - low), np.minimum(ambient, low))
    high = np.minimum(middle + stretch * (high - middle), np.maximum(request.boiling_point, middle))
    rows = [np.interp(times, ahead.times, row) for row in (low, middle, high)]
    if not np.isfinite(rows).all():
        return ()
    now = request.asked_at
    return tuple(
        FanPoint(float(round(now + float(t))), *(round(float(v), 2) for v in row))
        for t, *row in zip(times, *rows, strict=True)
    )
