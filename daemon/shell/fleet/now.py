"""How each pit of a board stands, folded from its events: what a page of many pits shows of one."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from daemon.core.alarms.rule import PRIORITY_ORDER
from daemon.core.events import AlarmState
from daemon.core.outlook import Goal
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitPhase
from daemon.core.plan.steps import NO_FIRE
from daemon.core.planned import StepKind
from daemon.core.settings import FIRST_PIT, subject_of
from daemon.shell.fleet.past import EventRow
from daemon.shell.fleet.whereabouts import Placed, Whereabouts

QUIET = frozenset({AlarmState.NORMAL, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE, AlarmState.SHELVED})
"""States in which an alarm asks for nobody."""

ACTS = frozenset({Goal.WRAP, Goal.TENDER, Goal.TARGET, Goal.HOLD_LIMIT})
"""Goals at which somebody has something to do."""
FINISHED = frozenset({PiecePhase.DONE, PiecePhase.CHILL})
"""Stages of a piece of which nothing falls due any more."""
DUE_TOLD = 12
DUE_KEPT = 3600.0
"""s for which what has fallen due is still told: nobody may have done it yet."""


@dataclass
class Now:
    """Not thread-safe. Everything in it stands in events, so it can be made anew from them."""

    subject: str = FIRST_PIT
    """What its stages are about; before the first of them it is as a watch begins."""
    stage: str = PitPhase.UNLIT
    cook: str = ""
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)
    due: dict[str, dict[str, tuple[float, float, float]]] = field(default_factory=dict)
    """piece -> goal -> UTC of the outlook's p05, p50 and p95, as forecast last."""
    heard: float = 0.0
    """UTC of the newest event."""
    steps: list[tuple[float, str, str]] = field(default_factory=list)
    """(UTC, what, piece or "") of the kept plan."""

    def heed(self, at: float, cook: str) -> None:
        """Something happened on the board: the cook that runs on this pit, "" for none."""
        self.heard = at
        if cook != self.cook:
            self.cook, self.due, self.steps = cook, {}, []

    def take(self, row: EventRow, body: dict[str, Any]) -> None:
        """An event of this pit."""
        if row.name == "alarm":
            if body["after"] in QUIET:
                self.alarms.pop(body["alarm"], None)
            else:
                kept = ("alarm", "after", "priority", "prompt", "text")
                self.alarms[body["alarm"]] = {key: body[key] for key in kept} | {"since": row.at}
        elif row.name == "stage" and body["subject"] == self.subject:
            self.stage = body["after"]
        elif row.name == "stage":
            self.steps = [step for step in self.steps if step[1:] != (StepKind.PUT_ON, body["subject"])]
            if body["after"] in FINISHED:
                self.due.pop(body["subject"], None)
        elif row.name == "forecast":
            self.due[body["piece"]] = {
                one["goal"]: (utc(one["at"]["p05"]), utc(one["at"]["p50"]), utc(one["at"]["p95"]))
                for one in body["outlooks"]
                if one["at"] and one["scenario"] == "planned" and one["goal"] in ACTS
            }

    def told(self) -> dict[str, Any]:
        """JSON, the most urgent alarm first."""
        alarms = sorted(
            self.alarms.values(), key=lambda one: (one["prompt"], PRIORITY_ORDER[one["priority"]], one["since"])
        )
        found: list[dict[str, Any]] = [
            {"what": goal, "piece": piece, "from": low, "at": middle, "to": high}
            for piece, goals in self.due.items()
            for goal, (low, middle, high) in goals.items()
        ]
        burns = self.stage not in NO_FIRE
        steps = (step for step in self.steps if not (burns and step[1] == StepKind.LIGHT))
        found += [{"what": what, "piece": piece, "from": at, "at": at, "to": at} for at, what, piece in steps]
        ahead = [one for one in found if one["to"] > self.heard - DUE_KEPT]
        due = sorted(ahead, key=lambda one: one["at"])[:DUE_TOLD]
        return {"stage": self.stage, "cook": self.cook, "alarms": alarms, "due": due}


class Standing:
    """How each pit of a board stands. where: may be replaced by one that knows more."""

    def __init__(self, where: Whereabouts) -> None:
        self.where = where
        self._now = {pit: Now(subject_of(pit)) for pit in where.pits.names}

    def take(self, row: EventRow) -> str:
        """Whose event it is: the pit, "" the first."""
        body, several = json.loads(row.body), len(self._now) > 1
        used = self.where.in_use(row.time) if several else frozenset({""})
        for pit, now in self._now.items():
            now.heed(row.at, row.cook if pit in used else "")
        if row.name == "plan":
            self._plan(body["steps"], row.time)
        of = self.where.pit_of(body, row.time) if several else ""
        self._now[of].take(row, body)
        return of

    def _plan(self, steps: list[dict[str, Any]], time: float) -> None:
        """One plan for all pits: each has the steps of its own pieces, and its own fire; serving is for the first pit that has a
        piece."""
        placed, used = self.where.placed(time), self.where.in_use(time)
        home = next(pit for pit in self._now if pit in used)
        for pit, now in self._now.items():
            now.steps = [
                (utc(one["at"]), one["kind"], one["piece"] or "") for one in steps if self._of(one, placed, home) == pit
            ]

    def _of(self, step: dict[str, Any], placed: Placed, home: str) -> str:
        """The pit of a step."""
        if step["kind"] == StepKind.LIGHT and "pit" in step:
            return self.where.known(step["pit"])
        return self.where.known(placed.get(step["piece"] or "", home))

    def told(self) -> dict[str, dict[str, Any]]:
        """Of each pit, JSON; with its name where there are several."""
        names = self.where.pits.names
        several = len(names) > 1
        return {pit: now.told() | ({"name": names[pit]} if several else {}) for pit, now in self._now.items()}


def utc(text: str) -> float:
    """s since 1970 of an RFC 3339 instant."""
    return datetime.fromisoformat(text).timestamp()
