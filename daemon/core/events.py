"""Everything that may leave the core. `time` is engine time, s. Written out, it becomes RFC 3339 UTC.

Lasting events (all but SamplesJudged and ForecastWanted) go to the journal, the event file of `pitvigil replay`,
MQTT and the page. `event_name` is the word in the `event` field.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from daemon.core.forecast_request import ForecastRequest
from daemon.core.orders import MarkKind, SafetyDeed
from daemon.core.outlook import FanPoint, Outlook
from daemon.core.said import Text
from drivers.reading import Fault, Quality


class ProbeFault(StrEnum):
    """What conditioning found wrong with a channel, beyond the device's own fault bits. Never silently repaired."""

    DEVICE_FAULT = "device-fault"
    STALE = "stale"
    SPIKE = "spike"
    STUCK = "stuck"
    DRIFT = "drift-against-pair"
    NOT_IN_MEAT = "not-in-meat"
    SWAPPED = "swapped"
    PULLED = "pulled-out"
    COLD_JUNCTION_HOT = "cold-junction-hot"
    AMBIENT_LEAK = "ambient-leakage"
    IMPLAUSIBLE = "implausible"
    OFF_THE_GRATE = "off-the-grate"
    DISAGREES = "disagrees"
    BY_THE_FIRE = "by-the-fire"
    UNIT_CHANGED = "unit-changed"


class Sample(NamedTuple):
    """A reading after conditioning; a tuple as that is. celsius is what was read (never repaired); quality says whether to
    believe it."""

    channel: str
    celsius: float | None
    quality: Quality
    measured_at: float
    fault: Fault | None = None
    doubts: tuple[ProbeFault, ...] = ()


@dataclass(frozen=True, slots=True)
class SamplesJudged:
    """Transient: for whoever shows live values."""

    time: float
    samples: tuple[Sample, ...]


@dataclass(frozen=True, slots=True)
class QualityChanged:
    """A channel's quality or its named doubts changed. evidence: one line of words and numbers."""

    time: float
    channel: str
    quality: Quality
    doubts: tuple[ProbeFault, ...]
    fault: Fault | None
    evidence: Text


@dataclass(frozen=True, slots=True)
class StageChanged:
    """subject: "pit", the id of a pit beside the first, or a piece id. because: "mark", "readings" (which only ask) or what was
    seen. asks: a question to the cook when mark and detection differ."""

    time: float
    subject: str
    before: str
    after: str
    because: Text
    asks: Text = ""


class FireSign(StrEnum):
    """What the fire watch saw in the pit trace."""

    LOG_ADDED = "log-added"
    LID_OPENED = "lid-opened"
    LID_CLOSED = "lid-closed"
    DAMPER_CHANGED = "damper-changed"


@dataclass(frozen=True, slots=True)
class FireNoticed:
    time: float
    sign: FireSign
    at: float
    """Best estimate of when it happened, engine time."""
    confidence: float
    pit: str = ""
    """The pit's id; "": the first, or the only one."""


@dataclass(frozen=True, slots=True)
class StallChanged:
    time: float
    piece: str
    stalled: bool
    probability: float


class Priority(StrEnum):
    """Share of all alarms aimed at: 80/15/5 % low/medium/high."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class AlarmState(StrEnum):
    """ISA-18.2 / IEC 62682 states."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed-by-design"
    OUT_OF_SERVICE = "out-of-service"


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """alarm: key "rule" or "rule/subject". occurrence: counts the times this key left normal, from 1.
    text: what to do, verb first, <= 60 characters. rule: its rule id. value: number that made it so."""

    time: float
    alarm: str
    rule: str
    subject: str
    occurrence: int
    before: AlarmState
    after: AlarmState
    priority: Priority
    prompt: bool
    text: Text
    because: Text
    value: float | None = None


class Level(StrEnum):
    """WAKE makes noise at night; NOTICE is delivered silently at night; LOG stays on the page."""

    WAKE = "wake"
    NOTICE = "notice"
    LOG = "log"


@dataclass(frozen=True, slots=True)
class Notification:
    """Something to deliver. id: unique and stable over restarts ("pit-falling/pit#3.0" = third occurrence, first message).
    step: which message of that occurrence it is, 0 first; an occurrence that comes back unanswered counts on. How loud it is told
    say its audiences: "phone", "louder", "sounder", "second", "notice".
    not_after: engine time after which it is not worth sending. merged: alarm keys told in the same message.
    held_back: it would have woken somebody but was not allowed to (shown in the morning)."""

    time: float
    id: str
    level: Level
    alarm: str
    occurrence: int
    step: int
    text: Text
    audiences: tuple[str, ...]
    not_after: float
    merged: tuple[str, ...] = ()
    held_back: Text = ""


