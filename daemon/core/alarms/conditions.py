"""From what is known to what is wrong: one Condition per rule and subject, every beat. No memory, no delays.

A judge that lacks a good reading says nothing: a suspect or missing value neither raises nor clears. Blindness has
its own rule.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from math import isnan, nan

from daemon.core.alarms.rules import RULES_BY_ID, AlarmRule, Condition, alarm_text, warn_within
from daemon.core.inputs import Goal, Health, Interval, Part
from daemon.core.pieces.piece import KEPT, RESTING, PieceWatch
from daemon.core.pit.fire import FireWatch
from daemon.core.settings import SPACING, Band, WatchSettings

FALLING_FAST = -0.1
"""°C per minute: below the band and steeper than this is a fire being lost; common practice, no source."""
TURNING = 0.05
"""°C per minute: the temperature has turned."""
FALL_IN_SIGHT = 3.5
"""A forecast exit counts as urgent only while the present fall alone would get there within this many leads: a forecast
learned from quicker pits must not call a cook out to a pit that stands still. Ours, tried on simulated nights."""
FALLS_FASTER = 1.75
"""A dying fire falls faster and faster: in the lower half of the band it has left it after about 1/1.75 of the time that
its lasting fall alone would take, and a forecast that says more is not believed. Ours, tried on simulated nights."""
LEVELLING = 0.8
"""In the upper half of the band a fire that dies falls slowly at first and then faster. What comes down at once, or ever more
slowly (the last minutes less than this share of the last twenty), comes back from too much heat and wants no wood. As above."""
STEEP, STEEPEST = 6.0, 18.0
"""°C per minute: steeper than a fire or burning fat heats a pit. A lid was shut on a hot fire, and what evens out then takes
minutes only; steeper still, a probe was moved. This and the next: ours, tried on simulated nights."""
STEEP_FOR = 2.5
"""Minutes for which so steep a climb is taken to go on; it slackens all the while."""
LATE_ENOUGH = 5 * 60.0
"""s past the service time at the upper quartile of the forecast (between its middle and its late end) before anybody is told."""
EARLY_ENOUGH = 2 * 3600.0
"""s before the planned end at the forecast's late end; then the hold must be ready."""
FAR_OFF = 8 * 3600.0
"""s: the time to a consequence that need not wake anybody."""
COOLS_WELL = 0.9
"""Share of the time left within which a chill that was too slow must now be done, so that its alarm does not chatter."""
CALIBRATION_OLD = 365 * 86400.0
"""s between checks of a probe: yearly, common practice, no source."""
NO_CORE = 3.0
"""°C above the boiling point: no core gets there while it is wet, so this probe is not in one."""
SETTLED_STAGES = frozenset({"in-band", "falling", "low", "out", "high", "runaway"})
"""Pit stages after the fire has once brought the pit to its band."""
NO_FIRE_SEEN = frozenset({"unlit", "lighting"})
"""Pit stages in which no heat has yet told of a fire."""
LIGHTING_TAKES = 45 * 60.0
"""s for which meat may lie on a pit on its way to the band that does not climb; then the fire is taken to have died or never
to have caught, and what was held back for the lighting is held back no more. Common practice, no source."""

PART_RULES = {
    Part.DEVICE: "device-lost",
    Part.ADAPTER: "device-lost",
    Part.DISK: "watch-disk",
    Part.BROKER: "watch-broker",
    Part.CHANNEL: "watch-channel-down",
    Part.CLOCK: "watch-clock",
    Part.BATTERY: "battery-low",
}


@dataclass(frozen=True, slots=True)
class ProcessSnapshot:
    """What the judges look at. pit: control value of good probes, °C, NaN if blind. blind_since: engine time.
    cores: newest good core by piece id. lost: piece id -> engine time since when its probe gives nothing good.
    pit_question: what the cook has not answered about the pit. pit_climbed_at: engine time, see `PitStage`."""

    now: float
    settings: WatchSettings
    band: Band
    pit: float
    blind_since: float | None
    pit_stage: str
    fire: FireWatch
    lid_since: float | None
    pieces: tuple[PieceWatch, ...]
    cores: dict[str, float]
    lost: dict[str, float]
    health: dict[tuple[Part, str], tuple[Health, float]]
    wake_channels: frozenset[str]
    rules: Mapping[str, AlarmRule] = field(default_factory=lambda: RULES_BY_ID)
    pit_question: str = ""
    pit_climbed_at: float = 0.0


