"""The conditions of the pit: blind, lid open, fire lost, too hot, running away. The feed prompt has a file of its own."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

from daemon.core.alarms.conditions.feed import FEED, NOT_CAUGHT, WELL_BELOW, carried, feed_conditions
from daemon.core.alarms.conditions.process import (
    FAR_OFF,
    TURNING,
    Finding,
    ProcessSnapshot,
    asked_as,
    quiet,
    subject_called,
)
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import Condition
from daemon.core.pit.signs import COLD, RECOVERS_IN
from daemon.core.pit.stage import LIGHTING_TAKES, OUT_BELOW, PitPhase
from daemon.core.said import Text, say
from daemon.core.settings import SPACING, Role

FALLING_FAST = -0.1
"""°C per minute: below the band and steeper than this is a fire being lost; common practice, no source."""
STEEP, STEEPEST = 6.0, 18.0
"""°C per minute: steeper than a fire or burning fat heats a pit. A lid was shut on a hot fire, and what evens out then takes
minutes only; steeper still, a probe was moved. This and the next: ours, tried on simulated nights."""
STEEP_FOR = 2.5
"""Minutes for which so steep a climb is taken to go on; it slackens all the while."""
REGAINED = 6.0
"""°C that a pit whose fire was called lost must have regained before that is taken back: a slope around nothing is noise."""
AT_WORK = 6 * 60.0
"""s for which somebody who is up may have opened the lid to work on the meat; who said that he sleeps has not. Common
practice, no source."""
SETTLED_STAGES = frozenset(
    {PitPhase.IN_BAND, PitPhase.FALLING, PitPhase.LOW, PitPhase.OUT, PitPhase.HIGH, PitPhase.RUNAWAY}
)
"""Pit stages after the fire has once brought the pit to its band."""
FIRE_LOST = frozenset({PitPhase.OUT, PitPhase.COOLING, PitPhase.UNLIT})
"""Pit stages without a fire."""
NO_FIRE_SEEN = frozenset({PitPhase.UNLIT, PitPhase.LIGHTING})
"""Pit stages in which no heat has yet told of a fire."""
NOT_FED = NO_FIRE_SEEN | {PitPhase.COOLING}
"""Pit stages in which nobody is asked for wood: there is no fire yet, or it may go out. Not even under a guard, where it could
be read as a call."""
LID_BY_LOG = 3 * 60.0
"""s around a marked log in which heat lost at once is its opened door and its wet wood, and no lid left open."""
SURE = 60.0
"""s for which a pit probe must be seen to lie off the grate. Ours."""
CONTRADICT = "pit-probes-contradict"
TOO_HOT = ("pit-high", "runaway")
SINKS_FASTER_FOR = 30
"""Minutes for which one probe may tell of a dying fire before the others do. Ours, no source."""
NEED_A_PIT = ("fire-out", *TOO_HOT)
"""Rules that cannot be judged of a pit that nobody sees."""


def pit_conditions(process: ProcessSnapshot) -> Iterator[Condition | NotKnown]:
    """Every condition of the pit."""
    lighting = process.pit_stage not in SETTLED_STAGES
    overdue = lighting and _does_not_climb(process)
    guards = _guards(process, lighting and not overdue)
    relight = ("fire-out",) if process.stands("fire-out") else ()
    yield _blind(process, guards)
    yield from _probe_lost(process, guards)
    yield _contradict(process, (*guards, *relight, *_called_already(process)))
    if process.lid_since is not None or not process.fire.lid_open:
        yield _lid_left_open(process, (*guards, *relight))
    else:
        yield process.unknown("lid-left-open", process.pit_subject)
    slope = 0.0 if isnan(process.fire.slope) else process.fire.slope
    never_caught = overdue and process.pit_stage in NO_FIRE_SEEN
    # a fire that is lost or never caught wants relighting, not wood: one alarm for it and not two
    lost = never_caught or _gone_cold(process) or relight
    if process.pit_stage in NOT_FED:
        yield from (quiet(rule, process.pit_subject.id) for rule in (FEED, NOT_CAUGHT))
    else:
        # who is asked to look at the fire is not asked for wood by the probe that is in doubt; once he has answered, he is
        unanswered = process.stands(CONTRADICT) and not process.is_answered(CONTRADICT)
        greater = (*(("fire-out",) if lost else ()), *((CONTRADICT,) if unanswered else ()))
        yield from feed_conditions(process, (*guards, *greater), slope)
    if not isnan(process.pit):
        yield _fire_out(process, guards, slope, never_caught)
        yield from _too_hot(process, guards, slope)
    else:
        unseen = say("alarm.because-unseen", since=process.unseen_since)
        yield from (process.unseen(rule, unseen) for rule in NEED_A_PIT)
    asks = bool(process.pit_question)
    told = asked_as(process.pit_question, name=process.called(process.pit_subject.name)) if asks else None
    found = Finding(asks, within=not asks, because=process.pit_question, told=told)
    yield process.condition("stage-question", process.pit_subject, found)


def _guards(process: ProcessSnapshot, lighting: bool) -> tuple[str, ...]:
    idle = not (process.pieces or process.elsewhere)
    needed = idle or any(p.needs_fire for p in process.pieces)
    known = not process.record_lost  # what is known to be lost holds no alarm back
    holds = {"lid-open": process.fire.lid_open, "lighting": lighting and known, "piece-off": not needed and known}
    return tuple(guard for guard, is_so in holds.items() if is_so)


def _at_stake(process: ProcessSnapshot) -> float | None:
    """s until what a lost fire leads to, None: now. Without meat nothing is lost: nobody is called again and again."""
    return None if process.pieces or process.record_lost else FAR_OFF


def _blind(process: ProcessSnapshot, guards: tuple[str, ...]) -> Condition:
    since, glimpsed = process.blind_since, process.glimpsed_since
    if since is None and glimpsed is None:
        seen = Finding(active=False, within=True, because="", consequence_in=_at_stake(process))
        return process.condition("pit-blind", process.pit_subject, seen, guards)
    because = say("alarm.pit-blind.because", since=process.unseen_since, then=_then(process), carried=carried(process))
    told, value = None, None if since is None else process.now - process.unseen_since
    if glimpsed is not None:  # a glimpse ends nothing
        value = process.now - glimpsed
        because = say("alarm.pit-blind.because-glimpsed", since=glimpsed, then=_then(process), carried=carried(process))
        told = say("alarm.pit-blind.glimpsed", name=process.called(process.pit_subject.name), value=value)
    found = Finding(
        active=True,
        within=False,
        because=because,
        value=value,
        told=told,
        last=process.last,
        consequence_in=_at_stake(process),
        # to find that a probe has fallen has taken long enough; a minute is left for it to be found otherwise
        held=min(
            max(process.lain, process.owed),
            max(0.0, process.rules["pit-blind"].on_delay - SURE),
        ),
    )
    return process.condition("pit-blind", process.pit_subject, found, guards)


def _probe_lost(process: ProcessSnapshot, guards: tuple[str, ...]) -> Iterator[Condition | NotKnown]:
    """Another probe still sees the pit, so nobody is woken; but what sees it alone must not fail."""
    for channel in process.settings.with_role(Role.PIT):
        if channel.pit != process.pit_id:
            continue
        subject, since = subject_called(channel.id, channel.name or channel.id), process.probes_lost.get(channel.id)
        if isnan(process.pit):
            yield process.unknown("pit-probe-lost", subject)
            continue
        found = Finding(
            active=since is not None,
            within=since is None,
            because="" if since is None else say("alarm.pit-probe-lost.because", pit=process.pit),
            value=None if since is None else process.now - since,
        )
        yield process.condition("pit-probe-lost", subject, found, guards)


def _contradict(process: ProcessSnapshot, guards: tuple[str, ...]) -> Condition:
    """Whatever the pit is believed to be: the probe that was not believed may be the one that is right."""
    apart, meat = process.contradiction, process.cold_meat
    found = Finding(active=False, within=True, because="")
    if meat is not None and not (apart is not None and apart.surely):
        found = Finding(
            active=meat.surely,
            within=False,
            because=say("alarm.pit-probes-contradict.because-meat", core=meat.core, fallen=meat.fallen, pit=meat.pit),
            value=meat.core,
            limit=meat.pit,
            told=say("alarm.pit-probes-contradict.meat", name=process.pit_subject.name, pit=meat.pit),
        )
    elif apart is not None:
        found = Finding(
            active=apart.surely,
            within=False,
            because=say("alarm.pit-probes-contradict.because", cold=apart.cold, warm=apart.warm),
            value=apart.cold,
            limit=apart.warm,
            severity=int(apart.hot and apart.warm > process.band.high + process.rules["runaway"].margin),
        )
    return process.condition(CONTRADICT, process.pit_subject, found, guards)


def _called_already(process: ProcessSnapshot) -> tuple[str, ...]:
    """Somebody is called to this fire already. By the lesser alarm, since one of two probes may well sink faster than the other:
    but no longer than a fire that dies takes to show in both, and never where the meat tells of it or the call has been made. Or
    for a fire that burns too hot, by what both of them read."""
    apart, meat = process.contradiction, process.cold_meat
    if apart is not None and apart.hot:
        return () if process.stands(CONTRADICT) else tuple(rule for rule in TOO_HOT if process.stands(rule))
    sinks_faster = apart is not None and apart.lasts < SINKS_FASTER_FOR and not (meat is not None and meat.surely)
    return (FEED,) if sinks_faster and process.stands(FEED) and not process.stands(CONTRADICT) else ()


def _then(process: ProcessSnapshot) -> Text:
    return "" if process.last is None else say("alarm.pit-blind.then", last=process.last[0])


def _lid_left_open(process: ProcessSnapshot, guards: tuple[str, ...]) -> Condition:
    since = process.lid_since
    fed = since is not None and process.fire.fed_within(since + LID_BY_LOG, 2 * LID_BY_LOG)
    lately = since is None or process.now - since < AT_WORK
    # wet wood excuses a dip, but no pit that has left its band and not come back: who feeds a fire may forget its lid
    fed = fed and (lately or process.pit >= process.band.low)
    at_work = not process.asleep and lately
    # a pit that nobody sees says nothing of its lid
    lid_open = process.fire.lid_open and not process.fire.lid_recovering and not isnan(process.pit)
    # a flare that has burnt down falls as fast as under an open lid, until it has left its band at the bottom
    flared = (
        process.fire.lid_from > process.band.high + process.rules["runaway"].margin and process.pit >= process.band.low
    )
    lid_open = lid_open and not (at_work or fed or flared)
    waits = process.stands("lid-left-open") and _lid_call_goes_on(process)
    active = lid_open or waits
    found = Finding(
        active=active,
        within=not active,
        because=say("alarm.lid-left-open.because") if active else "",
        value=None if since is None else process.now - since,
    )
    return process.condition("lid-left-open", process.pit_subject, found, guards)


def _lid_call_goes_on(process: ProcessSnapshot) -> bool:
    """When a lid explains it no longer, its call goes on until the fire's own takes over; nor does it fall silent between the
    lid and the probe, of which one may be taken for the other."""
    if isnan(process.pit):
        return not process.stands("pit-blind")
    comes_back = process.fire.lid_recovering or process.sense().climbs
    return process.pit < process.band.low and not comes_back


def _gone_cold(process: ProcessSnapshot) -> bool:
    """No fire burns under so cold a pit, and one has."""
    return process.pit_stage in SETTLED_STAGES and process.pit < min(COLD, process.band.low - OUT_BELOW)


def _fire_out(process: ProcessSnapshot, guards: tuple[str, ...], slope: float, never_caught: bool) -> Condition:
    pit, low, out = process.pit, process.band.low, process.pit_stage == PitPhase.OUT
    if not out and pit >= low - WELL_BELOW and process.is_plain("fire-out", process.pit_subject):
        return quiet("fire-out", process.pit_subject.id)
    sense = process.sense()
    climbs, stands, cold = slope > TURNING or sense.climbs, process.stands("fire-out"), _gone_cold(process)
    # it has been low for so long that nothing laid on it excuses it any more, nor a climb that does not bring it back
    stays_low = process.stays_low
    # until a log has shown, the prompt about that log says it all; a fire that was called lost must show degrees
    fed = process.fire.excused(process.now) and not (stands or cold or stays_low or _not_lit(process))
    burns = sense.answering or process.fire.slackens or fed
    sinks = (slope < FALLING_FAST or process.fire.lower_each_time) and not burns
    lost = pit < low - WELL_BELOW and (never_caught or sinks or cold or stays_low)
    warms = process.fire.regained >= REGAINED if stands else climbs
    back = warms and not (cold or stays_low)  # embers warm a cold pit, too
    # what the habits of the probes make of it, but none of them reads, is asked and not ordered
    nobody_reads_it = bool(process.reads) and min(process.reads) >= low - WELL_BELOW and not process.fire.heading > 0
    told = None
    if nobody_reads_it:
        told = say("alarm.fire-out.perhaps", name=process.called(process.pit_subject.name), value=min(process.reads))
    found = Finding(
        active=(out or lost) and not (back or fed),
        within=pit > low or back or fed,
        because=say("alarm.fire-out.because", pit=pit, rate=slope * 60),
        value=pit,
        limit=low,
        consequence_in=_at_stake(process),
        improving=climbs and not stays_low,
        mends=process.fire.heading > 0 and not stays_low,
        told=told,
    )
    return process.condition("fire-out", process.pit_subject, found, guards)


def _too_hot(process: ProcessSnapshot, guards: tuple[str, ...], slope: float) -> Iterator[Condition]:
    pit, band = process.pit, process.band
    high, runaway = process.rules["pit-high"], process.rules["runaway"]
    too_hot, limit = band.high + high.margin, band.high + runaway.margin
    plainly_not = pit <= too_hot and process.is_plain("runaway", process.pit_subject)
    if plainly_not and process.is_plain("pit-high", process.pit_subject):
        yield from (quiet(rule, process.pit_subject.id) for rule in TOO_HOT)
        return
    comes_down = process.fire.heading < 0 and not process.sense().climbs  # the last minutes may know better
    # one probe alone may have drifted, and the meat tells too late: a damper shut on a fire that dies puts it out
    told = None
    if len(process.reads) == 1 and not comes_down:
        name = process.called(process.pit_subject.name)
        told = say("alarm.pit-high.perhaps", name=name, value=pit, limit=too_hot)
    found = Finding(
        active=pit > too_hot and slope > -TURNING,
        within=pit < too_hot - high.deadband,
        because=say("alarm.pit-high.because", pit=pit, top=band.high, margin=high.margin),
        value=pit,
        limit=too_hot,
        improving=slope < -TURNING,
        mends=comes_down,
        told=told,
    )
    worse = ("runaway",) if process.stands("runaway") else ()
    # which of two probes is right is for who looks at the fire: a damper shut on a fire that dies puts it out
    apart = process.contradiction
    begins = apart is not None and apart.surely and not (apart.hot and process.stands("pit-high"))
    doubted = (CONTRADICT,) if begins or process.stands(CONTRADICT) else ()
    yield process.condition("pit-high", process.pit_subject, found, (*guards, *worse, *doubted))
    away = 0.0 if any(guard in high.guards for guard in guards) else _runs_away_at(process, too_hot, limit)
    goes_on = process.stands("runaway") and pit > too_hot and max(slope, process.fire.climb) > TURNING
    found = Finding(
        active=away > 0 or (pit > limit and slope > 0) or goes_on,
        within=pit < too_hot - high.deadband or (pit < limit - runaway.deadband and slope <= 0),
        because=say("alarm.runaway.because", pit=pit, rise=max(slope, away) * 60),
        value=pit,
        limit=limit,
        improving=slope < -TURNING,
        mends=comes_down,
    )
    yield process.condition("runaway", process.pit_subject, found, guards)


def _does_not_climb(process: ProcessSnapshot) -> bool:
    """Meat has lain for LIGHTING_TAKES on a pit that has not climbed since, or on one that was hot and falls back: no mark of a
    fire buys that one time. A fire that is lit anew under it shows as soon as a log does, or was not lit."""
    on = [p.stage.on_at for p in process.pieces if p.on_fire and p.stage.on_at is not None]
    allowed = 0.0 if _not_lit(process) else LIGHTING_TAKES
    if on and process.pit_falls_back and process.now - max(on) >= RECOVERS_IN:  # cold meat and its lid cost some heat
        return True
    return bool(on) and process.now - max(process.pit_climbed_at, min(on)) >= allowed


def _not_lit(process: ProcessSnapshot) -> bool:
    """Said to be lit anew, and the pit has not shown it in the time that it takes to."""
    return process.pit_relit and process.fire.shows_no_fire(process.now)


def _runs_away_at(process: ProcessSnapshot, too_hot: float, limit: float) -> float:
    """°C per minute of a climb that takes a pit just found too hot past the limit of a runaway before anybody could be
    called again, 0 if there is none: one call then says the worse thing at once, and not two within minutes. What a log does
    slackens by itself: a climb that a log explains is followed only as far as its own slackening takes it.

    Looked for in the second half of the lesser alarm's on-delay, so that one call says both: after it that call has been
    made, and the limit itself decides."""
    pit, fire, delay = process.pit, process.fire, process.rules["pit-high"].on_delay / 60.0
    if pit < too_hot:
        return 0.0  # whatever it does: nothing below asks for less
    steep = fire.climb >= STEEP
    climb = fire.climb if steep else fire.steady_climb
    if fire.climb_is_a_log(process.now):
        climb = fire.climb
        runs = 0 < climb <= STEEPEST and pit - delay * climb < too_hot and pit + fire.rise_ahead > limit
    elif steep:
        runs = climb <= STEEPEST and pit + STEEP_FOR * climb > limit
    else:
        runs = climb < STEEP and pit - delay * climb < too_hot and pit + (delay + SPACING / 60.0) * climb > limit
    return climb if runs and pit - delay / 2 * climb >= too_hot else 0.0
