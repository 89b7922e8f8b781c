"""The watch as a device of the Homie convention, version 5 (github.com/homieiot/convention, v5.0.0); with several pits as a
root device and a child device for each pit and for the cabinet.

One table of properties a node: what it is called, how it is written, where its value comes from and how often a change
of it is told. The Homie description, the values on the wire and the hub's discovery are read from it; how a hub shows a
property stands elsewhere (`shown`). Temperatures are °C, instants RFC 3339 UTC. What is not known has no retained value
and is not described at all: never NaN, never an old number.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from enum import StrEnum
from typing import Any

from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmView
from daemon.core.events import AlarmState
from daemon.core.outlook import Goal, Interval
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitPhase
from daemon.core.said import Said
from daemon.core.settings import Band
from daemon.core.snapshot import ChannelView, PieceView, PitView, Snapshot
from daemon.shell.hub import duties, places
from daemon.shell.hub.duties import PIECE_MARKS, PIT_MARKS
from daemon.shell.hub.names import RANGE, name_of
from daemon.shell.hub.pace import SLOW, STEP, WORDS, Pace
from daemon.shell.hub.properties import (
    NOTHING,
    Datatype,
    Node,
    Property,
    identifier,
    instant,
    never,
    number,
    order,
    text,
    truth,
)
from daemon.texts.composer import PLAIN, Composer
from drivers.reading import Quality

HOMIE_VERSION = "5.0"
PAUSE_LIMIT = 900
"""s: the core allows no more."""
PLANNED = "planned"
HOTTEST_BAND = 180.0
"""°C: highest band edge an order from the broker may set, unless the rig's own is higher. Common practice, no source."""
COOLEST_BAND, NARROWEST_BAND = 40.0, 5.0
"""°C, as in the rig file."""
WATCHED = frozenset(PiecePhase) - {PiecePhase.WAITING, PiecePhase.CHILL, PiecePhase.DONE}
"""Stages in which a piece wants somebody to watch."""


class Lifecycle(StrEnum):
    """The words of `$state`."""

    INIT = "init"
    READY = "ready"
    DISCONNECTED = "disconnected"
    LOST = "lost"


# --- the tables --------------------------------------------------------------------------------------------


def _instant(id_: str, interval: Callable[[Any], Interval | None]) -> tuple[Property[Any], ...]:
    """An instant with its honest spread: the middle, and the two ends between which it lies 9 times of 10."""

    def middle(view: Any, snapshot: Snapshot) -> str | None:
        at = interval(view)
        return None if at is None else instant(at.p50, snapshot)

    def spread(view: Any, snapshot: Snapshot) -> str:
        at = interval(view)
        ends = {} if at is None else {"earliest": instant(at.p05, snapshot), "latest": instant(at.p95, snapshot)}
        return json.dumps(ends, separators=(",", ":"))

    return (
        # The ends first: who shows them beside the middle then shows what belongs together.
        Property(f"{id_}{RANGE}", Datatype.JSON, spread, pace=SLOW),
        Property(id_, Datatype.DATETIME, middle, pace=SLOW),
    )


def _goal(goal: Goal) -> Callable[[PieceView], Interval | None]:
    return lambda piece: next((o.at for o in piece.outlooks if o.goal is goal and o.scenario == PLANNED), None)


GOALS = (Goal.WRAP, Goal.STALL_END, Goal.TENDER, Goal.TARGET, Goal.REST_PEAK, Goal.HOLD_LIMIT, Goal.REST_END)

_T = Datatype

