"""The pure heart: inputs in, events out, and the next time it wants to be called. What it remembers is `WatchState`.

Everything slower than a reading happens in the scan cycle, at whole multiples of SCAN_CYCLE in engine time, so that what is
decided depends on nothing but the inputs before it: live, after a restart and in a replay alike. The caller fires
every deadline that has passed, each with its own time, before it hands over the next input.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import ceil, nan

from daemon.core import inputs
from daemon.core.alarms.conditions import conditions
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.events import (
    AlarmChanged,
    CommandRefused,
    CookChanged,
    Event,
    FireNoticed,
    ForecastWanted,
    Marked,
    SamplesJudged,
    WakeJudged,
)
from daemon.core.grace import SPEAKS_OF_SILENCE
from daemon.core.pieces.changes import CookOrder, Refused, difference, ordered, wrong_with
from daemon.core.pieces.piece import Circumstances, PieceWatch
from daemon.core.plan.duties import REMINDER_RULES, DutyOrder
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Role
from daemon.core.watch_state import WatchState
from drivers.reading import Quality

SCAN_CYCLE = 5.0
"""s between judgings."""
FORECAST_EVERY = 600.0
"""s between forecasts of a piece; a mark asks at once."""
MEMORY_MINUTES = 48 * 60
"""Minutes of trace kept: the longest cook with its rest and hold, twice over."""
MOVE_EXPECTED = 15 * MINUTE
"""s after a mark in which a probe may jump without being doubted."""
SIGNS_SHOWN = 20
BACK_DATED_AT_MOST = 12 * 3600.0
"""s: an older mark is a slip. Our choice."""
MIN_BAND = 5.0
"""°C: no log fire holds less."""


class Engine(WatchState):
    """One watch. Not thread-safe: one loop owns it."""

    # --- the three calls -----------------------------------------------------------------------------

    def handle(self, item: inputs.Input, now: float) -> list[Event]:
        """Take one input at engine time `now`, which never decreases."""
        if self._next_scan is None:
            self._next_scan = ceil(now / SCAN_CYCLE) * SCAN_CYCLE
        match item:
            case inputs.Readings():
                return self._readings(item, now)
            case inputs.Resumed():
                self.annunciator.begin_life(item.life)
                return self._resumed(item, now)
            case inputs.WallClock():
                self.wall = item
                return self._part(
                    inputs.Health(inputs.Part.CLOCK, "clock", item.trusted, "the clock has not been set"), now
                )
            case inputs.Health():
                return self._part(item, now)
            case inputs.LinkCounts():
                self.links[item.device] = item
                return []
            case inputs.Delivered():
                return list(self.annunciator.delivered(item, now))
            case inputs.ForecastArrived():
                return self.pieces.forecast(item, now)
            case inputs.UsePitProfile():
                self.profile = item.profile
                self.fire.use_profile(item.profile.fire)
                return []
            case _:
                return self._command(item, now)

    def next_deadline(self) -> float | None:
        """Engine time at which `handle_timer` wants to be called, or None before the first input."""
        if self._next_scan is None:
            return None
        others = (self.alarms.next_deadline(), self.annunciator.next_deadline())
        return min([self._next_scan, *(d for d in others if d is not None)])

    def handle_timer(self, now: float) -> list[Event]:
        """Fire what is due. `now` is the deadline itself, not the time of waking up."""
        events = self._due_alarms(now)
        if self._next_scan is not None and self._next_scan <= now:
            self._next_scan += SCAN_CYCLE
            events += self._scan(now)
        return events + self._due_calls(now)

    def _due_alarms(self, now: float) -> list[Event]:
        due = self.alarms.next_deadline()
        return self._annunciated(self.alarms.handle_timer(now), now) if due is not None and due <= now else []

    def _due_calls(self, now: float) -> list[Event]:
        due = self.annunciator.next_deadline()
        if due is None or due > now:
            return []
        return list(self.annunciator.handle_timer(self.alarms.views(), now, self._utc(now)))

    # --- inputs --------------------------------------------------------------------------------------

    def _command(self, item: inputs.Order, now: float) -> list[Event]:
        """What a person says or asks."""
        match item:
            case inputs.Mark():
                return self._mark(item, now)
            case inputs.Acknowledge():
                return self._acknowledge(item, now)
            case inputs.Shelve() | inputs.Unshelve() | inputs.OutOfService():
                return self._alarm_command(item, now)
            case inputs.PauseSound() | inputs.TestWake():
                return list(self.annunciator.command(item, now, self._utc(now)))
            case inputs.GoodMorning():
                self._asleep_since = None
                self.annunciator.sleep(False, now)
                return list(self.annunciator.command(item, now, self._utc(now)))
            case inputs.GoToSleep():
                self._asleep_since = now
                self.annunciator.sleep(True, now)
                return [self._plan_nap(now)]
            case inputs.SetBand():
                return self._set_band(item, now)
            case inputs.AskWrap():
                return self.pieces.ask_wrap(item, now) or self._ask(self.pieces[item.piece], now)
            case inputs.StartCook():
                return self._start_cook(item, now)
            case inputs.AddPiece() | inputs.RemovePiece() | inputs.MoveProbe() | inputs.ChangeCook():
                return self._change_cook(item, now)
            case inputs.EndCook():
                return self._end_cook(now)
            case _ if isinstance(item, DutyOrder):
                return self._duty(item, now)
            case inputs.JudgeWake():
                return [WakeJudged(now, item.notification, item.needed, item.by)]

    def _readings(self, item: inputs.Readings, now: float) -> list[Event]:
        samples, events = [], []
        for reading in item.readings:
            sample, change = self.conditioner.judge(reading, now)
            samples.append(sample)
            self.trace.add(sample)
            if sample.quality is Quality.GOOD:
                self.since.good_at[sample.channel] = sample.measured_at
            if change is not None:
                events.append(change)
        return [SamplesJudged(now, tuple(samples)), *events]

    def _acknowledge(self, item: inputs.Acknowledge, now: float) -> list[Event]:
        """A test wake is no alarm: it is known to the annunciator only. "*" answers both. One answer to a message is
        an answer to every alarm it named."""
        events: list[Event] = []
        if item.alarm in ("*", TEST_WAKE):
            events += self.annunciator.command(item, now, self._utc(now))
        if item.alarm != TEST_WAKE:
            for alarm in self.annunciator.answers(item.alarm, self.alarms.waiting(), now):
                events += self._annunciated(self.alarms.command(inputs.Acknowledge(alarm, item.by), now), now)
        return events

    def _alarm_command(self, item: inputs.Shelve | inputs.Unshelve | inputs.OutOfService, now: float) -> list[Event]:
        if isinstance(item, inputs.OutOfService) and item.out and self.annunciator.is_night(self._utc(now)):
            return [CommandRefused(now, "out-of-service", "alarms go out of service by day only, with somebody awake")]
        return self._annunciated(self.alarms.command(item, now), now)

    def _resumed(self, item: inputs.Resumed, now: float) -> list[Event]:
        """Nobody watched: no deadline of that time fires, and the minutes of it are unknown to whoever counts minutes."""
        events = self._close_missed(now)
        self.grace.resumed(now, item.watched_until)
        self.alarms.resumed(now)
        self.since.resumed(now)
        self._next_scan = ceil(now / SCAN_CYCLE) * SCAN_CYCLE
        return events + self._due_alarms(now) + self._due_calls(now)

    def _close_missed(self, now: float) -> list[Event]:
        """Close the minute in which the watch stopped, and pass on that nothing is known of those up to this one."""
        this = int(now // MINUTE)
        if self._closed is None or self._closed >= this - 1:
            return []
        events = self._minute((self._closed + 2) * MINUTE)
        for minute in range(max(self._closed + 1, this - MEMORY_MINUTES), this):
            end = (minute + 1) * MINUTE
            self.conditioner.miss_minute()
            self.fire.minute(end, nan, self.band, nan)
            for piece in self.pieces.values():
                piece.miss_minute(end, self.band)
            self._closed = minute
        return events

    def _part(self, item: inputs.Health, now: float) -> list[Event]:
        self.health.take(item, now)
        return []

    def _mark(self, item: inputs.Mark, now: float) -> list[Event]:
        if item.piece is not None and item.piece not in self.pieces:
            return [CommandRefused(now, f"mark {item.kind}", f"no piece is called {item.piece}")]
        done = now if item.at is None else item.at
        if not now - BACK_DATED_AT_MOST <= done <= now:
            return [CommandRefused(now, f"mark {item.kind}", "a mark lies between twelve hours ago and now")]
        events: list[Event] = [Marked(now, item.kind, item.piece, item.by, item.note, item.at)]
        self.fire.mark(item, done)
        self.duties.mark(item, done)
        events += [replace(change, time=now) for change in self.pit_stage.mark(item, done)]
        for piece in self.pieces.meant(item):
            self.conditioner.expect_move(piece.settings.channel, now + MOVE_EXPECTED)
            begun = piece.stage.on_at or done  # nothing was done to meat before it went on
            changes = [replace(change, time=now) for change in piece.mark(item, max(done, begun))]
            events += changes
            self._use(piece)
            if changes:
                events += self._ask(piece, now)
        self._mind_duties(now)
        return events

    def _set_band(self, item: inputs.SetBand, now: float) -> list[Event]:
        if not (item.band.low >= 40 and item.band.high <= 400 and item.band.high - item.band.low >= MIN_BAND):
            return [CommandRefused(now, "band", "a band lies between 40 and 400 °C and is at least 5 °C wide")]
        self.band = item.band
        return []

    def _start_cook(self, item: inputs.StartCook, now: float) -> list[Event]:
        reason = wrong_with(item.cook, self.settings)
        if reason:
            return [CommandRefused(now, "start cook", reason)]
        events = self._retire_all(now)
        self.settings = replace(self.settings, cook=item.cook)
        self._begin_cook()
        return events

    def _change_cook(self, order: CookOrder, now: float) -> list[Event]:
        """Pieces come and go, and probes move, while the cook runs."""
        wanted = ordered(order, self.settings)
        if isinstance(wanted, Refused):
            return [CommandRefused(now, "change the cook", wanted.reason)]
        before, found = self.settings.cook, difference(self.settings.cook, wanted)
        events = [e for piece in found.removed for e in self._annunciated(self.alarms.retire(piece, now), now)]
        self.settings = self.conditioner.settings = replace(self.settings, cook=wanted)
        if wanted.band != before.band:
            self.band = wanted.band
        for piece in before.pieces:
            self.conditioner.in_use(piece.channel, False)
        self.pieces.change(self.settings, int(now // MINUTE))
        events += self._retire_reminders(self.duties.change(before, wanted), now)
        for watch in self.pieces.values():
            if watch.settings.id in found.probe:
                self.conditioner.expect_move(watch.settings.channel, now + MOVE_EXPECTED)
            self._use(watch)
        return [*events, CookChanged(now, found.added, found.removed, found.changed, found.probe, order.by)]

    def _end_cook(self, now: float) -> list[Event]:
        events: list[Event] = list(self.pit_stage.finish(now))
        events += self._retire_all(now)
        self.settings = replace(self.settings, cook=replace(self.settings.cook, pieces=(), serve_at=None, reminders=()))
        self._begin_cook()
        return events

    def _retire_all(self, now: float) -> list[Event]:
        events = [e for piece in self.pieces for e in self._annunciated(self.alarms.retire(piece, now), now)]
        return events + self._retire_reminders([r.settings.id for r in self.duties.reminders], now)

    def _retire_reminders(self, ids: Iterable[str], now: float) -> list[Event]:
        return [e for id_ in ids for e in self._annunciated(self.alarms.retire(id_, now, REMINDER_RULES), now)]

    def _duty(self, item: DutyOrder, now: float) -> list[Event]:
        """The plan, the cook's own reminders, the wood. What stands of another reminder of that id ends."""
        events = self.duties.command(item, now)
        if isinstance(item, inputs.RemoveReminder):
            events += self._retire_reminders([item.reminder], now)
        elif isinstance(item, inputs.AddReminder):
            events += self._retire_reminders([item.reminder.id], now)
        self._mind_duties(now)
        return events

    def _mind_duties(self, now: float) -> None:
        """Each minute, and when a person said something: it is shown at once."""
        self.duties.minute(now, self.settings.cook, self.pit_stage, self.pieces, self._cores())

    # --- the scan cycle --------------------------------------------------------------------------------------

    def _scan(self, now: float) -> list[Event]:
        events: list[Event] = list(self.conditioner.scan(now))
        pit = self.readout.pit_now()
        noticed = self.fire.scan(now, pit)
        if now % MINUTE == 0:
            events += noticed
            noticed = []
            events += self._minute(now)
        events += noticed
        self.fires = [*[e for e in events if isinstance(e, FireNoticed)], *self.fires][:SIGNS_SHOWN]
        self.since.scan(now, pit, self.fire.lid_open)
        heard = self._heard()
        for condition in conditions(self._process_snapshot(now, pit)):
            spared = condition.rule in SPEAKS_OF_SILENCE or condition.subject not in heard
            if now >= self.grace.until or not spared:
                events += self._annunciated(self.alarms.judge(condition, now), now)
        return events

    def _minute(self, now: float) -> list[Event]:
        minute = int(now // MINUTE) - 1
        self.trace.close_minute(minute)
        self._closed = minute
        events: list[Event] = list(self.conditioner.minute(now))
        pit = self.readout.pit_of_minute(minute)
        ambient = self.readout.mean_of(Role.AMBIENT, minute)
        events += self.fire.minute(now, pit, self.band, nan if ambient is None else ambient)
        events += self.pit_stage.minute(now, pit, self.fire.slope, self.band, self.fire.lid_open)
        for piece in self.pieces.values():
            before = piece.stage.stage
            events += piece.minute(now, self.trace, minute, pit, self.band)
            self._use(piece)
            if now % FORECAST_EVERY == 0 or before != piece.stage.stage:
                events += self._ask(piece, now)
        self.duties.noticed(events)
        self._mind_duties(now)
        if self.pieces.all_off():
            events += self.pit_stage.finish(now)
        elif self.pieces.on_fire():
            events += self.pit_stage.meat_on(now)
        if minute % 5 == 0:
            self.evenness = self.readout.evenness(minute, self.pieces)
            self.trace.forget_before(minute - MEMORY_MINUTES)
        return events

    def _annunciated(self, changes: Iterable[AlarmChanged | CommandRefused], now: float) -> list[Event]:
        """Alarm changes followed by whatever annunciation people they lead to."""
        events: list[Event] = []
        for change in changes:
            events.append(change)
            if isinstance(change, AlarmChanged):
                self.annunciator.refresh(self.alarms.views(), now)
                self.duties.changed(change)
                view = self.alarms.view(change.alarm)
                events += self.annunciator.changed(change, view, now, self._utc(now))
        return events

    def _ask(self, piece: PieceWatch, now: float) -> list[Event]:
        first = piece.first_minute()
        last = int(now // MINUTE) - 1
        if first is None or last < first:
            return []
        cook, cabinet = self.settings.cook, self.settings.cook.hold.channel
        around = Circumstances(
            first=first,
            last=last,
            pit=tuple(self.readout.pit_minutes(first, last)),
            band=self.band,
            boiling_point=self.settings.boiling_point,
            ambient=self.readout.mean_of(Role.AMBIENT, last),
            hold_cabinet=None if cabinet is None else self.good(cabinet),
            rest=cook.rest,
            suspect=self.readout.doubt(piece.settings.channel),
        )
        request = piece.question_for_forecaster(now, self.trace, around)
        if request is None:
            return []
        return [ForecastWanted(now, replace(request, bias_minutes=self.profile.forecast_bias))]
