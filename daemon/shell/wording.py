"""Core values to JSON and back: the form of the journal, of the event file and of the feeds.

Instants inside an event are engine seconds; written out they are RFC 3339 UTC. A reader of an event file never meets
engine time.
"""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime
from functools import cache
from typing import Any

from pydantic import TypeAdapter

from daemon.core.events import EVENT_NAMES, Event
from daemon.core.inputs import (
    Delivered,
    ForecastArrived,
    Health,
    Input,
    LinkCounts,
    Resumed,
    UsePitClass,
    UsePitProfile,
    WallClock,
)
from daemon.core.orders import (
    Acknowledge,
    AddPiece,
    AddReminder,
    AskWrap,
    ChangeCook,
    ChangePiece,
    ChooseSpot,
    CountWood,
    EndCook,
    GoodMorning,
    GoToSleep,
    HandOver,
    JudgeWake,
    KeepPlan,
    Mark,
    MovePiece,
    MoveProbe,
    OutOfService,
    PauseSound,
    ReminderDone,
    RemovePiece,
    RemoveReminder,
    SetBand,
    Shelve,
    SpotReading,
    StartCook,
    TakeBack,
    TellDeed,
    TestWake,
    Unshelve,
)
from daemon.core.outlook import FanPoint, Interval
from daemon.core.said import Said, said

INSTANTS = {"time", "at", "said_at", "asked_at", "not_after", "until", "latest"}
_INPUT_KINDS: dict[str, type[Any]] = {
    kind.__name__: kind
    for kind in (
        Resumed, WallClock, Health, LinkCounts, Delivered, ForecastArrived, Mark, Acknowledge, Shelve, Unshelve, OutOfService,
        PauseSound, SetBand, StartCook, EndCook, GoToSleep, GoodMorning, TestWake, JudgeWake, UsePitProfile, UsePitClass,
        AskWrap, AddPiece, RemovePiece, MoveProbe, ChangeCook, KeepPlan, AddReminder, RemoveReminder, ReminderDone, CountWood,
        AskWrap, AddPiece, RemovePiece, MoveProbe, MovePiece, ChangePiece, ChangeCook, TakeBack, SpotReading,
        ChooseSpot,
        HandOver, TellDeed,
    )
}  # fmt: skip


@cache
def _adapter(kind: str) -> TypeAdapter[Any]:
    return TypeAdapter(_INPUT_KINDS[kind])


def input_to_json(item: Input) -> tuple[str, bytes]:
    """(kind, JSON) of any input but Readings, which are packed."""
    kind = type(item).__name__
    return kind, _adapter(kind).dump_json(item)


def input_from_json(kind: str, body: bytes) -> Input:
    """The inverse. Raises KeyError for an unknown kind and ValueError for a damaged body."""
    item: Input = _adapter(kind).validate_json(body)
    return item


def rfc3339(utc: float) -> str:
    """UTC seconds -> "2026-11-28T02:40:00.000Z". To the nearest millisecond: times are sums of floats, and `isoformat` cuts."""
    return datetime.fromtimestamp(round(utc, 3), UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def event_to_dict(event: Event, wall_offset: float) -> dict[str, Any]:
    """One lasting event as the flat JSON object of the event file. Key `event` holds its word. A text that nobody has made into
    words (`Composer.spoken`) stays key and values: so the journal keeps it."""
    body: dict[str, Any] = {"time": "", "event": EVENT_NAMES[type(event)]}
    return body | _fields(event, wall_offset)


def _fields(value: Any, wall_offset: float) -> dict[str, Any]:
    """Of an event, or of a part of one. The first pit, most often the only one, is not named."""
    told = ((f.name, getattr(value, f.name)) for f in dataclasses.fields(value))
    return {name: _plain(name, one, wall_offset) for name, one in told if name != "pit" or one}


def _plain(name: str, value: Any, wall_offset: float) -> Any:
    if isinstance(value, float) and name in INSTANTS:
        return rfc3339(value + wall_offset)
    if isinstance(value, Interval):
        return {f.name: rfc3339(getattr(value, f.name) + wall_offset) for f in dataclasses.fields(value)}
    if isinstance(value, FanPoint):
        return [rfc3339(value.time + wall_offset), value.p05, value.p50, value.p95]
    if isinstance(value, Said):
        return dataclasses.asdict(value)
    if dataclasses.is_dataclass(value):
        return _fields(value, wall_offset)
    if isinstance(value, tuple | list):
        return [_plain("", item, wall_offset) for item in value]
    return value


def with_texts(event: dict[str, Any]) -> dict[str, Any]:
    """An event of the journal, with each text that it kept as key and values made one again."""
    told: dict[str, Any] = _text(event)
    return told


def _text(value: Any) -> Any:
    if isinstance(value, dict):
        return said(value) if value.keys() == {"key", "values"} else {name: _text(one) for name, one in value.items()}
    return [_text(one) for one in value] if isinstance(value, list) else value
