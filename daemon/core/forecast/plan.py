"""Before the cook: when to light, when to put each piece on, how much wood.

Pure numbers; the words are the command line's. Times are engine seconds, temperatures °C.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, prod
from statistics import NormalDist
from typing import Final

import numpy as np

from daemon.core.forecast.ahead import LONGEST, PLANNED, WRAP_DELAY, Ahead, run_ahead
from daemon.core.forecast.assimilation import Bodies
from daemon.core.forecast.body import MeatEnsemble, Surroundings, air_pressure
from daemon.core.forecast.intervals import interval_of, spread_of
from daemon.core.forecast.members import MEMBERS, prior, traits_of
from daemon.core.forecast.outlooks import off_goal
from daemon.core.forecast_request import ForecastRequest
from daemon.core.outlook import Interval
from daemon.core.planned import KeptPlan, PlannedPiece, wait_in_hold
from daemon.core.said import Text, say
from daemon.core.settings import Band, PieceSettings

WANTED_CHANCE: Final = 0.90
"""Of serving on time, all pieces together."""
FRIDGE: Final = 5.0  # °C, meat at its start; common practice, no source
NEARLY: Final = 0.005
"""Of a chance: what is shown as the same per cent."""
SIDE: Final = NormalDist().inv_cdf(0.95)
"""Standard deviations from the median to p95."""


@dataclass(frozen=True, slots=True)
class Feeding:
    """How a pit is fed. log_interval: s from one log to the next; heat_up: s from the match to the band; log_weight kg;
    kindling: logs burnt by then. The defaults are common practice, no source; a pit's own records are better."""

    log_interval: float = 40 * 60.0
    heat_up: float = 75 * 60.0
    log_weight: float = 0.7
    kindling: int = 3


@dataclass(frozen=True, slots=True)
class PiecePlan:
    """One piece. lasts: s on the fire. put_on: latest engine time that keeps the wanted chance. off: from then.
    waits: s in the hold at the median, see `wait_in_hold`. reason: why there is no plan (then the times are None).
    wrap_after: s on the fire until its wrap, at the median, None = never. pit: whose fire cooks it. done_by: when it has to be
    off. own: it is served at a time of its own."""

    piece: str
    lasts: Interval | None
    put_on: float | None
    off: Interval | None
    waits: float | None
    reason: Text = ""
    wrap_after: float | None = None
    pit: str = ""
    done_by: float = 0.0
    own: bool = False


@dataclass(frozen=True, slots=True)
class Hearth:
    """The wood of one pit. fires: when each log falls due. off: when its last piece is, at the median."""

    pit: str
    fires: tuple[float, ...]
    off: float


@dataclass(frozen=True, slots=True)
class Course:
    """How far a piece of a running cook has come. off: when it left the fire, or will by its forecast, None = not foretold yet.
    wrapped: when it was wrapped, or will be by its forecast."""

    on_at: float
    off: Interval | None = None
    is_off: bool = False
    wrapped: float | None = None


@dataclass(frozen=True, slots=True)
class Running:
    """What has been done of the cook that is planned. fires: since when the fire of a pit burns, of those that do. courses: of
    the pieces that are on, or were."""

    now: float
    fires: Mapping[str, float]
    courses: Mapping[str, Course]


@dataclass(frozen=True, slots=True)
class Plan:
    """light: engine time of the first match, None when no piece can be planned. fires: when each log falls due after a pit is in
    its band, until its last piece is surely off. logs, wood kg: all of it, kindling included. chance: each piece is planned to
    it. lights: of each pit that cooks something, when it is lit, or was; the earliest first."""

    serve_at: float
    rest: float
    pieces: tuple[PiecePlan, ...]
    light: float | None
    fires: tuple[float, ...]
    logs: int
    wood: float
    chance: float = WANTED_CHANCE
    running: Running | None = None
    lights: tuple[tuple[str, float], ...] = ()
    hearths: tuple[Hearth, ...] = ()
    """Of the same pits."""

    def fires_between(self, start: float, end: float) -> tuple[float, ...]:
        """Those that fall due in start <= t < end, a night for instance."""
        return tuple(t for t in self.fires if start <= t < end)


