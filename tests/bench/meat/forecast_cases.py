"""Simulated cooks as questions to the forecaster, with their answers: shared by its calibration and its bench."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from daemon.core.forecast.ahead import RESIDUAL_FADES_IN, first_crossing
from daemon.core.forecast.assimilation import BLOCK, bodies_at_start, brought_up, carry, course_of
from daemon.core.forecast.outlooks import Forecaster, kind_of, wrap_kind_of
from daemon.core.forecast.plan import time_on_fire
from daemon.core.forecast_request import CoreSpot, ForecastRequest, WrapDone
from daemon.core.outlook import Goal, Interval
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap
from drivers.simulated.records import CookRecord

FIRST_MINUTE = 1000
"""Engine minute at which every simulated piece goes on; any number will do."""
LINE_MINUTES = 45
"""The straight line is fitted by least squares to this many last core readings."""
READ_AT = (0.4, 0.7, 0.95)
"""Shares of the time so far at which a piece without a probe is read by hand."""
HAND_SPREAD, HAND_SEED = 1.0, 75
"""°C, standard deviation of a hand-held thermometer (common practice, no source); seed of its errors."""
LINE_CAP = 20 * 60.0
"""Minutes; a straight line that never gets there is scored as this."""


def question(cook: CookRecord, minute: int) -> ForecastRequest:
    """What the watch knows `minute` minutes after the meat went on."""
    known = minute + 1
    wrapped = None
    if cook.wrapped is not None and cook.wrapped_minute is not None and cook.wrapped_minute <= minute:
        wrapped = WrapDone((FIRST_MINUTE + cook.wrapped_minute) * 60.0, cook.wrapped)
    piece = PieceSettings(
        id=cook.name, name=cook.name, cut=cook.cut, kind=MeatKind.WHOLE_ROAST, channel="core", weight=cook.weight,
        thickness=cook.thickness, shape=cook.shape, wrap=Wrap(cook.plan_wrap) if cook.plan_wrap else None,
        wrap_at=cook.plan_wrap_at, tender_low=cook.tender_low, fat_percent=cook.fat_percent,
    )  # fmt: skip
    return ForecastRequest(
        piece=piece, asked_at=(FIRST_MINUTE + known) * 60.0, on_at=FIRST_MINUTE * 60.0, phase="cook",
        band=Band(cook.band_low, cook.band_high), boiling_point=100.0,
        minutes=tuple(range(FIRST_MINUTE, FIRST_MINUTE + known)),
        pit=tuple(map(float, cook.pit_read[:known])), core=tuple(map(float, cook.core_read[:known])),
        wrapped=wrapped, ambient=cook.ambient,
    )  # fmt: skip


def straight_line(core: Sequence[float], goal: float) -> float:
    """Minutes until `goal` if the core went on as in the last LINE_MINUTES."""
    last = np.asarray(core[-LINE_MINUTES:])
    slope = np.polyfit(np.arange(last.size), last, 1)[0]
    return float(min(max(goal - np.median(last[-5:]), 0.0) / max(slope, 1e-4), LINE_CAP))


@dataclass(frozen=True, slots=True)
class Answer:
    """One scored forecast. Minutes from the question; at is engine time less the question, in minutes."""

    cook: int
    share: float
    goal: Goal
    kind: str
    truth: float
    at: Interval
    line: float


def answers(cook: CookRecord, number: int, shares: Sequence[float]) -> Iterator[Answer]:
    """Every planned forecast that can be scored, asked at these shares of the true cook, growing."""
    forecaster = Forecaster()
    for share in shares:
        yield from _answers(forecaster, cook, number, share)


def _answers(forecaster: Forecaster, cook: CookRecord, number: int, share: float) -> Iterator[Answer]:
    assert cook.tender_minute is not None
    minute = int(cook.tender_minute * share)
    request = question(cook, minute)
    truths = _truths(cook, minute)
    for outlook in forecaster(request).outlooks:
        if outlook.scenario == "planned" and outlook.goal in truths and outlook.at is not None:
            truth, level = truths[outlook.goal]
            at = Interval(*((t - request.asked_at) / 60.0 for t in (outlook.at.p05, outlook.at.p50, outlook.at.p95)))
            kind = {Goal.TENDER: kind_of(request, "planned")}.get(outlook.goal, outlook.goal.value)
            line = straight_line(request.core, level) if level else float("nan")
            yield Answer(number, share, outlook.goal, kind, truth, at, line)


def by_hand(cook: CookRecord, number: int, share: float, read_at: Sequence[float] = READ_AT) -> Iterator[Answer]:
    """What is said of wrap and tenderness at a share of the cook, had the piece no probe and been read by hand at `read_at`
    of the time so far, with a thermometer of HAND_SPREAD."""
    assert cook.tender_minute is not None
    minute = int(cook.tender_minute * share)
    request = question(cook, minute)
    error = np.random.Generator(np.random.PCG64((HAND_SEED, number))).normal(0.0, HAND_SPREAD, len(READ_AT))
    spots = []
    for part, off in zip(read_at, error[-len(read_at) :], strict=True):
        at = int(minute * part)
        spots.append(CoreSpot((FIRST_MINUTE + at) * 60.0, float(cook.core_true[at] + off), HAND_SPREAD))
    request = replace(
        request, piece=replace(request.piece, channel=""), core=(float("nan"),) * len(request.core), spots=tuple(spots)
    )
    truths = _truths(cook, minute)
    for outlook in Forecaster()(request).outlooks:
        goal = outlook.goal
        if (
            outlook.scenario != "planned"
            or goal not in (Goal.TENDER, Goal.WRAP)
            or goal not in truths
            or outlook.at is None
        ):
            continue
        within = Interval(*((t - request.asked_at) / 60.0 for t in (outlook.at.p05, outlook.at.p50, outlook.at.p95)))
        kind = kind_of(request, "planned") if goal is Goal.TENDER else wrap_kind_of(request)
        yield Answer(number, share, goal, kind, truths[goal][0], within, float("nan"))


def foreknown(cook: CookRecord, share: float) -> float:
    """The error, minutes, of the same bodies fitted at a share of the cook and told the pit and the wrap to come: what is left
    of the forecast's error when nobody need guess what the cook and the fire will do. A cook is known to an hour after it was
    tender, so that being late counts an hour at most."""
    assert cook.tender_minute is not None
    minute = int(cook.tender_minute * share)
    request = question(cook, minute)
    so_far = course_of(request, cook.ambient)
    whole = course_of(question(cook, cook.core_true.size - 1), cook.ambient)
    told = replace(whole, core=np.where(np.arange(whole.blocks) < so_far.blocks, whole.core, np.nan))
    now = brought_up(bodies_at_start(request, so_far), request, so_far)
    residual = so_far.last - now.ensemble.core
    bodies = bodies_at_start(request, so_far)
    carry(bodies, request, told, so_far.blocks)
    left, cores = [], []
    for block in range(so_far.blocks, whole.blocks):
        carry(bodies, request, told, block + 1)
        left.append((block + 1) * BLOCK / 60.0 - minute)
        cores.append(bodies.ensemble.core + residual * np.exp(-left[-1] * 60.0 / RESIDUAL_FADES_IN))
    crossing = first_crossing(np.array(left), np.array(cores), cook.tender_low)
    return abs(float(np.median(np.minimum(crossing, left[-1]))) - (cook.tender_minute - minute))


ROAST_TARGETS = (63.0, 74.0)
"""°C at which tender roasts and poultry come off: they are done where tough cuts begin to stall."""


def beforehand_to_target(cook: CookRecord, number: int) -> Iterator[Answer]:
    """How long the plan says that the same piece takes to a target, as if that were all that was asked of it. Not where it was
    wrapped on the way."""
    for target in ROAST_TARGETS:
        reached = int((cook.core_true >= target).argmax())
        if reached == 0 or (cook.wrapped_minute is not None and cook.wrapped_minute < reached):
            continue
        tough = question(cook, 0).piece
        piece = replace(tough, target=target, tender_low=None, wrap=None, wrap_at=None)
        lasts, _ = time_on_fire(piece, Band(cook.band_low, cook.band_high), cook.ambient)
        if lasts is not None:
            at = Interval(lasts.p05 / 60.0, lasts.p50 / 60.0, lasts.p95 / 60.0)
            yield Answer(number, 0.0, Goal.TENDER, "plan-target", float(reached), at, float("nan"))


def beforehand(cook: CookRecord, number: int) -> Iterator[Answer]:
    """How long the plan says a piece will take, before it goes on."""
    assert cook.tender_minute is not None
    lasts, _ = time_on_fire(question(cook, 0).piece, Band(cook.band_low, cook.band_high), cook.ambient)
    if lasts is not None:
        at = Interval(lasts.p05 / 60.0, lasts.p50 / 60.0, lasts.p95 / 60.0)
        yield Answer(number, 0.0, Goal.TENDER, "plan", cook.tender_minute, at, float("nan"))


def _truths(cook: CookRecord, minute: int) -> dict[Goal, tuple[float, float | None]]:
    """goal -> (minutes left, core level), for what still lies ahead."""
    assert cook.tender_minute is not None
    truths: dict[Goal, tuple[float, float | None]] = {Goal.TENDER: (cook.tender_minute - minute, cook.tender_low)}
    unwrapped = cook.wrapped_minute is None or cook.wrapped_minute > minute
    if cook.wrap_minute is not None and cook.wrap_minute > minute and unwrapped:
        truths[Goal.WRAP] = (cook.wrap_minute - minute, cook.plan_wrap_at)
    ends = [end for _, end in cook.stalls if end > minute]
    if ends and unwrapped:
        truths[Goal.STALL_END] = (ends[0] - minute, None)
    return truths
