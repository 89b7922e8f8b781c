"""Time that counted as seen while one value stood still.

A probe is found to be stuck only long after it stuck. What it said in between was seen by nobody, and is taken back.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(slots=True)
class StoodStill:
    """value: °C, None before the first. seconds: s that counted as seen since a minute last read anything else."""

    value: float | None = None
    seconds: float = 0.0

    def minute(self, value: float, seconds: float) -> None:
        """One minute that was seen, °C. seconds: s of it that are taken back if the value is found to be stuck."""
        self.seconds = self.seconds + seconds if value == self.value else seconds
        self.value = value

    def taken_back(self, longest: float) -> float:
        """s that nobody saw, once. longest: s since the value stood still, once that is found; else none."""
        if longest <= 0.0:
            return 0.0
        seconds, self.seconds = min(self.seconds, longest), 0.0
        return seconds