def plan(
    pieces: Sequence[PieceSettings],
    band: Band,
    serve_at: float,
    rest: float,
    ambient: float,
    feeding: Feeding | None = None,
    boiling_point: float = 100.0,
    lesson: float = 0.0,
    running: Running | None = None,
    bands: Mapping[str, Band] | None = None,
) -> Plan:
    """When to light and put on so that everything has been off for `rest` s by `serve_at`, or by its own serving time, with the
    wanted chance.

    Durations come from the forecaster's own bodies before they have seen a reading, in a pit that stays in its band.
    lesson: minutes per hour by which this pit has been later than foretold. running: what has been done already: that stays as
    it was done, nothing is put on in the past, wood is what is still needed, and the chance is the one that is left. bands: of
    pits that have another than `band`; each pit is lit for the first of its own pieces."""
    feeding = feeding or Feeding()
    # Pieces are taken as independent: each gets the root, so that all of them together keep the promise.
    each = WANTED_CHANCE ** (1.0 / max(len(pieces), 1))
    courses = {} if running is None else running.courses
    soonest = {p.pit: _takes_meat_at(p.pit, pieces, running, feeding) for p in pieces}
    planned = tuple(
        _plan_piece(
            p, (bands or {}).get(p.pit, band), (serve_at if p.serve_at is None else p.serve_at) - rest, ambient,
            boiling_point, each, lesson, courses.get(p.id), soonest[p.pit],
        )
        for p in pieces
    )  # fmt: skip
    lit = {} if running is None else running.fires
    lights: dict[str, float] = {}
    hearths: list[Hearth] = []
    logs = 0
    for pit in dict.fromkeys(p.pit for p in planned if p.put_on is not None):
        own = [p for p in planned if p.pit == pit]
        lights[pit] = lit.get(pit, min(p.put_on for p in own if p.put_on is not None) - feeding.heat_up)
        in_band = lights[pit] + feeding.heat_up
        if running is not None and pit in lit:
            in_band = max(in_band, running.now)
        last_off = max(p.off.p95 for p in own if p.off is not None)
        count = ceil(max(last_off - in_band, 0.0) / feeding.log_interval) if feeding.log_interval > 0.0 else 0
        fires = tuple(in_band + feeding.log_interval * number for number in range(count))
        hearths.append(Hearth(pit, fires, max(p.off.p50 for p in own if p.off is not None)))
        logs += count if pit in lit else feeding.kindling + count
    if not lights:
        return Plan(serve_at, rest, planned, None, (), 0, 0.0, running=running)
    chance = WANTED_CHANCE
    if courses or any(p.put_on is not None and p.put_on == soonest[p.pit] for p in planned):
        chance = _chance(planned, courses)
    by_hour = tuple(sorted(lights.items(), key=lambda one: one[1]))
    every = tuple(sorted(at for hearth in hearths for at in hearth.fires))
    return Plan(
        serve_at, rest, planned, by_hour[0][1], every, logs, logs * feeding.log_weight, chance, running, by_hour, tuple(hearths)
    )  # fmt: skip


def _chance(planned: Sequence[PiecePlan], courses: Mapping[str, Course], later: float = 0.0) -> float:
    """That all which is not off yet is served in time, or `later` s after that."""
    left = [p for p in planned if not (p.piece in courses and courses[p.piece].is_off)]
    return prod(chance_by(p.off, p.done_by + later) for p in left if p.off is not None)


def _takes_meat_at(
    pit: str, pieces: Sequence[PieceSettings], running: Running | None, feeding: Feeding
) -> float | None:
    """The earliest that anything can still be put on this pit; None before the cook."""
    if running is None:
        return None
    if pit not in running.fires:
        return running.now + feeding.heat_up
    begun = any(p.pit == pit and p.id in running.courses for p in pieces)
    return running.now if begun else max(running.now, running.fires[pit] + feeding.heat_up)


def lateness(made: Plan, light: float) -> dict[str, float]:
    """s by which each fire that does not burn would be late if it were lit at `light`."""
    lit = {} if made.running is None else made.running.fires
    return {pit: max(0.0, light - at) for pit, at in made.lights if pit not in lit}


def chance_if_lit(made: Plan, light: float) -> float:
    """Chance of serving everything that is planned on time when what does not burn yet is lit at `light`, late or not."""
    assert made.light is not None, "something is planned"
    late, chance = lateness(made, light), 1.0
    for piece in made.pieces:
        if piece.put_on is not None and piece.off is not None:
            first = min(p.put_on for p in made.pieces if p.put_on is not None and p.pit == piece.pit)
            # a piece that goes on later than the first may not mind
            waits = max(0.0, first + late.get(piece.pit, 0.0) - piece.put_on)
            off = Interval(*(t + waits for t in (piece.off.p05, piece.off.p50, piece.off.p95)))
            chance *= chance_by(off, piece.done_by)
    return chance


def serving_later(made: Plan, wanted: float = WANTED_CHANCE) -> float | None:
    """s by which the serving has to be later for the wanted chance, as things stand; None: it need not be."""
    courses = {} if made.running is None else made.running.courses
    if _chance(made.pieces, courses) >= wanted - NEARLY:
        return None
    low, high = 0.0, 3600.0
    while _chance(made.pieces, courses, high) < wanted:
        low, high = high, 2.0 * high
    while high - low > 60.0:
        middle = (low + high) / 2.0
        low, high = (low, middle) if _chance(made.pieces, courses, middle) >= wanted else (middle, high)
    return high


def too_late(made: Plan, now: float, heat_up: float) -> dict[str, float]:
    """s by which each piece would have had to begin before `now`, its fire included, for its serving time; those alone that
    would."""
    late = {p.piece: now - (p.put_on - heat_up) for p in made.pieces if p.put_on is not None}
    return {piece: by for piece, by in late.items() if by > 0.0}


