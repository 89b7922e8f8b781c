"""The temperatures of our own night for the page, as functions of engine time."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

from daemon.core.settings import Band, Role

HOUR = 3600.0
NIGHT = datetime(2026, 6, 13, 2, 14, tzinfo=UTC).timestamp()
WALL_OFFSET = 12.5
LIT = NIGHT - 6 * HOUR
SERVE = NIGHT + 9.75 * HOUR
BAND = Band(110.0, 130.0)
FEED = "feed-due/pit"


def pit_at(time: float) -> float:
    """A log every 48 min: up fast, down slowly, °C."""
    since = time - LIT
    if since < 0:
        return 14.0
    return min(30 + since / 30, 119 + 9 * math.sin(since * 2 * math.pi / (48 * 60)) + 2 * math.sin(since / 211))


def core_at(time: float, stall: float, speed: float) -> float:
    """Towards the stall, there for a while, then on, °C."""
    hours = max(0.0, (time - LIT) / HOUR - 0.75) * speed
    return min(5 + (stall - 5) * (1 - math.exp(-hours / 1.7)) + max(0.0, hours - 7) * 3.2, 96.0)


CHANNELS: dict[str, tuple[str, Role, Callable[[float], float]]] = {
    "pit-left": ("Grate, firebox end", Role.PIT, lambda t: pit_at(t) + 9),
    "pit-right": ("Grate, chimney end", Role.PIT, lambda t: pit_at(t) - 7),
    "chuck": ("Probe in the chuck roll", Role.MEAT, lambda t: core_at(t, 68.0, 1.0)),
    "lamb": ("Probe in the lamb", Role.MEAT, lambda t: core_at(t, 73.0, 1.35)),
    "air": ("Outside", Role.AMBIENT, lambda t: 9 + 4 * math.cos(t / 13000)),
}
