"""Quiet hours by the local clock."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from daemon.core.annunciation.quiet_hours import is_quiet
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


def test_quiet_hours_within_one_day_and_none_at_all() -> None:
    noon = utc(2026, 1, 10, 11, 0)
    assert is_quiet(QuietHours(11 * 60, 13 * 60, BERLIN), noon)
    assert not is_quiet(QuietHours(0, 0, BERLIN), noon)