def _plan_piece(
    piece: PieceSettings,
    band: Band,
    done_by: float,
    ambient: float,
    boiling_point: float,
    chance: float,
    lesson: float,
    course: Course | None = None,
    soonest: float | None = None,
) -> PiecePlan:
    """soonest: before which it cannot be put on, None = whenever it must."""
    own = piece.serve_at is not None
    if course is not None and course.off is not None:
        on, wrapped = course.on_at, course.wrapped
        spent = Interval(*(max(0.0, at - on) for at in (course.off.p05, course.off.p50, course.off.p95)))
        wrap_after = None if wrapped is None else max(0.0, wrapped - on)
        waits = wait_in_hold(course.off.p50, 0.0, done_by)
        return PiecePlan(piece.id, spent, on, course.off, waits, "", wrap_after, piece.pit, done_by, own)
    ahead, reason = _on_fire(piece, band, ambient, boiling_point)
    lasts, reason = (None, reason) if ahead is None else _lasts(ahead, piece, lesson)
    if ahead is None or lasts is None:
        return PiecePlan(piece.id, None, None, None, None, reason, pit=piece.pit)
    put_on = done_by - at_chance(lasts, chance) if course is None else course.on_at
    if course is None and soonest is not None:
        put_on = max(put_on, soonest)
    off = Interval(put_on + lasts.p05, put_on + lasts.p50, put_on + lasts.p95)
    waits, wrap_after = wait_in_hold(off.p50, 0.0, done_by), _wrap_after(ahead, piece, lasts)
    return PiecePlan(piece.id, lasts, put_on, off, waits, "", wrap_after, piece.pit, done_by, own)


def time_on_fire(
    piece: PieceSettings, band: Band, ambient: float, boiling_point: float = 100.0, lesson: float = 0.0
) -> tuple[Interval | None, Text]:
    """(s from on to off, "") or (None, why not)."""
    ahead, reason = _on_fire(piece, band, ambient, boiling_point)
    return (None, reason) if ahead is None else _lasts(ahead, piece, lesson)


def _on_fire(piece: PieceSettings, band: Band, ambient: float, boiling_point: float) -> tuple[Ahead | None, Text]:
    """What bodies that have seen no reading go through, or why nothing can be said."""
    goal = off_goal(piece)
    if goal is None:
        return None, say("forecast.no-target")
    if goal >= boiling_point:
        return None, say("forecast.too-hot")
    if not piece.thickness > 0.0:
        return None, say("forecast.not-described")
    request = ForecastRequest(piece, 0.0, 0.0, "cook", band, boiling_point, (), (), (), ambient=ambient)
    with np.errstate(all="ignore"):
        ensemble = MeatEnsemble(traits_of(prior(), piece, FRIDGE), air_pressure(boiling_point))
        unread = Bodies(prior(), ensemble, Surroundings.bare(MEMBERS))
        return run_ahead(request, unread, np.zeros(MEMBERS), ambient, goal), ""


def _lasts(ahead: Ahead, piece: PieceSettings, lesson: float) -> tuple[Interval | None, Text]:
    goal = off_goal(piece)
    assert goal is not None, "it has been run ahead"
    spread = spread_of(ahead.reached(PLANNED, goal), LONGEST)
    if spread is None:
        return None, say("forecast.not-within-day")
    # a piece that only has a target is done before most of what makes a tough one slow
    return interval_of("plan" if piece.tender_low is not None else "plan-target", spread, 0.0, lesson), ""


def _wrap_after(ahead: Ahead, piece: PieceSettings, lasts: Interval) -> float | None:
    """At the median; a piece that is done before it is wrapped has no wrap."""
    if piece.wrap is None or piece.wrap_at is None:
        return None
    at = float(np.median(ahead.reached(PLANNED, piece.wrap_at))) + WRAP_DELAY
    return at if at < lasts.p50 else None


def kept_plan(made: Plan, feeding: Feeding, wake: bool) -> KeptPlan | None:
    """The plan as the core keeps it; None where nothing could be planned."""
    if made.light is None:
        return None
    pieces = tuple(
        PlannedPiece(p.piece, p.put_on, p.lasts.p05, p.lasts.p50, p.lasts.p95, p.wrap_after,
                     p.done_by + made.rest if p.own else None)
        for p in made.pieces
        if p.put_on is not None and p.lasts is not None
    )  # fmt: skip
    return KeptPlan(
        made.serve_at, made.rest, made.light, feeding.heat_up, feeding.log_interval, pieces, wake, made.chance,
        made.logs, made.wood,
    )  # fmt: skip


def at_chance(when: Interval, chance: float) -> float:
    """The value that is not passed with this chance: a normal law on each side of the median."""
    deviations = NormalDist().inv_cdf(chance) / SIDE
    side = when.p95 - when.p50 if deviations >= 0.0 else when.p50 - when.p05
    return when.p50 + deviations * side


def chance_by(when: Interval, deadline: float) -> float:
    """Chance that it has happened by `deadline`; the inverse of `at_chance`."""
    late = deadline - when.p50
    side = (when.p95 - when.p50 if late >= 0.0 else when.p50 - when.p05) / SIDE
    if side <= 0.0:
        return 1.0 if late >= 0.0 else 0.0
    return NormalDist().cdf(late / side)
