"""The conditions of a piece on the fire: its goals, the service, and its probe."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from math import nan

from daemon.core.alarms.conditions.kept import early_half
from daemon.core.alarms.conditions.pit import FIRE_LOST
from daemon.core.alarms.conditions.process import FAR_OFF, Finding, ProcessSnapshot, asked_as, piece_subject, quiet
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import Condition
from daemon.core.outlook import WIDE, Goal, Interval
from daemon.core.pieces.meat_witness import RISES
from daemon.core.pieces.piece import KEPT, PieceWatch
from daemon.core.pieces.stage import PiecePhase, asks_about_wrap, is_question
from daemon.core.said import Said, say

LATE_ENOUGH = 5 * 60.0
"""s past the service time at the upper quartile of the forecast (between its middle and its late end) before anybody is told."""
LATE_SHARE = 0.15
"""Of the interval's width: less than this past the service time is what such a forecast cannot tell from in time. Ours."""
TOO_WIDE = 4 * 3600.0
"""s: an interval so wide that nobody would do anything else for it. Ours, no source."""
EARLY_ENOUGH = 2 * 3600.0
"""s before the planned end at the forecast's late end; then the hold must be ready."""
WRONG_DAY = 24 * 3600.0
"""s before it beyond which the serving time has a wrong date, and no hold is to be warmed: `check` asks about that."""
WRAP_TOO_LATE = 5.0
"""°C under the tender range from which a wrap gains nothing any more; where there is none, so far above the wrap target
counts. Common practice, no source."""
PAST_TENDER = 1.0
"""°C above the tender range: past it by more than a probe's last place. Common practice, no source."""
MATTERS = {Goal.WRAP: 60 * 60.0, Goal.TENDER: 45 * 60.0, Goal.TARGET: 20 * 60.0}
"""s of width up to which the time of an act is told closely enough to act on it. Ours, no source."""
SPOT_LEAD = 15 * 60.0
"""s before it may be ready (half way from the early end of the interval to its middle) at which a reading is asked for: fetch the
thermometer and read. Ours, no source."""
READ_AGAIN = 20 * 60.0
"""s, and half of the time that was left then: so long after a reading another tells nothing new. Ours, no source."""
CLIMBS_AT_MOST = 1.0 / 60.0
"""°C/s: no core of what is followed climbs faster in a pit; thin pieces come to .7 °C a minute. Common practice, no source."""
WARMEST_START = 20.0
"""°C: meat that nobody measured goes on no warmer than the kitchen. Common practice, no source."""
ELSEWHERE = 6.0
"""°C between a core and what its forecast has for it now above which that forecast is of another place or piece: as far as one is
shown at all (`forecast.eligibility.WORST_MISS`)."""
ANYTHING = "forecast.too-wide"
"""Key of the reason why nothing is foretold where anything may happen (`forecast.outlooks`)."""
COLD_IN = 2 * 3600.0
"""s after which a cabinet that nobody sees may have cooled through. Ours, no source."""
NO_CORE = 3.0
"""°C above the boiling point: no core gets there while it is wet, so this probe is not in one."""


def piece_conditions(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition | NotKnown]:
    """Every condition of one piece, but those of meat that is kept."""
    goals = list(_goals(process, piece))
    yield from goals
    yield from _service(process, piece)
    if piece.settings.channel is not None:
        yield _probe_lost(process, piece)
    else:
        if piece.cabinet is not None:
            yield _probe_lost(process, piece)
        yield from _spot_check(process, piece)
    asks = bool(piece.question) and not (asks_about_wrap(piece.question) and _calls_for_wrap(process, piece, goals))
    core = process.cores.get(piece.settings.id)
    told = None
    if asks and core is not None:
        told = asked_as(piece.question, name=process.called(piece.settings.name), value=core)
    found = Finding(asks, within=not asks, because=piece.question, value=core, told=told)
    yield process.condition("stage-question", piece_subject(piece.settings), found)


