"""How far apart the readings of a recorded cook are, and what its channels may therefore be held to.

A rig's channels count as silent after some seconds. A log that was written more slowly than that would have every reading
doubted; its channels are held to the pace of their own readings instead.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from statistics import median

from config.problems import Problem
from daemon.core.settings import ChannelSettings, Role
from daemon.texts.composer import PLAIN
from daemon.texts.problems import in_a_line

FEWEST = 3
"""Intervals that tell a pace."""
ROWS_MISSED = 2.5
"""Intervals without a reading after which a channel is silent: one row may be missing. Ours, no source."""
SLOWEST = 60.0
"""s: signs of the fire and of the stall are told from the median of every minute."""
JUDGED = frozenset({Role.PIT, Role.MEAT})


def at_their_pace(
    channels: Sequence[ChannelSettings], times: Mapping[str, Sequence[float]], log: str
) -> tuple[tuple[ChannelSettings, ...], list[str]]:
    """The channels, those that are slower than they are allowed to be with a limit that fits, and what is to be said of it.
    times: UTC, s, of the readings of each channel, in order. log: the file's name."""
    pace = {id_: median(b - a for a, b in pairwise(at)) for id_, at in times.items() if len(at) > FEWEST}
    slow = {c.id: pace[c.id] for c in channels if pace.get(c.id, 0.0) >= c.stale_after}
    said = []
    if slow:
        limit = max(c.stale_after for c in channels if c.id in slow)
        remedy = PLAIN.words("command.log.own-pace", limit=limit, names=tuple(slow))
        said.append(_warning(log, max(slow.values()), remedy))
    too_slow = [c.id for c in channels if c.role in JUDGED and pace.get(c.id, 0.0) > SLOWEST]
    if too_slow:
        remedy = PLAIN.words("command.log.too-slow", most=SLOWEST, names=tuple(too_slow))
        said.append(_warning(log, max(pace[id_] for id_ in too_slow), remedy))
    fitting = (replace(c, stale_after=ROWS_MISSED * slow[c.id]) if c.id in slow else c for c in channels)
    return tuple(fitting), said


def _warning(log: str, interval: float, remedy: str) -> str:
    return in_a_line(Problem(log, "time", PLAIN.words("command.log.every", interval=interval), remedy, warning=True))
