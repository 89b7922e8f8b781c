"""The conditions of what the cook has to do by hand. A probe in the meat knows better than a plan: where one is believed, its
own rules call for the wrap and the feel, and the plan's stay silent."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

from daemon.core.alarms.conditions.piece import act_at
from daemon.core.alarms.conditions.pit import FIRE_LOST
from daemon.core.alarms.conditions.process import FAR_OFF, Finding, ProcessSnapshot, piece_subject, subject_called
from daemon.core.alarms.rules import Condition
from daemon.core.outlook import Goal
from daemon.core.pieces.piece import RESTING, PieceWatch
from daemon.core.pieces.stage import PiecePhase
from daemon.core.plan.grease import FULL_AT
from daemon.core.plan.steps import CHILL_AFTER, TAKES_MEAT, PlanStep
from daemon.core.planned import StepKind
from daemon.core.said import say
from daemon.core.settings import PieceSettings

SOON = 5 * 60.0
"""s before its hour in which a step is called: a person finishes what is in hand. Common practice, no source."""
GUESTS_NEAR = 30 * 60.0
"""s before serving in which no hold is worth its door."""
NOT_DUE = Finding(active=False, within=True, because="")


def plan_conditions(first: ProcessSnapshot, *others: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition of the plan, the reminders, the wood and the trays. The wood is one heap; each pit has its
    fire and its tray."""
    pits = (first, *others)
    for pit in pits if first.duties.plan.steps else ():  # without a plan nothing is due by it
        yield _light(pit, pit.duties.plan.step(StepKind.LIGHT, pit=pit.pit_id))
        for piece in pit.pieces:
            yield from _piece(pit, piece)
    yield from _wood(first)
    for pit in pits:
        yield _grease(pit)
    yield from _reminders(first, [piece.settings for pit in pits for piece in pit.pieces])


def _due(process: ProcessSnapshot, step: PlanStep | None, ahead: float) -> bool:
    """Its hour has come, less `ahead` s."""
    return step is not None and not step.done and process.now >= step.at.p50 - ahead


def _clock(process: ProcessSnapshot, step: PlanStep) -> float:
    """s until the hour that was agreed to be an alarm clock; else far off, so that it wakes nobody."""
    plan = process.duties.plan
    rings = plan.kept is not None and plan.kept.wake and not plan.is_news(step)
    return max(0.0, step.at.p50 - process.now) if rings else FAR_OFF


def _light(process: ProcessSnapshot, step: PlanStep | None) -> Condition:
    plan, found = process.duties.plan, NOT_DUE
    sleeper = process.settings.announcing.sleeper
    if step is not None and plan.kept is not None and _due(process, step, sleeper.notice + sleeper.dress_and_walk):
        found = Finding(
            active=True,
            within=False,
            because=say("alarm.plan-light.because"),
            value=max(0.0, step.at.p50 - process.now) + plan.kept.heat_up,
            consequence_in=_clock(process, step),
        )
    return process.condition("plan-light", process.pit_subject, found)