def _calls_for_wrap(process: ProcessSnapshot, piece: PieceWatch, goals: Iterable[Condition | NotKnown]) -> bool:
    """The cook is sent to wrap it, or is about to be: whether it is wrapped is answered there."""
    found = (one for one in goals if isinstance(one, Condition) and one.rule == "wrap-target")
    due = any(one.active and not one.suppressed_by for one in found)
    return due or process.is_standing("wrap-target", piece.settings.id)


def _goals(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition | NotKnown]:
    """A core that is not believed raises nothing and clears nothing, and an on-delay begins anew with the next good one:
    a probe that slips out of the meat passes through the tender range."""
    core = process.cores.get(piece.settings.id)
    if core is None or core > process.settings.boiling_point + NO_CORE:
        core = None
    off = () if piece.on_fire else ("piece-off",)
    if piece.settings.wrap is not None and piece.settings.wrap_at is not None:
        cold = ("fire-out",) if process.pit_stage in FIRE_LOST else ()
        yield _wrap(process, piece, core, piece.settings.wrap_at, (*off, *cold))
    if piece.settings.tender_low is not None:
        yield _tender(process, piece, core, piece.settings.tender_low, off)
        if piece.settings.tender_high is not None:
            yield _past_tender(process, piece, core, piece.settings.tender_high, off)
    elif piece.settings.target is not None:
        yield _target(process, piece, core, piece.settings.target, off)


def _wrap(
    process: ProcessSnapshot, piece: PieceWatch, core: float | None, wrap_at: float, off: tuple[str, ...]
) -> Condition:
    seen = nan if core is None else core
    bare = piece.stage.wrapped_at is None
    wrapped = not bare and piece.settings.channel is None
    goal = piece.settings.tender_low or piece.settings.target
    bare = bare and not seen >= (wrap_at + 2 * WRAP_TOO_LATE if goal is None else max(wrap_at, goal - WRAP_TOO_LATE))
    deadband = process.rules["wrap-target"].deadband
    foretold = core is None and bare and _due_by_forecast(process, piece, Goal.WRAP)
    at = piece.outlook(Goal.WRAP) if core is None and piece.settings.channel is None else None
    put_off = at is not None and at.p50 - process.now > SPOT_LEAD
    subject, active = piece_subject(piece.settings), (bare and seen >= wrap_at) or foretold
    if process.goes_without_saying("wrap-target", subject, active, within=False):
        return quiet("wrap-target", subject.id)
    found = Finding(
        active=active,
        within=wrapped or put_off or (core is not None and not (bare and seen >= wrap_at - deadband)),
        because=_why_wrap(piece, core),
        value=core,
        limit=wrap_at,
    )
    return process.condition("wrap-target", subject, found, off)


def _why_wrap(piece: PieceWatch, core: float | None) -> Said:
    if core is None:
        return say("alarm.wrap-target.because-foretold")
    asked = asks_about_wrap(piece.question)
    return say("alarm.wrap-target.because-or-said" if asked else "alarm.wrap-target.because", core=core)


def _tender(
    process: ProcessSnapshot, piece: PieceWatch, core: float | None, low: float, off: tuple[str, ...]
) -> Condition | NotKnown:
    seen = nan if core is None else core
    rule, at = process.rules["tender-range"], piece.outlook(Goal.TENDER)
    # a probe that reads too warm by a known leak has lost its word on the way there, not the right to call at the end
    without_leak = process.too_warm.get(piece.settings.id) if core is None else None
    leaky = without_leak is not None and without_leak >= low
    reached = seen >= low or leaky
    unread = piece.settings.channel is None  # read by hand at most: what a forecast makes of that counts
    counts = None if at is None else act_at(at, Goal.TENDER) if unread else at.p50
    left = 0.0 if reached else None if counts is None else max(0.0, counts - process.now)
    heated = process.pit_stage not in FIRE_LOST  # a forecast knows only fires that burn
    told, lead = core is not None or unread, process.lead(rule)
    soon = heated and told and left is not None and left <= lead and not _is_elsewhere(process, piece, core)
    subject = piece_subject(piece.settings)
    if process.goes_without_saying(rule.id, subject, reached or soon, within=False):
        return quiet(rule.id, subject.id)
    if core is None and not (leaky or unread or off) and process.is_standing(rule.id, subject.id):
        return process.unread(rule.id, subject, say("alarm.tender-range.unread", name=process.called(subject.name)))
    # foretold only, and put off again: a reading by hand or another pit said so
    put_off = unread and piece.stage.stage is not PiecePhase.TENDER_RANGE and left is not None and left > 2 * lead
    found = Finding(
        active=reached or soon,
        within=(seen < low - rule.deadband or put_off) and not soon,
        because=say("alarm.tender-range.because-leaky", core=without_leak)
        if leaky
        else say("alarm.tender-range.because-foretold")
        if core is None
        else say("alarm.tender-range.because", core=core),
        value=without_leak if leaky else None if reached and piece.slid_out else core,
        limit=low,
        consequence_in=left if reached or at is None or at.p95 - at.p05 <= WIDE else FAR_OFF,
        severity=int(reached),
        between=None if reached or at is None else (at.p05 - process.now, at.p95 - process.now),
        told=say("alarm.tender-range.leaky", name=piece.settings.name, value=without_leak)
        if leaky
        else say("alarm.tender-range.slid", name=piece.settings.name)
        if reached and piece.slid_out
        else None,
    )
    return process.condition(rule.id, subject, found, off)


