"""What the page may be told and what it answers. Unknown keys are errors. All of it is in the OpenAPI document."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from config.cook import Cook, PieceSection, ReminderSection
from config.cuts import Cut
from config.rig import BandSection
from config.units import Apart, Celsius, MetresPerSecond
from daemon.core.orders import BACK_DATED_AT_MOST, SPOT_COLDEST, SPOT_HOTTEST, MarkKind, SafetyDeed
from daemon.core.pit_profile import ForecastMiss, PlaceLesson
from daemon.core.plan.duties import MOST_SPLITS
from daemon.core.planned import KeptPlan
from daemon.core.settings import Band
from daemon.shell.changed_piece import PieceChanges
from daemon.shell.library.rows import CookCurve, CookNotes, CookRow, WakeRow

Who = Annotated[str, Field(min_length=1, max_length=40)]
Key = Annotated[str, Field(min_length=1, max_length=80)]
Words = Annotated[str, Field(max_length=400)]
FileName = Annotated[str, Field(min_length=1, max_length=80, pattern=r"^[^/\\\x00-\x1f]+$")]
"""A name, not a path: the watch keeps it beside the cook and opens nothing."""
Kilograms = Annotated[float, Field(ge=0, le=500)]
PAUSE_LIMIT = 15 * 60.0
"""s. The core caps it again by its own settings."""
SHELVE_LIMIT = 2 * 3600.0
"""s. The core caps it again by its own settings."""


class Body(BaseModel):
    """Its validator is made when first used: a night uses few of them."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


class By(Body):
    """by: who says so."""

    by: Who = "page"


class Sure(By):
    """sure: must be said where a value can be read and can hardly be meant, or a mark does not go with the stage."""

    sure: bool = False


class Login(Body):
    token: str = Field(max_length=200)


class AcknowledgeOrder(By):
    """alarm: alarm key, or "*" for all."""

    alarm: Key


class PauseOrder(By):
    seconds: float = Field(default=PAUSE_LIMIT, gt=0, le=PAUSE_LIMIT)


class ShelveOrder(By):
    alarm: Key
    seconds: float = Field(gt=0, le=SHELVE_LIMIT)
    reason: str = Field(min_length=1, max_length=120)


class UnshelveOrder(By):
    alarm: Key


PitId = Annotated[str, Field(max_length=40)]
"""id of a pit of a rig with several; left out: the first, or the only one."""


class MarkOrder(Sure):
    """piece: piece id; absent for the pit or for all pieces. pit: of a mark that speaks of no piece, which one."""

    kind: MarkKind
    piece: str | None = Field(default=None, max_length=40)
    note: str = Field(default="", max_length=200)
    minutes_ago: float = Field(default=0.0, ge=0, le=BACK_DATED_AT_MOST / 60.0)
    """for a mark that was forgotten"""
    pit: PitId = ""


class TakeBackOrder(By):
    """what: the kind of a mark, or "spot" for a spot reading. said_at: as the snapshot's `marks` names it; absent = the newest
    of its kind and piece."""

    what: MarkKind | Literal["spot"]
    piece: str | None = Field(default=None, max_length=40)
    said_at: float | None = None
    pit: PitId = ""


class SpotOrder(Sure):
    """A core temperature read by hand. celsius: a number of °C or text with its unit. where: in the piece. tolerance: ± °C."""

    piece: str = Field(max_length=40)
    celsius: Annotated[Celsius, Field(ge=SPOT_COLDEST, le=SPOT_HOTTEST)]
    where: str = Field(default="", max_length=80)
    thermometer: str = Field(default="", max_length=80)
    tolerance: Apart = Field(default=1.0, ge=0.1, le=10)
    minutes_ago: float = Field(default=0.0, ge=0, le=BACK_DATED_AT_MOST / 60.0)


class ChooseSpotOrder(By):
    """The handheld probe reads this piece: what waits for its piece, or else what comes to rest next."""

    piece: str = Field(max_length=40)


class JudgeOrder(By):
    notification: Key
    needed: bool


class BandOrder(Sure):
    band: BandSection
    pit: PitId = ""


class AskWrapOrder(By):
    """celsius: core temperature at which to wrap the piece in thought; a number of °C or text with its unit, null: no longer."""

    piece: str = Field(max_length=40)
    celsius: Annotated[Celsius, Field(ge=30, le=100)] | None


class CookOrder(Sure):
    """The same cook file as `pitvigil` reads, as JSON. replace: must be said where a cook runs, which then ends."""

    cook: Cook
    replace: bool = False


class WeatherOrder(By):
    """ambient: °C outside, absent = as measured. wind: m/s."""

    ambient: Celsius | None = Field(default=None, ge=-50, le=60)
    wind: MetresPerSecond = Field(default=0.0, ge=0, le=40)


class PlanOrder(WeatherOrder):
    """A cook that may be started later."""

    cook: Cook


class KeepPlanOrder(WeatherOrder):
    """Plan the running cook and keep the plan: its times become prompts. wake: its hours to light and to put on are an alarm
    clock, at night too."""

    wake: bool = True


class AddReminderOrder(By):
    """A reminder as a cook file names it; one of the same id is replaced."""

    reminder: ReminderSection


