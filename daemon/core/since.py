"""Since when a pit is blind, what it read last, and since when its lid is open. Engine times, s."""

from __future__ import annotations

from dataclasses import astuple, dataclass
from math import isnan
from typing import Any


@dataclass(frozen=True, slots=True)
class LastSeen:
    """The newest value of a pit that could be believed. at: engine time at which it was read; channels: whose readings it was
    made of."""

    at: float
    celsius: float
    channels: tuple[str, ...]


class Since:
    """One per pit."""

    def __init__(self) -> None:
        self.blind: float | None = None
        self.seen: LastSeen | None = None
        """None: never, or what was read then is no longer believed."""
        self.lid: float | None = None

    def scan(self, now: float, pit: float, lid_open: bool, seen: LastSeen | None) -> None:
        """pit: control value, °C, NaN = nothing to believe. seen: the newest that is still believed."""
        self.seen = seen
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
        return {"blind": self.blind, "lid": self.lid, "seen": None if self.seen is None else astuple(self.seen)}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.blind, self.lid = dumped["blind"], dumped["lid"]
        seen = dumped.get("seen")  # not in the checkpoints of earlier versions
        self.seen = None if seen is None else LastSeen(seen[0], seen[1], tuple(seen[2]))
