"""The cook file: what is on tonight. What it leaves out comes from the cut table."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo

from pydantic import AfterValidator, Field, ValidatorFunctionWrapHandler, field_validator, model_validator

from config.cuts import CUTS
from config.devices import Strict
from config.problems import Unfit
from config.rig import BandSection, Identifier, WoodSection
from config.units import Celsius, Centimetres, Kilograms, MetresPerSecond, fahrenheit_meant

HOLD_RULES: dict[str, tuple[float, str]] = {
    "home-140": (60.0, "USDA home guidance"),
    "food-code-135": (57.2, "Food Code 3-501.16"),
    "food-code-roast-130": (54.4, "Food Code 3-501.16 for whole roasts"),
}
"""Hot-holding floors, °C (140, 135 and 130 °F), and the rule each follows (WAC 246-215-03525; USDA consumer guidance)."""
ROASTS_ONLY = "food-code-roast-130"
TENDER = (60.0, 100.0)
"""°C of a core between which meat becomes tender, with room to spare; our bounds."""
MOST_PIECES = 40
"""On one pit; our bound."""
YEARS = range(1970, 2100)
"""A date outside is a slip, and the first and last years of the calendar have no UTC."""


def _in_these_years(at: datetime) -> datetime:
    if at.year not in YEARS:
        raise Unfit("file.year", first=YEARS[0], last=YEARS[-1])
    return at


Moment = Annotated[datetime, AfterValidator(_in_these_years)]


class WrapSection(Strict):
    material: Literal["foil", "paper", "boat"]
    at: Celsius = Field(ge=40, le=99)


class HoldSection(Strict):
    rule: Literal["home-140", "food-code-135", "food-code-roast-130"] = "food-code-135"
    target: Celsius | None = Field(default=None, ge=50, le=90)
    channel: str | None = None
    hours_below_floor: float = Field(default=4.0, gt=0, le=4)


class PieceSection(Strict):
    """One piece. channel: the probe in it, absent where none follows it. weight in kg or with its unit ("15 lb"), thickness
    in cm or with its unit ("4 in"): the thinnest dimension. wrap = false means never."""

    name: str = Field(min_length=1, max_length=80)
    id: Identifier | None = None
    cut: str
    channel: str | None = None
    weight: Kilograms = Field(gt=0.05, le=80)
    thickness: Centimetres | None = Field(default=None, gt=1, le=40)
    wrap: WrapSection | Literal[False] | None = None
    tender: tuple[Celsius, Celsius] | None = None
    target: Celsius | None = Field(default=None, ge=40, le=99)
    fat_percent: float | None = Field(default=None, ge=0, le=60)
    place: str | None = None
    pit: Identifier | None = None
    """in a rig with several: the pit it is cooked on, where that is not its channel's"""
    serve_at: Moment | None = None
    """local date-time or one with an offset, where it is served at another time than the rest"""

    @field_validator("cut")
    @classmethod
    def known_cut(cls, cut: str) -> str:
        if cut not in CUTS:
            raise Unfit("file.cut", known=tuple(sorted(CUTS)))
        return cut

    @field_validator("tender", mode="wrap")
    @classmethod
    def low_then_high(cls, given: Any, handler: ValidatorFunctionWrapHandler) -> tuple[float, float] | None:
        tender: tuple[float, float] | None = handler(given)
        if tender is not None and not TENDER[0] <= tender[0] < tender[1] <= TENDER[1]:
            bare = all(isinstance(number, int | float) for number in given)  # with its unit said, no other one is meant
            if bare and all(fahrenheit_meant(number, TENDER) for number in tender):
                raise Unfit("file.tender-range-or-fahrenheit", possible=TENDER, low=tender[0], high=tender[1])
            raise Unfit("file.tender-range", possible=TENDER)
        return tender

    def serve_at_utc(self, zone: str) -> float | None:
        """Unix seconds, or None."""
        return None if self.serve_at is None else utc_of(self.serve_at, zone)


StageWord = Literal["lit", "in-band", "on", "stall", "wrapped", "tender", "off", "hold"]
"""What a reminder may count from or end with: the fire lit, the pit in its band, stages of a piece."""


class ReminderSection(Strict):
    """A reminder of the cook's own. after: counted from this stage; at: from this local date-time, due at once. piece: the id
    of one, absent = whichever comes first. every_minutes: absent = once. at_night: it may wake."""

    text: str = Field(min_length=1, max_length=40)
    id: Identifier | None = None
    piece: str | None = None
    every_minutes: float | None = Field(default=None, ge=5, le=1440)
    after: StageWord | None = None
    at: Moment | None = None
    until: StageWord | None = None
    at_night: bool = False

    @model_validator(mode="after")
    def has_a_start(self) -> ReminderSection:
        if (self.after is None) == (self.at is None):
            raise Unfit("file.reminder-start")
        return self

    def at_utc(self, zone: str) -> float | None:
        """Unix seconds, or None."""
        return None if self.at is None else utc_of(self.at, zone)


class PlanSection(Strict):
    """With this section the plan is kept from the start: its times become prompts. wake: its hours to light and to put on
    are an alarm clock, at night too. ambient: °C outside, absent = as measured. wind: m/s at the pit."""

    wake: bool = True
    ambient: Celsius | None = Field(default=None, ge=-50, le=60)
    wind: MetresPerSecond = Field(default=0.0, ge=0, le=40)


class StockSection(WoodSection):
    """stock: splits at hand when the fire is lit. kind and split: where they differ from the rig's."""

    stock: int | None = Field(default=None, ge=0, le=2000)


def utc_of(at: datetime, zone: str) -> float:
    """Unix seconds of a local or a full date-time. Of an hour that the clock shows twice the first; one that it leaves out is
    told by the offset before the gap (RFC 5545, 3.3.5)."""
    return (at if at.tzinfo else at.replace(tzinfo=ZoneInfo(zone))).astimezone(UTC).timestamp()


class Cook(Strict):
    """The whole cook file. serve_at: TOML local date-time (in the rig's zone) or one with an offset. guests: how many are to be
    fed; portion: kg of cooked meat for each."""

    id: Identifier = "cook"
    name: str
    serve_at: Moment | None = None
    rest_minutes: float = Field(default=60.0, ge=0, le=600)
    band: BandSection | None = None
    """of the first pit, where it differs from the rig's; bands: of the others, by id"""
    bands: dict[Identifier, BandSection] = Field(default_factory=dict)
    hold: HoldSection = HoldSection()
    pieces: Annotated[tuple[PieceSection, ...], Field(min_length=1, max_length=MOST_PIECES)]
    guests: int | None = Field(default=None, ge=1, le=5000)
    portion: Kilograms = Field(default=0.15, gt=0, le=1)
    wood: StockSection = StockSection()
    plan: PlanSection | None = None
    reminders: Annotated[tuple[ReminderSection, ...], Field(max_length=24)] = ()

    def serve_at_utc(self, zone: str) -> float | None:
        """Unix seconds of the serving, or None. Where only pieces name a time, that of the last of them."""
        if self.serve_at is not None:
            return utc_of(self.serve_at, zone)
        return max((at for piece in self.pieces if (at := piece.serve_at_utc(zone)) is not None), default=None)
