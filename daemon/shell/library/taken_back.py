"""What still counts of what people said: marks and spot readings that were not taken back, and the stages they led to."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from daemon.core.marks import OF_THE_PIT
from daemon.core.orders import SPOT

Event = Mapping[str, Any]


def standing(events: Iterable[Event]) -> tuple[Event, ...]:
    """Events of an event file, oldest first, without the marks and spot readings that were taken back later, and without the
    change of stage that such a mark made at once."""
    known = tuple(events)
    gone = {(e["what"], e["piece"], e.get("pit", ""), e["said_at"]) for e in known if e["event"] == "taken-back"}
    if not gone:
        return known
    led_to = {(subject_of(what, piece, pit), said_at) for what, piece, pit, said_at in gone}
    return tuple(e for e in known if _name(e) not in gone and not _led_to(e, led_to))


def subject_of(what: str, piece: str | None, pit: str = "") -> str | None:
    """Whose stage a mark moves: "pit" (another than the first by its id), a piece by its id, or None for all pieces."""
    return pit or "pit" if what in OF_THE_PIT else piece


def _led_to(event: Event, marks: set[tuple[str | None, str]]) -> bool:
    if event["event"] != "stage" or event["because"] != "mark":
        return False
    subject, time = event["subject"], event["time"]
    return (subject, time) in marks or (subject != "pit" and (None, time) in marks)


def _name(event: Event) -> tuple[str, str | None, str, str] | None:
    if event["event"] == "mark":
        return event["kind"], event["piece"], event.get("pit", ""), event["time"]
    return (SPOT, event["piece"], "", event["time"]) if event["event"] == "spot" else None