PIT: tuple[Property[PitView], ...] = (
    Property("temperature", _T.FLOAT, lambda p, s: number(p.celsius), unit="°C", pace=STEP),
    Property("rate", _T.FLOAT, lambda p, s: number(p.rate), unit="°C/h", pace=Pace(2.0, 300.0)),
    Property("stage", _T.ENUM, lambda p, s: p.stage, format=",".join(PitPhase)),
    Property("lid-open", _T.BOOLEAN, lambda p, s: truth(p.lid_open)),
    Property("last-log", _T.DATETIME, lambda p, s: instant(p.last_log, s)),
    *_instant("log-due", lambda p: p.log_due),
    Property("no-forecast", _T.STRING, lambda p, s: text(p.no_forecast), pace=WORDS),
    # A difference is kelvin: who shows °F would add 32 to a difference in °C.
    Property("spread", _T.FLOAT, lambda p, s: number(p.evenness.spread), unit="K",
             pace=Pace(1.0, 300.0)),
    Property("advice", _T.STRING, lambda p, s: text(p.evenness.advice), pace=WORDS),
    Property("question", _T.STRING, lambda p, s: text(p.question), pace=WORDS),
    Property("band-low", _T.FLOAT, lambda p, s: number(p.band.low), unit="°C", settable=True),
    Property("band-high", _T.FLOAT, lambda p, s: number(p.band.high), unit="°C", settable=True),
    order("mark", _T.ENUM, ",".join(PIT_MARKS)),
    *duties.PIT_SAID,
)  # fmt: skip
"""Of each pit."""

PIECE: tuple[Property[PieceView], ...] = (
    Property("temperature", _T.FLOAT, lambda p, s: number(p.celsius), unit="°C", pace=STEP),
    Property("rate", _T.FLOAT, lambda p, s: number(p.rate), unit="°C/h", pace=Pace(1.0, 300.0)),
    Property("stage", _T.ENUM, lambda p, s: p.stage, format=",".join(PiecePhase)),
    Property("stage-since", _T.DATETIME, lambda p, s: instant(p.since or None, s)),
    Property("stall-probability", _T.INTEGER,
             lambda p, s: number(100 * p.stall_probability, 0), unit="%", format="0:100", pace=Pace(5.0, 300.0)),
    Property("question", _T.STRING, lambda p, s: text(p.question), pace=WORDS),
    Property("hold-left", _T.INTEGER,
             lambda p, s: number(_hold_left(p), 0), unit="s", pace=Pace(60.0, 60.0)),
    *(prop for goal in GOALS for prop in _instant(goal.value, _goal(goal))),
    order("mark", _T.ENUM, ",".join(PIECE_MARKS)),
    *duties.PIECE_SAID,
    *duties.PIECE_PLAN,
)  # fmt: skip

CHANNEL: tuple[Property[ChannelView], ...] = (
    Property("temperature", _T.FLOAT, lambda c, s: number(c.celsius) if believed(c) else None, unit="°C",
             pace=STEP),
    Property("rate", _T.FLOAT, lambda c, s: number(c.rate) if believed(c) else None, unit="°C/h",
             pace=Pace(2.0, 300.0)),
    Property("live", _T.BOOLEAN, lambda c, s: truth(believed(c))),
    Property("quality", _T.ENUM, lambda c, s: c.quality.value, format=",".join(Quality)),
    Property("doubts", _T.STRING, lambda c, s: text(", ".join(c.doubts) or (c.fault or ""))),
    Property("reading", _T.JSON, never, retained=False),
)  # fmt: skip

