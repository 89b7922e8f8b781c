"""How the pit stands, folded from its events: what a page of many pits shows of one."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any

from daemon.core.alarms.rule import PRIORITY_ORDER
from daemon.core.events import AlarmState
from daemon.shell.fleet.past import EventRow

QUIET = frozenset({AlarmState.NORMAL, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE, AlarmState.SHELVED})
"""States in which an alarm asks for nobody."""


@dataclass
class Now:
    """Not thread-safe. Everything in it stands in events, so it can be made anew from them."""

    stage: str = ""
    cook: str = ""
    alarms: dict[str, dict[str, Any]] = field(default_factory=dict)

    def take(self, row: EventRow) -> None:
        self.cook = row.cook
        body = json.loads(row.body)
        if row.name == "alarm":
            if body["after"] in QUIET:
                self.alarms.pop(body["alarm"], None)
            else:
                kept = ("alarm", "after", "priority", "prompt", "text")
                self.alarms[body["alarm"]] = {key: body[key] for key in kept} | {"since": row.at}
        elif row.name == "stage" and body["subject"] == "pit":
            self.stage = body["after"]

    def told(self) -> dict[str, Any]:
        """JSON, the most urgent alarm first."""
        alarms = sorted(
            self.alarms.values(), key=lambda one: (one["prompt"], PRIORITY_ORDER[one["priority"]], one["since"])
        )
        return {"stage": self.stage, "cook": self.cook, "alarms": alarms}
