"""The watch as one device of the Homie convention, version 5 (github.com/homieiot/convention, v5.0.0).

One table of properties a node: what it is called, how it is written and where its value comes from. The Homie
description, the values on the wire and the hub's discovery are all read from it. Temperatures are °C, instants RFC 3339
UTC. What is not known has no retained value at all: never NaN, never an old number.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Generic, TypeVar

from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmView
from daemon.core.events import AlarmState
from daemon.core.inputs import Goal, Interval, MarkKind
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitPhase
from daemon.core.snapshot import ChannelView, PieceView, PitView, Snapshot
from daemon.shell.wording import rfc3339
from drivers.reading import Quality

HOMIE_VERSION = "5.0"
NOTHING = "none"
"""A text that has nothing to say. Homie writes an empty text as one NUL byte, which hubs would show."""
TEXT_LIMIT = 255
"""Characters: hubs drop longer states."""
PAUSE_LIMIT = 900
"""s: the core allows no more."""
PLANNED = "planned"

PIT_MARKS = (MarkKind.FIRE_LIT, MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.LID_CLOSED, MarkKind.DAMPER)
PIECE_MARKS = tuple(kind for kind in MarkKind if kind not in PIT_MARKS)

View = TypeVar("View")


class Lifecycle(StrEnum):
    """The words of `$state`."""

    INIT = "init"
    READY = "ready"
    DISCONNECTED = "disconnected"
    LOST = "lost"


class Datatype(StrEnum):
    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    DATETIME = "datetime"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class Property(Generic[View]):
    """One property. value: its text, or None while unknown. hub_class: the hub's device class. press: payloads a hub
    offers as buttons, with their labels. channel: valid only while its channel is believed. detail: for the curious."""

    id: str
    name: str
    datatype: Datatype
    value: Callable[[View, Snapshot], str | None]
    unit: str = ""
    format: str = ""
    settable: bool = False
    retained: bool = True
    hub_class: str = ""
    press: tuple[tuple[str, str], ...] = ()
    channel: bool = False
    detail: bool = False

    def described(self) -> dict[str, Any]:
        """As it stands in the description: what equals the convention's default is left out."""
        body: dict[str, Any] = {"name": self.name, "datatype": self.datatype.value}
        if self.unit:
            body["unit"] = self.unit
        if self.format:
            body["format"] = self.format
        if self.settable:
            body["settable"] = True
        if not self.retained:
            body["retained"] = False
        return body


@dataclass(frozen=True, slots=True)
class Node(Generic[View]):
    """One part of the device with the view its values come from."""

    id: str
    name: str
    type: str
    view: View
    properties: tuple[Property[View], ...]

    def values(self, snapshot: Snapshot) -> Iterator[tuple[str, str | None]]:
        for prop in self.properties:
            if prop.retained:
                yield f"{self.id}/{prop.id}", prop.value(self.view, snapshot)


# --- how values are written --------------------------------------------------------------------------------


def number(value: float | None, digits: int = 1) -> str | None:
    """A Homie float; a value that is no number is no value."""
    if value is None or not abs(value) < 1e15:
        return None
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def truth(value: bool) -> str:
    return "true" if value else "false"


def text(value: str) -> str:
    return value[:TEXT_LIMIT] or NOTHING


def instant(value: float | None, snapshot: Snapshot) -> str | None:
    return None if value is None else rfc3339(value + snapshot.wall_offset)


def identifier(words: str) -> str:
    """Fit for one level of a topic."""
    return re.sub(r"[^a-z0-9-]", "-", words.lower()) or "x"


def _never(view: Any, snapshot: Snapshot) -> str | None:
    """A property that only takes orders or tells events has no state."""
    return None


# --- the tables --------------------------------------------------------------------------------------------


def _edges(id_: str, name: str, interval: Callable[[Any], Interval | None]) -> tuple[Property[Any], ...]:
    """An instant with its honest spread: the middle, and the two ends between which it lies 9 times of 10."""

    def edge(which: str) -> Callable[[Any, Snapshot], str | None]:
        def value(view: Any, snapshot: Snapshot) -> str | None:
            at = interval(view)
            return None if at is None else instant(getattr(at, which), snapshot)

        return value

    time = Datatype.DATETIME
    return (
        Property(id_, name, time, edge("p50"), hub_class="timestamp"),
        Property(f"{id_}-from", f"{name}, earliest", time, edge("p05"), hub_class="timestamp", detail=True),
        Property(f"{id_}-until", f"{name}, latest", time, edge("p95"), hub_class="timestamp", detail=True),
    )


def _goal(goal: Goal) -> Callable[[PieceView], Interval | None]:
    return lambda piece: next((o.at for o in piece.outlooks if o.goal is goal and o.scenario == PLANNED), None)


GOAL_NAMES = {
    Goal.WRAP: "Time to wrap",
    Goal.STALL_END: "Stall ends",
    Goal.TENDER: "Tender",
    Goal.TARGET: "Target reached",
    Goal.REST_PEAK: "Peak in the rest",
    Goal.HOLD_LIMIT: "Hold falls to the floor",
    Goal.REST_END: "Rest ends",
}

