"""What the cook does by hand, as properties: steps of a kept plan, own reminders, wood, probes that move, cores read by hand
and marks that are taken back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from daemon.core.orders import SPOT, SPOT_COLDEST, SPOT_HOTTEST, MarkKind
from daemon.core.plan.duties import MOST_SPLITS, ReminderView
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import StepKind
from daemon.core.said import Said, Text, say
from daemon.core.settings import Role
from daemon.core.snapshot import MarkView, PieceView, PitView, Snapshot
from daemon.shell.hub.pace import SLOW
from daemon.shell.hub.properties import NOTHING, Datatype, Property, instant, number, order, truth

PIT_MARKS = (MarkKind.FIRE_LIT, MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.LID_CLOSED, MarkKind.DAMPER)
PIECE_MARKS = tuple(kind for kind in MarkKind if kind not in PIT_MARKS)
LAST = "last"
"""Takes back whatever was said last."""
GO = "go"
KEEP, DROP = "keep", "drop"
NO_PROBE = NOTHING

PIECE_STEPS = (
    StepKind.PREPARE, StepKind.PUT_ON, StepKind.WRAP, StepKind.PROBE, StepKind.OFF, StepKind.HOLD, StepKind.SERVE,
    StepKind.CHILL,
)  # fmt: skip
PIT_STEPS = (StepKind.LIGHT, StepKind.SERVE)

_T = Datatype


def _kinds(*kinds: str) -> str:
    return ",".join(kinds)


# --- what was said -----------------------------------------------------------------------------------------


def newest(snapshot: Snapshot, piece: str | None, what: str = LAST, pit: str = "") -> MarkView | None:
    """What would be taken back: the newest that was said of a piece, or of none: of this pit then. what: its kind, or `LAST`.
    pit: an id; "" = the first, which also has what was said of all pieces at once."""
    kind, first = None if what == LAST else what, snapshot.pit.id
    if not snapshot.pits or piece is not None:
        return snapshot.newest_mark(kind, piece)
    own = (m for m in snapshot.marks if m.piece is None and (m.pit or first) == (pit or first))
    return next((mark for mark in own if kind in (None, mark.what)), None)


def _last_said(view: PieceView, snapshot: Snapshot) -> str:
    found = newest(snapshot, view.id)
    return NOTHING if found is None else found.what


def _spot(view: PieceView, snapshot: Snapshot) -> str | None:
    return number(view.spots[0].celsius) if view.spots else None


def _last_said_of_pit(view: PitView, snapshot: Snapshot) -> str:
    found = newest(snapshot, None, pit=view.id)
    return NOTHING if found is None else found.what


PIT_SAID: tuple[Property[PitView], ...] = (
    Property("said", _T.ENUM, _last_said_of_pit, format=_kinds(NOTHING, *MarkKind)),
    order("take-back", _T.ENUM, _kinds(LAST, *MarkKind)),
)  # fmt: skip
WOOD: tuple[Property[Any], ...] = (
    Property("wood-left", _T.INTEGER,
             lambda p, s: None if s.wood is None or s.wood.left is None else str(s.wood.left)),
    Property("wood-until", _T.DATETIME,
             lambda p, s: instant(s.wood.runs_out if s.wood else None, s), pace=SLOW),
    order("wood", _T.INTEGER, f"0:{MOST_SPLITS}"),
)  # fmt: skip

PIECE_SAID: tuple[Property[PieceView], ...] = (
    Property("spot-read", _T.FLOAT, _spot, unit="°C"),
    order("spot", _T.FLOAT, f"{SPOT_COLDEST}:{SPOT_HOTTEST}", unit="°C"),
    Property("probe", _T.ENUM, lambda p, s: p.channel or NO_PROBE, settable=True),  # format: `probes`
    order("handheld", _T.ENUM, GO),
    Property("said", _T.ENUM, _last_said, format=_kinds(NOTHING, SPOT, *PIECE_MARKS)),
    order("take-back", _T.ENUM, _kinds(LAST, SPOT, *PIECE_MARKS)),
)


def probes(snapshot: Snapshot) -> str:
    """The channels a piece may be read by, as the format of an enum."""
    return _kinds(NO_PROBE, *(c.id for c in snapshot.channels if c.role is Role.MEAT))


def on_pit(snapshot: Snapshot) -> Property[PieceView]:
    """The pit a piece is cooked on, in a watch over several."""
    pits = _kinds(*(pit.id for pit in snapshot.pits))
    return Property("pit", _T.ENUM, lambda p, s: p.pit, format=pits, settable=True)


def handheld_here(snapshot: Snapshot) -> bool:
    return any(c.role is Role.SPOT for c in snapshot.channels)


# --- the plan ----------------------------------------------------------------------------------------------


def _step(kind: StepKind, piece: Callable[[Any], str | None]) -> Callable[[Any, Snapshot], str | None]:
    """When the step was done, or will be as things stand; of several fires the one that is lit next, or was last."""

    def value(view: Any, snapshot: Snapshot) -> str | None:
        steps = snapshot.plan.steps if snapshot.plan is not None else ()
        found = [s for s in steps if s.kind is kind and s.piece == piece(view)]
        shown = next((s for s in found if not s.done), found[-1] if found else None)
        return None if shown is None else instant(shown.at.p50, snapshot)

    return value


def _next(snapshot: Snapshot) -> PlanStep | None:
    waiting = [s for s in snapshot.plan.steps if not s.done] if snapshot.plan is not None else []
    return min(waiting, key=lambda s: s.at.p50, default=None)


def _next_words(view: Snapshot, snapshot: Snapshot) -> Text:
    step = _next(snapshot)
    if step is None:
        return NOTHING
    names = {pit.id: pit.name for pit in snapshot.pits} | {piece.id: piece.name for piece in snapshot.pieces}
    name = names.get(step.piece or step.pit, "")
    what = Said(f"hub.to-do.{step.kind}")
    return say("hub.next-step", what=what, name=name) if name else what


def _next_at(view: Snapshot, snapshot: Snapshot) -> str | None:
    step = _next(snapshot)
    return None if step is None else instant(step.at.p50, snapshot)


def _hold(view: Snapshot, snapshot: Snapshot) -> Text:
    """Where what waits for the guests waits, and under which rule."""
    if snapshot.plan is None:
        return NOTHING
    hold = snapshot.plan.hold
    anywhere = say("hub.held-anywhere")
    place: Text = next((c.name for c in snapshot.channels if c.id == hold.channel), anywhere)
    return say("hub.held", place=place, rule=hold.rule)


def _feeds(view: Snapshot, snapshot: Snapshot) -> str | None:
    plan = snapshot.plan
    return None if plan is None or plan.feeds is None else str(plan.feeds)


def _waits(view: PieceView, snapshot: Snapshot) -> str | None:
    """s, hot, from the end of its rest to serving."""
    waits = () if snapshot.plan is None else snapshot.plan.waits
    return next((number(wait.seconds, 0) for wait in waits if wait.piece == view.id), None)


PLAN_ORDERS: tuple[Property[Snapshot], ...] = (order("plan", _T.ENUM, _kinds(KEEP, DROP)),)
PLAN: tuple[Property[Snapshot], ...] = (
    Property("next-step", _T.STRING, _next_words),
    Property("next-step-at", _T.DATETIME, _next_at, pace=SLOW),
    *(Property(f"plan-{kind}", _T.DATETIME, _step(kind, lambda w: None), pace=SLOW)
      for kind in PIT_STEPS),
    Property("plan-hold", _T.STRING, _hold),
    Property("plan-feeds", _T.INTEGER, _feeds),
)  # fmt: skip
"""Of the watch, while a plan is kept."""
PIECE_PLAN: tuple[Property[PieceView], ...] = (
    *(Property(f"plan-{kind}", _T.DATETIME, _step(kind, lambda p: p.id), pace=SLOW)
      for kind in PIECE_STEPS),
    Property("plan-waits", _T.INTEGER, _waits, unit="s", pace=SLOW),
)  # fmt: skip


def unplanned(view: PieceView, snapshot: Snapshot) -> frozenset[str]:
    """Steps that no plan has for this piece."""
    if snapshot.plan is None or all(step.piece != view.id for step in snapshot.plan.steps):
        return frozenset(prop.id for prop in PIECE_PLAN)
    own = None if view.ordered is None else view.ordered.serve_at
    without = {StepKind.WRAP: view.wrap_at, StepKind.PROBE: view.tender_low, StepKind.SERVE: own}
    return frozenset(f"plan-{kind}" for kind, celsius in without.items() if celsius is None)


# --- reminders ---------------------------------------------------------------------------------------------

REMINDER: tuple[Property[ReminderView], ...] = (
    Property("due", _T.DATETIME, lambda r, s: instant(r.due, s)),
    Property("is-due", _T.BOOLEAN, lambda r, s: truth(r.is_due)),
    order("done", _T.ENUM, GO),
)
