"""The cook file: what is on tonight. What it leaves out comes from the cut table."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import Field, field_validator

from config.cuts import CUTS
from config.devices import Strict
from config.rig import BandSection, Identifier
from config.units import Celsius

HOLD_RULES: dict[str, tuple[float, str]] = {
    "home-140": (60.0, "USDA home guidance, 140 °F"),
    "food-code-135": (57.2, "Food Code 3-501.16, 135 °F"),
    "food-code-roast-130": (54.4, "Food Code 3-501.16 for whole roasts, 130 °F"),
}
"""Hot-holding floors, °C, and the rule each follows (as adopted in WAC 246-215-03525; USDA consumer guidance)."""
ROASTS_ONLY = "food-code-roast-130"


class WrapSection(Strict):
    material: Literal["foil", "paper", "boat"]
    at: Celsius = Field(ge=40, le=99)


class HoldSection(Strict):
    rule: Literal["home-140", "food-code-135", "food-code-roast-130"] = "food-code-135"
    target: Celsius | None = Field(default=None, ge=50, le=90)
    channel: str | None = None
    hours_below_floor: float = Field(default=4.0, gt=0, le=4)


class PieceSection(Strict):
    """One piece. channel: the probe in it, absent where none follows it. weight in kg, thickness in cm (thinnest dimension).
    wrap = false means never."""

    name: str
    id: Identifier | None = None
    cut: str
    channel: str | None = None
    weight: float = Field(gt=0.05, le=80)
    thickness: float | None = Field(default=None, gt=1, le=40)
    wrap: WrapSection | Literal[False] | None = None
    tender: tuple[Celsius, Celsius] | None = None
    target: Celsius | None = Field(default=None, ge=40, le=99)
    fat_percent: float | None = Field(default=None, ge=0, le=60)
    place: str | None = None

    @field_validator("cut")
    @classmethod
    def known_cut(cls, cut: str) -> str:
        if cut not in CUTS:
            raise ValueError(f"unknown cut; known: {', '.join(sorted(CUTS))}")
        return cut

    @field_validator("tender")
    @classmethod
    def low_then_high(cls, tender: tuple[float, float] | None) -> tuple[float, float] | None:
        if tender is not None and not 60 <= tender[0] < tender[1] <= 100:
            raise ValueError("tender takes two core temperatures, low then high, between 60 and 100 °C")
        return tender


class Cook(Strict):
    """The whole cook file. serve_at: TOML local date-time (in the rig's zone) or one with an offset."""

    id: Identifier = "cook"
    name: str
    serve_at: datetime | None = None
    rest_minutes: float = Field(default=60.0, ge=0, le=600)
    band: BandSection | None = None
    hold: HoldSection = HoldSection()
    pieces: Annotated[tuple[PieceSection, ...], Field(min_length=1)]

    def serve_at_utc(self, zone: str) -> float | None:
        """Unix seconds, or None."""
        if self.serve_at is None:
            return None
        at = self.serve_at if self.serve_at.tzinfo else self.serve_at.replace(tzinfo=ZoneInfo(zone))
        return at.astimezone(UTC).timestamp()
