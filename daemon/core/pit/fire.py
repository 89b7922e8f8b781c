"""What the fire is doing, and how long the pit stays in its band if nobody feeds it.

Reads the control pit trace only. Marks of the cook are believed over detection: a marked log starts a new
cycle, and for a while no detector speaks of the same thing again.
"""

from __future__ import annotations

from math import isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import FireNoticed, FireSign
from daemon.core.inputs import Interval, Mark, MarkKind
from daemon.core.pit.exit_library import FEATURES, ExitLibrary, Row
from daemon.core.pit.profile import FireProfile
from daemon.core.pit.signs import (
    DAMPER_AGAIN,
    DAMPER_SPAN,
    LOG_AGAIN,
    LOG_DOUBTED,
    LOG_KNOWN,
    LOG_LAG,
    LOG_MUTED,
    LOG_SPAN,
    LidSense,
    damper_turn,
    log_turn,
    slope,
    steady_climb,
)
from daemon.core.settings import Band

MINUTE = 60.0
REMEMBERED = 180
"""Minutes of one fire that are kept: no fire that needs tending lasts longer unfed."""
USUAL_GAP = 35.0
"""Minutes between logs before this pit has told; common practice, no source."""
SHORTEST_GAP = 5.0
"""Minutes between logs below which they are one feeding."""
GAPS_KEPT = 8
"""Log intervals of which the median is the usual gap."""
USUAL_FALL = 0.9
"""°C/min at which a pit falls when it falls, before this one has told: in the middle of the simulated ones."""
FALLING_SHARE = 10
"""One in so many minutes falls as fast as the usual fall or faster."""
FALLS_GUESSED = 6
"""Minutes of falling at USUAL_FALL a new watch is thought to have seen: after an hour in the band its own count."""
NOT_BURNING = 60.0
"""°C: a pit this cold has no fire worth a forecast; common practice, no source."""
LASTING = 20
"""Minutes over which a fall counts as lasting; tried on simulated nights."""
BLIND_FOR = 5
"""Minutes without a pit value after which no forecast stands."""
LONGEST_SINCE = 180.0
"""Minutes since the log beyond which it no longer matters how many."""
ROW_EVERY = 3
"""Minutes between the rows one own fire gives to the library."""
DEEPEST_SHIFT = 12.0
"""°C above the low edge at which an own fire still teaches how it would have left the band."""
ROWS_KEPT = 600
"""Newest own rows kept."""
INTERVALS_KEPT = 200
"""Newest own log intervals kept; their number also says from how many fires the rows come."""


