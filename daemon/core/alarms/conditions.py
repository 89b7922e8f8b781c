"""From what is known to what is wrong: one Condition per rule and subject, every scan. No memory, no delays.

Where there is no good reading nothing is said: a suspect or missing value neither raises nor clears. Blindness has its
own rule.
"""

from __future__ import annotations

from collections.abc import Iterator

from daemon.core.alarms.kept_conditions import kept_conditions
from daemon.core.alarms.piece_conditions import piece_conditions
from daemon.core.alarms.pit_conditions import pit_conditions
from daemon.core.alarms.plan_conditions import plan_conditions
from daemon.core.alarms.process import ProcessSnapshot
from daemon.core.alarms.rules import Condition
from daemon.core.alarms.watch_conditions import watch_conditions


def conditions(process: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition that can be judged now."""
    yield from pit_conditions(process)
    for piece in process.pieces:
        yield from piece_conditions(process, piece)
        yield from kept_conditions(process, piece)
    yield from plan_conditions(process)
    yield from watch_conditions(process)
