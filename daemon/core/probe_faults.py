"""Slow faults of probes, from minute medians."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.core.events import ProbeFault
from daemon.core.settings import ChannelSettings


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault that holds now. suspect: the value is not to be believed; else it is a hint. evidence: one line."""

    fault: ProbeFault
    suspect: bool
    evidence: str


@dataclass(frozen=True, slots=True)
class ProbeMinutes:
    """One channel as the slow judges see it, newest minute last, NaN where nothing plausible was read.

    celsius, cold_junction: °C. in_use: a piece is on that it should be in. handled: the cook is handling it now.
    thickness: thinnest dimension of its piece, m, None if it has no piece."""

    settings: ChannelSettings
    celsius: Sequence[float]
    cold_junction: Sequence[float]
    in_use: bool
    handled: bool
    thickness: float | None


class ProbeFaults:
    """The slow faults of all channels of a rig."""

    def minute(self, channels: dict[str, ProbeMinutes], boiling_point: float) -> dict[str, tuple[Finding, ...]]:
        """Findings that hold now, by channel."""
        return {}

    def dump(self) -> list[object]:
        return []

    def load(self, dumped: list[object]) -> None:
        pass