WATCH: tuple[Property[Snapshot], ...] = (
    Property("cook", _T.STRING, lambda w, s: text(w.cook_name)),
    Property("cook-runs", _T.BOOLEAN, lambda w, s: truth(cook_runs(w))),
    Property("serve-at", _T.DATETIME, lambda w, s: instant(w.serve_at, s)),
    Property("serve-chance", _T.INTEGER,
             lambda w, s: number(None if w.serve_chance is None else 100 * w.serve_chance, 0), unit="%", format="0:100",
             pace=Pace(2.0, 300.0)),
    Property("ahead", _T.INTEGER,
             lambda w, s: number(w.standing.ahead if w.standing else None, 0), unit="s", pace=Pace(120.0, 300.0)),
    Property("nap-until", _T.DATETIME, lambda w, s: instant(w.nap.until if w.nap else None, s)),
    Property("nap-latest", _T.DATETIME,
             lambda w, s: instant(w.nap.latest if w.nap else None, s)),
    Property("asleep", _T.BOOLEAN, lambda w, s: truth(w.sleep.asleep), settable=True),
    Property("calling", _T.BOOLEAN, lambda w, s: truth(w.sleep.calling)),
    Property("paused-until", _T.DATETIME, lambda w, s: instant(w.sleep.paused_until, s)),
    Property("unacknowledged", _T.INTEGER,
             lambda w, s: str(sum(unanswered(a) for a in w.alarms)), format="0:"),
    Property("worst", _T.STRING,
             lambda w, s: text(next((a.text for a in w.alarms if standing(a) or unanswered(a)), "")), pace=WORDS),
    Property("lines-lost", _T.INTEGER,
             lambda w, s: str(sum(link.lost for link in w.links)), format="0:", pace=Pace(1.0, 60.0)),
    Property("clock-set", _T.BOOLEAN, lambda w, s: truth(w.clock_trusted)),
    Property("test-wake-state", _T.ENUM, lambda w, s: w.sleep.test_wake,
             format="never,sent,delivered,acknowledged"),
    Property("refused", _T.STRING, lambda w, s: NOTHING),  # the feed knows
    order("acknowledge", _T.STRING),
    order("pause", _T.INTEGER, f"1:{PAUSE_LIMIT}", unit="s"),
    order("test-wake", _T.ENUM, duties.GO),
    order("order", _T.JSON),
    *duties.PLAN_ORDERS,
)  # fmt: skip


def _alarm(rule: str) -> Callable[[Snapshot, Snapshot], str]:
    return lambda watch, snapshot: truth(any(standing(a) for a in watch.alarms if a.rule == rule))


def _pit_alarm(rule: str) -> Callable[[PitView, Snapshot], str]:
    return lambda pit, s: truth(any(standing(a) for a in s.alarms if (a.rule, a.subject) == (rule, pit.subject)))


def _other_alarm(rule: str) -> Callable[[Snapshot, Snapshot], str]:
    """Of all but pits: of a rule that may speak of either."""
    return lambda watch, s: truth(
        any(standing(a) for a in s.alarms if a.rule == rule and a.subject not in {p.subject for p in s.pits})
    )


ALARMS: tuple[Property[Snapshot], ...] = tuple(
    Property(rule.id, Datatype.BOOLEAN, _alarm(rule.id)) for rule in ALARM_RULES
)
"""One for each alarm rule, whatever it speaks of: true while its cause stands or it is latched."""
OF_A_PIT = frozenset(
    {"runaway", "fire-out", "pit-blind", "pit-probes-contradict", "pit-probe-lost", "pit-falling", "log-not-caught", "pit-high",
     "lid-left-open", "stage-question", "grease-tray", "plan-light"}
)  # fmt: skip
"""Rules that are judged of each pit by itself."""
OF_OTHERS_TOO = frozenset({"stage-question"})
PIT_ALARMS: tuple[Property[PitView], ...] = tuple(
    Property(rule.id, Datatype.BOOLEAN, _pit_alarm(rule.id)) for rule in ALARM_RULES if rule.id in OF_A_PIT
)
"""In a watch over several pits, on the device of each."""
OTHER_ALARMS: tuple[Property[Snapshot], ...] = tuple(
    Property(rule.id, Datatype.BOOLEAN, (_other_alarm if rule.id in OF_A_PIT else _alarm)(rule.id))
    for rule in ALARM_RULES
    if rule.id not in OF_A_PIT or rule.id in OF_OTHERS_TOO
)
"""The same of everything else, on the device of the watch."""

