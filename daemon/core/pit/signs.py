"""Signs of the fire in the pit trace: an open lid (within seconds), an added log and a moved damper (within minutes).

Three small detectors, each fed by `daemon.core.pit.fire` and each answering at most one sign at a time.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise
from math import isnan, nan
from statistics import fmean
from typing import Any

# Every number below: common practice, no source; chosen on simulated fires.
COLD = 40.0
"""°C: a pit that has cooled to this is unlit again; below it no fire is seen to burn."""
LID_WINDOW = 60.0
"""s over which an open lid must show."""
LID_DROP = 10.0
"""°C lost within LID_WINDOW: no dying fire cools a pit this fast."""
LID_FASTER = 4.0
"""Times this pit's own fastest fall, °C/min, that a lid takes at least: a probe by the firebox leaps with every log."""
LID_BACK = 0.7
"""Share of the drop regained: the pit has recovered."""
LID_SETTLED = 0.4
"""Share of the drop that must be regained before a climb that ends is a recovery: with the lid still open the draught
brings some of the heat back too."""
LID_RISE = 1.5
"""°C of climb within LID_WINDOW while recovering; when it ends, so does the recovery."""
LID_SHUT = 0.2
"""Share of the drop regained, and LID_SHUT_RISE °C at least: the lid is shut and the pit comes back."""
LID_SHUT_RISE = 4.0
LID_AT_MOST = 20 * 60.0
"""s after which a lid is no longer an excuse: something else is wrong."""
LID_COLD_FOR = 3 * 60.0
"""s below COLD after which no lid explains what is seen: over a fire an open pit stays warmer than that."""
LID_UNSEEN = 60.0
"""s without a reading after which nothing is known of a lid that nobody marked."""
LID_STALLS = 4 * 60.0
"""s without LID_RISE °C of climb after which a pit whose lid was shut does not come back."""
LID_MARKED_AT_MOST = 15 * 60.0
"""The same for a lid that was marked open with nothing to see of it."""
RECOVERS_IN = 12 * 60.0
"""s from the shutting of the lid within which the pit comes back; after that it is judged as it reads."""

LOG_SPAN = 9
"""Minutes over which the slopes before and after a log are compared."""
LOG_TURN = 0.10
"""°C/min by which the slope must turn upwards, ending above zero."""
LOG_AGAIN = 15
"""Minutes before another log can be told from the last."""
LOG_KNOWN = 22
"""Minutes after a marked log during which a turn is that log catching."""
LOG_MUTED = 3
"""Minutes after the pit has recovered from an open lid during which a climb is no log."""
LOG_DOUBTED = 15
"""Minutes after that during which a climb is a log only above where the pit was before the lid was opened."""
LOG_LAG = 6
"""Minutes from laying a log on to the middle of the turn it makes."""

DAMPER_SPAN = 6
"""Minutes over which a moved damper shows."""
DAMPER_UP, DAMPER_DOWN = 2.0, 1.7
"""°C/min by which the slope turns from one DAMPER_SPAN to the next: upwards faster than a log catches, downwards faster than
one burns down. Lesser moves go unseen: half of the damper moves must be marked, and a guess that is made is right."""
DAMPER_AGAIN = 25
"""Minutes before another damper change is told: a fire that burns faster is spent sooner, and that turn is no new move."""

CLIMB_SPAN = 4
"""Minute values of one half of a steady climb: three minutes."""
CLIMB_KEPT = 0.8
"""A climb is steady if it has kept this share of what it was a span before ..."""
CLIMB_EVEN = 0.5
"""... and each minute shows this share of it at least: a reading that jumped climbs no more."""

NOT_SEEN = 0.3
"""Confidence in the end of an open lid of which the pit showed nothing: a mark said so, or it excuses nothing any more."""


