"""Planned against actual, side by side."""

from __future__ import annotations

from daemon.core.events import Event, PlanKept, PlannedStep
from daemon.core.orders import MarkKind
from daemon.shell.report.findings import Findings, findings
from daemon.shell.report.page import report_html
from daemon.shell.report.plan_account import plan_rows
from tests.shell.report.report_cooks import at, kept, mark, stage
from tests.texts.english import in_english


def plan(minute: float, light: float, on: float, off: float) -> PlanKept:
    steps = (
        PlannedStep("light", None, at(light)),
        PlannedStep("put-on", "chuck", at(on)),
        PlannedStep("off", "chuck", at(off)),
        PlannedStep("serve", None, at(off + 60)),
    )
    return PlanKept(at(minute), steps, 0.9, True, "page")


WORKED: list[Event] = [
    mark(12, MarkKind.FIRE_LIT),
    stage(95, "on", before="waiting"),
    stage(300, "off", before="on"),
    mark(380, MarkKind.SERVE),
]


def found(*plans: PlanKept) -> Findings:
    """A cook of eight hours."""
    return findings(kept([121.0] * 480, [60.0] * 480, [*plans, *WORKED]))


def test_each_step_stands_beside_what_was_done() -> None:
    cook = found(plan(0, 10, 85, 320))
    rows = {(row.name, in_english(row.step)): row for row in plan_rows(cook)}
    assert rows["", "light the fire"].late == 120.0
    assert rows["Chuck roll", "put on"].late == 600.0
    assert rows["Chuck roll", "off the fire"].late == -1200.0
    assert rows["", "serve"].late == 0.0
    page = report_html(cook.cook).decode()
    assert "Planned and actual" in page and "early</td>" in page and "late</td>" in page


def test_a_later_plan_counts_only_for_what_was_still_to_be_done() -> None:
    rows = {in_english(row.step): row for row in plan_rows(found(plan(0, 10, 85, 320), plan(120, 200, 275, 340)))}
    assert rows["put on"].planned == at(85) and rows["light the fire"].planned == at(10)
    assert rows["off the fire"].planned == at(340)


def test_without_a_plan_nothing_is_said_of_it() -> None:
    assert plan_rows(found()) == () and "Planned and actual" not in report_html(found().cook).decode()