_UNANSWERED = (
    AlarmState.UNACKNOWLEDGED,
    AlarmState.RETURNED_UNACKNOWLEDGED,
    AlarmState.LATCHED_UNACKNOWLEDGED,
)
OFF_THE_FIRE = frozenset({PiecePhase.OFF, PiecePhase.REST, PiecePhase.HOLD, PiecePhase.CHILL})
_LATCHED = (AlarmState.LATCHED_UNACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


def believed(channel: ChannelView) -> bool:
    return channel.quality is Quality.GOOD and channel.celsius is not None


def unanswered(alarm: AlarmView) -> bool:
    return alarm.state in _UNANSWERED


def standing(alarm: AlarmView) -> bool:
    """The cause is there, whoever silenced it; suppressed by design means that it is expected now."""
    return alarm.state in _LATCHED or (alarm.active and alarm.state is not AlarmState.SUPPRESSED)


def cook_runs(snapshot: Snapshot) -> bool:
    """There is a fire, or meat that a fire or a hold keeps: somebody should hear when the watch falls silent."""
    lit = any(pit.stage != PitPhase.UNLIT for pit in snapshot.pits or (snapshot.pit,))
    return lit or any(piece.stage in WATCHED for piece in snapshot.pieces)


def _hold_left(piece: PieceView) -> float | None:
    """Only for a piece that is off the fire: on it, it is on its way up through the floor."""
    return piece.safety.hold_left_seconds if piece.stage in OFF_THE_FIRE else None


def never_told(view: PieceView, snapshot: Snapshot) -> frozenset[str]:
    """Properties of a piece that will stay unknown, for nothing of the kind is planned."""
    planned = {Goal.WRAP: view.wrap_at, Goal.TENDER: view.tender_low, Goal.TARGET: view.target}
    goals = frozenset(goal.value for goal, celsius in planned.items() if celsius is None)
    handheld = frozenset() if duties.handheld_here(snapshot) else frozenset({"handheld"})
    return goals | {f"{goal}-range" for goal in goals} | handheld | duties.unplanned(view, snapshot)


def band_limits(band: Band, hottest: float) -> tuple[tuple[float, float], tuple[float, float]]:
    """(lowest, highest) that an order may set the low edge to, and the same of the high edge, °C, the other edge being
    where it is; where it leaves no room, it is itself the one that is wrong. hottest: °C, highest of all."""
    top = max(HOTTEST_BAND, hottest)
    low_most, high_least = band.high - NARROWEST_BAND, band.low + NARROWEST_BAND
    return (
        (COOLEST_BAND, low_most if low_most >= COOLEST_BAND else top - NARROWEST_BAND),
        (high_least if high_least <= top else COOLEST_BAND + NARROWEST_BAND, top),
    )


# --- the devices -------------------------------------------------------------------------------------------

Hottest = float | Mapping[str, float]
"""°C, the highest band edge an order may set; or the same by the id of the pit."""


def highest(hottest: Hottest, pit: str) -> float:
    return hottest.get(pit, HOTTEST_BAND) if isinstance(hottest, Mapping) else hottest


def nodes(snapshot: Snapshot, hottest: Hottest = HOTTEST_BAND) -> tuple[Node[Any], ...]:
    """Every node of the watch as it is now, with the device it is on. hottest: see `band_limits`."""
    plan = duties.PLAN if snapshot.plan is not None else ()
    several = bool(snapshot.pits)
    watch = (*WATCH, *duties.WOOD, *plan) if several else (*WATCH, *plan)
    return (
        Node("watch", "", "watch", snapshot, watch),
        Node("alarms", "", "alarms", snapshot, OTHER_ALARMS if several else ALARMS),
        *(node for pit in snapshot.pits or (snapshot.pit,) for node in _of_pit(pit, snapshot, hottest)),
        *(Node(f"piece-{p.id}", p.name, "piece", p, _of_piece(p, snapshot), places.of_piece(p, snapshot))
          for p in snapshot.pieces),
        *(Node(f"channel-{c.id}", c.name, "channel", c, CHANNEL, places.of_channel(c, snapshot))
          for c in snapshot.channels),
        *(Node(f"reminder-{r.id}", r.text, "reminder", r, duties.REMINDER) for r in snapshot.reminders),
    )  # fmt: skip


def _of_pit(view: PitView, snapshot: Snapshot, hottest: Hottest) -> Iterator[Node[Any]]:
    limits = band_limits(view.band, highest(hottest, view.id))
    formats = {
        edge: "{:.1f}:{:.1f}".format(*span) for edge, span in zip(("band-low", "band-high"), limits, strict=True)
    }
    own = tuple(replace(p, format=formats.get(p.id, p.format)) for p in PIT)
    if not snapshot.pits:  # the wood is its own, and all alarms stand in one node
        yield Node("pit", view.name, "pit", view, (*own, *duties.WOOD))
        return
    key = "" if view.id == snapshot.pit.id else f"pit-{view.id}"  # the first's are as with a single pit
    yield Node("pit", view.name, "pit", view, own, view.id, key)
    yield Node("alarms", "", "alarms", view, PIT_ALARMS, view.id, f"alarms-{view.id}")


def _of_piece(view: PieceView, snapshot: Snapshot) -> tuple[Property[PieceView], ...]:
    absent, formats = never_told(view, snapshot), {"probe": duties.probes(snapshot)}
    own = tuple(replace(p, format=formats.get(p.id, p.format)) for p in PIECE if p.id not in absent)
    return (*own, duties.on_pit(snapshot)) if snapshot.pits else own


def description(
    name: str,
    version: int,
    parts: tuple[Node[Any], ...],
    values: Mapping[str, str | None],
    kind: str = "watch",
    family: Mapping[str, Any] | None = None,
    composer: Composer = PLAIN,
) -> dict[str, Any]:
    """The `$description` document. version: higher whenever anything else in it changed. values: by `node/property`. The
    convention has no word for "not known", and a device that is `ready` has told the value of every property: so one that
    is not known is not described, and its topic is empty, until it is. family: its children, or its root and parent. composer: of
    those who read it."""
    return {
        "homie": HOMIE_VERSION,
        "version": version,
        "name": name,
        "type": f"pitvigil-{kind}",
        **(family or {}),
        "nodes": {
            node.id: {
                "name": node.name or composer.words(f"hub.node.{node.type}"),
                "type": f"pitvigil-{node.type}",
                "properties": {
                    prop.id: {"name": name_of(node.type, prop.id, composer), **prop.described()}
                    for prop in node.properties
                    if not prop.retained or values.get(f"{node.id}/{prop.id}") is not None
                },
            }
            for node in parts
        },
    }


def values(snapshot: Snapshot, parts: tuple[Node[Any], ...], composer: Composer = PLAIN) -> dict[str, str | None]:
    """`node/property` -> text, None where nothing is known. Retained properties only. composer: of those who read them."""
    found = {topic: value for node in parts for topic, value in node.values(snapshot)}
    return {topic: text(composer.say(value)) if isinstance(value, Said) else value for topic, value in found.items()}


def alerts(snapshot: Snapshot, device: str = "") -> dict[str, str]:
    """Alert id -> words for people, for each alarm that stands or waits for an answer and speaks of what is on this device."""
    return {
        identifier(alarm.key.replace("/", "--")): text(alarm.text)
        for alarm in snapshot.alarms
        if (standing(alarm) or unanswered(alarm)) and _spoken_of_on(alarm, snapshot) == device
    }


def _spoken_of_on(alarm: AlarmView, snapshot: Snapshot) -> str:
    """The device that has what an alarm is about."""
    if alarm.rule in OF_A_PIT:
        pit = next((pit.id for pit in snapshot.pits if pit.subject == alarm.subject), None)
        if pit is not None:
            return pit
    return places.of_subject(alarm.subject, snapshot)
