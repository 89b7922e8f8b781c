"""The alarm figures in words: one row a figure, for the report and the command line."""

from __future__ import annotations

from daemon.core.alarms.figures import AlarmFigures, Longest
from daemon.core.said import say
from daemon.shell.report.blocks import Words
from daemon.texts.reader import UNKNOWN


def figure_rows(found: AlarmFigures, words: Words) -> list[tuple[str, str]]:
    """(name, value) in the order in which one would ask."""
    needed = words("report.alarms.none-judged")
    if found.judged:
        share = found.needed / found.judged
        needed = words("report.alarms.needed-value", needed=found.needed, judged=found.judged, share=share)
    top = tuple(say("report.alarms.frequent-one", alarm=alarm, times=times) for alarm, times in found.top)
    none = words("report.alarms.none")
    return [
        (words("report.alarms.raised"),
         words("report.alarms.raised-value", alarms=found.alarm_count, prompts=found.prompt_count)),
        (words("report.alarms.rate"),
         words("report.alarms.rate-value", mean=found.average_rate, highest=found.maximum_rate)),
        (words("report.alarms.answer"), _answers(found, words)),
        (words("report.alarms.unacknowledged"), _longest(found.maximum_unacknowledged, words)),
        (words("report.alarms.standing"), _longest(found.maximum_active, words)),
        (words("report.alarms.needed"), needed),
        (words("report.alarms.frequent"), words("report.alarms.list", alarms=top) if top else none),
        (words("report.alarms.chattering"), ", ".join(found.chattering) or none),
        (words("report.alarms.stale"), ", ".join(found.stale) or none),
    ]  # fmt: skip


def _answers(found: AlarmFigures, words: Words) -> str:
    if not found.answers:
        return words("report.alarms.none-answered") if found.alarm_count else UNKNOWN
    return words(
        "report.alarms.answer-value", median=found.answer_median, longest=found.answer_longest, answers=found.answers
    )


def _longest(longest: Longest | None, words: Words) -> str:
    return UNKNOWN if longest is None else words("report.alarms.longest", lasted=longest.seconds, alarm=longest.alarm)