def _is_elsewhere(process: ProcessSnapshot, piece: PieceWatch, core: float | None) -> bool:
    """Its forecast has its core elsewhere by now than it is."""
    foretold = None if core is None else piece.foretold_core(process.now)
    return core is not None and foretold is not None and not abs(foretold - core) <= ELSEWHERE


def _past_tender(
    process: ProcessSnapshot, piece: PieceWatch, core: float | None, high: float, off: tuple[str, ...]
) -> Condition | NotKnown:
    rule, subject = process.rules["past-tender"], piece_subject(piece.settings)
    if core is not None and core > high and piece.slid_out:
        core = None  # what it reads is the pit's as much as the meat's
    seen = nan if core is None else core
    if process.goes_without_saying(rule.id, subject, seen >= high + PAST_TENDER, within=False):
        return quiet(rule.id, subject.id)
    found = Finding(
        active=seen >= high + PAST_TENDER,
        within=seen < high + PAST_TENDER - rule.deadband,
        because=say("alarm.past-tender.because", core=core),
        value=core,
        limit=high,
    )
    if core is None and not off and process.is_standing(rule.id, piece.settings.id):
        return process.unread(
            rule.id,
            piece_subject(piece.settings),
            say("alarm.past-tender.unread", name=process.called(piece.settings.name)),
        )
    return process.condition(rule.id, piece_subject(piece.settings), found, off)


def _target(
    process: ProcessSnapshot, piece: PieceWatch, core: float | None, target: float, off: tuple[str, ...]
) -> Condition | NotKnown:
    seen, subject = nan if core is None else core, piece_subject(piece.settings)
    if process.goes_without_saying("target-reached", subject, seen >= target, within=False):
        return quiet("target-reached", subject.id)
    deadband = process.rules["target-reached"].deadband
    found = Finding(
        active=seen >= target,
        within=seen < target - deadband,
        because=say("alarm.target-reached.because", core=core),
        value=None if seen >= target and piece.slid_out else core,
        limit=target,
        told=say("alarm.target-reached.slid", name=piece.settings.name) if seen >= target and piece.slid_out else None,
    )
    if core is None and not off and process.is_standing("target-reached", piece.settings.id):
        text = say("alarm.target-reached.unread", name=process.called(piece.settings.name))
        return process.unread("target-reached", piece_subject(piece.settings), text)
    return process.condition("target-reached", piece_subject(piece.settings), found, off)