_T = Datatype

PIT: tuple[Property[PitView], ...] = (
    Property(
        "temperature", "Temperature", _T.FLOAT, lambda p, s: number(p.celsius), unit="°C", hub_class="temperature"
    ),
    Property("rate", "Rate", _T.FLOAT, lambda p, s: number(p.rate), unit="°C/h"),
    Property("stage", "Stage", _T.ENUM, lambda p, s: p.stage, format=",".join(PitPhase), hub_class="enum"),
    Property("lid-open", "Lid open", _T.BOOLEAN, lambda p, s: truth(p.lid_open), hub_class="opening"),
    Property("last-log", "Last log", _T.DATETIME, lambda p, s: instant(p.last_log, s), hub_class="timestamp"),
    *_edges("log-due", "Next log due", lambda p: p.log_due),
    Property("no-forecast", "Why there is no fire forecast", _T.STRING, lambda p, s: text(p.no_forecast), detail=True),
    # A difference is kelvin: a hub that shows °F would add 32 to a difference in °C.
    Property("spread", "Spread over the grate", _T.FLOAT, lambda p, s: number(p.evenness.spread), unit="K"),
    Property("advice", "Advice", _T.STRING, lambda p, s: text(p.evenness.advice)),
    Property("question", "Question to the cook", _T.STRING, lambda p, s: text(p.question)),
    Property(
        "band-low", "Band, low edge", _T.FLOAT, lambda p, s: number(p.band.low),
        unit="°C", format="40:400", settable=True, hub_class="temperature",
    ),
    Property(
        "band-high", "Band, high edge", _T.FLOAT, lambda p, s: number(p.band.high),
        unit="°C", format="40:400", settable=True, hub_class="temperature",
    ),
    Property(
        "mark", "Mark", _T.ENUM, _never, format=",".join(PIT_MARKS), settable=True, retained=False,
        press=(("Fire lit", "fire-lit"), ("Log added", "log"), ("Lid opened", "lid-open"), ("Lid closed", "lid-closed"),
               ("Damper changed", "damper")),
    ),
)  # fmt: skip

PIECE: tuple[Property[PieceView], ...] = (
    Property(
        "temperature", "Core temperature", _T.FLOAT, lambda p, s: number(p.celsius),
        unit="°C", hub_class="temperature", channel=True,
    ),
    Property("rate", "Core rate", _T.FLOAT, lambda p, s: number(p.rate), unit="°C/h", channel=True),
    Property("stage", "Stage", _T.ENUM, lambda p, s: p.stage, format=",".join(PiecePhase), hub_class="enum"),
    Property("stage-since", "In this stage since", _T.DATETIME, lambda p, s: instant(p.since or None, s),
             hub_class="timestamp", detail=True),
    Property("stall-probability", "Stall probability", _T.INTEGER,
             lambda p, s: number(100 * p.stall_probability, 0), unit="%", format="0:100", detail=True),
    Property("question", "Question to the cook", _T.STRING, lambda p, s: text(p.question)),
    Property("hold-left", "Time left below the hot-holding floor", _T.INTEGER,
             lambda p, s: number(p.safety.hold_left_seconds, 0), unit="s", hub_class="duration"),
    *(prop for goal, name in GOAL_NAMES.items() for prop in _edges(goal.value, name, _goal(goal))),
    Property(
        "mark", "Mark", _T.ENUM, _never, format=",".join(PIECE_MARKS), settable=True, retained=False,
        press=(("On the pit", "meat-on"), ("Wrapped", "wrapped"), ("Probed tender", "probed-tender"),
               ("Off the pit", "off")),
    ),
)  # fmt: skip

CHANNEL: tuple[Property[ChannelView], ...] = (
    Property(
        "temperature", "Temperature", _T.FLOAT, lambda c, s: number(c.celsius) if believed(c) else None,
        unit="°C", hub_class="temperature", channel=True,
    ),
    Property("rate", "Rate", _T.FLOAT, lambda c, s: number(c.rate) if believed(c) else None, unit="°C/h", channel=True),
    Property("live", "Live", _T.BOOLEAN, lambda c, s: truth(believed(c)), hub_class="connectivity", detail=True),
    Property("quality", "Quality", _T.ENUM, lambda c, s: c.quality.value, format=",".join(Quality), hub_class="enum",
             detail=True),
    Property("doubts", "Doubts", _T.STRING, lambda c, s: text(", ".join(c.doubts) or (c.fault or "")), detail=True),
    Property("reading", "Reading with its time", _T.JSON, _never, retained=False),
)  # fmt: skip

