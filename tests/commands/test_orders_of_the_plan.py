"""The plan, reminders and wood from a terminal: each command is the request to the page that its words say."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

import config
from daemon.cli import main
from daemon.commands import orders
from daemon.core.orders import BACK_DATED_AT_MOST
from daemon.shell.web import models

RIG = str(Path(config.__file__).parent / "examples" / "rig.toml")
CALLS: list[tuple[list[str], str, dict[str, Any]]] = [
    (["keep-plan", "--wind", "4", "--no-wake"], "keep-plan", {"wind": 4.0, "wake": False}),
    (["keep-plan", "--ambient", "-5"], "keep-plan", {"ambient": -5.0, "wind": 0.0, "wake": True}),
    (["drop-plan"], "drop-plan", {}),
    (["remind", "Spritz", "--every", "45", "--after", "on", "--until", "wrapped", "--piece", "chuck"], "add-reminder",
     {"reminder": {"text": "Spritz", "every_minutes": 45.0, "after": "on", "until": "wrapped", "piece": "chuck",
                   "at_night": False}}),
    (["remind", "Turn", "--at", "2026-11-28T17:40", "--at-night"], "add-reminder",
     {"reminder": {"text": "Turn", "at": "2026-11-28T17:40", "at_night": True}}),
    (["reminder-done", "spritz"], "reminder-done", {"reminder": "spritz"}),
    (["remove-reminder", "spritz"], "remove-reminder", {"reminder": "spritz"}),
    (["wood", "24"], "count-wood", {"splits": 24}),
]  # fmt: skip
BODIES: dict[str, type[models.Body]] = {
    "keep-plan": models.KeepPlanOrder, "drop-plan": models.By, "add-reminder": models.AddReminderOrder,
    "reminder-done": models.ReminderOrder, "remove-reminder": models.ReminderOrder, "count-wood": models.WoodOrder,
}  # fmt: skip


@pytest.mark.parametrize(("words", "path", "body"), CALLS, ids=lambda v: v if isinstance(v, str) else None)
def test_a_command_is_one_request(
    words: list[str], path: str, body: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[tuple[str, dict[str, Any]]] = []

    class Recorder:
        fahrenheit = False

        def __init__(self, rig: object, state: object) -> None:
            pass

        def coming(self, text: str) -> str:
            return text

        def ask(self, path: str, body: dict[str, Any], patience: float = 0.0) -> dict[str, Any]:
            asked.append((path, body))
            return {"doubts": [], "lines": ["serve at noon"]}

    monkeypatch.setattr(orders, "Watch", Recorder)
    assert main([*words, "--rig", RIG]) == 0
    assert asked == [(path, {**body, "by": "terminal"})]
    BODIES[path].model_validate(asked[0][1])


def test_an_hour_to_come_is_the_next_one_and_a_past_day_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    watch = object.__new__(orders.Watch)
    watch.zone = ZoneInfo("Europe/London")
    monkeypatch.setattr(orders, "_now", lambda: datetime(2026, 11, 28, 18, 0, tzinfo=UTC))
    assert watch.coming("06:00") == "2026-11-29T06:00:00+00:00"
    assert watch.coming("18:30") == "2026-11-28T18:30:00+00:00"
    with pytest.raises(orders.NotSaid, match="has passed"):
        watch.coming("2026-11-26T06:00")
    with pytest.raises(orders.NotSaid, match="is no time"):
        watch.coming("soon")


@pytest.mark.parametrize(
    ("zone", "now", "said", "newest", "coming"),
    [
        # Directive 2000/84/EC: 01:00 UTC on the last Sunday of March and October; Central European Time is UTC+1
        ("Europe/Berlin", "2026-10-25T00:50+00:00", "02:40", "2026-10-25T00:40+00:00", "2026-10-25T01:40+00:00"),
        ("Europe/Berlin", "2026-10-25T01:10+00:00", "02:40", "2026-10-25T00:40+00:00", "2026-10-25T01:40+00:00"),
        ("Europe/Berlin", "2026-10-24T20:00+00:00", "06:00", "2026-10-24T04:00+00:00", "2026-10-25T05:00+00:00"),
        ("Europe/Berlin", "2026-03-28T21:00+00:00", "06:00", "2026-03-28T05:00+00:00", "2026-03-29T04:00+00:00"),
        ("Europe/Berlin", "2026-03-29T00:50+00:00", "02:30", "2026-03-28T01:30+00:00", "2026-03-29T01:30+00:00"),
        # 15 U.S.C. 260a: 02:00 local on the second Sunday of March and the first of November; Eastern Standard Time is UTC-5
        ("America/New_York", "2026-11-01T06:10+00:00", "01:40", "2026-11-01T05:40+00:00", "2026-11-01T06:40+00:00"),
        ("America/New_York", "2026-11-01T02:00+00:00", "06:00", "2026-10-31T10:00+00:00", "2026-11-01T11:00+00:00"),
        ("America/New_York", "2026-03-08T03:00+00:00", "06:00", "2026-03-07T11:00+00:00", "2026-03-08T10:00+00:00"),
    ],
)
def test_hours_over_both_shifts_of_the_clock(
    zone: str, now: str, said: str, newest: str, coming: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = object.__new__(orders.Watch)
    watch.zone = ZoneInfo(zone)
    monkeypatch.setattr(orders, "_now", lambda: datetime.fromisoformat(now))
    assert datetime.fromisoformat(watch.coming(said)) == datetime.fromisoformat(coming)
    ago = datetime.fromisoformat(now) - datetime.fromisoformat(newest)
    if ago.total_seconds() <= BACK_DATED_AT_MOST:
        assert watch.minutes_ago(said) == ago.total_seconds() / 60.0


@pytest.mark.parametrize("said", ["10:05", "21:30", "2026-11-28T10:05"])
def test_an_hour_that_is_yet_to_come_is_not_taken_for_one_of_yesterday(
    said: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    watch = object.__new__(orders.Watch)
    watch.zone = ZoneInfo("UTC")
    monkeypatch.setattr(orders, "_now", lambda: datetime.fromisoformat("2026-11-28T10:00+00:00"))
    with pytest.raises(orders.NotSaid, match="is yet to come: a mark tells what was done"):
        watch.minutes_ago(said)
    assert watch.minutes_ago("22:30") == 11.5 * 60.0, "of last night"
