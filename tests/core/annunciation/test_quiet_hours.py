"""Quiet hours by the local clock."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from daemon.core.annunciation.quiet_hours import is_quiet, newest_night
from daemon.core.settings import QuietHours
from tests.core.annunciation.test_annunciator import BERLIN


def utc(*at: int) -> float:
    return datetime(*at, tzinfo=UTC).timestamp()  # type: ignore[arg-type,misc]


@pytest.mark.parametrize(
    ("at", "night"),
    [
        (utc(2026, 3, 28, 20, 59), False),  # 21:59 CET
        (utc(2026, 3, 28, 21, 0), True),  # 22:00 CET
        (utc(2026, 3, 29, 0, 59), True),  # 01:59 CET, the clock springs to 03:00
        (utc(2026, 3, 29, 3, 59), True),  # 05:59 CEST
        (utc(2026, 3, 29, 4, 0), False),  # 06:00 CEST
        (utc(2026, 10, 24, 19, 59), False),  # 21:59 CEST
        (utc(2026, 10, 24, 20, 0), True),  # 22:00 CEST
        (utc(2026, 10, 25, 0, 30), True),  # 02:30 CEST, the first
        (utc(2026, 10, 25, 1, 30), True),  # 02:30 CET, the second
        (utc(2026, 10, 25, 4, 59), True),  # 05:59 CET
        (utc(2026, 10, 25, 5, 0), False),  # 06:00 CET
    ],
)
def test_quiet_hours_over_both_daylight_saving_shifts(at: float, night: bool) -> None:
    """European summer time ends and begins at 01:00 UTC on the last Sunday of October and March (Directive 2000/84/EC,
    from memory; the instants come from the zone database of the machine)."""
    assert is_quiet(QuietHours(22 * 60, 6 * 60, BERLIN), at) is night


@pytest.mark.parametrize(
    ("at", "night"),
    [
        (utc(2026, 3, 8, 5, 59), True),  # 00:59 EST; 02:00 EST becomes 03:00 EDT at 07:00 UTC
        (utc(2026, 3, 8, 7, 0), True),  # 03:00 EDT
        (utc(2026, 3, 8, 9, 59), True),  # 05:59 EDT
        (utc(2026, 3, 8, 10, 0), False),  # 06:00 EDT
        (utc(2026, 11, 1, 1, 59), False),  # 21:59 EDT
        (utc(2026, 11, 1, 5, 30), True),  # 01:30 EDT, the first
        (utc(2026, 11, 1, 6, 30), True),  # 01:30 EST, the second
        (utc(2026, 11, 1, 10, 59), True),  # 05:59 EST
        (utc(2026, 11, 1, 11, 0), False),  # 06:00 EST
    ],
)
def test_quiet_hours_over_both_shifts_in_america(at: float, night: bool) -> None:
    """15 U.S.C. 260a: from 02:00 local time on the second Sunday of March to the first Sunday of November (from memory)."""
    assert is_quiet(QuietHours(22 * 60, 6 * 60, ZoneInfo("America/New_York")), at) is night


def test_quiet_hours_within_one_day_and_none_at_all() -> None:
    noon = utc(2026, 1, 10, 11, 0)
    assert is_quiet(QuietHours(11 * 60, 13 * 60, BERLIN), noon)
    assert not is_quiet(QuietHours(0, 0, BERLIN), noon)


@pytest.mark.parametrize(
    ("now", "start", "end"),
    [
        ("2026-06-13T02:14", "2026-06-12T22:00", "2026-06-13T07:00"),
        ("2026-06-13T09:00", "2026-06-12T22:00", "2026-06-13T07:00"),
        ("2026-06-13T22:00", "2026-06-13T22:00", "2026-06-14T07:00"),
        # the clocks go back at 03:00 on 25 October 2026 in Berlin (tz database): this night lasts ten hours
        ("2026-10-25T08:00", "2026-10-24T22:00", "2026-10-25T07:00"),
        ("2026-03-29T08:00", "2026-03-28T22:00", "2026-03-29T07:00"),  # and this one eight
    ],
)
def test_the_newest_night_is_the_one_that_has_begun(now: str, start: str, end: str) -> None:
    zone = ZoneInfo("Europe/Berlin")
    at = [datetime.fromisoformat(text).replace(tzinfo=zone).timestamp() for text in (now, start, end)]
    assert newest_night(QuietHours(22 * 60, 7 * 60, zone), at[0]) == (at[1], at[2])
