"""What still counts of what people said: marks and spot readings that were not taken back."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from daemon.core.inputs import SPOT

Event = Mapping[str, Any]


def standing(events: Iterable[Event]) -> tuple[Event, ...]:
    """Events of an event file, oldest first, without the marks and spot readings that were taken back later."""
    known = tuple(events)
    gone = {(e["what"], e["piece"], e["said_at"]) for e in known if e["event"] == "taken-back"}
    return tuple(e for e in known if not gone or _name(e) not in gone)


def _name(event: Event) -> tuple[str, str | None, str] | None:
    if event["event"] == "mark":
        return event["kind"], event["piece"], event["time"]
    return (SPOT, event["piece"], event["time"]) if event["event"] == "spot" else None
