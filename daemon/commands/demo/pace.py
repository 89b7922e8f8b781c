"""How many times faster than life this machine can play a night: noticed from how far apart the lines of the board come."""

from __future__ import annotations

from typing import Final

LOOKS_BACK: Final = 40
"""Lines over which a machine is judged: some seconds, so that one forecast is no slow machine. Ours, no source."""
TOO_FAR_APART: Final = 3.0
"""Times the wanted distance between two lines at which the watch begins to miss minutes. Ours, no source."""
SLOWEST: Final = 10.0
"""Times faster than life below which nobody waits for the night."""


class Pace:
    """factor: times faster than life, now. It only ever falls: a machine that was once too slow may be so again."""

    def __init__(self, factor: float, every: float) -> None:
        """every: simulated s wanted between two lines."""
        self.factor, self._every = factor, every
        self._apart: list[float] = []

    def line(self, apart: float) -> bool:
        """A line was sent, `apart` simulated s after the one before. True when the night now goes slower."""
        self._apart.append(apart)
        if len(self._apart) < LOOKS_BACK:
            return False
        mean, self._apart = sum(self._apart) / LOOKS_BACK, []
        if mean <= TOO_FAR_APART * self._every or self.factor <= SLOWEST:
            return False
        self.factor = max(SLOWEST, self.factor * self._every / mean)
        return True
