"""When somebody may be asleep."""

from __future__ import annotations

from datetime import datetime, timedelta

from daemon.core.settings import QuietHours

CLOCK_SET_AFTER = 1_577_836_800.0
"""UTC s, 2020-01-01: a clock before this was never set, and then every hour counts as night."""


def is_night(quiet: QuietHours, asleep: bool, wall: float) -> bool:
    """Quiet hours, a nap, or a clock that was never set. wall: UTC, s."""
    return asleep or wall < CLOCK_SET_AFTER or is_quiet(quiet, wall)


def is_quiet(quiet: QuietHours, wall: float) -> bool:
    """Is it night by the local wall clock? Daylight saving comes from the zone, so a night is as long as it is."""
    local = datetime.fromtimestamp(wall, quiet.zone)
    minute = local.hour * 60 + local.minute
    if quiet.start <= quiet.end:
        return quiet.start <= minute < quiet.end
    return minute >= quiet.start or minute < quiet.end


def newest_night(quiet: QuietHours, wall: float) -> tuple[float, float]:
    """Start and end of the newest quiet hours that have begun, UTC s. wall: UTC, s."""
    local = datetime.fromtimestamp(wall, quiet.zone)
    start = local.replace(hour=quiet.start // 60, minute=quiet.start % 60, second=0, microsecond=0)
    if start > local:
        start -= timedelta(days=1)
    end = start.replace(hour=quiet.end // 60, minute=quiet.end % 60)
    if end <= start:
        end += timedelta(days=1)
    return start.timestamp(), end.timestamp()
