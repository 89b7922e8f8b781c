"""The plan that was kept, against what was done."""

from __future__ import annotations

from collections.abc import Iterable

from daemon.shell.report.blocks import off_by, table, words_for
from daemon.shell.report.markup import Element, node
from daemon.shell.report.plan_account import PlanRow
from daemon.texts.reader import UNKNOWN, Reader


def of_plan(rows: Iterable[PlanRow], reader: Reader) -> Element:
    """rows: a step each, planned and done."""
    words = words_for(reader)
    cells = [
        (
            words("report.plan.of-piece", name=row.name, step=row.step) if row.name else words("report.step", step=row.step),
            reader.clock(row.planned),
            words("report.plan.not-seen") if row.actual is None else reader.clock(row.actual),
            UNKNOWN if row.late is None else off_by(row.late, words),
        )
        for row in rows
    ]  # fmt: skip
    heads = (
        words("report.plan.step"), words("report.plan.planned"), words("report.plan.actual"), words("report.plan.off-by")
    )  # fmt: skip
    return node("section", node("h2", words("report.plan.title")), table(words("report.plan.steps"), heads, cells))
