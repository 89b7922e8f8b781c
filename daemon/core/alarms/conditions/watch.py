"""The conditions of the watch itself: its parts (devices, disk, broker, delivery channels, clock) and its probes' calibration."""

from __future__ import annotations

from collections.abc import Iterator

from daemon.core.alarms.conditions.process import FAR_OFF, Finding, ProcessSnapshot, quiet, subject_called
from daemon.core.alarms.rules import Condition
from daemon.core.inputs import Part
from daemon.core.said import say

CALIBRATION_OLD = 365 * 86400.0
"""s between checks of a probe: yearly, common practice, no source."""

PART_RULES = {
    Part.DEVICE: "device-lost",
    Part.ADAPTER: "device-lost",
    Part.DISK: "watch-disk",
    Part.BROKER: "watch-broker",
    Part.CHANNEL: "watch-channel-down",
    Part.CLOCK: "watch-clock",
    Part.BATTERY: "battery-low",
    Part.RECORD: "record-lost",
}


def watch_conditions(process: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition of the watch's own parts."""
    yield from _parts(process)
    yield from _calibration(process)


def _parts(process: ProcessSnapshot) -> Iterator[Condition]:
    down = {name for (part, name), (health, _) in process.health.items() if part is Part.CHANNEL and not health.ok}
    for (part, name), (health, since) in sorted(process.health.items()):
        rule, subject = PART_RULES[part], subject_called(name, name)
        if process.goes_without_saying(rule, subject, not health.ok, within=False):
            yield quiet(rule, name)
            continue
        left = None
        if part is Part.CHANNEL:
            left = FAR_OFF if process.wake_channels - down else 0.0
        elif part is Part.BATTERY:
            left = FAR_OFF
        found = Finding(
            active=not health.ok,
            within=health.ok,
            because=health.detail,
            value=None if part in (Part.DISK, Part.BATTERY) else process.now - since,
            consequence_in=left,
        )
        yield process.condition(rule, subject, found)


def _calibration(process: ProcessSnapshot) -> Iterator[Condition]:
    for channel in process.settings.channels:
        if channel.calibrated_at is not None:
            age = process.now - channel.calibrated_at
            old = age > CALIBRATION_OLD
            because = say("alarm.calibration-old.because") if old else ""
            found = Finding(old, within=not old, because=because, value=age)
            yield process.condition("calibration-old", subject_called(channel.id, channel.name or channel.id), found)
