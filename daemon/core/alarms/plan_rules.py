"""The rules of what the cook has to do by hand: the steps of a kept plan, own reminders, wood and the grease tray.

All are prompts: expected calls for action. A plan's hour that the cook agreed to is an alarm clock and rings at night too,
for the cook alone; everything else here waits for the day. Delays are common practice, no source.
"""

from __future__ import annotations

from daemon.core.alarms.rule import AlarmRule, Unit, WakePolicy
from daemon.core.events import Priority

MINUTE, HOUR = 60.0, 3600.0

PLAN_RULES: tuple[AlarmRule, ...] = (
    AlarmRule(
        id="plan-light",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=MINUTE,
        re_alarm=30 * MINUTE,
        own=True,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-prepare",
        time_to_act=20 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=MINUTE,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-on",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=MINUTE,
        own=True,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-wrap",
        time_to_act=30 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.OPT_IN,
        prompt=True,
        on_delay=MINUTE,
        guards=("piece-off", "fire-out"),
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-probe",
        time_to_act=30 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=MINUTE,
        guards=("piece-off", "fire-out"),
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-off",
        time_to_act=15 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.LEAD,
        prompt=True,
        on_delay=MINUTE,
        guards=("piece-off",),
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-hold",
        time_to_act=30 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=MINUTE,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="plan-chill",
        time_to_act=30 * MINUTE,
        priority=Priority.MEDIUM,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=MINUTE,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="wood-short",
        time_to_act=2 * HOUR,
        priority=Priority.MEDIUM,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=10 * MINUTE,
        off_delay=MINUTE,
        deadband=30 * MINUTE,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="grease-tray",
        time_to_act=HOUR,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        on_delay=5 * MINUTE,
        off_delay=MINUTE,
        guards=("piece-off",),
        unit=Unit.PERCENT,
    ),
    AlarmRule(
        id="reminder",
        time_to_act=15 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.NEVER,
        prompt=True,
        may_lack_value=True,
        unit=Unit.SECONDS,
    ),
    AlarmRule(
        id="reminder-night",
        time_to_act=15 * MINUTE,
        priority=Priority.LOW,
        wake=WakePolicy.NOW,
        prompt=True,
        own=True,
        may_lack_value=True,
        unit=Unit.SECONDS,
    ),
)