class LidSense:
    """Is the lid open, or the pit still recovering from it? `open` holds until the pit has recovered, `shut_at` says since when
    (engine time) it comes back.

    `open` is an excuse for a pit that has lost its heat, so it ends as soon as a lid no longer explains what is seen: the pit
    has gone cold, the lid is shut and the pit does not climb, nothing is read, or it has lasted for too long."""

    open: bool = False
    shut_at: float | None = None

    def __init__(self) -> None:
        self._recent: list[tuple[float, float]] = []
        self._opened_at = 0.0
        self.level = nan
        """°C before the lid was opened; NaN when only a mark says so."""
        self._lowest = nan
        self._lowest_at = 0.0
        self._shut_by_sight = False
        self._marked_at: float | None = None
        """When the cook said that the lid is open; None: nobody did."""
        self._used_up = False
        """The lid has been an excuse for as long as it may be, and the pit has gained nothing since: to say once more that it
        is open excuses nothing."""
        self._seen_at = 0.0
        self._cold_since: float | None = None
        self._climbed = (0.0, nan)
        """When a pit that recovers had last gained LID_RISE, and what it read then."""
        self.least_drop = LID_DROP
        """°C within LID_WINDOW that an open lid takes from this pit at least."""

    def scan(self, now: float, pit: float) -> tuple[bool, float, float] | None:
        """One value (°C, NaN = unknown) about every 5 s. (opened?, when, confidence) when the lid changed."""
        if isnan(pit):
            return self._time_out(now)
        self._seen_at = now
        if self._used_up:
            self._lowest = min(self._lowest, pit)
            self._used_up = pit < self._lowest + LID_SHUT_RISE
        self._cold_since = None if pit >= COLD else now if self._cold_since is None else self._cold_since
        recent = self._recent
        recent.append((now, pit))
        while recent[0][0] < now - LID_WINDOW:
            recent.pop(0)
        if not self.open:
            highest_at, highest = max(recent, key=_celsius)
            if highest - pit < self.least_drop:
                return None
            self.open, self.level, self.shut_at, self._marked_at = True, highest, None, None
            self._opened_at, self._lowest, self._lowest_at = highest_at, pit, now
            return True, highest_at, min(0.99, 0.5 + (highest - pit) / (4 * LID_DROP))
        if isnan(self._lowest) or pit < self._lowest:
            self._lowest, self._lowest_at = pit, now
            if self._shut_by_sight:
                self.shut_at = None
        drop = self.level - self._lowest
        if self.shut_at is None and pit - self._lowest >= max(LID_SHUT_RISE, LID_SHUT * drop):
            self.shut_at, self._shut_by_sight, self._climbed = now, True, (now, pit)
        if isnan(self._climbed[1]) or pit >= self._climbed[1] + LID_RISE:
            self._climbed = now, pit
        back = not isnan(drop) and pit - self._lowest >= LID_BACK * drop
        settled = (
            not isnan(drop)
            and now - self._lowest_at >= 3 * LID_WINDOW
            and pit - min(v for _, v in recent) < LID_RISE
            and pit - self._lowest >= max(LID_RISE, LID_SETTLED * drop)
        )
        if back or settled:
            self.open, self.shut_at = False, None
            return False, self._lowest_at, 0.9 if drop >= LID_DROP / 2 else NOT_SEEN
        return self._time_out(now)

    def seen_anew(self) -> None:
        """Another set of probes is read from now on: what was read until now is no measure of a drop."""
        self._recent = []

    def _time_out(self, now: float) -> tuple[bool, float, float] | None:
        """A lid is an excuse only while it explains what is seen. A cook who said that it is open stands before the pit."""
        if not self.open or not (
            self._lasts_too_long(now) or (not self._is_attended(now) and self._explains_nothing(now))
        ):
            return None
        self._used_up = self.shut_at is None and not isnan(self._lowest)
        self.open, self.shut_at, self._marked_at = False, None, None
        return False, now, NOT_SEEN

    def _lasts_too_long(self, now: float) -> bool:
        if self.shut_at is not None:
            return now - self.shut_at >= RECOVERS_IN or now - max(self.shut_at, self._climbed[0]) >= LID_STALLS
        seen = not isnan(self.level) and self.level - self._lowest >= LID_DROP / 2
        return now - self._opened_at >= (LID_AT_MOST if seen else LID_MARKED_AT_MOST)

    def _is_attended(self, now: float) -> bool:
        return self._marked_at is not None and now - self._marked_at < LID_MARKED_AT_MOST

    def _explains_nothing(self, now: float) -> bool:
        cold = self._cold_since is not None and now - self._cold_since >= LID_COLD_FOR
        return cold or now - self._seen_at >= LID_UNSEEN

    @property
    def unspoken(self) -> bool:
        """Only the pit's fall tells of it."""
        return self._marked_at is None

    @property
    def climb(self) -> float:
        """°C per minute that both halves of the last minute show, lid open or shut; NaN while too little is known. A reading
        that jumps shows it in one half only."""
        third = len(self._recent) // 3
        recent = self._recent[-3 * third :]
        seconds = (recent[-1][0] - recent[0][0]) * third / (3 * third - 1) if third > 1 else 0.0
        if seconds <= 0:
            return nan
        first, middle, last = (fmean(v for _, v in recent[i * third : (i + 1) * third]) for i in range(3))
        return min(middle - first, last - middle) * 60.0 / seconds

    def mark(self, is_open: bool, now: float) -> None:
        """The cook says so: believed. A lid marked open with nothing to see is excused for LID_AT_MOST only."""
        if is_open and self._used_up:
            return
        self._used_up = False
        self._marked_at = now if is_open else None
        if is_open and not self.open:
            self.level, self._lowest = (max(self._recent, key=_celsius)[1] if self._recent else nan), nan
            self._opened_at = now
        self.shut_at, self._shut_by_sight = None, False
        if not is_open and self.open and self._recent and self.level - self._recent[-1][1] >= LID_SHUT_RISE:
            self.shut_at, self._climbed = now, (now, self._recent[-1][1])  # the pit has yet to come back
            return
        self.open = is_open

    def take_back(self, now: float, *, was_open: bool, last_open: bool) -> None:
        """A mark of the lid was wrong. was_open: it said open. last_open: so says the newest mark that stands. What can be
        seen of the lid is seen again at once."""
        if was_open:
            self.open, self.shut_at = False, None
        elif self.open:
            self.shut_at = None
        elif last_open:
            self.mark(True, now)

    def dump(self) -> dict[str, object]:
        return {
            "open": self.open,
            "recent": [list(pair) for pair in self._recent],
            "opened_at": self._opened_at,
            "level": _out(self.level),
            "lowest": _out(self._lowest),
            "lowest_at": self._lowest_at,
            "shut_at": self.shut_at,
            "shut_by_sight": self._shut_by_sight,
            "marked_at": self._marked_at,
            "used_up": self._used_up,
            "seen_at": self._seen_at,
            "cold_since": self._cold_since,
            "climbed": [self._climbed[0], _out(self._climbed[1])],
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.open, self._opened_at, self._lowest_at = state["open"], state["opened_at"], state["lowest_at"]
        self.shut_at, self._shut_by_sight = state["shut_at"], state["shut_by_sight"]
        self._recent = [(t, v) for t, v in state["recent"]]
        self.level, self._lowest = _in(state["level"]), _in(state["lowest"])
        # not in the checkpoints of earlier versions
        self._marked_at, self._cold_since = state.get("marked_at"), state.get("cold_since")
        self._used_up = state.get("used_up", False)
        self._seen_at = state.get("seen_at", self._recent[-1][0] if self._recent else 0.0)
        climbed_at, climbed = state.get("climbed", (self.shut_at or 0.0, None))
        self._climbed = climbed_at, _in(climbed)


def log_turn(minutes: list[float]) -> float:
    """How far the slope turned upwards over the last 2 x LOG_SPAN minutes, °C/min; 0 when it did not or is not climbing."""
    after, before = slope(minutes[-LOG_SPAN:]), slope(minutes[-2 * LOG_SPAN : -LOG_SPAN])
    if isnan(after) or isnan(before) or after <= 0 or after - before < LOG_TURN:
        return 0.0
    return after - before


def damper_turn(minutes: list[float]) -> float:
    """How far the slope turned within DAMPER_SPAN, °C/min; 0 when not by DAMPER_UP upwards or DAMPER_DOWN downwards."""
    turn = slope(minutes[-DAMPER_SPAN:]) - slope(minutes[-2 * DAMPER_SPAN : -DAMPER_SPAN])
    return turn if turn >= DAMPER_UP or turn <= -DAMPER_DOWN else 0.0  # NaN is neither


def steady_climb(minutes: list[float]) -> float:
    """°C/min over the last CLIMB_SPAN minute values; NaN unless it is as steep as just before, for where a climb that
    slackens will end nobody knows."""
    last = minutes[-CLIMB_SPAN:]
    now, before = slope(last), slope(minutes[1 - 2 * CLIMB_SPAN : 1 - CLIMB_SPAN])
    kept = now > 0 and now >= CLIMB_KEPT * before
    return now if kept and all(b - a >= CLIMB_EVEN * now for a, b in pairwise(last)) else nan


def slope(minutes: list[float]) -> float:
    """Least-squares slope of minute values, °C/min; NaN values are left out, NaN when fewer than half are known."""
    return _slope(tuple(minutes))


@lru_cache(maxsize=256)  # a minute's values are asked about at every scan, by several
def _slope(minutes: tuple[float, ...]) -> float:
    known = [(i, v) for i, v in enumerate(minutes) if not isnan(v)]
    n = len(known)
    if n < 3 or 2 * n < len(minutes):
        return nan
    mean_i = sum(i for i, _ in known) / n
    mean_v = sum(v for _, v in known) / n
    return sum((i - mean_i) * (v - mean_v) for i, v in known) / sum((i - mean_i) ** 2 for i, _ in known)


def _celsius(pair: tuple[float, float]) -> float:
    return pair[1]


def _out(value: float) -> float | None:
    return None if isnan(value) else value


def _in(value: float | None) -> float:
    return nan if value is None else value
