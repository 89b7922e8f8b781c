"""Everything the core is told before it starts: plain frozen values, °C, seconds, kg, metres.

Built from the rig and cook files by `daemon.wiring.watch`; the core never sees pydantic or a file.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from datetime import tzinfo
from enum import StrEnum
from typing import Any, Protocol

from daemon.core.planned import From, ReminderSettings, WoodSettings

SPACING = 600.0
"""s: at most one wake call is opened in any 10 min, after the 1 (at most 2) alarms per 10 min and operator of
ANSI/ISA-18.2 (read in tables that cite it, not in the standard)."""


class Role(StrEnum):
    """What a channel measures."""

    PIT = "pit"
    MEAT = "meat"
    AMBIENT = "ambient"
    HOLD = "hold"
    SPOT = "spot"
    """A handheld probe that is held into a piece for a moment: its silence is no fault."""


class Wrap(StrEnum):
    """What a piece is wrapped in. A boat is an open foil tray: the top stays bare."""

    FOIL = "foil"
    PAPER = "paper"
    BOAT = "boat"


class MeatKind(StrEnum):
    """Food-safety category: which published rule applies."""

    WHOLE_ROAST = "whole-roast"
    GROUND = "ground"
    POULTRY = "poultry"
    CURED = "cured"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Band:
    """Where the pit should stay, °C."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        return (self.low + self.high) / 2


@dataclass(frozen=True, slots=True)
class ChannelSettings:
    """One channel. `place` is where on the grate a pit probe lies ("left", "firebox-end").
    `pair` names another channel that should agree. stale_after: s without a reading. tolerance: ± °C of the probe."""

    id: str
    name: str
    role: Role
    place: str | None = None
    pair: str | None = None
    stale_after: float = 10.0
    tolerance: float = 2.5
    calibrated_at: float | None = None
    """engine time of the last check in ice or boiling water"""
    pit: str = ""
    """The pit it belongs to: "" is the first, and of a role that belongs to no pit (hold, ambient, spot) all of them."""
    device: str = ""
    """What reads it, by id; "": not known."""


@dataclass(frozen=True, slots=True)
class PieceSettings:
    """One piece of meat. channel: its meat channel, None where no probe of its own follows it. place: on the grate, that of
    the nearest pit channel, if known.
    wrap_at/tender_low/tender_high/target: core °C, None when the piece has none ("anything with only a target"
    has just `target`). thickness: thinnest dimension, m. safe_minimum: core °C of the rule named in safe_rule."""

    id: str
    name: str
    cut: str
    kind: MeatKind
    channel: str | None
    weight: float
    thickness: float
    shape: float
    wrap: Wrap | None = None
    wrap_at: float | None = None
    tender_low: float | None = None
    tender_high: float | None = None
    target: float | None = None
    safe_minimum: float = 62.8
    safe_rule: str = ""
    fat_percent: float | None = None
    place: str | None = None
    pit: str = ""
    """The pit it is cooked on: "" is the first."""
    serve_at: float | None = None
    """Engine time, s, where it is served at another time than the rest of the cook."""


@dataclass(frozen=True, slots=True)
class HoldSettings:
    """How the meat is kept after the rest. floor: °C below which time counts; rule: the name of that floor's rule.
    time_limit: s that may be spent below the floor. channel: the cabinet's own channel, if it has one."""

    floor: float = 57.2
    rule: str = "Food Code 3-501.16"
    time_limit: float = 4 * 3600.0
    target: float | None = None
    channel: str | None = None


@dataclass(frozen=True, slots=True)
class CookSettings:
    """One cook. serve_at: engine time, s, or None. rest: planned s between off and hold. guests: how many are to be fed, with
    `portion` kg of cooked meat each."""

    id: str
    name: str
    band: Band
    pieces: tuple[PieceSettings, ...] = ()
    serve_at: float | None = None
    rest: float = 3600.0
    hold: HoldSettings = field(default_factory=HoldSettings)
    reminders: tuple[ReminderSettings, ...] = ()
    wood: WoodSettings = field(default_factory=WoodSettings)
    guests: int | None = None
    portion: float = 0.15
    bands: tuple[tuple[str, Band], ...] = ()
    """Of pits beside the first, where they differ from the rig's."""

    def served_at(self, piece: PieceSettings) -> float | None:
        """When this piece is served: at its own time, or with the rest."""
        return self.serve_at if piece.serve_at is None else piece.serve_at


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Local wall-clock minutes of the day between which only what needs a person now may wake. zone: an opened time zone."""

    start: int
    end: int
    zone: tzinfo


@dataclass(frozen=True, slots=True)
class SleeperSettings:
    """What a woken cook needs, s: from notice to the fire burning again. The sum (22 min by default) is the lead
    of a wake. Weakly supported by any source, hence settings."""

    notice: float = 2 * 60.0
    dress_and_walk: float = 5 * 60.0
    act: float = 5 * 60.0
    log_catches: float = 10 * 60.0

    @property
    def lead(self) -> float:
        return self.notice + self.dress_and_walk + self.act + self.log_catches


@dataclass(frozen=True, slots=True)
class AnnouncingSettings:
    """How people are told. Times in s after the first announcement of an unacknowledged wake.
    audiences: delivery channel names by audience ("phone", "sounder", "second", "notice")."""

    quiet: QuietHours
    sleeper: SleeperSettings = field(default_factory=SleeperSettings)
    repeat_after: float = 120.0
    sounder_after: float = 300.0
    second_person_after: float = 600.0
    re_announce_every: float = 300.0
    give_up_after: float = 3600.0
    merge_within: float = 20 * 60.0
    pause_limit: float = 15 * 60.0
    shelve_limit: float = 2 * 3600.0
    wake_for_wrap: bool = False
    """The cook opted in to being woken for the wrap target."""
    audiences: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def wake_channels(self) -> frozenset[str]:
        """Names of the delivery channels that may wake somebody."""
        return frozenset(name for audience, names in self.audiences if audience != "notice" for name in names)


@dataclass(frozen=True, slots=True)
class CallRule:
    """One decision on one distribution: call when the chance that the pit leaves its band within lead + margin (min) reaches
    `begins`, and let the call stand until it is under `ends`."""

    margin: float = 8.0
    begins: float = 0.5
    ends: float = 0.3


class FireModel(Protocol):
    """Foretells the end of a fire; see `daemon.core.pit.exit_model`, which has the one that is shipped."""

    @property
    def call(self) -> CallRule: ...

    def logs_left(self, features: list[float]) -> list[float]:
        """The quantiles of the time left, in logarithms."""

    def is_beyond(self, features: list[float]) -> bool:
        """Something here lies beyond all that it learned from."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What simulated worlds taught ahead of time; None where nothing was handed in. fire: of the fire's end."""

    fire: FireModel | None = field(default=None, repr=False, compare=False)


