"""A local time of day, on a face of 24 hours and of 12. On one of twelve, 12 AM is midnight and 12 PM noon: common practice,
and strptime with %I and %p reads it so."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from config.hours import minute_of_day
from config.rig import PeopleSection
from daemon.commands import orders


def test_every_minute_of_the_day_is_read_from_both_faces() -> None:
    for minute in range(24 * 60):
        at = time(minute // 60, minute % 60)
        face = at.strftime("%I:%M %p")
        read = datetime.strptime(face, "%I:%M %p").time()  # noqa: DTZ007
        assert read == at
        assert minute_of_day(at.strftime("%H:%M")) == minute
        for written in (face, face.lstrip("0"), face.replace(" ", "").lower(), face.replace(" ", "\u202f")):
            assert minute_of_day(written) == minute, written
        if at.minute == 0:
            assert minute_of_day(face.replace(":00", "")) == minute == minute_of_day(at.strftime("%I%p"))


@pytest.mark.parametrize(
    "text",
    [
        "24:00",
        "12:60",
        "13:05 PM",
        "0:10 AM",
        "5 20",
        "5",
        "13 PM",
        "0 AM",
        "PM",
        "soon",
        "",
        "5:20 XM",
        "-1:00",
        "17:5",
    ],
)
def test_what_is_no_time_of_day_is_none(text: str) -> None:
    assert minute_of_day(text) is None


def test_quiet_hours_and_orders_take_a_face_of_twelve(monkeypatch: pytest.MonkeyPatch) -> None:
    people = PeopleSection.model_validate({"quiet_from": "10:30 PM", "quiet_until": "6:15am"})
    assert (people.quiet_from, people.quiet_until) == (22 * 60 + 30, 6 * 60 + 15)
    watch = object.__new__(orders.Watch)
    watch.zone = ZoneInfo("Europe/London")
    monkeypatch.setattr(orders, "_now", lambda: datetime(2026, 11, 28, 6, 0, tzinfo=UTC))
    assert watch.minutes_ago("5:20 AM") == watch.minutes_ago("05:20") == 40.0
    assert watch.coming("5:20pm") == watch.coming("17:20")
    with pytest.raises(orders.NotSaid, match="is no time"):
        watch.minutes_ago("13:20 AM")
