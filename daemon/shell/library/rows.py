"""What the library says of kept cooks in few words: rows, curves on one axis, notes and wakes. Times in s, temperatures in °C."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daemon.core.said import Text


class UnknownCook(Exception):
    """No cook of that id is kept."""


@dataclass(frozen=True, slots=True)
class CookRow:
    """One kept cook. started: UTC s. duration: s. in_band, yield_fraction: 0..1. swing, spread: °C. wood: kg."""

    id: str
    name: str
    pit: str
    started: float
    duration: float
    pieces: tuple[str, ...] = ()
    verdict: str = ""
    in_band: float | None = None
    swing: float | None = None
    spread: float | None = None
    wood: float | None = None
    yield_fraction: float | None = None


@dataclass(frozen=True, slots=True)
class CookCurve:
    """One cook on the shared axis. time: s since its start; pit and each core: °C or None."""

    cook: CookRow
    time: tuple[float, ...]
    pit: tuple[float | None, ...]
    cores: tuple[tuple[str, tuple[float | None, ...]], ...] = ()


@dataclass(frozen=True, slots=True)
class WakeRow:
    """Something that woke the cook, or was held back. needed: the cook's own judgement, None until given."""

    notification: str
    time: float
    text: Text
    held_back: bool = False
    needed: bool | None = None


@dataclass(frozen=True, slots=True)
class CookNotes:
    """What the cook writes beside a kept cook. photos: file names only. wood: kg, None = not weighed.
    weights: piece id -> (raw kg, served kg), 0 = not weighed."""

    verdict: str = ""
    weather: str = ""
    photos: tuple[str, ...] = ()
    wood: float | None = None
    weights: Mapping[str, tuple[float, float]] = field(default_factory=dict)
