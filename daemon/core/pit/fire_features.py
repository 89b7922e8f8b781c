"""What one minute of the pit looks like to the model of the fire's end, as plain numbers.

Levels, slopes and times stand both as they are and in this pit's own units, for a heavy pit's fire ends as a light one's does,
only later. Sums run in a fixed order: a replay must give the same bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import sqrt
from statistics import median

from daemon.core.pit.habits import PitHabits

UNKNOWN = -999.0
"""What a tree sees where nothing is known: below anything measured."""
FARTHEST = 240.0
"""Minutes; what is further off counts as this."""
SPANS = (3, 6, 12, 20, 40)
"""Minutes over which slopes are taken."""
LOOKED_BACK = 120
"""Minutes that make the mean and the swing."""
COUNTED = (45, 90, 180)
"""Minutes back in which logs are counted."""

FEATURES = (
    "height", "height of the band", "height at the usual fall", "slope 3", "slope 6", "slope 12", "slope 20",
    "slope 40", "slope 6 in falls", "slope 12 in falls", "slope 20 in falls", "bend 6", "bend 12",
    "to the edge at slope 6", "to the edge at slope 12", "to the edge at slope 20", "to the edge on a curve",
    "since log", "since log in turns", "since log in peaks", "since log in gaps", "last log marked", "logs marked",
    "logs noticed", "fallen since peak", "since peak", "risen since trough", "rise done", "against level at log",
    "since last 2 logs", "usual turn", "usual peak", "usual gap", "usual rise", "usual fall", "usual fastest fall",
    "fires known", "as earlier fires", "as earlier fires, in gaps", "mean over edge 60", "mean over edge 120",
    "swing 120", "noise", "since lid", "lid minutes", "since damper", "over ambient", "ambient change", "burning for",
    "warm-up rate", "as earlier falls", "span of earlier fires", "shortest span of them", "span done", "span less since log",
    "logs in 45", "logs in 90", "logs in 180", "logs in 3 gaps",
)  # fmt: skip
"""In the order of `features`. °C, minutes, °C/min."""


@dataclass(frozen=True, slots=True)
class FireView:
    """What is known at one minute. minutes: °C, oldest first, holes filled; newest last, at most 180.

    logs: minutes since the last logs, newest first. marked: the newest was marked.
    lid, damper: minutes since the lid was last open and the damper last moved, FARTHEST if never. lid_minutes: of the last 15.
    ambient: °C and its change over 15 min, None without a probe. warmed: °C/min of the climb to the band, None if not seen."""

    minutes: Sequence[float]
    low: float
    high: float
    logs: tuple[float, ...]
    marked: bool
    logs_marked: int
    logs_noticed: int
    noise: float
    lid: float
    lid_minutes: int
    damper: float
    ambient: tuple[float, float] | None
    burning: float
    warmed: float | None


@lru_cache(maxsize=64)
def _weights(n: int) -> tuple[float, ...]:
    middle = (n - 1) / 2
    square = sum((i - middle) ** 2 for i in range(n))
    return tuple((i - middle) / square for i in range(n))


def _slope(minutes: Sequence[float], span: int, back: int = 0) -> float:
    end = len(minutes) - back
    part = minutes[max(0, end - span) : end]
    if len(part) < 2:
        return 0.0
    return sum([w * v for w, v in zip(_weights(len(part)), part, strict=True)])


def _reach(height: float, fall: float) -> float:
    """Minutes to fall by `height` at `fall` °C/min."""
    if height <= 0:
        return 0.0
    return min(FARTHEST, height / fall) if fall > 1e-3 else FARTHEST


def _on_curve(height: float, slope: float, bend: float) -> float:
    """Minutes until height + slope t + bend t^2 / 2 is 0."""
    if height <= 0:
        return 0.0
    if abs(bend) < 1e-4:
        return _reach(height, -slope)
    root = slope * slope - 2 * bend * height
    if root < 0:
        return FARTHEST
    times = [(-slope + sign * sqrt(root)) / bend for sign in (1, -1)]
    ahead = [t for t in times if t > 0]
    return min(FARTHEST, min(ahead)) if ahead else FARTHEST


def features(view: FireView, habits: PitHabits) -> list[float]:
    """One number for each of FEATURES."""
    minutes, usual = view.minutes, habits.usual
    last = sorted(minutes[-3:])
    level = last[len(last) // 2] if len(last) == 3 else minutes[-1]
    height = level - view.low
    turn, peak_at, gap, rise = usual("turn"), usual("peak"), usual("gap"), usual("rise")
    fall, fastest = usual("fall"), usual("fastest")
    slopes = [_slope(minutes, span) for span in SPANS]
    bend_6 = (slopes[1] - _slope(minutes, 6, 6)) / 6
    bend_12 = (slopes[2] - _slope(minutes, 12, 12)) / 12
    since = view.logs[0] if view.logs else FARTHEST
    cycle = minutes[-int(min(since, len(minutes) - 1)) - 1 :]
    trough_at = min(range(len(cycle)), key=cycle.__getitem__)
    highest_at = max(range(trough_at, len(cycle)), key=cycle.__getitem__)
    trough, highest = cycle[trough_at], cycle[highest_at]
    if highest_at == trough_at:  # still going down: the peak is the one before
        highest_at = max(range(len(cycle)), key=cycle.__getitem__)
        highest = cycle[highest_at]
    before = habits.left_as_before(int(since), max(0.0, height)) if view.logs else None
    fallen = habits.left_as_fallen(highest - level, max(0.0, height))
    spans = habits.spans(view.low) if view.logs else []
    span, shortest = (min(FARTHEST, median(spans)), min(FARTHEST, min(spans))) if spans else (UNKNOWN, UNKNOWN)
    hour, two = minutes[-60:], minutes[-LOOKED_BACK:]
    mean_60, mean_120 = sum(hour) / len(hour), sum(two) / len(two)
    swing = sqrt(sum([(v - mean_120) ** 2 for v in two]) / len(two))
    return [
        height, view.high - view.low, _reach(height, fastest),
        *slopes,
        slopes[1] / fastest, slopes[2] / fastest, slopes[3] / fastest,
        bend_6, bend_12, _reach(height, -slopes[1]), _reach(height, -slopes[2]), _reach(height, -slopes[3]),
        _on_curve(height, slopes[2] + 6 * bend_12, bend_12),
        since, since / turn, since / peak_at, since / gap, float(view.marked), float(view.logs_marked), float(view.logs_noticed),
        highest - level, float(len(cycle) - 1 - highest_at), level - trough, (highest - trough) / rise,
        level - cycle[0], view.logs[1] if len(view.logs) > 1 else FARTHEST,
        turn, peak_at, gap, rise, fall, fastest, float(len(habits.known)),
        UNKNOWN if before is None else min(FARTHEST, before), UNKNOWN if before is None else min(FARTHEST, before) / gap,
        mean_60 - view.low, mean_120 - view.low, swing, view.noise,
        view.lid, float(view.lid_minutes), view.damper,
        UNKNOWN if view.ambient is None else level - view.ambient[0], UNKNOWN if view.ambient is None else view.ambient[1],
        view.burning, UNKNOWN if view.warmed is None else view.warmed,
        UNKNOWN if fallen is None else min(FARTHEST, fallen), span, shortest,
        UNKNOWN if span == UNKNOWN else min(since / max(span, 1.0), 9.0), UNKNOWN if span == UNKNOWN else span - since,
        *(float(sum(at <= back for at in view.logs)) for back in (*COUNTED, 3 * gap)),
    ]  # fmt: skip
