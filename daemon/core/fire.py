"""STUB, being written: what the fire is doing, and how long the pit stays in its band if nobody feeds it."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.events import FireNoticed
from daemon.core.inputs import Interval, Mark
from daemon.core.settings import Band


@dataclass(frozen=True, slots=True)
class FireProfile:
    """What this pit's own fires taught; kept by the shell from cook to cook. Opaque rows of one library fire each:
    features and minutes to exit, with the cook id as evidence."""

    episodes: tuple[tuple[float, ...], ...] = ()
    log_intervals: tuple[float, ...] = ()


class FireWatch:
    """One per pit. Reads the control pit trace (median of good pit channels), one value a minute."""

    log_due: Interval | None = None
    """When the pit leaves its band at the bottom if no fuel is added (engine time), or None with `no_forecast` saying why."""
    no_forecast: str = "no fire history yet"
    last_log: float | None = None
    lid_open: bool = False
    slope: float = 0.0
    """°C per minute over the last 10 min."""

    def __init__(self, profile: FireProfile = FireProfile()) -> None:
        self.profile = profile

    def beat(self, now: float, pit: float) -> list[FireNoticed]:
        """Every 5 s with the newest pit value (°C, NaN = unknown): only the fast signs (lid)."""
        raise NotImplementedError

    def minute(self, now: float, pit: float, band: Band, ambient: float) -> list[FireNoticed]:
        """Every minute with the minute's median: logs, damper, forecast."""
        raise NotImplementedError

    def mark(self, mark: Mark, now: float) -> None:
        """The cook says a log went in, the lid was opened or the damper changed: believed over detection."""
        raise NotImplementedError

    def learned(self) -> FireProfile:
        """The profile with this cook's fires added."""
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
