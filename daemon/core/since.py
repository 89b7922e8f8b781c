"""Since when a pit is blind, and since when its lid is open. Engine times, s."""

from __future__ import annotations

from math import isnan
from typing import Any


class Since:
    """One per pit."""

    def __init__(self) -> None:
        self.blind: float | None = None
        self.lid: float | None = None

    def scan(self, now: float, pit: float, lid_open: bool) -> None:
        """pit: control value, °C, NaN = nothing to believe."""
        if not isnan(pit):
            self.blind = None
        elif self.blind is None:
            self.blind = now
        self.lid = None if not lid_open else self.lid or now

    def resumed(self, now: float) -> None:
        """Nobody watched until now: blindness counts from here."""
        if self.blind is not None:
            self.blind = max(self.blind, now)

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {"blind": self.blind, "lid": self.lid}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.blind, self.lid = dumped["blind"], dumped["lid"]
