"""STUB, being written: how evenly the pit heats: spread over grate places, hot spots, which piece to turn or move."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class PlaceHeat:
    """One grate place: mean °C above or below the pit's mean over the window."""

    place: str
    celsius: float
    offset: float


@dataclass(frozen=True, slots=True)
class Evenness:
    spread: float | None = None
    places: tuple[PlaceHeat, ...] = ()
    advice: str = ""


def evenness(places: dict[str, list[float]], cores: dict[str, tuple[str | None, list[float]]]) -> Evenness:
    """places: grate place -> minute medians of the window (NaN allowed). cores: piece name -> (place, medians)."""
    raise NotImplementedError
