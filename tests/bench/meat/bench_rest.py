"""Scores what is forecast after the fire: carry-over, how long a hold lasts, a cabinet that goes cold, leftovers in the cold.

    python -m tests.bench.figures --only rest --seed 4711

Both truths of `rest_truth`, none of which the forecaster's intervals were found on. Every question is asked as the watch
asks it: it knows the readings, the marks and the ambient probe by the pit, and neither the room nor the box. All targets
are our own and were set before the first run on a fresh seed. Lines that miss say MISSED; a real rest will be judged worse.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.alarms.conditions.kept import early_half
from daemon.core.alarms.rule import warn_within
from daemon.core.alarms.rules import RULES_BY_ID
from daemon.core.food_safety.lethality import celsius
from daemon.core.food_safety.record import SafetyRecord
from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import ForecastRequest
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pieces.piece import SLOPE_MINUTES
from daemon.core.pieces.seat import slope_per_minute
from daemon.core.settings import HoldSettings, MeatKind, PieceSettings, SleeperSettings
from tests.bench.figure import NO_TARGET, Figure
from tests.bench.meat.bench_safety import rows
from tests.bench.meat.forecast_cases import FIRST_MINUTE, question, straight_line
from tests.bench.meat.rest_truth import (
    BOX,
    CABINET,
    REST,
    TABLE,
    TRIPPED,
    TRIPS_AFTER,
    TRUTHS,
    Chill,
    Rest,
    chills_of,
    rests_of,
)

FLOOR: Final = HoldSettings().floor
COMMON_RISE: Final = 3.0
"""°C of carry-over, common practice, no source."""
BEFORE_OFF: Final = (60, 20)
AFTER_OFF: Final = 10
"""Minutes from off at which the peak is asked for."""
HELD_FOR: Final = {"off": 0, "rest end": REST, "1 h into the hold": 2 * REST}
"""Minutes after off at which the hold limit is asked for."""
TOLD_BEFORE: Final = 15
EVERY: Final = 20
"""Minutes between the questions while a warning is waited for (the watch asks every ten)."""
CABINET_ASKED: Final = (REST + 10, REST + 60, REST + 115)
"""Minutes after off; the cabinet is at 66 °C at all of them."""
COVERED: Final = (0.85, 0.98)

PEAK_OFF: Final = 1.0
PEAK_LATE: Final = {60: 20.0, 20: 12.0, -AFTER_OFF: 8.0}
HOLD_LATE: Final[dict[str, dict[str, float | None]]] = {
    TABLE: {"off": 35.0, "rest end": 20.0, "1 h into the hold": 12.0},
    BOX: {"off": None, "rest end": 90.0, "1 h into the hold": 45.0},
}
"""Minutes. None: nobody can know at off that it goes into a box; the interval has to leave room for it."""
TOLD, FORECAST = 0.95, 0.9
FALSE_FALLS: Final = 0.05
TRIP_TOLD_BEFORE: Final = 30.0
RIGHT: Final = 0.9

HOLD_RULE = RULES_BY_ID["hold-falling"]


def asked(rest: Rest, keeping: str, minute: int) -> ForecastRequest:
    """What the watch asks `minute` minutes after off (negative: before)."""
    if minute < 0:
        return question(rest.cook, rest.off + minute)
    kept, cook, off = rest.kept[keeping], rest.cook, rest.off
    length, core = minute + 1, read_so_far(rest, keeping, minute)
    pit = np.r_[cook.pit_read[:off], np.full(length, cook.pit_read[off])]
    wrapped_at = off if kept.wrapped != cook.wrapped else cook.wrapped_minute
    so_far = replace(cook, core_read=core, pit_read=pit, wrapped=kept.wrapped, wrapped_minute=wrapped_at)
    cabinet = None if kept.cabinet is None else float(kept.cabinet[minute])
    return replace(
        question(so_far, off + minute), phase="rest" if minute < REST else "hold",
        off_at=(FIRST_MINUTE + off) * 60.0, rest=REST * 60.0, hold_cabinet=cabinet,
    )  # fmt: skip


def read_so_far(rest: Rest, keeping: str, minute: int) -> NDArray[np.float64]:
    """Core readings from the meat going on until `minute` minutes after off."""
    return np.concatenate([rest.cook.core_read[: rest.off], rest.kept[keeping].core_read[: minute + 1]])


def outlook(request: ForecastRequest, goal: Goal) -> Outlook:
    return next(o for o in forecast(request).outlooks if o.goal is goal and o.scenario == "planned")


def minutes_left(at: Interval, request: ForecastRequest) -> Interval:
    return Interval(*((t - request.asked_at) / 60.0 for t in (at.p05, at.p50, at.p95)))


def falls_at(core: NDArray[np.float64]) -> int | None:
    """First minute below the floor."""
    below = np.flatnonzero(core < FLOOR)
    return int(below[0]) if below.size else None


def falling_line(core: Iterable[float]) -> float:
    """Minutes to the floor in a straight line of the last 45 min."""
    return straight_line([-c for c in core], -FLOOR)


# --- carry-over --------------------------------------------------------------------------------------


def peak_figures(truth: str, rests: Sequence[Rest]) -> list[Figure]:
    figures = []
    for before in (*BEFORE_OFF, -AFTER_OFF):
        own, late, none, rule, line = [], [], [], [], []
        silent = 0
        for rest in rests:
            request = asked(rest, TABLE, -before)
            core = rest.kept[TABLE].core_true
            at, peak = int(core.argmax()), float(core.max())
            if before < 0 and at <= -before:
                continue  # past it: there is nothing to forecast
            found = outlook(request, Goal.REST_PEAK)
            if found.at is None or found.celsius is None:
                silent += 1
                continue
            starts = rest.cook.tender_low if before > 0 else float(np.median(request.core[-5:]))
            own.append(abs(found.celsius - peak))
            none.append(abs(starts - peak))
            rule.append(abs(rest.cook.tender_low + COMMON_RISE - peak))
            truly = before + at
            late.append(abs(minutes_left(found.at, request).p50 - truly))
            to_tender = straight_line(request.core, rest.cook.tender_low) if before > 0 else 0.0
            line.append(abs(to_tender - truly))
        when = f"{before} min before off" if before > 0 else f"{-before} min after off"
        figures += [
            _most(f"{truth}: peak asked {when}, MAE °C", own, PEAK_OFF,
                  f"no carry-over {_mean(none):.2f}, always +{COMMON_RISE:g} °C (common practice, no source) "
                  f"{_mean(rule):.2f}; n {len(own)}, not told {silent}"),
            _most(f"{truth}: peak asked {when}, MAE min", late, PEAK_LATE[before],
                  f"straight line to off, no carry-over {_mean(line):.0f}"),
        ]  # fmt: skip
    return figures


# --- how long a hold lasts ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fall:
    """One hold limit, minutes from the question."""

    truth: float
    at: Interval
    line: float


def fall_answers(rests: Sequence[Rest], keeping: str, minute: int) -> tuple[list[Fall], int, int]:
    """(answers, falls ahead that were not forecast, number of them)."""
    found, silent, ahead = [], 0, 0
    for rest in rests:
        falls = falls_at(rest.kept[keeping].core_true)
        if falls is None or falls <= minute:
            continue
        ahead += 1
        request = asked(rest, keeping, minute)
        told = outlook(request, Goal.HOLD_LIMIT)
        if told.at is None:
            silent += 1
        else:
            found.append(Fall(falls - minute, minutes_left(told.at, request), falling_line(request.core)))
    return found, silent, ahead


def hold_figures(truth: str, rests: Sequence[Rest], keeping: str) -> list[Figure]:
    figures = []
    for name, minute in HELD_FOR.items():
        found, silent, ahead = fall_answers(rests, keeping, minute)
        error = [abs(f.at.p50 - f.truth) for f in found]
        late = [f.at.p50 - f.truth for f in found]
        line = [abs(f.line - f.truth) for f in found]
        covers = _mean([f.at.p05 <= f.truth <= f.at.p95 for f in found])
        given = (ahead - silent) / ahead if ahead else np.nan
        width = np.median([f.at.p95 - f.at.p05 for f in found]) if found else np.nan
        where = f"{truth}: hold limit, {keeping}, asked at {name}"
        figures += [
            _most(f"{where}, MAE min", error, HOLD_LATE[keeping][name],
                  f"straight line {_mean(line):.0f}; mean {_mean(late):+.0f}, true {_mean([f.truth for f in found]):.0f};"
                  f" n {ahead}, not told {silent}"),
            Figure(f"{where}, 90 % interval covers", covers, f"{COVERED[0]}..{COVERED[1]}",
                   COVERED[0] <= covers <= COVERED[1], f"median width {width:.0f} min"),
            Figure(f"{where}, share forecast at all", given, f">= {FORECAST}", given >= FORECAST),
        ]  # fmt: skip
    return figures


def warned(rest: Rest, keeping: str, first: int, last: int) -> tuple[int | None, int | None]:
    """(minute off the fire at which the watch warns of the floor, the same by the slope of ten minutes alone), as the
    judge of held meat does it: by slope or forecast, whichever is sooner."""
    kept, lead = rest.kept[keeping], warn_within(HOLD_RULE, SleeperSettings().lead)
    at: Interval | None = None
    by_slope: int | None = None
    for minute in range(first, last + 1):
        rate = slope_per_minute(kept.core_read[minute + 1 - SLOPE_MINUTES : minute + 1].tolist())
        core = float(kept.core_read[minute])
        fall = -rate / 60.0
        sloping = core <= FLOOR or (fall > 0 and (core - FLOOR) / fall <= lead)
        if by_slope is None and sloping:
            by_slope = minute
        if (minute - first) % EVERY == 0:
            at = outlook(asked(rest, keeping, minute), Goal.HOLD_LIMIT).at
        now = (FIRST_MINUTE + rest.off + minute + 1) * 60.0
        if sloping or (at is not None and early_half(at) - now <= lead):
            return minute, by_slope
    return None, by_slope


def told_figures(truth: str, rests: Sequence[Rest], keeping: str) -> list[Figure]:
    """Whether the watch warns at least a quarter of an hour before the floor, and not hours before."""
    ahead, simple = [], []
    for rest in rests:
        falls = falls_at(rest.kept[keeping].core_true)
        if falls is None or falls < 90:
            continue
        told, _ = warned(rest, keeping, max(SLOPE_MINUTES, falls - 120), falls)
        ahead.append(0 if told is None else falls - told)
        line = (
            m for m in range(max(60, falls - 120), falls) if falling_line(read_so_far(rest, keeping, m)) <= TOLD_BEFORE
        )
        simple.append(falls - next(line, falls))
    share = _mean([a >= TOLD_BEFORE for a in ahead])
    return [
        Figure(f"{truth}: {keeping}, warned {TOLD_BEFORE} min or more before the floor", share, f">= {TOLD}", share >= TOLD,
               f"straight line {_mean([a >= TOLD_BEFORE for a in simple]):.2f}; n {len(ahead)}"),
        Figure(f"{truth}: {keeping}, warned so long before the floor, median min",
               float(np.median(ahead)) if ahead else np.nan, "<= 90", bool(ahead) and float(np.median(ahead)) <= 90),
    ]  # fmt: skip


# --- cabinets ----------------------------------------------------------------------------------------


def cabinet_figures(truth: str, rests: Sequence[Rest]) -> list[Figure]:
    """A cabinet that keeps its 66 °C, and one that goes cold two hours into the hold."""
    said, line, asked_of = 0, 0, 0
    for rest in rests:
        if falls_at(rest.kept[CABINET].core_true) is not None:
            continue
        requests = [asked(rest, CABINET, minute) for minute in CABINET_ASKED]
        asked_of += 1
        said += any(outlook(request, Goal.HOLD_LIMIT).at is not None for request in requests)
        line += any(falling_line(request.core) < 8 * 60 for request in requests)
    false = said / asked_of if asked_of else np.nan
    trip, after, before, slope_before = REST + TRIPS_AFTER, [], [], []
    for rest in rests:
        falls = falls_at(rest.kept[TRIPPED].core_true)
        if falls is None:
            continue
        told, by_slope = warned(rest, TRIPPED, trip, falls)
        after.append((falls if told is None else told) - trip)
        before.append(falls - (falls if told is None else told))
        slope_before.append(np.nan if by_slope is None else falls - by_slope)
    in_time = _mean([b >= TRIP_TOLD_BEFORE for b in before])
    return [
        Figure(f"{truth}: cabinet at 66 °C, falsely said to fall below the floor", false, f"<= {FALSE_FALLS}",
               false <= FALSE_FALLS, f"straight line, within 8 h, {line / max(1, asked_of):.2f}; n {asked_of}"),
        Figure(f"{truth}: cabinet goes cold, warned {TRIP_TOLD_BEFORE:.0f} min or more before the floor", in_time,
               f">= {TOLD}", in_time >= TOLD, f"n {len(before)}, least {min(before, default=0)} min"),
        Figure(f"{truth}: cabinet goes cold, warned after it, median min", float(np.median(after)) if after else np.nan,
               NO_TARGET, True, f"{_median(before):.0f} min before the floor"),
    ]  # fmt: skip


# --- leftovers in the cold ---------------------------------------------------------------------------

SOME_ROAST = PieceSettings("roast", "Roast", "beef-chuck-roll", MeatKind.WHOLE_ROAST, "core", 3.0, 0.1, 1.0)


@dataclass(frozen=True, slots=True)
class Stage:
    """One limit of the cooling rule. start, end: °C; within: minutes from `start`."""

    start: float
    end: float
    within: float


def stages() -> list[Stage]:
    return [
        Stage(celsius(float(r["from_F"])), celsius(float(r["to_F"])), 60.0 * float(r["within_hours"]))
        for r in rows("food_code_cooling.csv")
    ]


def verdicts(chill: Chill, stage: Stage) -> Iterator[tuple[bool, bool, bool]]:
    """(truth, said, straight line): late, asked half of the stage's time after the core left its start. Nothing where the
    stage was over by then."""
    left = np.flatnonzero(chill.core_true < stage.start)
    there = np.flatnonzero(chill.core_true <= stage.end)
    half = int(left[0] + stage.within / 2) if left.size else chill.core_true.size
    if half >= chill.core_true.size or (there.size and there[0] <= half):
        return
    late = not there.size or there[0] > left[0] + stage.within
    record = SafetyRecord(SOME_ROAST, HoldSettings(), 0.0)
    record.minute(-120.0, 80.0, "rest")  # cooked: 80 °C is far above the table's last row
    record.minute(-60.0, 80.0, "rest")
    for minute in range(half + 1):
        record.minute(60.0 * minute, float(chill.core_read[minute]), "chill")
    line = straight_line([-c for c in chill.core_read[: half + 1]], -stage.end) > stage.within / 2
    yield late, expects_late(record), line


def expects_late(record: SafetyRecord) -> bool:
    """Whether the record says that the stage will be, or has been, missed."""
    left, takes = record.view.cooling_left_seconds, record.view.cooling_takes_seconds
    return left is not None and (left <= 0.0 or (takes is not None and takes > left))


def cooling_figures(truth: str, chills: Sequence[Chill]) -> list[Figure]:
    figures = []
    for stage in stages():
        told = np.array([v for chill in chills for v in verdicts(chill, stage)], dtype=bool).reshape(-1, 3)
        late, said, line = told.T
        right = _mean(said == late)
        missed = int((late & ~said).sum())
        figures.append(
            Figure(f"{truth}: cooling to {stage.end:.0f} °C, verdict at half of its time right", right, f">= {RIGHT}",
                   right >= RIGHT, f"straight line {_mean(line == late):.2f}, never late {_mean(~late):.2f}; n {late.size},"
                   f" late {late.sum()}, of these not told {missed}, falsely told {int((said & ~late).sum())}")
        )  # fmt: skip
    return figures


def _mean(values: Sequence[float] | NDArray[np.float64] | NDArray[np.bool_]) -> float:
    return float(np.mean(values)) if len(values) else float("nan")


def _median(values: Sequence[float]) -> float:
    return float(np.median(values)) if values else float("nan")


def _most(name: str, values: Sequence[float], limit: float | None, beside: str) -> Figure:
    value = _mean(values)
    if limit is None:
        return Figure(name, value, NO_TARGET, True, beside)
    return Figure(name, value, f"<= {limit:g}", value <= limit, beside)


def figures(pieces: int, seed: int) -> list[Figure]:
    """Every figure on `pieces` pieces of each truth; warnings, which need many questions, on a third of them."""
    told: list[Figure] = []
    for truth in TRUTHS:
        rests = rests_of(truth, seed, pieces)
        some = rests[: max(1, pieces // 3)]
        told += peak_figures(truth, rests)
        for keeping in (TABLE, BOX):
            told += hold_figures(truth, rests, keeping)
            told += told_figures(truth, some, keeping)
        told += cabinet_figures(truth, some)
        told += cooling_figures(truth, chills_of(truth, seed, 2 * pieces))
    return told