FIRST_PIT = "pit"
"""Whose alarms, stages and signs the first pit's are: its subject in a rig with one pit and with several."""


@dataclass(frozen=True, slots=True)
class PitSettings:
    """A pit beside the first. id: also the subject of its alarms and stages."""

    id: str
    name: str
    band: Band
    grease_tray: float = 0.0
    """litres"""


@dataclass(frozen=True, slots=True)
class WatchSettings:
    """The whole watch. boiling_point: °C at the site's altitude. pit_id, pit_name: of the first pit, most often the only one;
    inside the core it is called ""."""

    pit_id: str
    pit_name: str
    channels: tuple[ChannelSettings, ...]
    cook: CookSettings
    announcing: AnnouncingSettings
    boiling_point: float = 100.0
    learned: Learned = Learned()
    grease_tray: float = 0.0
    """litres that the first pit's grease tray holds; 0 = there is none to watch"""
    other_pits: tuple[PitSettings, ...] = ()
    parts: frozenset[str] | None = None
    """Names of its devices, its deliveries and its broker, as `Health` has them; None: nobody has told."""

    @property
    def pit_names(self) -> dict[str, str]:
        """Of every pit, the first under ""."""
        return {"": self.pit_name} | {pit.id: pit.name for pit in self.other_pits}

    def band_of(self, pit: str) -> Band:
        """Where a pit should stay in this cook, until somebody says otherwise."""
        others = {one.id: one.band for one in self.other_pits} | dict(self.cook.bands)
        return others[pit] if pit else self.cook.band

    def tray_of(self, pit: str) -> float:
        """litres that a pit's grease tray holds; 0 = there is none to watch"""
        return next((one.grease_tray for one in self.other_pits if one.id == pit), 0.0) if pit else self.grease_tray

    def pit_meant(self, word: str) -> str | None:
        """The pit that is called so: "" also for the first one's id; None: there is none."""
        return "" if word == self.pit_id else word if word in self.pit_names else None

    def channel(self, channel_id: str) -> ChannelSettings | None:
        return next((c for c in self.channels if c.id == channel_id), None)

    def with_role(self, role: Role) -> tuple[ChannelSettings, ...]:
        return tuple(c for c in self.channels if c.role is role)

    def ids_with(self, role: Role) -> frozenset[str]:
        return frozenset(c.id for c in self.channels if c.role is role)


def subject_of(pit: str) -> str:
    """What a pit's alarms and stages are about."""
    return pit or FIRST_PIT


def cook_shifted(cook: CookSettings, by: float) -> CookSettings:
    """Its serving times in a clock that runs `by` s ahead."""
    serve_at = None if cook.serve_at is None else cook.serve_at + by
    return replace(cook, serve_at=serve_at, pieces=tuple(piece_shifted(piece, by) for piece in cook.pieces))


def piece_shifted(piece: PieceSettings, by: float) -> PieceSettings:
    """The same of one piece."""
    return piece if piece.serve_at is None else replace(piece, serve_at=piece.serve_at + by)


def cook_to_plain(cook: CookSettings) -> dict[str, Any]:
    """JSON-able, for a checkpoint: a cook may have been started from the page."""
    return asdict(cook)


def cook_from_plain(plain: dict[str, Any]) -> CookSettings:
    """The inverse of `cook_to_plain`, also after a trip through JSON."""
    pieces = (
        PieceSettings(**{**p, "kind": MeatKind(p["kind"]), "wrap": None if p["wrap"] is None else Wrap(p["wrap"])})
        for p in plain["pieces"]
    )
    return CookSettings(
        **{
            **plain,
            "band": Band(**plain["band"]),
            "pieces": tuple(pieces),
            "hold": HoldSettings(**plain["hold"]),
            "reminders": tuple(reminder_from_plain(r) for r in plain.get("reminders", ())),
            "wood": WoodSettings(**plain.get("wood", {})),
            "bands": tuple((pit, Band(**band)) for pit, band in plain.get("bands", ())),
        }
    )


def reminder_from_plain(plain: dict[str, Any]) -> ReminderSettings:
    """The inverse of `asdict`, also after a trip through JSON."""
    stages = {key: None if plain[key] is None else From(plain[key]) for key in ("start", "until")}
    return ReminderSettings(**{**plain, **stages})
