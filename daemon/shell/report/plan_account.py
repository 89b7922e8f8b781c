"""Planned against actual: every step of the kept plan beside the time at which it was done. Pure; engine times, s."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from daemon.core.planned import StepKind
from daemon.core.said import Text, say
from daemon.core.settings import subject_of
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import done_time, event_time, stage_changes
from daemon.shell.report.calls import named
from daemon.shell.report.findings import Findings

WORDS = {
    StepKind.LIGHT: say("report.plan.light"),
    StepKind.PUT_ON: say("report.plan.put-on"),
    StepKind.WRAP: say("report.plan.wrap"),
    StepKind.OFF: say("report.plan.off"),
    StepKind.HOLD: say("report.plan.hold"),
    StepKind.SERVE: say("report.plan.serve"),
}


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One step. name: of the piece, "" for the pit. actual: None = never seen or said."""

    step: Text
    name: str
    planned: float
    actual: float | None

    @property
    def late(self) -> float | None:
        """s; negative = early."""
        return None if self.actual is None else self.actual - self.planned


def plan_rows(found: Findings) -> tuple[PlanRow, ...]:
    """In the order they were planned in; empty where no plan was kept. Of several plans the one counts that was the newest when
    the step was done: nobody could keep to a later one."""
    cook = found.cook
    plans = [
        (event_time(cook, event), [step for step in event["steps"] if _of_pit(step, cook.viewed)])
        for event in named(cook, "plan")
        if event["steps"]
    ]
    if not plans:
        return ()
    names, done = {piece.settings.id: piece.settings.name for piece in found.pieces}, dict(_done(found))
    steps = dict.fromkeys((step["kind"], step["piece"]) for _, plan in plans for step in plan)
    rows = []
    for kind, piece in steps:
        actual = done.get((kind, piece))
        planned = _planned(cook, plans, kind, piece, actual)
        if planned is not None and kind in WORDS and (piece is None or piece in names):
            rows.append(PlanRow(WORDS[StepKind(kind)], names.get(piece, ""), planned, actual))
    return tuple(sorted(rows, key=lambda row: row.planned))


def _of_pit(step: dict[str, Any], pit: str) -> bool:
    """Not the lighting of another pit."""
    return bool(step["kind"] != StepKind.LIGHT or step.get("pit", "") == pit)


def _planned(
    cook: KeptCook, plans: list[tuple[float, Any]], kind: str, piece: str | None, done: float | None
) -> float | None:
    named_by = [
        (kept, event_time(cook, step, "at"))
        for kept, steps in plans
        for step in steps
        if (step["kind"], step["piece"]) == (kind, piece)
    ]
    before = [at for kept, at in named_by if done is None or kept <= done]
    return before[-1] if before else None


def _done(found: Findings) -> Iterator[tuple[tuple[str, str | None], float]]:
    """(kind, piece) -> when it was done."""
    cook = found.cook
    lit = [change.time for change in stage_changes(cook, subject_of(cook.viewed)) if change.before == "unlit"]
    lit += [deed.time for deed in found.deeds if deed.kind == "fire-lit"]
    if lit:
        yield (StepKind.LIGHT, None), min(lit)
    for piece in found.pieces:
        held = next((span.start for span in piece.stages if span.stage == "hold"), None)
        times = ((StepKind.PUT_ON, piece.on_at), (StepKind.WRAP, piece.wrapped_at), (StepKind.OFF, piece.off_at))
        for kind, at in (*times, (StepKind.HOLD, held)):
            if at is not None:
                yield (kind, piece.settings.id), at
    served = [done_time(cook, e) for e in named(cook, "mark") if e["kind"] == "serve"]
    if served:
        yield (StepKind.SERVE, None), max(served)
    for piece in found.pieces:
        if piece.settings.serve_at is not None:
            own = [e for e in named(cook, "mark") if e["kind"] == "serve" and e["piece"] in (None, piece.settings.id)]
            if own:
                yield (StepKind.SERVE, piece.settings.id), max(done_time(cook, e) for e in own)