class FireWatch:
    """One per pit. Reads the control pit trace (median of good pit channels), one value a minute."""

    log_due: Interval | None = None
    """When the pit leaves its band at the bottom if no fuel is added (engine time); None: `no_forecast` says why."""
    no_forecast: str = "no fire is lit"
    last_log: float | None = None
    lid_open: bool = False
    """The lid is open, or the pit is still recovering from it."""
    slope: float = 0.0
    """°C per minute over the last 10 min; NaN while unknown."""

    def __init__(self, prior: tuple[Row, ...] = ()) -> None:
        """prior: simulated fires to compare with until this pit has its own."""
        self._prior = prior
        self._lid = LidSense()
        self._pit: list[float] = []
        """Minute values of the present fire and the last minutes before it, °C, NaN under an open lid."""
        self._last_minute = 0.0
        self._lit = False
        self._burns = False
        self._quiet_until = 0.0
        self._doubted_until = 0.0
        self._damper_quiet_until = 0.0
        self._slopes = [-USUAL_FALL] * FALLS_GUESSED
        """°C per minute over 10 min, of the last minutes with a burning fire."""
        self._asked: list[tuple[float, tuple[float, ...]]] = []
        self._intervals: list[float] = []
        self._rows: list[Row] = []
        self._library = ExitLibrary(prior)

    @property
    def lasting_slope(self) -> float:
        """°C per minute over the last 20 min, NaN while unknown: coming down from a log's overshoot is no dying fire."""
        return slope(self._pit[-LASTING:])

    @property
    def climb(self) -> float:
        """°C per minute that both halves of the last minute show, NaN while unknown."""
        return self._lid.climb

    @property
    def steady_climb(self) -> float:
        """°C per minute over the last minutes, if the pit climbs and does not slacken; else NaN."""
        return steady_climb(self._pit)

    def scan(self, now: float, pit: float) -> list[FireNoticed]:
        """Every 5 s with the newest pit value (°C, NaN = unknown): only the fast signs (lid)."""
        seen = self._lid.scan(now, pit)
        self.lid_open = self._lid.open
        if seen is None:
            return []
        opened, at, confidence = seen
        self._asked = []  # what a fire does under an open lid teaches nothing about its end
        self._quiet_until = max(self._quiet_until, now + LOG_MUTED * MINUTE)
        self._doubted_until = now + LOG_DOUBTED * MINUTE
        self._damper_quiet_until = max(self._damper_quiet_until, self._doubted_until)
        return [FireNoticed(now, FireSign.LID_OPENED if opened else FireSign.LID_CLOSED, at, confidence)]

    def minute(self, now: float, pit: float, band: Band, ambient: float) -> list[FireNoticed]:
        """Every minute with the minute's median: logs, damper, forecast."""
        self._last_minute = now
        self._pit = [*self._pit[-REMEMBERED:], nan if self.lid_open else pit]
        self.slope = slope(self._pit[-10:])
        noticed = self._log(now) + self._damper(now)
        self._burning(pit, band)
        if self._burns and not isnan(self.slope):
            self._slopes = [*self._slopes[-REMEMBERED:], self.slope]
        self._forecast(now, band)
        return noticed

    def mark(self, mark: Mark, now: float) -> None:
        """The cook says a log went in, the lid was opened or the damper changed: believed over detection."""
        match mark.kind:
            case MarkKind.FIRE_LIT:
                self._lit = True
                self._new_fire(now)
            case MarkKind.LOG:
                self._new_fire(now)
                self._quiet_until = max(self._quiet_until, now + LOG_KNOWN * MINUTE)
                self._damper_quiet_until = max(self._damper_quiet_until, self._quiet_until)
            case MarkKind.LID_OPEN | MarkKind.LID_CLOSED:
                self._lid.mark(mark.kind is MarkKind.LID_OPEN, now)
                self.lid_open = self._lid.open
                self._quiet_until = max(self._quiet_until, now + LOG_MUTED * MINUTE)
                self._damper_quiet_until = max(self._damper_quiet_until, self._quiet_until)
            case MarkKind.DAMPER:
                self._damper_quiet_until = now + DAMPER_AGAIN * MINUTE
            case _:
                pass

    def nap_window(self, lead: float) -> tuple[float, float] | None:
        """("sleep until", "at the latest"), engine times. lead: s a sleeper needs from notice to a burning log.

        Until: the early end (p05) of the interval in which the pit leaves its band, less the lead. Latest: its
        middle (p50), less the lead. None when there is no forecast, or `until` has already come.
        """
        if self.log_due is None:
            return None
        until, latest = self.log_due.p05 - lead, self.log_due.p50 - lead
        return (until, latest) if until > self._last_minute else None

    def use_profile(self, profile: FireProfile) -> None:
        """Take over what was learned elsewhere, in place of what this watch has learned."""
        self._intervals = list(profile.log_intervals[-INTERVALS_KEPT:])
        rows = (row for row in profile.episodes if len(row) == len(FEATURES) + 1)  # others are of an older version
        self._rows = list(rows)[-ROWS_KEPT:]
        self._library = ExitLibrary(self._prior, tuple(self._rows), len(self._intervals))

    @property
    def log_intervals(self) -> tuple[float, ...]:
        """Minutes between logs of this pit, oldest first."""
        return tuple(self._intervals)

    def learned(self) -> FireProfile:
        """The profile with this cook's fires added."""
        return FireProfile(tuple(self._rows), self.log_intervals)

    def _log(self, now: float) -> list[FireNoticed]:
        turn = log_turn(self._pit) if len(self._pit) >= 2 * LOG_SPAN else 0.0
        if turn <= 0 or now < self._quiet_until or not self._burns:
            return []
        if now < self._doubted_until and self._pit[-1] <= self._lid.level:
            return []  # still coming back from the open lid
        at = now - LOG_LAG * MINUTE
        self._new_fire(at)
        self._quiet_until = now + LOG_AGAIN * MINUTE
        return [FireNoticed(now, FireSign.LOG_ADDED, at, min(0.95, 0.7 + turn / 2))]

    def _damper(self, now: float) -> list[FireNoticed]:
        turn = damper_turn(self._pit)
        if turn == 0 or now < self._damper_quiet_until or not self._burns:
            return []
        self._damper_quiet_until = now + DAMPER_AGAIN * MINUTE
        return [FireNoticed(now, FireSign.DAMPER_CHANGED, now - DAMPER_SPAN * MINUTE, min(0.9, 0.4 + abs(turn) / 5))]

    def _new_fire(self, at: float) -> None:
        """A log went in at `at`: learn from the fire before it, and begin a new cycle."""
        if self.last_log is not None and self._burns:
            if at - self.last_log >= SHORTEST_GAP * MINUTE:
                self._intervals = [*self._intervals, (at - self.last_log) / MINUTE][-INTERVALS_KEPT:]
            self._learn(at)
            self._library = ExitLibrary(self._prior, tuple(self._rows), len(self._intervals))
        self.last_log = at
        self._asked = []

    def _learn(self, until: float) -> None:
        """Rows of the fire that ended at `until`. A fed fire seldom leaves the band, so the lowest level it fell to
        serves as the edge: a few °C higher, a fire falls much as it does at the edge itself."""
        seen = [(at, f) for at, f in self._asked if at <= until]
        if not seen:
            return
        top = max(range(len(seen)), key=lambda i: seen[i][1][0])
        fall = seen[top:]
        edge = max(0.0, min(f[0] for _, f in fall))
        if edge > DEEPEST_SHIFT:
            return
        end = next(at for at, f in fall if f[0] <= edge)
        rows = [(f[0] - edge, *f[1:], (end - at) / MINUTE) for at, f in seen[::ROW_EVERY] if at < end and f[0] > edge]
        self._rows = [*self._rows, *rows][-ROWS_KEPT:]

    def _burning(self, pit: float, band: Band) -> None:
        if isnan(pit):
            return
        if pit >= band.low:
            self._burns = self._lit = True
        elif pit < NOT_BURNING:
            self._burns = False

    def _forecast(self, now: float, band: Band) -> None:
        if self.lid_open:
            # what was said before the lid was opened still stands, but nothing falls due in the past
            if (due := self.log_due) is not None:
                self.log_due = Interval(max(now, due.p05), max(now, due.p50), max(now, due.p95))
            return
        features = self._features(now, band)
        if isinstance(features, str):
            self.log_due, self.no_forecast = None, features
            return
        if not self._library.can_tell:
            self.log_due, self.no_forecast = None, "too few fires are known to compare with"
            return
        low, middle, high = self._library.minutes_left(features)
        self.log_due, self.no_forecast = Interval(now + low * MINUTE, now + middle * MINUTE, now + high * MINUTE), ""

    def _features(self, now: float, band: Band) -> tuple[float, ...] | str:
        """What the fire looks like now, in the order of fire_exit.FEATURES, or why nothing can be said."""
        known = [v for v in self._pit[-3:] if not isnan(v)]
        if not known:
            return "the pit cannot be read" if len(self._pit) > BLIND_FOR or not self._lit else "too few readings"
        if not self._burns:
            return "the pit has not reached its band" if self._lit else "no fire is lit"
        level = median(known) - band.low
        slopes = [slope(self._pit[-n:]) for n in (6, 12)]
        if level < 0:
            return "the pit is below its band"
        if isnan(slopes[0]):
            return "too few readings"
        slopes = [slopes[0] if isnan(s) else s for s in slopes]
        fall = -sorted(self._slopes)[len(self._slopes) // FALLING_SHARE]
        since_log = (now - self.last_log) / MINUTE if self.last_log is not None else USUAL_GAP
        gap = median(self._intervals[-GAPS_KEPT:]) if self._intervals else USUAL_GAP
        features = (level, *slopes, fall, min(since_log, LONGEST_SINCE), gap)
        self._asked = [*self._asked[-REMEMBERED:], (now, features)]
        return features

    def dump(self) -> dict[str, object]:
        due = self.log_due
        return {
            "log_due": None if due is None else [due.p05, due.p50, due.p95],
            "no_forecast": self.no_forecast,
            "last_log": self.last_log,
            "slope": None if isnan(self.slope) else self.slope,
            "lid": self._lid.dump(),
            "pit": [None if isnan(v) else v for v in self._pit],
            "last_minute": self._last_minute,
            "lit": self._lit,
            "burns": self._burns,
            "quiet_until": self._quiet_until,
            "doubted_until": self._doubted_until,
            "damper_quiet_until": self._damper_quiet_until,
            "slopes": list(self._slopes),
            "asked": [[at, list(f)] for at, f in self._asked],
            "intervals": list(self._intervals),
            "rows": [list(r) for r in self._rows],
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.log_due = None if state["log_due"] is None else Interval(*state["log_due"])
        self.no_forecast, self.last_log = state["no_forecast"], state["last_log"]
        self.slope = nan if state["slope"] is None else state["slope"]
        self._lid.load(state["lid"])
        self.lid_open = self._lid.open
        self._pit = [nan if v is None else v for v in state["pit"]]
        self._last_minute, self._lit, self._burns = state["last_minute"], state["lit"], state["burns"]
        self._quiet_until, self._doubted_until = state["quiet_until"], state["doubted_until"]
        self._damper_quiet_until = state["damper_quiet_until"]
        self._slopes = list(state["slopes"])
        self._asked = [(at, tuple(f)) for at, f in state["asked"]]
        self._intervals, self._rows = list(state["intervals"]), [tuple(r) for r in state["rows"]]
        self._library = ExitLibrary(self._prior, tuple(self._rows), len(self._intervals))
