"""From what is known to what is wrong: one Condition per rule and subject, every scan. No memory, no delays.

A suspect or missing value neither raises nor clears: such a rule is said to be not known. Blindness has its own rule. What
is neither judged nor not known has no ground any more (another serving time, another wrap plan, a probe taken out), and ends.
"""

from __future__ import annotations

from collections.abc import Iterator

from daemon.core.alarms.kept_conditions import kept_conditions
from daemon.core.alarms.piece_conditions import piece_conditions
from daemon.core.alarms.pit_conditions import pit_conditions
from daemon.core.alarms.plan_conditions import plan_conditions
from daemon.core.alarms.process import ProcessSnapshot, quiet
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import Condition
from daemon.core.alarms.watch_conditions import watch_conditions


def conditions(process: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition that can be judged now, and those of alarms that wait for one and have lost their ground."""
    left = set(process.open)
    for found in _judged(process):
        left.discard((found.rule, found.subject))
        if isinstance(found, Condition):
            yield found
    for rule, subject in sorted(left):
        yield quiet(rule, subject)


def _judged(process: ProcessSnapshot) -> Iterator[Condition | NotKnown]:
    yield from pit_conditions(process)
    for piece in process.pieces:
        yield from piece_conditions(process, piece)
        yield from kept_conditions(process, piece)
    yield from plan_conditions(process)
    yield from watch_conditions(process)
