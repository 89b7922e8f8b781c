"""One finished (or running) cook as the journal kept it: the single form that lists, comparisons, exports and reports read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from daemon.core.settings import Band, ChannelSettings, CookSettings


@dataclass(frozen=True, slots=True)
class KeptCook:
    """started, ended: engine time, s (ended None while it runs); add wall_offset for UTC.
    minutes: engine minute numbers (time // 60) from first to last without a gap.
    series: channel id -> one value per minute, °C, NaN where nothing good was read.
    events: event objects as written to the event file (instants RFC 3339 UTC; texts as `Said`), oldest first.
    wood: kg. weights: piece id -> (raw kg, served kg), 0 = not weighed. photos: file names.
    bands: the bands that were set while it ran, each with its engine time, oldest first."""

    id: str
    name: str
    pit: str
    started: float
    ended: float | None
    wall_offset: float
    settings: CookSettings
    channels: tuple[ChannelSettings, ...]
    minutes: tuple[int, ...] = field(repr=False)
    series: Mapping[str, tuple[float, ...]] = field(repr=False)
    events: tuple[Mapping[str, Any], ...] = field(repr=False)
    verdict: str = ""
    weather: str = ""
    photos: tuple[str, ...] = ()
    wood: float | None = None
    weights: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    bands: tuple[tuple[float, Band], ...] = ()
