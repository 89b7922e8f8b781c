"""What the fire is doing, and how long the pit stays in its band if nobody feeds it.

Reads the control pit trace only. Marks of the cook are believed over detection: a marked log starts a new
cycle, and for a while no detector speaks of the same thing again.
"""

from __future__ import annotations

from math import isnan, nan
from typing import Any

from daemon.core.events import FireNoticed, FireSign
from daemon.core.orders import Mark, MarkKind
from daemon.core.outlook import Interval
from daemon.core.pit.exit_model import MIDDLE, MOST, ExitForecast
from daemon.core.pit.exit_watch import FORESEEN_KEPT, ExitWatch
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.pit.laid_logs import INTERVALS_KEPT, LaidLogs
from daemon.core.pit.signs import (
    DAMPER_AGAIN,
    DAMPER_SPAN,
    LID_DROP,
    LID_FASTER,
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
from daemon.core.pit.turns import heading, most_regained, plunges, rise_ahead, slackens, without_turn
from daemon.core.pit_profile import ClassFigure, FireProfile
from daemon.core.said import Text, say
from daemon.core.settings import Band, CallRule, FireModel

MINUTE = 60.0
NOT_BURNING = 60.0
"""°C: a pit this cold has no fire worth a forecast; common practice, no source."""
LASTING = 20
"""Minutes over which a fall counts as lasting; tried on simulated nights."""
REMEMBERED = 60
"""Minutes kept for the signs."""
LEAST_MARGIN = 1.0
"""°C: what a quiet probe's reading may be off from one minute to the next."""
TURNS_IN = 5
"""Minutes in which a pit that turns shows it."""
ANSWERS_AT_LEAST = 10 * MINUTE
"""s after a marked log in which nobody is called for wood, however quick the pit: who laid it has just gone."""
SHOWS_WITHIN, NO_TIME = 20 * MINUTE, 11 * MINUTE
"""s after a marked log by which the slowest pits have turned: so long it is waited for while the pit is in its band and has more
than NO_TIME left, half the usual lead. Common practice, no source."""
SHOWS_WHICH = 8 * MINUTE
"""s in which a pit shows whether it was opened for a log or its fire dies. Ours, tried on worlds left out."""
KNOWN_FIRES = 3
"""Fires that must be known before this pit's usual rise says anything."""
TENDED_FIRES = 2
"""Last fires that somebody must have fed before the pit left its band to count as being up. Who feeds later needs calling."""
TOO_SHORT_TO_SLEEP = 35.0
"""Minutes between logs in which nobody sleeps: the lead of a sleeper and little more. Common practice, no source."""
LATE_BY = 1.25
"""Share of his longest gap lately after which whoever tends the fire is late. Ours, tried on the worlds in tests/worlds."""
OPENED_FOR = 4
"""Minutes for which a pit may be lower than ever because somebody has just opened its door to feed it. Common practice, no
source."""
PLAINLY = 3.0
"""°C that a pit must have lost since a log before that is blamed: one may go on cooling down from the fire before."""
LONG_AGO = 1e9
AT_THE_PIT = frozenset({MarkKind.FIRE_LIT, MarkKind.LOG, MarkKind.LID_OPEN, MarkKind.LID_CLOSED})
"""Marks of somebody who has opened the pit."""
ANSWERS_AT_MOST, LONGEST_WAIT = 60 * MINUTE, 30 * MINUTE
"""s after a log beyond which nothing is blamed on it; s for which the slowest pit is given time to turn."""
RISE_LIKE = 1.5
"""Times its usual rise that a log may make a pit rise."""
PLAINLY_BELOW = 3.0
"""°C under the low edge from which a pit has left its band, and does not just waver about the edge. Ours."""
LOGS_HELP_WITHIN = 45 * MINUTE
"""s in which a pit that is fed comes back to its band. So long logs excuse one that is below it; after that only a climb does
that takes it back within as long again. Common practice, no source."""
BELOW = 1.0
"""°C under the low edge from which the pit has left its band: then there is nothing to foretell."""


class FireWatch:
    """One per pit. Reads the control pit trace (median of good pit channels), one value a minute."""

    lid_open: bool = False
    """The lid is open, or the pit is still recovering from it."""
    slope: float = 0.0
    """°C per minute over the last 10 min; NaN while unknown."""
    slackens: bool = False
    """The fall of the last minutes is less than it was just before: something burns."""

    def __init__(self, model: FireModel | None = None) -> None:
        """model: of the fire's end; without one no forecast is made."""
        self.exit = ExitWatch(model)
        self._lid = LidSense()
        self._pit: list[float] = []
        """Minute values of the present fire and the last minutes before it, °C, NaN under an open lid."""
        self._turning = nan
        """°C per minute over the last TURNS_IN of them."""
        self._plunges = False
        """No log that was laid holds their fall, see `plunges`."""
        self._unturned: tuple[list[float], int] = ([], 0)
        """How many of these newest minutes have nowhere turned up."""
        self._shown: tuple[list[float], int, tuple[bool, bool]] = ([], 0, (False, False))
        """What so many of these newest minutes have shown, see `_shown_since`."""
        self._last_minute = 0.0
        self._band = Band(0.0, 0.0)
        self._lit = False
        self._burns = False
        self._gone_cold = False
        self._quiet_until = 0.0
        self._doubted_until = 0.0
        self._damper_quiet_until = 0.0
        self.attended_at: float | None = None
        """Engine time of the newest mark of `AT_THE_PIT`."""
        self._below_since: float | None = None
        """Engine time at which it left its band by more than `PLAINLY_BELOW`; None: it has been back in it since."""
        self._last_read = nan
        """°C of the last minute that was read, lid open or shut."""
        self._logs = LaidLogs()

    @property
    def log_due(self) -> Interval | None:
        """When the pit leaves its band at the bottom if no fuel is added (engine time); None: `no_forecast` says why."""
        forecast = self.exit.forecast
        return None if forecast is None else forecast.interval(self._last_minute)

    @property
    def forecast_made_at(self) -> float | None:
        """Engine time at which `log_due` was said: a minute ago at most, and longer ago while the pit is not seen."""
        return None if self.exit.forecast is None else self.exit.forecast.made_at

    @property
    def no_forecast(self) -> Text:
        return self.exit.reason

    @property
    def last_log(self) -> float | None:
        """Engine time of the last log, marked or noticed."""
        return self._logs.last

    @property
    def lasting_slope(self) -> float:
        """°C per minute over the last 20 min, NaN while unknown: coming down from a log's overshoot is no dying fire."""
        return slope(self._pit[-LASTING:])

    @property
    def lower_each_time(self) -> bool:
        """Read too seldom for a slope, by a contact that flaps and under no open lid, and lower each time."""
        known = [v for v in self._pit[-LASTING:] if not isnan(v)]
        few = isnan(self.slope) and not self.exit.lid_lately and len(known) >= 3
        return few and known[0] - known[-1] > self._margin and known == sorted(known, reverse=True)

    @property
    def rise_ahead(self) -> float:
        """°C that the pit will still gain if its climb goes on to slacken as in the last minutes; 0 while it does not climb."""
        return rise_ahead(self._pit, self.climb)

    @property
    def regained(self) -> float:
        """°C above the lowest of the last 20 min; 0 while unknown."""
        recent = [v for v in self._pit[-LASTING:] if not isnan(v)]
        return recent[-1] - min(recent) if recent else 0.0

    @property
    def heading(self) -> int:
        """1: the pit has come up from its lowest of the last 20 min by half more than noise and not gone back; -1: the same down;
        0: neither. It is for words, which must not change with every minute."""
        return heading(tuple(self._pit[-LASTING:]), TURNS_IN, 1.5 * self._margin)

    def fed_within(self, now: float, seconds: float) -> bool:
        """A log was marked so lately."""
        return self.exit.marked_at is not None and now - self.exit.marked_at <= seconds

    def excused(self, now: float) -> bool:
        """A marked fire or log is still given time to show, and no earlier one has failed to; see `_tried_since`."""
        tried = self._tried_since(now)
        return tried is not None and now - tried <= SHOWS_WITHIN and not self._plunges

    def stays_low(self, now: float) -> bool:
        """It left its band `LOGS_HELP_WITHIN` ago, and its climb does not take it back within as long again: whatever was laid
        on, the fire does not take. That it came up by a degree or ten says nothing so far below."""
        if self._below_since is None or now - self._below_since < LOGS_HELP_WITHIN:
            return False
        missing = self._band.low - self._last_read
        return not self.lasting_slope * LOGS_HELP_WITHIN / MINUTE >= missing  # of NaN nothing is true

    def shows_no_fire(self, now: float) -> bool:
        """What was marked lit or laid last has had the time that this pit takes to turn up, and the pit has not."""
        tried = self._tried_since(now)
        if tried is None or now - tried < self._patience:
            return False
        return most_regained(self.exit.minutes_since(tried, now)) < self._margin

    @property
    def _patience(self) -> float:
        """s after a marked fire or log by which this pit has turned."""
        return min(LONGEST_WAIT, max(ANSWERS_AT_LEAST, 2 * self.exit.habits.slow_turn * MINUTE))

    def _tried_since(self, now: float) -> float | None:
        """Engine time of the first marked fire or log since which the pit has not turned up; None without one. What is laid on
        a log that has yet to show buys no more time: else marks that come again and again would keep a dead fire silent. In its
        band a pit may well come down from a flare while logs are laid: only the newest counts there."""
        first, minutes = self.exit.marked_at, self.exit.minutes
        if first is None or not minutes or minutes[-1] >= self._band.low:
            return first
        if self._unturned[0] is not minutes:  # every scan asks for it, and a minute is a list of its own
            self._unturned = minutes, without_turn(minutes, self._margin)
        since = now - self._unturned[1] * MINUTE
        for at in sorted((log.at for log in self._logs.newest if log.marked and log.at < first), reverse=True):
            if at < since or first - at > LONGEST_WAIT:
                break
            first = at
        return first

    def climb_is_a_log(self, now: float) -> bool:
        """A marked log has yet to reach its usual peak, or the pit has not risen by more than its own logs have made it rise."""
        habits, recent = self.exit.habits, [v for v in self._pit[-LASTING:] if not isnan(v)]
        marked = self.fed_within(now, habits.usual("peak") * MINUTE)
        known = len(habits.fires) >= KNOWN_FIRES and bool(recent)
        return marked or (known and recent[-1] - min(recent) <= RISE_LIKE * habits.usual("rise"))

    @property
    def lid_recovering(self) -> bool:
        """The lid was open and is shut: the pit comes back."""
        return self.lid_open and self._lid.shut_at is not None

    @property
    def lid_from(self) -> float:
        """°C that the pit had before a lid was opened of which nobody has spoken; NaN else."""
        return self._lid.level if self.lid_open and self._lid.unspoken else nan

    @property
    def climb(self) -> float:
        """°C per minute that both halves of the last minute show, NaN while unknown."""
        return self._lid.climb

    @property
    def steady_climb(self) -> float:
        """°C per minute over the last minutes, if the pit climbs and does not slacken; else NaN."""
        return steady_climb(self._pit)

    def feed(self, now: float, within: float) -> FeedSense:
        """Whether the fire wants wood. within: s from notice to a burning log, without the margin of the call rule."""
        forecast, call = self.exit.forecast, CallRule() if self.exit.model is None else self.exit.model.call
        margin = self._margin
        climb = self._turning * TURNS_IN
        if isnan(climb):  # the lid has just been shut: the last minute is all that is known
            climb = self.climb * TURNS_IN
        at, tried = self.exit.marked_at, self._tried_since(now)
        shown, fell = (False, False) if tried is None else self._shown_since(tried, now)
        patience = self._patience
        waited = LONG_AGO if at is None else now - at
        left = None if forecast is None else max(0.0, forecast.exits[MIDDLE] - now)
        if not shown and left is not None and left > NO_TIME:
            patience = max(patience, SHOWS_WITHIN)
        failed = tried is not None and now - tried >= patience and fell and not shown
        return FeedSense(
            chance=None if forecast is None else forecast.chance_by(now + within + call.margin * MINUTE),
            left=left,
            begins=call.begins,
            ends=call.ends,
            answering=(waited < patience and not (failed or self._plunges))
            or (climb > margin and any(isnan(v) for v in self._pit[-TURNS_IN:])),
            not_caught=failed and waited <= ANSWERS_AT_MOST and not (self.lid_open or self.slackens),
            tended=self._tended(now, margin),
            climbs=climb > margin,
            falls=climb < -margin,
            undecided=self.exit.two_minded_since is not None and now - self.exit.two_minded_since < SHOWS_WHICH,
            recedes=left is not None and left > NO_TIME and self._recedes(),
            slackens=self.slackens and waited <= LONGEST_WAIT and not shown,
            margin=margin,
            between=None if forecast is None else self._between(forecast, now),
        )

    def _shown_since(self, tried: float, now: float) -> tuple[bool, bool]:
        """Whether the pit has turned up by more than noise since then, and whether it has plainly fallen and lies at its lowest.
        Every scan asks for it, and it changes with a minute only."""
        minutes, back = self.exit.minutes, int((now - tried) // MINUTE)
        if self._shown[0] is not minutes or self._shown[1] != back:
            margin, since = self._margin, self.exit.minutes_since(tried, now)
            fell = len(since) > 2 and since[0] - since[-1] > max(margin, PLAINLY)
            fell = fell and since[-1] - min(since) < margin / 2
            self._shown = minutes, back, (most_regained(since) >= margin, fell)
        return self._shown[2]

    def _between(self, forecast: ExitForecast, now: float) -> tuple[float, float]:
        """See `FeedSense`. A step of the pit (an opened door) makes a slope that is none: the last minutes must fall as well."""
        early, late = forecast.exits[0] - now, forecast.exits[MOST] - now
        falls, pit = max(self.slope, self._turning), self._pit[-1] if self._pit else nan
        if falls < 0 and pit >= self._band.low:  # neither is true of NaN
            early = min(early, (pit - self._band.low) / -falls * MINUTE)
        return early, late

    def _recedes(self) -> bool:
        """The foreseen exit has moved off by at least half of the time that has passed."""
        seen = self.exit.foreseen
        return len(seen) > FORESEEN_KEPT and seen[-1] - seen[0] >= FORESEEN_KEPT / 2 * MINUTE

    @property
    def _margin(self) -> float:
        """°C that are more than noise."""
        return max(LEAST_MARGIN, 3 * self.exit.noise)

    @property
    def trend(self) -> float:
        """°C per minute for people: that of ten minutes, or of the last five where these show a move of their own. A fall that
        has only just ended is so not called steady before ten minutes have shown nothing else. NaN while unknown, and while
        the last minute is not seen: what was steady before the lid was opened says nothing of what came after."""
        if not self._pit or isnan(self._pit[-1]):
            return nan
        recent = self._turning
        moves = abs(recent) * TURNS_IN > self._margin and abs(recent - self.slope) * TURNS_IN > self._margin
        return recent if moves else self.slope  # of NaN nothing is true

    def _tended(self, now: float, margin: float) -> bool:
        """Whoever lays logs so often, and in time by himself, is up; who is up, not late and has let the pit fall no further than
        he usually does need not be woken."""
        fires = self.exit.own_fires(TENDED_FIRES)
        if not fires or not self._logs.newest or not self._pit:
            return False
        longest, lowest = max(fire.gap for fire in fires), min(min(fire.minutes) for fire in fires)
        if longest > TOO_SHORT_TO_SLEEP or lowest < self._band.low - BELOW:
            return False
        at, marked, _ = self._logs.newest[-1]
        unseen = 0.0 if marked else LOG_LAG  # who marks nothing may have laid it already
        late = now - at >= (LATE_BY * longest + unseen) * MINUTE
        fallen = all(pit < lowest - margin for pit in self._pit[-OPENED_FOR:])  # of NaN nothing is true
        return not (late or fallen)

    def scan(self, now: float, pit: float) -> list[FireNoticed]:
        """Every 5 s with the newest pit value (°C, NaN = unknown): only the fast signs (lid)."""
        seen = self._lid.scan(now, pit)
        self.lid_open = self._lid.open
        if seen is None:
            return []
        opened, at, confidence = seen
        self._quiet_until = max(self._quiet_until, now + LOG_MUTED * MINUTE)
        self._doubted_until = now + LOG_DOUBTED * MINUTE
        self._damper_quiet_until = max(self._damper_quiet_until, self._doubted_until)
        return [FireNoticed(now, FireSign.LID_OPENED if opened else FireSign.LID_CLOSED, at, confidence)]

    def minute(self, now: float, pit: float, band: Band, ambient: float) -> list[FireNoticed]:
        """Every minute with the minute's median: logs, damper, forecast."""
        if band.low > self._band.low:
            self._below_since = None  # a band that was raised gives it its time anew
        self._last_minute, self._band = now, band
        self._lid.least_drop = max(LID_DROP, LID_FASTER * self.exit.habits.usual("fastest"))
        seen = nan if self.lid_open else pit
        self._pit = [*self._pit[-REMEMBERED:], seen]
        self.slope = slope(self._pit[-10:])
        self._look_back()
        noticed = self._log(now) + self._damper(now)
        self._burning(now, pit, band)
        self._below(now, pit, band.low)
        self.exit.minute(now, seen, band, ambient, self.lid_open, self._why_not(seen, band))
        return noticed

    def _look_back(self) -> None:
        """What the last minutes show: every scan asks for it, and it changes with a minute only."""
        self._turning, self._plunges = slope(self._pit[-TURNS_IN:]), plunges(self._pit, self._band.low)
        self.slackens = slackens(self._pit) and not self._plunges

    def seen_anew(self, minutes: list[float]) -> None:
        """One of the pit's probes has lied: what the others said of its last minutes, °C. No sign is seen in the change."""
        kept = self._pit[: -len(minutes)]
        before = self._pit[len(kept) :]
        anew = minutes[len(minutes) - len(before) :]
        self._pit = kept + [nan if isnan(old) else new for old, new in zip(before, anew, strict=True)]
        self._lid.seen_anew()

    def mark(self, mark: Mark, now: float, burns: bool = False) -> None:
        """The cook says a log went in, the lid was opened or the damper changed: believed over detection. burns: its heat has
        told of the fire already, so that "lit" says nothing new and gives it no time to show."""
        if mark.kind in AT_THE_PIT:
            self.attended_at = now
        match mark.kind:
            case MarkKind.FIRE_LIT:
                self._lit, self._gone_cold = True, False
                self._below_since = None if self._below_since is None else now  # a new fire, with time of its own
                if not burns:
                    self._new_fire(now, marked=True)
            case MarkKind.LOG:
                self._new_fire(now, marked=True)
                self._quiet_until = max(self._quiet_until, now + LOG_KNOWN * MINUTE)
                self._damper_quiet_until = max(self._damper_quiet_until, self._quiet_until)
            case MarkKind.LID_OPEN | MarkKind.LID_CLOSED:
                self._lid.mark(mark.kind is MarkKind.LID_OPEN, now)
                self.lid_open = self._lid.open
                self._quiet_until = max(self._quiet_until, now + LOG_MUTED * MINUTE)
                self._damper_quiet_until = max(self._damper_quiet_until, self._quiet_until)
            case MarkKind.DAMPER:
                self.exit.damper(now)
                self._damper_quiet_until = now + DAMPER_AGAIN * MINUTE
            case _:
                pass

    def take_back(self, kind: MarkKind, done: float, left: list[tuple[MarkKind, float]], now: float) -> None:
        """A mark was wrong. done: when it said that it was done; left: (kind, done) of the marks that stand, oldest first.
        What detectors were kept from seeing since then stays unseen; from now on they look again."""
        match kind:
            case MarkKind.FIRE_LIT | MarkKind.LOG:
                logs = [at for other, at in left if other in (MarkKind.FIRE_LIT, MarkKind.LOG)]
                if self._logs.take_back(done):
                    self.exit.take_back_log(done, logs[-1] if logs else None)
                self._lit = self._burns or any(other is MarkKind.FIRE_LIT for other, _ in left)
            case MarkKind.LID_OPEN | MarkKind.LID_CLOSED:
                lids = [other for other, _ in left if other in (MarkKind.LID_OPEN, MarkKind.LID_CLOSED)]
                last_open = bool(lids) and lids[-1] is MarkKind.LID_OPEN
                self._lid.take_back(now, was_open=kind is MarkKind.LID_OPEN, last_open=last_open)
                self.lid_open = self._lid.open
            case MarkKind.DAMPER:
                self.exit.damper(max((at for other, at in left if other is MarkKind.DAMPER), default=None))
            case _:
                return
        mutes = {MarkKind.LOG: LOG_KNOWN, MarkKind.LID_OPEN: LOG_MUTED, MarkKind.LID_CLOSED: LOG_MUTED}
        quiet = [at + mutes[other] * MINUTE for other, at in left if other in mutes]
        quiet += [log.at + (LOG_LAG + LOG_AGAIN) * MINUTE for log in self._logs.newest if not log.marked]
        self._quiet_until = min(self._quiet_until, max(quiet, default=now))
        moved = [at + DAMPER_AGAIN * MINUTE for other, at in left if other is MarkKind.DAMPER]
        self._damper_quiet_until = min(self._damper_quiet_until, max([self._quiet_until, *moved]))

    def nap_window(self, lead: float) -> tuple[float, float] | None:
        """("sleep until", "at the latest"), engine times. lead: s a sleeper needs from notice to a burning log.

        Until: the early end (p05) of the interval in which the pit leaves its band, less the lead. Latest: its
        middle (p50), less the lead. None when there is no forecast, or `until` has already come.
        """
        if self.log_due is None:
            return None
        until, latest = self.log_due.p05 - lead, self.log_due.p50 - lead
        return (until, latest) if until > self._last_minute else None

    def call_at(self, lead: float) -> float | None:
        """Engine time at which somebody is likely to be called for wood, by the call's own rule and what is foretold now; None
        without a forecast. lead: as in `nap_window`."""
        forecast, model = self.exit.forecast, self.exit.model
        if forecast is None or model is None:
            return None
        return forecast.reached_at(model.call.begins) - model.call.margin * MINUTE - lead

    def use_profile(self, profile: FireProfile) -> None:
        """Take over what was learned elsewhere, in place of what this watch has learned."""
        self._logs.intervals = tuple(profile.log_intervals[-INTERVALS_KEPT:])
        self.exit.use(profile.episodes)

    def use_class(self, figures: tuple[ClassFigure, ...]) -> None:
        """Take over what pits that are built alike have shown; see `PitHabits.use_class`."""
        self.exit.habits.use_class(figures)

    @property
    def class_figures(self) -> tuple[ClassFigure, ...]:
        """What was taken over."""
        return self.exit.habits.class_figures

    @property
    def log_intervals(self) -> tuple[float, ...]:
        """Minutes between logs of this pit, oldest first."""
        return self._logs.intervals

    def learned(self) -> FireProfile:
        """The profile with this cook's fires added."""
        return FireProfile(self.exit.habits.rows(), self.log_intervals)

    def _log(self, now: float) -> list[FireNoticed]:
        turn = log_turn(self._pit) if len(self._pit) >= 2 * LOG_SPAN else 0.0
        if turn <= 0 or now < self._quiet_until or not self._burns:
            return []
        if now < self._doubted_until and self._pit[-1] <= self._lid.level:
            return []  # still coming back from the open lid
        at = now - LOG_LAG * MINUTE
        self._new_fire(at, marked=False)
        self._quiet_until = now + LOG_AGAIN * MINUTE
        return [FireNoticed(now, FireSign.LOG_ADDED, at, min(0.95, 0.7 + turn / 2))]

    def _damper(self, now: float) -> list[FireNoticed]:
        turn = damper_turn(self._pit)
        if turn == 0 or now < self._damper_quiet_until or not self._burns:
            return []
        self._damper_quiet_until = now + DAMPER_AGAIN * MINUTE
        self.exit.damper(now - DAMPER_SPAN * MINUTE)
        return [FireNoticed(now, FireSign.DAMPER_CHANGED, now - DAMPER_SPAN * MINUTE, min(0.9, 0.4 + abs(turn) / 5))]

    def _new_fire(self, at: float, *, marked: bool) -> None:
        """A log went in at `at`."""
        self._logs.lay(at, marked=marked, burns=self._burns)
        self.exit.log(at, marked)

    def _burning(self, now: float, pit: float, band: Band) -> None:
        if isnan(pit):
            return
        if pit >= band.low:
            self._burns, self._lit, self._gone_cold = True, True, False
            self.exit.burning(now)
        elif pit < NOT_BURNING:
            self._gone_cold = self._gone_cold or self._burns
            self._burns = False
            self.exit.burning(None)

    def _below(self, now: float, pit: float, low: float) -> None:
        """A pit that has yet to reach its band for the first time is judged as one that is being lit."""
        if isnan(pit):
            return
        self._last_read = pit
        if pit >= low:
            self._below_since = None
        elif pit < low - PLAINLY_BELOW and self._below_since is None and self._burns:
            self._below_since = now

    def _why_not(self, pit: float, band: Band) -> Text:
        """Why nothing can be foretold, whatever the model knows, or ""."""
        if self._gone_cold:
            return say("fire.gone-cold")
        if not self._burns:
            return say("fire.not-in-band") if self._lit else say("fire.not-lit")
        return say("fire.below-band") if pit < band.low - BELOW else ""

    def dump(self) -> dict[str, object]:
        return {
            "exit": self.exit.dump(),
            **self._logs.dump(),
            "slope": None if isnan(self.slope) else self.slope,
            "lid": self._lid.dump(),
            "pit": [None if isnan(v) else v for v in self._pit],
            "last_minute": self._last_minute,
            "band": [self._band.low, self._band.high],
            "lit": self._lit,
            "attended_at": self.attended_at,
            "burns": self._burns,
            "gone_cold": self._gone_cold,
            "quiet_until": self._quiet_until,
            "doubted_until": self._doubted_until,
            "damper_quiet_until": self._damper_quiet_until,
            "below": [self._below_since, None if isnan(self._last_read) else self._last_read],
        }

    def load(self, dumped: dict[str, object]) -> None:
        state: Any = dumped
        self.exit.load(state["exit"])
        self._logs.load(state)
        self.slope = nan if state["slope"] is None else state["slope"]
        self._lid.load(state["lid"])
        self._lid.least_drop = max(LID_DROP, LID_FASTER * self.exit.habits.usual("fastest"))
        self.lid_open = self._lid.open
        self._pit = [nan if v is None else v for v in state["pit"]]
        self._last_minute, self._band = state["last_minute"], Band(*state["band"])
        self._look_back()
        self._lit, self._burns = state["lit"], state["burns"]
        self._gone_cold = state.get("gone_cold", False)  # not in the checkpoints of earlier versions
        self.attended_at = state.get("attended_at")  # not in the checkpoints of earlier versions
        self._quiet_until, self._doubted_until = state["quiet_until"], state["doubted_until"]
        self._damper_quiet_until = state["damper_quiet_until"]
        self._below_since, read = state.get("below", (None, None))  # not in the checkpoints of earlier versions
        self._last_read = nan if read is None else read