class ReminderOrder(By):
    """reminder: its id; "grease-tray" is the tray, once it has been emptied; with several pits
    "grease-tray/drum"."""

    reminder: Key


class WoodOrder(By):
    """splits: how many are at hand now."""

    splits: int = Field(ge=0, le=MOST_SPLITS)


class AddPieceOrder(Sure):
    """A piece as a cook file names it; without `channel` no probe follows it."""

    piece: PieceSection


class ChangePieceOrder(Sure, PieceChanges):
    """What changes of a piece; what is left out stays. weight in kg, thickness in cm; temperatures: a number of °C or text with
    its unit. wrap, tender, target: as in a cook file."""

    piece: Key


class RemovePieceOrder(Sure):
    """piece: piece id."""

    piece: Key


class MoveProbeOrder(By):
    """piece: piece id. channel: id of the meat channel that reads it from now on, null: none, and it goes on without; a piece
    that had it takes the other."""

    piece: Key
    channel: Key | None


class MovePieceOrder(By):
    """piece: piece id. pit: id of the pit it is cooked on from now on, with its probe."""

    piece: Key
    pit: Annotated[str, Field(min_length=1, max_length=40)]


class HandOverOrder(By):
    """to: who has the watch from now on. note: what that person must know."""

    to: Who
    note: str = Field(default="", max_length=400)


class DeedOrder(By):
    """What was done with a piece that a safety alarm spoke of."""

    piece: Key
    deed: SafetyDeed
    note: str = Field(default="", max_length=200)


class NotesOrder(By):
    """The notes beside one kept cook, all of them: what is left out is emptied."""

    cook: Key
    verdict: Words = ""
    weather: Words = ""
    photos: tuple[FileName, ...] = Field(default=(), max_length=24)
    wood: Kilograms | None = None
    weights: dict[Who, tuple[Kilograms, Kilograms]] = Field(default={}, max_length=24)


class ForgetOrder(By):
    """sure: must be said, for what a pit taught takes many cooks to learn again."""

    sure: Literal[True]
    pit: PitId = ""


class PlanLines(BaseModel):
    """lines: the plan in the words of `pitvigil plan`; doubts: what in the order can hardly be meant. plan: the same as values,
    times in engine time, s; null where nothing can be planned."""

    lines: tuple[str, ...]
    doubts: tuple[str, ...] = ()
    plan: KeptPlan | None = None


class Taken(Body):
    """The command was put in the queue; the next snapshot shows what came of it. said: what the watch understood, for people."""

    taken: bool = True
    said: str = ""


class Invitation(Body):
    """A link that pairs one more device, once, within `seconds`; code: the same as a QR code (ISO/IEC 18004), rows of 0 and 1."""

    link: str
    code: tuple[str, ...]
    seconds: float


class Problem(Body):
    """What was wrong and, where there is one, the remedy."""

    problem: str
    where: str = ""
    remedy: str = ""
    """What a program may send instead."""


class PageFacts(Body):
    """What a page must know before it may see anything. chart: the chart library was installed. can_wake: some delivery may
    wake somebody. fahrenheit, twelve_hours, zone (tz database): how the rig's people read."""

    paired: bool
    open_view: bool
    fahrenheit: bool
    twelve_hours: bool
    zone: str
    chart: bool
    can_wake: bool


class Cuts(Body):
    """What a cook is started from. hold_rules: word in a cook file -> the rule that hot-holding floor follows."""

    cuts: dict[str, Cut]
    hold_rules: dict[str, str]


class Cooks(Body):
    cooks: tuple[CookRow, ...]


class Comparison(Body):
    curves: tuple[CookCurve, ...]


class Wakes(Body):
    wakes: tuple[WakeRow, ...]


class Moment(Body):
    """at: s since the start of the cook. kind: a MarkKind value, or "woken"; "would-wake" where no watch ran."""

    at: float
    kind: str
    piece: str | None = None
    text: str = ""


class PieceOrdered(Body):
    """weight: kg as the cook was started with."""

    id: str
    name: str
    weight: float


class PitOfCook(Body):
    id: str
    name: str


class KeptPage(Body):
    """One kept cook: its figures and curves, its notes, what was done and what woke the cook, oldest first. pits: those that had
    meat, of several; pit: id of the one whose curve and figures these are."""

    curve: CookCurve
    pits: tuple[PitOfCook, ...]
    pit: str
    band: Band
    notes: CookNotes
    pieces: tuple[PieceOrdered, ...]
    moments: tuple[Moment, ...]
    running: bool


class PitLessons(Body):
    """What the pit taught, and from what. log_interval, shortest, longest: minutes between logs, over `logs` of them.
    lag: minutes from a log to the pit's turn. drift: °C an hour lost between logs. bias: minutes an hour added to forecasts,
    0 until `trusted`, never more than largest_bias."""

    cooks: tuple[str, ...]
    logs: int
    log_interval: float | None
    shortest: float | None
    longest: float | None
    lag: float | None
    drift: float | None
    places: tuple[PlaceLesson, ...]
    misses: tuple[ForecastMiss, ...]
    bias: float
    largest_bias: float
    trusted: bool
