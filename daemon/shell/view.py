"""What listeners of the loop may look at: immutable values only, never the engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from daemon.core.events import Event
from daemon.core.snapshot import Snapshot


class View(Protocol):
    """The watch as it stands. An `Engine` is one; the loop hands out a `LatestView` of its own."""

    def snapshot(self, now: float) -> Snapshot: ...

    def minutes(self, channel: str, first: int, last: int) -> list[float]:
        """Minute medians of a channel, °C, NaN where unknown; both ends (engine time // 60) included."""
        ...


class Listener(Protocol):
    """Sees every settled batch of events, after the journal has it. Must return at once."""

    def __call__(self, events: Sequence[Event], view: View, now: float) -> None: ...


class LatestView:
    """One snapshot for all listeners of a moment, made when the first of them asks."""

    def __init__(self, watch: View) -> None:
        self._watch = watch
        self._made: Snapshot | None = None

    def snapshot(self, now: float) -> Snapshot:
        if self._made is None or self._made.time != now:
            self._made = self._watch.snapshot(now)
        return self._made

    def minutes(self, channel: str, first: int, last: int) -> list[float]:
        return self._watch.minutes(channel, first, last)

    def renew(self) -> None:
        """Something has happened: the next snapshot is made anew."""
        self._made = None
