"""Who was woken, by what, and what was held back; how the alarms did. Of a cook from a table: who would have been."""

from __future__ import annotations

from daemon.shell.library.alarm_account import figures_of, trail_of
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import table, words_for, yes_or_no
from daemon.shell.report.calls import Call
from daemon.shell.report.findings import Findings
from daemon.shell.report.markup import Child, Element, node
from daemon.texts.reader import Reader, duration


def of_people(found: Findings, reader: Reader) -> Element:
    """A table of the wakes, one of what was held back, and the alarm figures."""
    words = words_for(reader)
    if found.cook.imported:
        return _would_have_called(found, reader)
    rows = [_call(call, reader) for call in found.woken]
    heads = (
        words("report.calls.at"), words("report.calls.told"), words("report.calls.seen-after"),
        words("report.calls.next-deed"), words("report.calls.needed"),
    )  # fmt: skip
    held_heads = (words("report.calls.at"), words("report.calls.text"), words("report.calls.why"))
    figures = figure_rows(figures_of([trail_of(found.cook)]), words)
    tests = [call for call in found.calls if call.test]
    held = [(reader.clock(h.time), h.text, h.why) for h in found.held_back]
    return node(
        "section",
        node("h2", words("report.calls.title")),
        table(words("report.calls.wakes"), heads, rows) if rows else node("p", words("report.calls.nothing")),
        [node("p", words("report.calls.test", at=c.time)) for c in tests],
        node("h3", words("report.calls.held-back")),
        table(words("report.calls.held-back-why"), held_heads, held)
        if held else node("p", words("report.calls.none-held")),
        node("h3", words("report.calls.alarms")),
        table(words("report.calls.names"), ("", ""), figures),
    )  # fmt: skip


def _would_have_called(found: Findings, reader: Reader) -> Element:
    """No watch ran: nobody saw a call, answered one or judged it."""
    words = words_for(reader)
    heads = (words("report.calls.at"), words("report.calls.told"), words("report.calls.next-deed"))
    rows = [(at, told, deed) for at, told, _, deed, _ in (_call(call, reader) for call in found.woken)]
    return node(
        "section",
        node("h2", words("report.calls.would-title")),
        node("p", words("report.calls.no-watch")),
        table(words("report.calls.would"), heads, rows) if rows else node("p", words("report.calls.would-nothing")),
    )


def _call(call: Call, reader: Reader) -> tuple[Child, ...]:
    words, seen_at = words_for(reader), call.acknowledged_at
    told = call.text if call.times == 1 else words("report.calls.told-times", text=call.text, times=call.times)
    seen = words("report.calls.not-acknowledged") if seen_at is None else duration(seen_at - call.time)
    deed = words("report.calls.no-deed")
    if call.deed:
        deed = words("report.calls.deed-after", deed=call.deed[1], after=call.deed[0] - call.time)
    needed: Child = words("report.calls.not-judged")
    if call.needed is not None:
        needed = yes_or_no(call.needed, words)
    return (reader.clock(call.time), told, seen, deed, needed)
