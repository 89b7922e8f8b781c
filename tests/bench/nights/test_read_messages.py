"""The text of all messages: a call with its repeats is one thing told, and what woke somebody stands out."""

from __future__ import annotations

from typing import Any

from tests.bench.nights.read_messages import lines_of, told_in


def message(
    time: str, alarm: str, text: str, *, level: str = "wake", to: str = "phone", occurrence: int = 1
) -> dict[str, Any]:
    return {
        "event": "notification", "time": f"2026-11-28T{time}:00Z", "alarm": alarm, "occurrence": occurrence, "level": level,
        "audiences": [to], "text": text,
    }  # fmt: skip


def test_repeats_are_told_with_what_they_repeat_and_another_occurrence_by_itself() -> None:
    told = told_in(
        [
            message("02:10", "pit-falling/", "Add wood: 112"),
            {"event": "stage", "time": "2026-11-28T02:11:00Z"},
            message("02:13", "pit-falling/", "Add wood: 110", to="sounder"),
            message("03:20", "finish-early/chuck", "Early", level="notice"),
            message("03:50", "finish-early/chuck", "Early", level="wake"),
            message("05:00", "pit-falling/", "Add wood: 111", occurrence=2),
        ]
    )
    assert [t.wakes for t in told] == [True, False, True, True]
    lines = list(lines_of(told))
    assert lines[0].startswith("02:10  WAKE") and lines[0].endswith("Add wood: 112")
    assert "1 more until 02:13, to sounder; the last: Add wood: 110" in lines[1]
    assert lines[2].startswith("03:20  notice") and lines[3].startswith("03:50  WAKE") and len(lines) == 5
