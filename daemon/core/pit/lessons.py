"""What one finished cook says about its pit: how soon it answers a log, how fast it sinks, where it is hot, and how far the
forecasts of its pieces were off.

Pure: a cook comes in as minute values and instants, engine time, s. Values are °C, NaN where unknown.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import isnan
from statistics import median

from daemon.core.pit.evenness import evenness
from daemon.core.pit_profile import CookLessons, ForecastMiss, PlaceLesson
from daemon.core.readings.trace import MINUTE

# Every number below: common practice, no source; tried on simulated cooks.
TURN_WITHIN = 25
"""Minutes after a log in which the pit must turn."""
TURN_RISE = 2.0
"""°C above its lowest that the pit must reach within TURN_WITHIN for the log to count as caught."""
SMOOTH = 5
"""Minutes of the running median: a lid or a draught is no turn."""
LEVEL = 0.05
"""°C within which minutes are equally low."""
SETTLED_AFTER = 20
"""Minutes after a log before the pit is taken to sink again."""
LEAST_FALL = 15
"""Minutes between the peak after a log and the next log that tell a drift."""
LEAST_LOGS = 2
"""Logs that must agree before a cook says anything of lag or drift."""
LEAST_LEFT, MOST_LEFT = 1.0, 10.0
"""Hours a forecast must have promised to be compared: nearer, minutes decide; farther, nobody counts on it."""
ONE_FEEDING = 5 * MINUTE
"""s between logs below which they are one."""


@dataclass(frozen=True, slots=True)
class Promise:
    """One forecast of a piece's tender range: its middle, made at `asked_at`."""

    asked_at: float
    tender_at: float


@dataclass(frozen=True, slots=True)
class PieceStory:
    """tender_at: when it really was tender. promises: what was forecast before."""

    piece: str
    tender_at: float
    promises: tuple[Promise, ...]


def cook_lessons(
    cook: str,
    first_minute: int,
    pit: Sequence[float],
    marked_logs: Sequence[float],
    all_logs: Sequence[float],
    places: Mapping[str, Sequence[float]],
    pieces: Sequence[PieceStory],
) -> CookLessons:
    """pit: one value a minute from `first_minute`. marked_logs: said by the cook, all_logs: those and the ones noticed.
    places: grate place -> values of the cooking minutes."""
    smooth = _smoothed(pit)
    start = first_minute * MINUTE
    lags = list(_lags(smooth, [int((log - start) // MINUTE) for log in _feedings(marked_logs)]))
    drifts = list(_drifts(smooth, [int((log - start) // MINUTE) for log in _feedings(all_logs)]))
    return CookLessons(
        cook=cook,
        places=tuple(_places(places)),
        lag=median(lags) if len(lags) >= LEAST_LOGS else None,
        drift=median(drifts) if len(drifts) >= LEAST_LOGS else None,
        misses=tuple(_misses(cook, pieces)),
    )


def _feedings(logs: Sequence[float]) -> list[float]:
    """Logs laid together count once, at the first."""
    kept: list[float] = []
    for log in sorted(logs):
        if not kept or log - kept[-1] >= ONE_FEEDING:
            kept.append(log)
    return kept


def _smoothed(pit: Sequence[float]) -> list[float]:
    half = SMOOTH // 2
    windows = (pit[max(0, at - half) : at + half + 1] for at in range(len(pit)))
    return [median(known) if (known := [v for v in w if not isnan(v)]) else float("nan") for w in windows]


def _lags(pit: Sequence[float], logs: Sequence[int]) -> Iterator[float]:
    """Minutes from each log to the lowest value before the pit climbs again. A log onto a pit that was climbing, or one
    followed by another before the turn, tells nothing."""
    for log, following in pairwise([*logs, len(pit)]):
        after = pit[log : min(log + TURN_WITHIN, following)]
        if log < SMOOTH or len(after) < SMOOTH or any(map(isnan, [*after, pit[log - SMOOTH]])):
            continue
        lowest = max(at for at, value in enumerate(after) if value <= min(after) + LEVEL)  # the median rounds the turn
        fell = pit[log - SMOOTH] > after[0] or lowest > 0
        if fell and max(after[lowest:]) - after[lowest] >= TURN_RISE:
            yield float(lowest)


def _drifts(pit: Sequence[float], logs: Sequence[int]) -> Iterator[float]:
    """°C per hour lost between the peak after each log and the next log, but for the minutes the median rounds."""
    for log, following in pairwise(logs):
        between = pit[log + SETTLED_AFTER : following + 1 - SMOOTH // 2]
        if len(between) < LEAST_FALL or log < 0 or any(map(isnan, between)):
            continue
        begin = max(range(len(between)), key=between.__getitem__) + SMOOTH // 2
        minutes = len(between) - 1 - begin
        if minutes >= LEAST_FALL:
            yield 60.0 * (between[begin] - between[-1]) / minutes


def _places(places: Mapping[str, Sequence[float]]) -> Iterator[PlaceLesson]:
    heats = evenness({place: list(values) for place, values in places.items()}, {}).places
    if len(heats) < 2:
        return
    known = [[v for v in places[heat.place] if not isnan(v)] for heat in heats]
    hours = min(len(values) for values in known) / 60.0
    for heat in sorted(heats, key=lambda heat: heat.place):
        yield PlaceLesson(heat.place, round(heat.offset, 2), round(hours, 2))


def _misses(cook: str, pieces: Sequence[PieceStory]) -> Iterator[ForecastMiss]:
    """One figure a piece: the median over its forecasts, each by the hours it promised were left."""
    for piece in pieces:
        off = []
        for promise in piece.promises:
            left = (promise.tender_at - promise.asked_at) / 3600.0
            if LEAST_LEFT <= left <= MOST_LEFT and promise.asked_at < piece.tender_at:
                off.append((piece.tender_at - promise.tender_at) / 60.0 / left)
        if off:
            yield ForecastMiss(cook, piece.piece, round(median(off), 2))