def _service(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition | NotKnown]:
    """Of meat on the fire with a serving time: what has come off, and what is served at no hour, is at no risk."""
    serve, subject = process.settings.cook.served_at(piece.settings), piece_subject(piece.settings)
    goal = Goal.TARGET if piece.outlook(Goal.TARGET) else Goal.TENDER  # what it leaves the fire at
    at = piece.outlook(goal)
    if serve is None or not piece.on_fire:
        return
    if at is None:
        if piece.forecast_at is not None:  # it is not foretold just now; what was foretold long ago counts no more
            yield from (process.unknown(rule, subject) for rule in ("service-at-risk", "finish-early"))
        return
    ready_by = serve - process.settings.cook.rest
    late, width = (at.p50 + at.p95) / 2 - ready_by, at.p95 - at.p05
    helps = late > LATE_ENOUGH and any(
        r is not None and r.p50 < at.p50 - LATE_ENOUGH
        for r in (piece.outlook(goal, s) for s in ("wrapped-now", "pit-10-hotter"))
    )
    found = Finding(
        active=late > max(LATE_ENOUGH, LATE_SHARE * width) and width <= TOO_WIDE and helps,
        within=late < 0,
        because=say("alarm.service-at-risk.because", late=max(0.0, late)),
        value=max(0.0, late),
    )
    yield process.condition("service-at-risk", subject, found)
    early = ready_by - at.p95
    found = Finding(
        active=EARLY_ENOUGH < early < WRONG_DAY,
        within=early < EARLY_ENOUGH / 2,
        because=say("alarm.finish-early.because", early=max(0.0, early)),
        value=max(0.0, early),
    )
    yield process.condition("finish-early", subject, found)


def act_at(at: Interval, goal: Goal) -> float:
    """When somebody is to act on a forecast that no reading supports: at its middle where it is narrow enough to act on, else
    at its late end, for nobody is to be called to a pit on a guess of hours."""
    return at.p50 if at.p95 - at.p05 <= MATTERS[goal] else at.p95


def _due_by_forecast(process: ProcessSnapshot, piece: PieceWatch, goal: Goal) -> bool:
    """The forecast of a piece without a probe is narrow enough to act on, and its time has come."""
    at = None if piece.settings.channel is not None else piece.outlook(goal)
    return at is not None and at.p50 <= process.now and at.p95 - at.p05 <= MATTERS[goal]