def _piece(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    subject, now = piece_subject(piece.settings), process.now
    plan, id_ = process.duties.plan, piece.settings.id
    lasts = next((p.likely for p in plan.kept.pieces if p.piece == id_), 0.0) if plan.kept is not None else 0.0
    on = plan.step(StepKind.PUT_ON, id_)
    unread, on_for = id_ not in process.cores and id_ not in process.settling, now - (piece.stage.on_at or now)
    takes_meat = process.pit_stage in TAKES_MEAT or isnan(process.pit)
    guards = (
        *(() if piece.on_fire else ("piece-off",)),
        *(("fire-out",) if process.pit_stage in FIRE_LOST else ()),
    )

    def found(due: bool, because: str, value: float, left: float | None = None) -> Finding:
        return Finding(True, False, say(because), value=value, consequence_in=left) if due else NOT_DUE

    put = _due(process, on, SOON) and takes_meat
    prepare = plan.step(StepKind.PREPARE, id_)
    yield process.condition(
        "plan-prepare", subject,
        found(_due(process, prepare, 0.0) and not put, "alarm.plan-prepare.because", 0.0 if on is None else on.at.p50 - now),
    )  # fmt: skip
    left = None if on is None else _clock(process, on)
    yield process.condition("plan-on", subject, found(put, "alarm.plan-on.because", lasts, left))
    wrap = plan.step(StepKind.WRAP, id_)
    yield process.condition(
        "plan-wrap", subject, found(unread and _due(process, wrap, 0.0), "alarm.plan-wrap.because", on_for), guards
    )
    off = plan.step(StepKind.OFF, id_)
    nearly = unread and piece.on_fire and _due(process, off, SOON)
    goal = Goal.TARGET if piece.settings.tender_low is None else Goal.TENDER
    by = 0.0 if off is None else max(0.0, act_at(off.at, goal) - now)
    yield process.condition("plan-probe", subject, found(nearly, "alarm.plan-probe.because", on_for, by), guards)
    serve = plan.step(StepKind.SERVE, id_) or plan.step(StepKind.SERVE)
    to_serve = FAR_OFF if serve is None else serve.planned - now
    rest = to_serve - process.settings.cook.rest
    late = off is not None and piece.on_fire and rest <= SOON
    yield process.condition(
        "plan-off", subject, found(late, "alarm.plan-off.because", max(0.0, to_serve), max(0.0, rest)), guards
    )
    hold = plan.step(StepKind.HOLD, id_)
    resting = piece.stage.stage in RESTING and to_serve > GUESTS_NEAR
    yield process.condition(
        "plan-hold",
        subject,
        found(resting and _due(process, hold, 0.0), "alarm.plan-hold.because", max(0.0, to_serve)),
    )
    yield process.condition("plan-chill", subject, _chill(process, piece, to_serve))


def _chill(process: ProcessSnapshot, piece: PieceWatch, to_serve: float) -> Finding:
    """What was served, or stood out past serving. Meat that a believed probe shows hot is still being kept."""
    step = process.duties.plan.step(StepKind.CHILL, piece.settings.id)
    core, stage = process.cores.get(piece.settings.id), piece.stage.stage
    out = stage is PiecePhase.DONE or stage in RESTING or stage is PiecePhase.HOLD
    hot = stage is not PiecePhase.DONE and core is not None and core >= piece.safety.floor()
    if step is None or step.done or not out or hot or process.now < step.at.p50:
        return NOT_DUE
    since = process.now - (step.at.p50 - CHILL_AFTER)
    return Finding(True, False, say("alarm.plan-chill.because"), value=max(0.0, since))


def _wood(process: ProcessSnapshot) -> Iterator[Condition]:
    """By the middle of both: how long the wood lasts and how long the meat takes."""
    out, need = process.duties.wood_runs_out(process.now), process.duties.needed_until
    found, rule = NOT_DUE, process.rules["wood-short"]
    if out is not None and need is not None:
        left, wanted = max(0.0, out - process.now), max(0.0, need.p50 - process.now)
        active, within = left < wanted, left > wanted + rule.deadband
        silent = process.goes_without_saying(rule.id, process.pit_subject, active, within)
        found = Finding(
            active,
            within,
            because="" if silent else say("alarm.wood-short.because", splits=process.duties.wood.left),
            value=left,
            limit=wanted,
            consequence_in=left,
        )
    yield process.condition(rule.id, process.pit_subject, found)


def _grease(process: ProcessSnapshot) -> Condition:
    share = process.duties.grease(process.pit_id).share_of(process.settings.tray_of(process.pit_id))
    full = share >= FULL_AT
    found = (
        Finding(full, not full, say("alarm.grease-tray.because"), value=100.0 * min(share, 1.0)) if full else NOT_DUE
    )
    nothing_on = () if any(piece.on_fire for piece in process.pieces) else ("piece-off",)
    return process.condition("grease-tray", process.pit_subject, found, nothing_on)


def _reminders(process: ProcessSnapshot, pieces: list[PieceSettings]) -> Iterator[Condition]:
    names = {piece.id: piece.name for piece in pieces}
    for reminder in process.duties.reminders:
        own = reminder.settings
        name = own.text if own.piece not in names else f"{own.text}: {names[own.piece]}"
        last = None if reminder.done_at is None else process.now - reminder.done_at
        due = reminder.is_due(process.now)
        found = Finding(True, False, say("alarm.reminder.because"), value=last) if due else NOT_DUE
        rule = "reminder-night" if own.at_night else "reminder"
        yield process.condition(rule, subject_called(own.id, name), found)
