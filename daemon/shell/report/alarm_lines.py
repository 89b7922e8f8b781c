"""The alarm figures in words: one row a figure, for the report and the command line."""

from __future__ import annotations

from daemon.core.alarms.figures import AlarmFigures, Longest
from daemon.texts.reader import UNKNOWN, duration, percent


def figure_rows(found: AlarmFigures) -> list[tuple[str, str]]:
    """(name, value) in the order in which one would ask."""
    return [
        ("alarms raised", f"{found.alarm_count}, of them {found.prompt_count} expected calls for action"),
        ("rate in 10 min", f"mean {found.average_rate:.2f}, highest {found.maximum_rate}"),
        ("from call to answer", _answers(found)),
        ("longest unacknowledged", _longest(found.maximum_unacknowledged)),
        ("longest standing", _longest(found.maximum_active)),
        ("judged needed", f"{found.needed} of {found.judged} ({percent(found.needed / found.judged)})" if found.judged
         else "none was judged"),
        ("most frequent", ", ".join(f"{alarm} {times}" for alarm, times in found.top) or "none"),
        ("chattering", ", ".join(found.chattering) or "none"),
        ("stale", ", ".join(found.stale) or "none"),
    ]  # fmt: skip


def _answers(found: AlarmFigures) -> str:
    if not found.answers:
        return "none was answered" if found.alarm_count else UNKNOWN
    return f"median {duration(found.answer_median)}, longest {duration(found.answer_longest)}, {found.answers} answers"


def _longest(longest: Longest | None) -> str:
    return UNKNOWN if longest is None else f"{duration(longest.seconds)} ({longest.alarm})"