def conditions(process: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition that can be judged now."""
    yield from _fire(process)
    asks = bool(process.pit_question)
    yield _say(process, "stage-question", "pit", process.settings.pit_name, asks, not asks, process.pit_question)
    for piece in process.pieces:
        yield from _goals(process, piece)
        yield from _service(process, piece)
        yield from _keeping(process, piece)
        yield from _probe(process, piece)
    yield from _parts(process)
    yield from _calibration(process)


def _say(process: ProcessSnapshot, rule_id: str, subject: str, name: str, active: bool, within: bool, because: str,
         value: float | None = None, limit: float | None = None, consequence_in: float | None = None,
         suppressed_by: tuple[str, ...] = (), severity: int = 0, improving: bool = False) -> Condition:  # fmt: skip
    rule = process.rules[rule_id]
    text = ""  # what is not active is never read
    if active:
        text = alarm_text(rule, value, limit, name, process.settings.announcing.fahrenheit, consequence_in)
    guards = tuple(g for g in suppressed_by if g in rule.guards)
    return Condition(
        rule_id, subject, active, within, text, because, value, consequence_in, guards, severity, improving
    )


def _lead(process: ProcessSnapshot, rule: AlarmRule) -> float:
    return warn_within(rule, process.settings.announcing.sleeper.lead)


def early_half(interval: Interval) -> float:
    """Half way from the early end of an interval to its middle: what the lead for kept meat is counted back from."""
    return (interval.p05 + interval.p50) / 2


def early_quarter(interval: Interval) -> float:
    """A quarter of the way: what the lead for a fire is counted back from. A fire left alone gives less time than meat,
    and half way gave less than the lead in 3 of 31 calls on simulated nights of a fire going out, this in 1 of 139."""
    return (3 * interval.p05 + interval.p50) / 4


def _fire(process: ProcessSnapshot) -> Iterator[Condition]:
    fire, band, pit, name = process.fire, process.band, process.pit, process.settings.pit_name
    needed = not process.pieces or any(p.on_fire for p in process.pieces)
    lighting = process.pit_stage not in SETTLED_STAGES
    overdue = lighting and _does_not_climb(process)
    never_caught = overdue and process.pit_stage in NO_FIRE_SEEN
    guards = tuple(
        guard
        for guard, holds in (
            ("lid-open", fire.lid_open),
            ("lighting", lighting and not overdue),
            ("piece-off", not needed),
        )
        if holds
    )
    blind = 0.0 if process.blind_since is None else process.now - process.blind_since
    yield _say(process, "pit-blind", "pit", name, process.blind_since is not None, process.blind_since is None,
               "no pit probe gives a value to believe", value=blind, suppressed_by=guards)  # fmt: skip
    if process.lid_since is not None or not fire.lid_open:
        open_for = 0.0 if process.lid_since is None else process.now - process.lid_since
        yield _say(process, "lid-left-open", "pit", name, fire.lid_open, not fire.lid_open,
                   "the pit lost its heat at once and has not come back", value=open_for, suppressed_by=guards)  # fmt: skip
    if isnan(pit):
        return
    slope = 0.0 if isnan(fire.slope) else fire.slope
    # a fire that never caught wants relighting, not wood: one alarm for it and not two
    yield _feed(process, (*guards, "lighting") if never_caught else guards, slope)
    yield _say(process, "fire-out", "pit", name,
               process.pit_stage == "out" or (pit < band.low - 2 and (never_caught or slope < FALLING_FAST)),
               pit > band.low, f"{pit:.0f} °C, {slope * 60:+.0f} °C/h, below the band", pit, band.low,
               suppressed_by=guards, improving=slope > TURNING)  # fmt: skip
    high, runaway = process.rules["pit-high"], process.rules["runaway"]
    too_hot, limit = band.high + high.margin, band.high + runaway.margin
    yield _say(process, "pit-high", "pit", name, pit > too_hot and slope > -TURNING, pit < too_hot - high.deadband,
               f"{pit:.0f} °C, above the band", pit, too_hot, suppressed_by=guards, improving=slope < -TURNING)  # fmt: skip
    away = 0.0 if any(guard in high.guards for guard in guards) else _runs_away_at(process, too_hot, limit)
    settles = pit < too_hot - high.deadband or (pit < limit - runaway.deadband and slope <= 0)
    yield _say(process, "runaway", "pit", name, away > 0 or (pit > limit and slope > 0), settles,
               f"{pit:.0f} °C and rising {max(slope, away) * 60:.0f} °C/h", pit, limit, suppressed_by=guards,
               improving=slope < -TURNING)  # fmt: skip


def _does_not_climb(process: ProcessSnapshot) -> bool:
    """Meat has lain for LIGHTING_TAKES on a pit that has not climbed since."""
    on = [p.stage.on_at for p in process.pieces if p.on_fire and p.stage.on_at is not None]
    return bool(on) and process.now - max(process.pit_climbed_at, min(on)) >= LIGHTING_TAKES


def _runs_away_at(process: ProcessSnapshot, too_hot: float, limit: float) -> float:
    """°C per minute of a climb that takes a pit just found too hot past the limit of a runaway before anybody could be
    called again, 0 if there is none: one call then says the worse thing at once, and not two within minutes.

    Looked for in the second half of the lesser alarm's on-delay, so that both are told in one call: after it that call has
    been made, and the limit itself decides."""
    pit, fire, delay = process.pit, process.fire, process.rules["pit-high"].on_delay / 60.0
    steep = fire.climb >= STEEP
    climb = fire.climb if steep else fire.steady_climb
    if steep:
        runs = climb <= STEEPEST and pit + STEEP_FOR * climb > limit
    else:
        runs = climb < STEEP and pit - delay * climb < too_hot and pit + (delay + SPACING / 60.0) * climb > limit
    return climb if runs and pit - delay / 2 * climb >= too_hot else 0.0


def _feed(process: ProcessSnapshot, guards: tuple[str, ...], slope: float) -> Condition:
    rule, band, due = process.rules["pit-falling"], process.band, process.fire.log_due
    left = None if due is None else max(0.0, early_quarter(due) - process.now)
    low = process.pit < band.low
    lead = _lead(process, rule)
    lasting = process.fire.lasting_slope if slope < 0 else nan  # it counts only while the pit falls
    fall = slope if isnan(lasting) else max(slope, lasting)
    by_slope = (process.pit - band.low) / -fall * 60.0 if fall < 0 else FAR_OFF
    dying = True
    if not isnan(lasting) and process.pit < (band.low + band.high) / 2:
        left = None if left is None else min(left, max(0.0, by_slope / FALLS_FASTER))
    elif not isnan(lasting):
        dying = process.pit <= band.high and by_slope >= lead and slope <= LEVELLING * lasting
    urgent = dying and left is not None and left <= lead and by_slope <= FALL_IN_SIGHT * lead
    calm = left is None or left > lead + 300.0 or slope > TURNING or by_slope > 2 * FALL_IN_SIGHT * lead
    because = f"{process.pit:.0f} °C, " + (
        "below the band" if low else f"leaves the band in {(left or 0) / 60:.0f} min"
    )
    return _say(process, rule.id, "pit", process.settings.pit_name, low or urgent,
                calm and process.pit > band.low + (0 if slope > TURNING else rule.deadband), because, process.pit,
                band.low, 0.0 if low else left, guards, severity=int(low), improving=slope > TURNING)  # fmt: skip


def _goals(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    """A core that is not believed raises nothing and clears nothing, and an on-delay begins anew with the next good one:
    a probe that slips out of the meat passes through the tender range."""
    core, own = process.cores.get(piece.settings.id), piece.settings
    if core is None or core > process.settings.boiling_point + NO_CORE:
        core = None
    off = () if piece.on_fire else ("piece-off",)
    seen = nan if core is None else core
    because = f"core {seen:.1f} °C"
    if own.wrap is not None and own.wrap_at is not None:
        bare = piece.stage.wrapped_at is None
        deadband = process.rules["wrap-target"].deadband
        yield _say(process, "wrap-target", own.id, own.name, bare and seen >= own.wrap_at,
                   core is not None and not (bare and seen >= own.wrap_at - deadband), because, core, own.wrap_at,
                   suppressed_by=off)  # fmt: skip
    if own.tender_low is not None:
        rule, at = process.rules["tender-range"], piece.outlook(Goal.TENDER)
        reached = seen >= own.tender_low
        left = 0.0 if reached else None if at is None else max(0.0, at.p50 - process.now)
        soon = core is not None and left is not None and left <= _lead(process, rule)
        away = seen < own.tender_low - rule.deadband and not soon
        yield _say(process, rule.id, own.id, own.name, reached or soon, away, because, core, own.tender_low, left, off,
                   severity=int(reached))  # fmt: skip
    elif own.target is not None:
        yield _say(process, "target-reached", own.id, own.name, seen >= own.target, seen < own.target - 1, because,
                   core, own.target, suppressed_by=off)  # fmt: skip


def _service(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    serve, own = process.settings.cook.serve_at, piece.settings
    goal = Goal.TARGET if piece.outlook(Goal.TARGET) else Goal.TENDER  # what it leaves the fire at
    at = piece.outlook(goal)
    if serve is None or at is None or not piece.on_fire:
        return
    ready_by = serve - process.settings.cook.rest
    late = (at.p50 + at.p95) / 2 - ready_by
    remedies = [piece.outlook(goal, s) for s in ("wrapped-now", "pit-10-hotter")]
    helps = any(r is not None and r.p50 < at.p50 - LATE_ENOUGH for r in remedies)
    yield _say(process, "service-at-risk", own.id, own.name, late > LATE_ENOUGH and helps, late < 0,
               f"off the fire {late / 60:.0f} min too late, three times in four", max(0.0, late))  # fmt: skip
    early = ready_by - at.p95
    yield _say(process, "finish-early", own.id, own.name, early > EARLY_ENOUGH, early < EARLY_ENOUGH / 2,
               f"off the fire {early / 60:.0f} min before it need be even at the late end", max(0.0, early))  # fmt: skip


def _keeping(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    own, safety, view = piece.settings, piece.safety, piece.safety.view
    core = process.cores.get(own.id)
    stage = piece.stage.stage
    if stage in KEPT and core is not None:
        rule, floor, surely = process.rules["hold-falling"], safety.floor(), safety.surely(core)
        fall = 0.0 if piece.rate is None else -piece.rate / 3600.0
        left = None if fall <= 0 else max(0.0, (core - floor) / fall)
        at = piece.outlook(Goal.HOLD_LIMIT)
        if at is not None and surely > floor:
            forecast = max(0.0, early_half(at) - process.now)
            left = forecast if left is None else min(left, forecast)
        # what is foreseen goes by the reading: a tolerance drawn out along a slow fall is an hour in a closed box
        low = surely <= floor
        soon = left is not None and left <= _lead(process, rule)
        limit = floor + core - surely if low else floor
        because = f"core {core:.1f} ± {core - surely:.1f} °C, floor {floor:.1f} °C ({safety.hold_rule()})"
        yield _say(process, rule.id, own.id, own.name, low or soon, surely > floor + rule.deadband and not soon, because,
                   core, limit, 0.0 if low else left, severity=int(core <= floor), improving=fall < 0)  # fmt: skip
    if stage in KEPT or stage in RESTING:
        rule, left = process.rules["hold-unsafe"], view.hold_left_seconds
        near = left is not None and left <= _lead(process, rule)
        because = f"floor {safety.floor():.1f} °C ({safety.hold_rule()}): {safety.below_in_words()}" if near else ""
        below = core if core is not None and safety.surely(core) < safety.floor() else None
        yield _say(process, rule.id, own.id, own.name, near, left is None, because, below, None, left)
    if stage == "chill":
        rule, left = process.rules["cooling-slow"], view.cooling_left_seconds
        takes = view.cooling_takes_seconds
        if takes is None:  # no pace yet: only the clock speaks
            slow = left is not None and left <= _lead(process, rule)
            well = not slow
        else:
            slow = left is not None and takes > left
            well = left is None or takes <= COOLS_WELL * left
        yield _say(process, rule.id, own.id, own.name, slow, well, view.cooling_stage, core, None, left)


def _probe(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition]:
    own, since = piece.settings, process.lost.get(piece.settings.id)
    goals = [piece.outlook(g) for g in (Goal.WRAP, Goal.TENDER, Goal.TARGET)]
    left = min((max(0.0, g.p05 - process.now) for g in goals if g is not None), default=FAR_OFF)
    off = () if piece.on_fire or piece.stage.stage in KEPT else ("piece-off",)
    yield _say(process, "meat-probe-lost", own.id, own.name, since is not None, since is None,
               "the probe gives nothing to believe", 0.0 if since is None else process.now - since,
               consequence_in=left, suppressed_by=off)  # fmt: skip
    asks = bool(piece.question)
    yield _say(process, "stage-question", own.id, own.name, asks, not asks, piece.question, process.cores.get(own.id))


def _parts(process: ProcessSnapshot) -> Iterator[Condition]:
    down = {name for (part, name), (health, _) in process.health.items() if part is Part.CHANNEL and not health.ok}
    for (part, name), (health, since) in sorted(process.health.items()):
        left = None
        if part is Part.CHANNEL:
            left = FAR_OFF if process.wake_channels - down else 0.0
        elif part is Part.BATTERY:
            left = FAR_OFF
        value = None if part in (Part.DISK, Part.BATTERY) else process.now - since
        yield _say(process, PART_RULES[part], name, name, not health.ok, health.ok, health.detail, value,
                   consequence_in=left)  # fmt: skip


def _calibration(process: ProcessSnapshot) -> Iterator[Condition]:
    for channel in process.settings.channels:
        if channel.calibrated_at is not None:
            age = process.now - channel.calibrated_at
            yield _say(process, "calibration-old", channel.id, channel.name or channel.id, age > CALIBRATION_OLD,
                       age <= CALIBRATION_OLD, "checked too long ago", age)  # fmt: skip