@dataclass(frozen=True, slots=True)
class ForecastMade:
    """A forecast as it is shown."""

    time: float
    piece: str
    asked_at: float
    outlooks: tuple[Outlook, ...]
    fan: tuple[FanPoint, ...] = ()


@dataclass(frozen=True, slots=True)
class NapPlanned:
    """The answer to "I am going to sleep". until/latest: engine times, None when no nap can be promised, with the reason.
    unmet: lines of the green list that are not green."""

    time: float
    until: float | None
    latest: float | None
    green: tuple[Text, ...]
    unmet: tuple[Text, ...]
    reason: Text = ""


@dataclass(frozen=True, slots=True)
class MorningTold:
    """The night's account: notification ids that woke, texts held back."""

    time: float
    woke: tuple[str, ...]
    held_back: tuple[Text, ...]


@dataclass(frozen=True, slots=True)
class Marked:
    """A mark of the cook, echoed so that every listener sees it."""

    time: float
    kind: MarkKind
    piece: str | None
    by: str
    note: str = ""
    at: float | None = None
    """Engine time at which it was done, for a mark made later."""
    pit: str = ""


@dataclass(frozen=True, slots=True)
class TakenBack:
    """A mark or a spot reading no longer counts. what: a MarkKind value or "spot". at: engine time at which it was done;
    said_at: at which it was said."""

    time: float
    what: str
    piece: str | None
    at: float
    said_at: float
    by: str
    pit: str = ""


@dataclass(frozen=True, slots=True)
class SpotRead:
    """A spot reading, echoed so that every listener sees it. at: engine time at which it was taken. asks: a question to the
    cook where the piece's own probe says otherwise."""

    time: float
    piece: str
    celsius: float
    where: str
    thermometer: str
    tolerance: float
    by: str
    at: float
    asks: Text = ""


@dataclass(frozen=True, slots=True)
class SpotSettled:
    """A handheld probe has come to rest in a piece nobody has named: which one is it?"""

    time: float
    channel: str
    celsius: float


@dataclass(frozen=True, slots=True)
class CookChanged:
    """The running cook is another from now on. added, removed, changed: piece ids; probe: those read by another channel."""

    time: float
    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]
    probe: tuple[str, ...]
    by: str


@dataclass(frozen=True, slots=True)
class PlannedStep:
    """One step of a kept plan. kind: a StepKind value. piece: id, None for the pit. at: engine time it is planned for. pit: whose
    fire is lit; "" the first, or the only one."""

    kind: str
    piece: str | None
    at: float
    pit: str = ""


@dataclass(frozen=True, slots=True)
class PlanKept:
    """A plan was agreed to; without steps: dropped. chance of serving on time when it is kept to."""

    time: float
    steps: tuple[PlannedStep, ...]
    chance: float
    wake: bool
    by: str


@dataclass(frozen=True, slots=True)
class WakeJudged:
    time: float
    notification: str
    needed: bool
    by: str


@dataclass(frozen=True, slots=True)
class HandedOver:
    """Another person has the watch. before: who had it, "" where nobody was named."""

    time: float
    to: str
    before: str
    note: str
    by: str


@dataclass(frozen=True, slots=True)
class SafetyDeedTold:
    """What was done with a piece that a safety alarm spoke of. alarm: its key, "" where none had asked."""

    time: float
    piece: str
    alarm: str
    deed: SafetyDeed
    note: str
    by: str


@dataclass(frozen=True, slots=True)
class CommandRefused:
    """A command that was understood and not allowed, with the reason in words."""

    time: float
    command: str
    reason: Text


@dataclass(frozen=True, slots=True)
class ForecastWanted:
    """Transient: the shell computes and posts `ForecastArrived`."""

    time: float
    request: ForecastRequest


Event = (
    SamplesJudged
    | QualityChanged
    | StageChanged
    | FireNoticed
    | StallChanged
    | AlarmChanged
    | Notification
    | ForecastMade
    | NapPlanned
    | MorningTold
    | Marked
    | TakenBack
    | SpotRead
    | SpotSettled
    | CookChanged
    | PlanKept
    | WakeJudged
    | HandedOver
    | SafetyDeedTold
    | CommandRefused
    | ForecastWanted
)

EVENT_NAMES: dict[type, str] = {
    QualityChanged: "quality",
    StageChanged: "stage",
    FireNoticed: "fire",
    StallChanged: "stall",
    AlarmChanged: "alarm",
    Notification: "notification",
    ForecastMade: "forecast",
    NapPlanned: "nap",
    MorningTold: "morning",
    Marked: "mark",
    TakenBack: "taken-back",
    SpotRead: "spot",
    SpotSettled: "spot-settled",
    CookChanged: "cook-changed",
    PlanKept: "plan",
    WakeJudged: "wake-judged",
    HandedOver: "handed-over",
    SafetyDeedTold: "safety-deed",
    CommandRefused: "refused",
}
"""The word in the `event` field of each lasting event; what is not here is transient."""
