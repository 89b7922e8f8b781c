"""Who has the watch, since when the cook runs, and what was done with a piece that a safety alarm spoke of.

Nothing here judges: it is asked, kept, and shown to whoever takes over. Engine times, s.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass
from typing import Any

from daemon.core.alarms.rule import AlarmRule
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Event, HandedOver, SafetyDeedTold
from daemon.core.orders import HandOver, SafetyDeed, TellDeed
from daemon.core.said import say

RAISED = (AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)
LONGEST_NAME = 40
DEEDS_KEPT = 200
"""The newest; each stands in the journal besides. Our bound."""


@dataclass(frozen=True, slots=True)
class OnWatch:
    """since: when this person took over. note: what was said then."""

    name: str
    since: float
    note: str = ""


@dataclass(frozen=True, slots=True)
class DeedAsked:
    """What was done with this piece? alarm: key of the safety alarm that asks, raised at `since`."""

    piece: str
    alarm: str
    since: float


@dataclass(frozen=True, slots=True)
class DeedView:
    """The answer to one. at: when it was given."""

    piece: str
    alarm: str
    deed: SafetyDeed
    at: float
    by: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class ShiftView:
    """cook_since: when the running cook began, None without one. asked: safety alarms that nobody has answered yet what was
    done about them. deeds: the answers of this cook, oldest first."""

    cook_since: float | None = None
    on_watch: OnWatch | None = None
    asked: tuple[DeedAsked, ...] = ()
    deeds: tuple[DeedView, ...] = ()


class Shift:
    """One per watch. Whoever has the watch keeps it from cook to cook; what is asked about pieces ends with their cook."""

    def __init__(self) -> None:
        self._cook_since: float | None = None
        self._on_watch: OnWatch | None = None
        self._asked: dict[str, DeedAsked] = {}
        self._deeds: list[DeedView] = []

    def begin(self, now: float | None) -> None:
        """A cook starts; None: it is over."""
        self._cook_since, self._asked, self._deeds = now, {}, []

    def told(self, item: HandOver | TellDeed, pieces: tuple[str, ...], now: float) -> list[Event]:
        return self._handed(item, now) if isinstance(item, HandOver) else self._deed(item, pieces, now)

    def _handed(self, item: HandOver, now: float) -> list[Event]:
        name = item.to.strip()
        if not 1 <= len(name) <= LONGEST_NAME:
            return [CommandRefused(now, "hand over", say("refused.name-needed", longest=LONGEST_NAME))]
        before = "" if self._on_watch is None else self._on_watch.name
        self._on_watch = OnWatch(name, now, item.note)
        return [HandedOver(now, name, before, item.note, item.by)]

    def alarm(self, change: AlarmChanged, rule: AlarmRule | None, pieces: tuple[str, ...]) -> None:
        """A safety alarm of a piece that is raised asks its question, once a piece until it is answered."""
        piece = change.alarm.partition("/")[2]
        if rule is not None and rule.safety and piece in pieces and change.after in RAISED:
            self._asked.setdefault(piece, DeedAsked(piece, change.alarm, change.time))

    def _deed(self, item: TellDeed, pieces: tuple[str, ...], now: float) -> list[Event]:
        """Also unasked: then no alarm is named."""
        if item.piece not in pieces:
            return [CommandRefused(now, "safety deed", say("refused.no-piece", piece=item.piece))]
        asked = self._asked.pop(item.piece, None)
        alarm = "" if asked is None else asked.alarm
        told = DeedView(item.piece, alarm, item.deed, now, item.by, item.note)
        self._deeds = [*self._deeds[1 - DEEDS_KEPT :], told]
        return [SafetyDeedTold(now, item.piece, alarm, item.deed, item.note, item.by)]

    def view(self) -> ShiftView:
        return ShiftView(self._cook_since, self._on_watch, tuple(self._asked.values()), tuple(self._deeds))

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "cook_since": self._cook_since,
            "on_watch": None if self._on_watch is None else astuple(self._on_watch),
            "asked": [astuple(asked) for asked in self._asked.values()],
            "deeds": [astuple(deed) for deed in self._deeds],
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._cook_since = dumped["cook_since"]
        self._on_watch = None if dumped["on_watch"] is None else OnWatch(*dumped["on_watch"])
        self._asked = {piece: DeedAsked(piece, *rest) for piece, *rest in dumped["asked"]}
        self._deeds = [
            DeedView(piece, alarm, SafetyDeed(deed), at, by, note)
            for piece, alarm, deed, at, by, note in dumped["deeds"]
        ]
