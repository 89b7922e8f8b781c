"""What the page needs from the rest of the watch: plain values and three protocols. Times are engine time, s; °C."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from ssl import SSLContext
from typing import Literal, Protocol

from config.cook import Cook, ReminderSection
from daemon.core.alarms.figures import AlarmFigures
from daemon.core.planned import KeptPlan, ReminderSettings
from daemon.core.said import Text
from daemon.core.settings import CookSettings
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.rows import CookCurve, CookNotes, CookRow, WakeRow
from daemon.texts.reader import CELSIUS, Reader

CookBuilder = Callable[[Cook], CookSettings]
"""Makes the core's settings of a checked cook order; raises ValueError in words the cook can act on."""


@dataclass(frozen=True, slots=True)
class PlannedCook:
    """lines: the plan as `pitvigil plan` says it, its instants in UTC. kept: as the core would keep it, None where nothing can
    be planned."""

    lines: tuple[Text, ...]
    kept: KeptPlan | None


class Planning(Protocol):
    """What plans a cook for the page."""

    def plan(self, cook: Cook | None, ambient: float | None, wind: float, wake: bool) -> Callable[[], PlannedCook]:
        """Of a checked cook order, or of the running cook where there is none. ambient: °C outside, None = as measured, or
        ordinary. wind: m/s. The work takes seconds and belongs into a worker thread; it raises ValueError in words the cook can
        act on."""
        ...

    def reminder(self, own: ReminderSection) -> ReminderSettings:
        """A checked reminder as the core keeps it."""
        ...


Span = Literal["night", "cook", "season"]


class NotAvailable(Exception):
    """This installation cannot answer that; the text says why."""


@dataclass(frozen=True, slots=True)
class PageSettings:
    """hosts: names the page may be asked by, besides this machine's own name and the addresses it is reached at.
    open_view: anybody on the network may look, nobody may change. reader: the rig's people: first choice of a new
    phone, and the zone of dates without one. can_wake: some delivery may wake somebody."""

    host: str = "127.0.0.1"
    port: int = 8077
    hosts: tuple[str, ...] = ()
    open_view: bool = False
    reader: Reader = CELSIUS
    can_wake: bool = True
    tls: SSLContext | None = None


@dataclass(frozen=True, slots=True)
class ChannelTrace:
    """Lowest and highest value of each bucket, °C, None where nothing good was read. Same length as History.time."""

    id: str
    low: tuple[float | None, ...]
    high: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class HistoryMark:
    """A mark or a noticed fire sign to draw as a line. kind: a MarkKind or FireSign value."""

    time: float
    kind: str
    piece: str | None = None


@dataclass(frozen=True, slots=True)
class History:
    """time: start of each bucket; bucket: its width, s."""

    start: float
    end: float
    bucket: float
    time: tuple[float, ...] = ()
    channels: tuple[ChannelTrace, ...] = ()
    marks: tuple[HistoryMark, ...] = ()


HistorySource = Callable[[float, float, int], History]
"""history(start, end, max_points). Called in a worker thread: bring a read connection of your own."""


class CookLibrary(Protocol):
    """The kept cooks. Called in a worker thread. Each may raise NotAvailable."""

    def rows(self, words: str, limit: int) -> Sequence[CookRow]:
        """Newest first, those whose name, pit or pieces hold all `words`."""
        ...

    def compare(self, ids: Sequence[str], max_points: int) -> Sequence[CookCurve]:
        """In the order asked, one or more. Raises UnknownCook."""
        ...

    def kept(self, cook: str) -> KeptCook:
        """Everything the journal holds of one cook. Raises UnknownCook."""
        ...

    def amend(self, cook: str, notes: CookNotes) -> None:
        """Put these notes in place of the old ones. Raises UnknownCook, and ValueError in words the cook can act on."""
        ...

    def wakes(self) -> Sequence[WakeRow]:
        """Those of the running or newest cook, newest first."""
        ...

    def alarm_figures(self, of: Span) -> AlarmFigures:
        """How the alarms did in the newest night, in the running or newest cook, or in all kept cooks as a season."""
        ...

    def curve(self, kept: KeptCook, max_points: int) -> CookCurve:
        """Of one cook, as the viewed pit had it. Raises UnknownCook."""
        ...

    def report(self, cook: str, pit: str = "") -> bytes:
        """One self-contained HTML document. pit: an id or a name, "" = the first that had meat. Raises UnknownCook and
        UnknownPit."""
        ...


def bucketed(
    series: Mapping[str, Iterable[tuple[float, float]]],
    start: float,
    end: float,
    max_points: int,
    marks: Sequence[HistoryMark] = (),
) -> History:
    """Thin any number of (time, °C) points to at most `max_points` buckets that keep every peak and every dip."""
    width = max(1.0, (end - start) / max_points)
    count = max(1, min(max_points, int((end - start) / width + 0.999)))
    traces = []
    for channel, points in series.items():
        low: list[float | None] = [None] * count
        high: list[float | None] = [None] * count
        for time, value in points:
            if not start <= time <= end:
                continue
            at = min(count - 1, int((time - start) / width))
            lowest, highest = low[at], high[at]
            low[at] = value if lowest is None else min(lowest, value)
            high[at] = value if highest is None else max(highest, value)
        traces.append(ChannelTrace(channel, tuple(low), tuple(high)))
    times = tuple(start + index * width for index in range(count))
    inside = tuple(mark for mark in marks if start <= mark.time <= end)
    return History(start, end, width, times, tuple(traces), inside)
