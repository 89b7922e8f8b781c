"""STUB, being written: readings in, samples with quality and named doubts out."""

from __future__ import annotations

from daemon.core.events import QualityChanged, Sample
from daemon.core.settings import WatchSettings
from daemon.core.trace import Trace
from drivers.reading import Reading


class Conditioner:
    """Judges every reading of every channel. Knows nothing of alarms or cooks."""

    def __init__(self, settings: WatchSettings) -> None:
        self.settings = settings

    def judge(self, reading: Reading, now: float) -> tuple[Sample, QualityChanged | None]:
        """One reading: device fault, spike, stuck, implausible. Costs a few µs."""
        raise NotImplementedError

    def beat(self, now: float) -> list[QualityChanged]:
        """Every 5 s: silence (stale) and recovery from it."""
        raise NotImplementedError

    def minute(self, trace: Trace, minute: int, now: float) -> list[QualityChanged]:
        """Every minute: the slow faults that need the trace or a second channel (drift, swapped, pulled, ...)."""
        raise NotImplementedError

    def current(self, channel: str) -> Sample | None:
        """The newest sample of a channel with the doubts that hold now."""
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        """State for a checkpoint, JSON-able."""
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
