"""Everything that may enter the core. Each is journalled before it has any effect, so a replay is exact.

`now` travels beside an input, never inside it. All are frozen and made of plain values, so that
`daemon.shell.journal.journal` can write and read them by one generic adapter. What a person says is in `daemon.core.orders`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from daemon.core.orders import Order
from daemon.core.outlook import FanPoint, Outlook
from daemon.core.pit_profile import ClassFigure, PitProfile
from daemon.core.said import Text
from drivers.reading import Reading


@dataclass(frozen=True, slots=True)
class Readings:
    """Readings that arrived together (one line of an amplifier board, one notification)."""

    readings: tuple[Reading, ...]


@dataclass(frozen=True, slots=True)
class WallClock:
    """UTC = engine time + offset. trusted: the board's clock has been set by something outside."""

    offset: float
    trusted: bool


class Part(StrEnum):
    """A part of the watch that may fail by itself."""

    DEVICE = "device"
    DISK = "disk"
    BROKER = "broker"
    CHANNEL = "channel"
    CLOCK = "clock"
    ADAPTER = "adapter"
    BATTERY = "battery"
    RECORD = "record"
    """What the watch remembers of the cook: ill from a start that found it lost until somebody says how things stand."""


@dataclass(frozen=True, slots=True)
class Health:
    """A part of the watch changed between working and not. name: which one ("board", "phone"). detail: shown to the cook."""

    part: Part
    name: str
    ok: bool
    detail: Text = ""


@dataclass(frozen=True, slots=True)
class LinkCounts:
    """What went wrong on the way from a device since the watch began. lost: lines that never came whole; restarts: of the
    device's own program (both only where it numbers its lines); refused: frames; unnamed: values of sources that nobody
    knows, beyond the first few."""

    device: str
    lost: int = 0
    restarts: int = 0
    refused: int = 0
    unnamed: int = 0


class Outcome(StrEnum):
    """What became of a message on one delivery channel. FAILED: given up, so that others are to be told."""

    SENT = "sent"
    FAILED = "failed"
    EXPIRED = "expired"


@dataclass(frozen=True, slots=True)
class Delivered:
    """The outbox's word on one notification on one delivery channel."""

    notification: str
    channel: str
    outcome: Outcome
    detail: Text = ""


@dataclass(frozen=True, slots=True)
class Resumed:
    """The watch starts, for the first time or again after a stop. It comes before any timer that fell due while nobody
    watched: those fire once, at this instant, and nothing new is raised until the probes have been heard."""

    because: str = "started"
    watched_until: float | None = None
    """Engine time of the last event before the stop: what was due by then had been done."""
    life: str = ""
    """A word no other life of a watch had. Ids of messages carry it: a journal that lost its newest part forgets which ids
    were given out, and whoever receives one twice takes the second for a repeat. Empty: the life goes on."""
    away_known: bool = True
    """The engine time of this start counts all the time since the stop. False after a boot with a clock that was lost or set
    back: then nobody can say how long a pause or a shelving has really lasted, and they end."""


@dataclass(frozen=True, slots=True)
class ForecastArrived:
    """The answer to a `ForecastWanted`, computed outside the loop and put back in as an input.
    asked_at: engine time of the question. fan: planned scenario, thinned to at most 60 points. hangs_on_wrap: the readings do
    not tell whether it was wrapped though nobody said so, and much depends on it."""

    piece: str
    asked_at: float
    outlooks: tuple[Outlook, ...]
    fan: tuple[FanPoint, ...] = ()
    hangs_on_wrap: bool = False


@dataclass(frozen=True, slots=True)
class UsePitProfile:
    """What the pit taught, from the shell that keeps it: after a start, after a finished cook, or emptied by the cook."""

    profile: PitProfile
    by: str
    pit: str = ""


@dataclass(frozen=True, slots=True)
class UsePitClass:
    """What a crew's other pits that are built like this one have shown, from the shell that fetched it; () = nothing any more.
    It stands for the pit's first fire until its own fires tell more."""

    figures: tuple[ClassFigure, ...]
    by: str
    pit: str = ""


Command = Order | UsePitProfile | UsePitClass
Input = Resumed | Readings | WallClock | Health | LinkCounts | Delivered | ForecastArrived | Command