def _spot_check(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    """A reading would change what to do: the next act may be near, and nobody can tell whether it is. What leaves the fire at a
    temperature is always read first, however sure the forecast."""
    rule, goal = process.rules["spot-check"], _next_goal(piece)
    at = None if goal is None or not piece.on_fire else piece.outlook(goal)
    read = piece.read_last()
    newest = None if read is None else read[0]
    if at is None and goal is not None and piece.on_fire and is_question(piece.reason(goal), ANYTHING):
        # anything may happen, but nothing that the core cannot have climbed to by now
        rested = newest is None or process.now - newest >= READ_AGAIN
        tells = process.awake and rested and _may_be_there(process, piece, read)
        yield process.condition(
            rule.id,
            piece_subject(piece.settings),
            Finding(tells, not tells, say("alarm.spot-check.because"), consequence_in=0.0),
        )
        return
    if goal is None or at is None:
        yield process.condition(rule.id, piece_subject(piece.settings), Finding(False, within=True, because=""))
        return
    rested = newest is None or process.now - newest >= max(READ_AGAIN, (at.p50 - newest) / 2)
    left = early_half(at) - process.now
    wide = goal is Goal.TARGET or at.p95 - at.p05 > MATTERS[goal]
    asked = any(f"{other}/{piece.settings.id}" in process.standing for other in ("tender-range", "plan-probe"))
    tells = wide and rested and not asked and process.awake
    found = Finding(
        active=tells and left <= SPOT_LEAD,
        within=not tells or left > 2 * SPOT_LEAD,  # each forecast may put it off a little
        because=say("alarm.spot-check.because"),
        consequence_in=max(0.0, left),
        between=(at.p05 - process.now, at.p95 - process.now),
    )
    cold = ("fire-out",) if process.pit_stage in FIRE_LOST else ()
    yield process.condition(rule.id, piece_subject(piece.settings), found, cold)


def _may_be_there(process: ProcessSnapshot, piece: PieceWatch, read: tuple[float, float] | None) -> bool:
    """By the time that a reading takes, the core may have reached what is next to be done with the piece."""
    goals = (piece.settings.wrap_at, piece.settings.tender_low, piece.settings.target)
    wrapped = piece.stage.wrapped_at is not None or piece.settings.wrap is None
    goal = next((g for g in goals[1 if wrapped else 0 :] if g is not None), None)
    began = read if read is not None else (piece.stage.on_at or process.now, WARMEST_START)
    return goal is None or began[1] + CLIMBS_AT_MOST * (process.now + SPOT_LEAD - began[0]) >= goal


def _next_goal(piece: PieceWatch) -> Goal | None:
    """What is to be done next with a piece on the fire."""
    own = piece.settings
    if own.wrap is not None and own.wrap_at is not None and piece.stage.wrapped_at is None and piece.outlook(Goal.WRAP):
        return Goal.WRAP
    if own.tender_low is not None:
        return Goal.TENDER
    return None if own.target is None else Goal.TARGET


def _stands_short(process: ProcessSnapshot, piece: PieceWatch) -> bool:
    """Its core was about to be where it comes off, and has stood still in the heat since: no meat does, a probe that stuck with
    some noise does."""
    own = process.meat.get(piece.settings.id)
    still = own is not None and own.in_heat and abs(own.fallen) < RISES
    called = process.is_standing("meat-probe-lost", piece.settings.id)
    return still and piece.stage.stage is not PiecePhase.TENDER_RANGE and (called or piece.overdue(process.now))


def _probe_lost(process: ProcessSnapshot, piece: PieceWatch) -> Condition:
    subject, since = piece_subject(piece.settings), process.lost.get(piece.settings.id)
    stands = since is None and _stands_short(process, piece)
    if process.goes_without_saying("meat-probe-lost", subject, stands or since is not None, within=False):
        return quiet("meat-probe-lost", subject.id)
    lost_for = 0.0 if since is None else process.now - since
    asked_at, told_then = piece.told_before(process.now if since is None else since)
    wrap = told_then.get(Goal.WRAP)
    if wrap is not None and (wrap.p50 <= asked_at or piece.stage.wrapped_at is not None):
        wrap = None  # reached, and called for, before the probe was lost; or done since
    goals = [wrap, told_then.get(Goal.TENDER), told_then.get(Goal.TARGET)]
    left = min((max(0.0, g.soonest(process.now) - process.now) for g in goals if g is not None), default=FAR_OFF)
    if piece.stage.stage is PiecePhase.TENDER_RANGE or process.is_standing("tender-range", subject.id):
        left = FAR_OFF  # it is to be felt by hand, and has been called
    because, told = say("alarm.meat-probe-lost.because"), None
    if piece.settings.id in process.too_warm:  # it reads, and what is to be done is known
        because = say("alarm.meat-probe-lost.because-leaky")
        told = say("alarm.meat-probe-lost.leaky", name=process.called(piece.settings.name))
    if piece.unseen_since is not None:
        read = piece.read_last()
        seen_at = piece.unseen_since if read is None else max(piece.unseen_since, read[0])
        left = max(0.0, COLD_IN - (process.now - seen_at))
        because = say("alarm.meat-probe-lost.because-held")
    if piece.cabinet is not None and not piece.followed:
        left, because = max(0.0, COLD_IN - lost_for), say("alarm.meat-probe-lost.because-cabinet")
        told = say("alarm.meat-probe-lost.cabinet", name=process.called(piece.settings.name), value=lost_for)
    if piece.cabinet is not None and (air := process.doubted_air) is not None:
        left, because = 0.0, say("alarm.meat-probe-lost.because-doubted", air=air)
        told = say("alarm.meat-probe-lost.doubted", name=process.called(piece.settings.name), value=air)
    if stands:
        left, core = 0.0, process.cores.get(piece.settings.id)
        because = say("alarm.meat-probe-lost.because-stands", core=core)
        told = say("alarm.meat-probe-lost.unmoved", name=process.called(piece.settings.name), value=core)
    lost = stands or since is not None
    found = Finding(lost, not lost, because, value=lost_for, consequence_in=left, told=told)
    off = () if piece.on_fire or piece.stage.stage in KEPT else ("piece-off",)
    # that call sends somebody to the piece with a thermometer: one word for one cause
    passed = ("past-tender",) if piece.on_fire and process.is_standing("past-tender", subject.id) else ()
    return process.condition("meat-probe-lost", subject, found, (*off, *passed))
