"""The immutable picture of the watch that web, MQTT and the terminal read. Nobody but the engine makes one."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.annunciator import SleepView
from daemon.core.events import FireNoticed, NapPlanned, ProbeFault
from daemon.core.food_safety.record import SafetyView
from daemon.core.forecast.standing import Standing
from daemon.core.inputs import Health, LinkCounts
from daemon.core.marks import SAME
from daemon.core.outlook import FanPoint, Interval, Outlook
from daemon.core.pit.evenness import Evenness
from daemon.core.pit_profile import PitProfile
from daemon.core.plan.duties import GreaseView, PlanView, ReminderView, WoodView
from daemon.core.said import Text
from daemon.core.settings import FIRST_PIT, Band, PieceSettings, Role
from daemon.core.shift import ShiftView
from drivers.reading import Quality


@dataclass(frozen=True, slots=True)
class ChannelView:
    """age: s since the newest reading, None if there never was one. rate: °C per hour over 10 min, None if unknown."""

    id: str
    name: str
    role: Role
    place: str | None
    celsius: float | None
    quality: Quality
    doubts: tuple[ProbeFault, ...]
    fault: str | None
    age: float | None
    rate: float | None
    pit: str = ""
    """id of the pit it belongs to, in a rig with several; "" of none."""


@dataclass(frozen=True, slots=True)
class PitView:
    """The pit as a whole. celsius: control value (median of good pit channels), None if blind: then there is no rate either.
    last_celsius, last_seen_at: the newest value that may be believed, and the engine time at which it was read. log_due: when
    it leaves the band at the bottom unfed, as said at `forecast_made_at` (engine time; older while the pit is not seen, dropped
    after half an hour); no_forecast says why there is none. question: where mark and readings differ, or ""."""

    id: str
    name: str
    stage: str
    since: float
    band: Band
    celsius: float | None
    rate: float | None
    lid_open: bool
    last_log: float | None
    log_due: Interval | None
    no_forecast: Text
    evenness: Evenness
    question: Text = ""
    forecast_made_at: float | None = None
    last_celsius: float | None = None
    last_seen_at: float | None = None
    subject: str = FIRST_PIT
    """What the pit's alarms are about, and its stages and signs."""
    feed_at: float | None = None
    """Engine time at which wood is likely to be called for, as long before `log_due` as whoever sleeps needs; None where nobody
    is called: without it, and while the meat has yet to go on or is off."""
    feed_called: bool = False
    """It is called for."""
    grease: GreaseView | None = None
    """Its tray, in a rig with several pits."""


@dataclass(frozen=True, slots=True)
class SpotView:
    """A core read by hand. at: engine time at which it was read; said_at: at which it was said, for taking it back."""

    celsius: float
    at: float
    said_at: float
    where: str
    thermometer: str
    tolerance: float
    by: str


@dataclass(frozen=True, slots=True)
class MarkView:
    """Something said in this cook that still counts. what: a MarkKind value, or "spot". at: engine time at which it was done;
    said_at: at which it was said; what, piece and said_at together name it to whoever takes it back."""

    what: str
    piece: str | None
    at: float
    said_at: float
    by: str
    note: str = ""
    pit: str = ""
    """id of the pit it speaks of, in a rig with several."""


@dataclass(frozen=True, slots=True)
class HandheldView:
    """A handheld probe has come to rest and its reading waits to be told its piece; or a piece is chosen for the next."""

    channel: str = ""
    celsius: float | None = None
    at: float | None = None
    chosen: str | None = None


@dataclass(frozen=True, slots=True)
class PieceView:
    """channel: None where no probe of its own follows it; then celsius is a spot reading of the last minutes, or None.
    spots: newest first. ordered: the piece as it is meant, for a form that changes it."""

    id: str
    name: str
    cut: str
    channel: str | None
    stage: str
    since: float
    celsius: float | None
    rate: float | None
    on_at: float | None
    wrapped_at: float | None
    off_at: float | None
    wrap_at: float | None
    tender_low: float | None
    tender_high: float | None
    target: float | None
    stall_probability: float
    outlooks: tuple[Outlook, ...]
    forecast_at: float | None
    fan: tuple[FanPoint, ...]
    question: Text
    safety: SafetyView
    asked_wrap: float | None = None
    spots: tuple[SpotView, ...] = ()
    ordered: PieceSettings | None = None
    pit: str = ""
    """id of its pit, in a rig with several."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """time: engine time, s; wall_offset: add for UTC; serve_at: engine time. health: parts that are not ok. links: devices
    on whose way something was lost or refused.
    fires: newest signs first, at most 20. standing: ahead or behind and the remedies, None while nothing can be said.
    pit: the first. profile: what it taught, without the rows of single fires. plan: the one that was kept, None without one.
    shift: who has the watch, and what was done about safety alarms."""

    time: float
    wall_offset: float
    clock_trusted: bool
    cook_id: str
    cook_name: str
    serve_at: float | None
    serve_chance: float | None
    channels: tuple[ChannelView, ...]
    pit: PitView
    pieces: tuple[PieceView, ...]
    alarms: tuple[AlarmView, ...]
    sleep: SleepView
    nap: NapPlanned | None
    health: tuple[Health, ...]
    fires: tuple[FireNoticed, ...]
    standing: Standing | None = None
    profile: PitProfile = field(default_factory=PitProfile)
    links: tuple[LinkCounts, ...] = ()
    plan: PlanView | None = None
    reminders: tuple[ReminderView, ...] = ()
    wood: WoodView | None = None
    grease: GreaseView | None = None
    marks: tuple[MarkView, ...] = ()
    """Newest first, at most 20."""
    handheld: HandheldView | None = None
    shift: ShiftView = field(default_factory=ShiftView)
    could_sleep: NapPlanned | None = None
    """What "I am going to sleep" would be answered at this moment, promised to nobody; None once it was said."""
    pits: tuple[PitView, ...] = ()
    """All of them in a rig with several, the first as in `pit`; else none."""
    profiles: tuple[PitProfile, ...] = ()
    """What each of several pits taught, in the order of `pits`."""

    def newest_mark(
        self, what: str | None, piece: str | None, said_at: float | None = None, pit: str = ""
    ) -> MarkView | None:
        """What an order takes back, found as the engine finds it: the newest that fits. what: None = of any kind. said_at: None =
        whenever it was said. pit: an id; "" = the first."""
        own = (mark for mark in self.marks if mark.pit in ("", pit or self.pit.id))
        fits = (mark for mark in own if mark.piece == piece and what in (None, mark.what))
        return next((m for m in fits if said_at is None or abs(m.said_at - said_at) < SAME), None)
