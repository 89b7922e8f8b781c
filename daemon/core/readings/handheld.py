"""Probes that are held into a piece for a moment (channels of role "spot"): when one has come to rest, and for which piece.

A probe that is put away, carried about or cooling in the air gives nothing: only a value that has come to rest, warm, and
elsewhere than the one before is a reading.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

# Every number below: common practice, no source.
SPAN = 8.0
"""s over which a value must stand still."""
LEAST_SPAN, LEAST_READINGS = 5.0, 4
"""s that the readings must span, and how many there must be."""
STILL = 0.5
"""°C within SPAN: what is left of the way of a probe that answers in seconds is within its tolerance."""
WARM = 40.0
"""°C: warmer than air and pockets; what is colder is typed in."""
ELSEWHERE = 3.0
"""°C from the last rest: another place."""
AWAY = 30.0
"""s of silence after which a probe is used anew."""
ASKS_FOR = 10 * 60.0
"""s for which a reading waits to be told its piece."""
CHOSEN_FOR = 5 * 60.0
"""s for which a chosen piece waits for its reading."""


@dataclass(frozen=True, slots=True)
class HandheldReading:
    """A reading that came to rest. at: engine time; tolerance: ± °C of the probe."""

    channel: str
    celsius: float
    tolerance: float
    at: float


@dataclass(slots=True)
class _Probe:
    recent: list[tuple[float, float]] = field(default_factory=list)
    rest: float | None = None

    def take(self, now: float, celsius: float) -> bool:
        """True when it has just come to rest, warm, and elsewhere than before."""
        if self.recent and now - self.recent[-1][0] > AWAY:
            self.recent, self.rest = [], None
        self.recent = [(at, value) for at, value in self.recent if now - at <= SPAN]
        self.recent.append((now, celsius))
        values = [value for _, value in self.recent]
        settled = len(values) >= LEAST_READINGS and now - self.recent[0][0] >= LEAST_SPAN
        if not settled or max(values) - min(values) > STILL:
            return False
        if self.rest is not None and abs(celsius - self.rest) < ELSEWHERE:
            return False
        self.rest = celsius
        return celsius >= WARM


class Handheld:
    """waiting: what came to rest and has no piece yet. chosen: (piece, until) of whoever said which is next."""

    def __init__(self) -> None:
        self._probes: dict[str, _Probe] = {}
        self.waiting: HandheldReading | None = None
        self.chosen: tuple[str, float] | None = None

    def take(self, channel: str, celsius: float, tolerance: float, now: float) -> HandheldReading | None:
        """One believed value; the reading, where it has just come to rest."""
        if not self._probes.setdefault(channel, _Probe()).take(now, celsius):
            return None
        return HandheldReading(channel, celsius, tolerance, now)

    def piece_for(self, reading: HandheldReading) -> str | None:
        """The piece that was chosen for it; None: it waits to be told."""
        chosen, self.chosen = self.chosen, None
        if chosen is not None and reading.at <= chosen[1]:
            return chosen[0]
        self.waiting = reading
        return None

    def choose(self, piece: str, now: float) -> HandheldReading | None:
        """The reading that waited for this piece; None: the next that comes to rest is meant."""
        waiting, self.waiting = self.asked(now), None
        self.chosen = (piece, now + CHOSEN_FOR) if waiting is None else None
        return waiting

    def asked(self, now: float) -> HandheldReading | None:
        """What still waits for its piece."""
        return self.waiting if self.waiting is not None and now - self.waiting.at <= ASKS_FOR else None

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "probes": {name: [[list(one) for one in p.recent], p.rest] for name, p in self._probes.items()},
            "waiting": None if self.waiting is None else asdict(self.waiting),
            "chosen": None if self.chosen is None else list(self.chosen),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._probes = {
            n: _Probe([(at, v) for at, v in recent], rest) for n, (recent, rest) in dumped["probes"].items()
        }
        self.waiting = None if dumped["waiting"] is None else HandheldReading(**dumped["waiting"])
        self.chosen = None if dumped["chosen"] is None else (dumped["chosen"][0], dumped["chosen"][1])
