"""STUB, being written: stall onset and end of one piece from its minute trace."""

from __future__ import annotations

from daemon.core.settings import Band


class StallWatch:
    """One per piece."""

    probability: float = 0.0
    stalled: bool = False

    def minute(self, now: float, core: float, pit: float, band: Band, wrapped: bool) -> bool:
        """Take one minute's medians (°C, NaN = unknown). True when `stalled` changed."""
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
