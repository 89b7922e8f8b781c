"""Packed readings as one median a minute: what every figure, curve and report of a kept cook is drawn from."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daemon.core.readings.trace import MINUTE
from daemon.shell.journal.reading_pack import ABSENT, MILLISECONDS, Longs, PackDamaged, columns
from drivers.reading import RESOLUTION_PER_C


@dataclass
class Points:
    """All believed points of one channel: engine ms and 1/32 °C."""

    stamps: list[Longs] = field(default_factory=list)
    words: list[Longs] = field(default_factory=list)


def minute_medians(
    packs: Iterable[bytes],
    first: int,
    last: int,
    doubted: Mapping[str, Sequence[tuple[float, float]]],
) -> dict[str, tuple[float, ...]]:
    """Channel -> one value for each engine minute first..last, °C, NaN where nothing good was read.

    doubted: channel -> spells (engine s, from and to) in which the watch did not believe it.
    Damaged packs are passed over, as a restart does.
    """
    points: dict[str, Points] = {}
    for pack in packs:
        try:
            _gather(pack, points)
        except PackDamaged:
            continue
    return {
        channel: _medians(np.concatenate(p.stamps), np.concatenate(p.words), first, last, doubted.get(channel, ()))
        for channel, p in points.items()
    }


def _gather(pack: bytes, points: dict[str, Points]) -> None:
    channels, column = columns(pack)
    stamps = np.repeat(column["times"], column["sizes"])
    for source, channel in enumerate(channels):
        own = column["sources"] == source
        words = column["values"][own]
        good = (column["flags"][own] == 0) & (words != ABSENT)
        kept = points.setdefault(channel, Points())
        kept.stamps.append(stamps[own][good])
        kept.words.append(words[good])


def _medians(
    stamps: Longs, words: Longs, first: int, last: int, doubted: Sequence[tuple[float, float]]
) -> tuple[float, ...]:
    minutes = stamps // round(MINUTE * MILLISECONDS) - first
    believed = (minutes >= 0) & (minutes <= last - first)
    for begin, end in doubted:
        believed &= (stamps < begin * MILLISECONDS) | (stamps >= end * MILLISECONDS)
    minutes, words = minutes[believed], words[believed]
    order = np.lexsort((words, minutes))
    minutes, words = minutes[order], words[order]
    medians = np.full(last - first + 1, np.nan)
    there, starts, counts = np.unique(minutes, return_index=True, return_counts=True)
    low, high = words[starts + (counts - 1) // 2], words[starts + counts // 2]
    medians[there] = (low + high) / (2 * RESOLUTION_PER_C)
    return tuple(medians.tolist())
