"""How an engine is driven, the same way live, after a restart, in the demo and in a replay.

Every deadline that has passed is fired first, each stamped with its own time; then comes the input. Stamping a deadline
with the moment of waking up instead would make a replay differ from the live run.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple, Protocol

from daemon.core.events import Event
from daemon.core.inputs import Input, Resumed


class Driven(Protocol):
    """What is driven: an `Engine`."""

    def next_deadline(self) -> float | None: ...

    def handle_timer(self, now: float) -> list[Event]: ...

    def handle(self, item: Input, now: float) -> list[Event]: ...


class Step(NamedTuple):
    """What one input, or one deadline (item is None), led to. time: engine time, s."""

    time: float
    item: Input | None
    events: list[Event]


def steps(engine: Driven, now: float, item: Input | None = None) -> Iterator[Step]:
    """Bring the engine to `now`, then hand over the input, if there is one. Each step is taken when it is asked for.

    Deadlines of a time that nobody watched (`Resumed`) are not fired: what was due then is the engine's to plan anew.
    """
    watched_until = item.watched_until if isinstance(item, Resumed) else now
    if watched_until is not None:
        while (deadline := engine.next_deadline()) is not None and deadline <= watched_until:
            yield Step(deadline, None, engine.handle_timer(deadline))
    if item is not None:
        yield Step(now, item, engine.handle(item, now))


def replayed(engine: Driven, inputs: Iterable[tuple[float, Input]], until: float | None = None) -> Iterator[Event]:
    """The events of recorded inputs, and of the deadlines up to `until`."""
    for now, item in inputs:
        for step in steps(engine, now, item):
            yield from step.events
    if until is not None:
        for step in steps(engine, until):
            yield from step.events