WATCH: tuple[Property[Snapshot], ...] = (
    Property("cook", "Cook", _T.STRING, lambda w, s: text(w.cook_name)),
    Property("serve-at", "Serve at", _T.DATETIME, lambda w, s: instant(w.serve_at, s), hub_class="timestamp"),
    Property("serve-chance", "Chance of serving on time", _T.INTEGER,
             lambda w, s: number(None if w.serve_chance is None else 100 * w.serve_chance, 0), unit="%", format="0:100"),
    Property("ahead", "Ahead of the serving time, negative behind", _T.INTEGER,
             lambda w, s: number(w.standing.ahead if w.standing else None, 0), unit="s", hub_class="duration"),
    Property("nap-until", "Sleep until", _T.DATETIME, lambda w, s: instant(w.nap.until if w.nap else None, s),
             hub_class="timestamp"),
    Property("nap-latest", "Sleep until, at the latest", _T.DATETIME,
             lambda w, s: instant(w.nap.latest if w.nap else None, s), hub_class="timestamp"),
    Property("asleep", "The cook sleeps", _T.BOOLEAN, lambda w, s: truth(w.sleep.asleep), settable=True),
    Property("calling", "Somebody is being woken", _T.BOOLEAN, lambda w, s: truth(w.sleep.calling), hub_class="sound"),
    Property("paused-until", "Repeats paused until", _T.DATETIME, lambda w, s: instant(w.sleep.paused_until, s),
             hub_class="timestamp"),
    Property("unacknowledged", "Alarms without an answer", _T.INTEGER,
             lambda w, s: str(sum(unanswered(a) for a in w.alarms)), format="0:"),
    Property("worst", "Worst alarm", _T.STRING,
             lambda w, s: text(next((a.text for a in w.alarms if standing(a)), ""))),
    Property("clock-set", "Clock is set", _T.BOOLEAN, lambda w, s: truth(w.clock_trusted), detail=True),
    Property("test-wake-state", "Test wake", _T.ENUM, lambda w, s: w.sleep.test_wake,
             format="never,sent,delivered,acknowledged", hub_class="enum"),
    Property("acknowledge", "Acknowledge", _T.STRING, _never, settable=True, retained=False,
             press=(("Acknowledge all alarms", "*"),)),
    Property("pause", "Pause repeats", _T.INTEGER, _never, unit="s", format=f"1:{PAUSE_LIMIT}", settable=True,
             retained=False, press=(("Pause repeats 15 min", str(PAUSE_LIMIT)),)),
    Property("test-wake", "Send a test wake", _T.ENUM, _never, format="go", settable=True, retained=False,
             press=(("Send a test wake", "go"),)),
)  # fmt: skip


def _alarm(rule: str) -> Callable[[Snapshot, Snapshot], str]:
    return lambda watch, snapshot: truth(any(standing(a) for a in watch.alarms if a.rule == rule))


ALARMS: tuple[Property[Snapshot], ...] = tuple(
    Property(rule.id, rule.title, Datatype.BOOLEAN, _alarm(rule.id), hub_class="problem") for rule in ALARM_RULES
)
"""One for each alarm rule, whatever it speaks of: true while its cause stands or it is latched."""

_UNANSWERED = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
)
_LATCHED = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


def believed(channel: ChannelView) -> bool:
    return channel.quality is Quality.GOOD and channel.celsius is not None


def unanswered(alarm: AlarmView) -> bool:
    return alarm.state in _UNANSWERED


def standing(alarm: AlarmView) -> bool:
    """The cause is there, whoever silenced it; suppressed by design means that it is expected now."""
    return alarm.state in _LATCHED or (alarm.active and alarm.state is not AlarmState.SUPPRESSED)


# --- the device --------------------------------------------------------------------------------------------


def nodes(snapshot: Snapshot) -> tuple[Node[Any], ...]:
    """Every node of the watch as it is now."""
    return (
        Node("watch", "Watch", "watch", snapshot, WATCH),
        Node("alarms", "Alarms", "alarms", snapshot, ALARMS),
        Node("pit", snapshot.pit.name, "pit", snapshot.pit, PIT),
        *(Node(f"piece-{p.id}", p.name, "piece", p, PIECE) for p in snapshot.pieces),
        *(Node(f"channel-{c.id}", c.name, "channel", c, CHANNEL) for c in snapshot.channels),
    )


def description(name: str, version: int, parts: tuple[Node[Any], ...]) -> dict[str, Any]:
    """The `$description` document. version: higher whenever anything else in it changed."""
    return {
        "homie": HOMIE_VERSION,
        "version": version,
        "name": name,
        "type": "pitvigil-watch",
        "nodes": {
            node.id: {
                "name": node.name,
                "type": f"pitvigil-{node.type}",
                "properties": {prop.id: prop.described() for prop in node.properties},
            }
            for node in parts
        },
    }


def values(snapshot: Snapshot, parts: tuple[Node[Any], ...]) -> dict[str, str | None]:
    """`node/property` -> text, None where nothing is known. Retained properties only."""
    return {topic: value for node in parts for topic, value in node.values(snapshot)}


def alerts(snapshot: Snapshot) -> dict[str, str]:
    """Alert id -> words for people, for each alarm that stands or waits for an answer."""
    return {
        identifier(alarm.key.replace("/", "--")): text(alarm.text)
        for alarm in snapshot.alarms
        if standing(alarm) or unanswered(alarm)
    }
