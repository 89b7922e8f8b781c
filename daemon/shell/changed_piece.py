"""A piece of the running cook with some of what was ordered changed, as the page and the command line ask for it."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from config.cook import Moment, PieceSection, WrapSection
from config.cuts import CUTS
from config.units import Celsius, Centimetres, Kilograms
from daemon.core.settings import PieceSettings

BY_KEY = {
    "name": ("name",),
    "cut": ("cut", "kind", "shape", "fat_percent", "safe_minimum", "safe_rule", "thickness"),
    "weight": ("weight",),
    "thickness": ("thickness",),
    "wrap": ("wrap", "wrap_at"),
    "tender": ("tender_low", "tender_high", "target"),
    "target": ("tender_low", "tender_high", "target"),
    "place": ("place",),
    "serve_at": ("serve_at",),
}
"""Key of a cook file -> what of the core's settings follows from it."""


class PieceChanges(BaseModel):
    """What may change of a piece, by the keys of a cook file, as any order to change it has them; None: it stays."""

    model_config = ConfigDict(defer_build=True)
    name: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    cut: str | None = None
    weight: Kilograms | None = None
    thickness: Centimetres | None = None
    wrap: WrapSection | Literal[False] | None = None
    tender: tuple[Celsius, Celsius] | None = None
    target: Celsius | None = None
    place: str | None = Field(default=None, max_length=60)
    serve_at: Moment | Literal[False] | None = None
    """False: served with the rest of the cook."""


def changed_section(piece: PieceSettings, changes: dict[str, Any]) -> PieceSection:
    """As a cook file would name it. changes: keys of a cook file. Raises ValidationError."""
    whole = {"name": piece.name, "id": piece.id, "cut": piece.cut, "weight": piece.weight, "channel": piece.channel}
    if changes.get("serve_at") is False:
        changes = {key: value for key, value in changes.items() if key != "serve_at"}
    return PieceSection.model_validate(whole | changes)


def changed_piece(piece: PieceSettings, meant: PieceSettings, changes: dict[str, Any]) -> PieceSettings:
    """The piece with what follows from the changes taken from `meant`; all else stays as it was ordered."""
    keys = {field for key in changes for field in BY_KEY[key]}
    usual = CUTS[piece.cut].thickness_at(piece.weight) if piece.cut in CUTS else None
    if "weight" in changes and piece.thickness == usual:
        keys.add("thickness")  # nobody measured it: it goes with the weight
    return replace(piece, **{field: getattr(meant, field) for field in keys})
