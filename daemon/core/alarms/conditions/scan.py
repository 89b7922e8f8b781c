"""From what is known to what is wrong: one Condition per rule and subject, every scan. No memory, no delays.

A suspect or missing value neither raises nor clears: such a rule is said to be not known. Blindness has its own rule. What
is neither judged nor not known has no ground any more (another serving time, another wrap plan, a probe taken out), and ends.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from daemon.core.alarms.conditions.feed import FEED
from daemon.core.alarms.conditions.kept import kept_conditions
from daemon.core.alarms.conditions.piece import piece_conditions
from daemon.core.alarms.conditions.pit import pit_conditions
from daemon.core.alarms.conditions.plan import plan_conditions
from daemon.core.alarms.conditions.process import ProcessSnapshot, quiet
from daemon.core.alarms.conditions.watch import watch_conditions
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import Condition


def conditions(first: ProcessSnapshot, *others: ProcessSnapshot) -> Iterator[Condition]:
    """Every condition that can be judged now and says something to its alarm, and those of alarms that wait for one and have lost
    their ground. One process a pit, the first pit's first."""
    left, seen = set(first.open), first.seen
    for found in _judged(first, *others):
        key = (found.rule, found.subject)
        left.discard(key)
        # to an alarm that never was an inactive one says nothing
        if isinstance(found, Condition) and (found.active or seen is None or key in seen):
            yield found
    for rule, subject in sorted(left):
        yield quiet(rule, subject)


def _judged(first: ProcessSnapshot, *others: ProcessSnapshot) -> Iterator[Condition | NotKnown]:
    found = {pit.pit_id: list(pit_conditions(pit)) for pit in (first, *others)}
    pits = _together(found, first, *others) if others else (first,)
    for pit in pits:
        yield from pit_conditions(pit) if pit.joint else found[pit.pit_id]
        for piece in pit.pieces:
            yield from piece_conditions(pit, piece)
            yield from kept_conditions(pit, piece)
    yield from plan_conditions(*pits)
    yield from watch_conditions(first)


def _together(found: Mapping[str, list[Condition | NotKnown]], *pits: ProcessSnapshot) -> tuple[ProcessSnapshot, ...]:
    """Several pits: who is called to feed one is told at once which other would call within the merge time. It counts until
    whoever was called has answered; a prompt that came so stays until its own fire is fed. found: by pit, what is so of each
    alone."""
    wanting = {pit.pit_id for pit in pits if _wants_wood(found[pit.pit_id]) and not pit.is_answered(FEED)}
    return tuple(
        replace(pit, joint=True) if wanting - {pit.pit_id} or (FEED, pit.pit_subject.id) in pit.open else pit
        for pit in pits
    )


def _wants_wood(found: Iterable[Condition | NotKnown]) -> bool:
    feed = (one for one in found if isinstance(one, Condition) and one.rule == FEED)
    return any(condition.active and not condition.suppressed_by for condition in feed)
