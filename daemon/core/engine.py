"""The pure heart: inputs in, events out, and the next time it wants to be called. What it remembers is `WatchState`.

Everything slower than a reading happens in the scan cycle, at whole multiples of SCAN_CYCLE in engine time, so that what is
decided depends on nothing but the inputs before it: live, after a restart and in a replay alike. The caller fires
every deadline that has passed, each with its own time, before it hands over the next input.
"""

from __future__ import annotations

from math import ceil, inf, nan

from daemon.core import inputs, orders
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.cook_orders import CookOrders
from daemon.core.events import CommandRefused, Event, ProbeFault, Sample, SamplesJudged, WakeJudged
from daemon.core.grace import SPEAKS_OF_SILENCE
from daemon.core.pieces.meat_witness import alone_cools
from daemon.core.pieces.stage import PiecePhase
from daemon.core.plan.duties import DutyOrder
from daemon.core.readings.channel_judge import GOOD
from daemon.core.readings.trace import MINUTE
from daemon.core.said import Text, say
from daemon.core.settings import Role

SCAN_CYCLE = 5.0
"""s between judgings."""
FORECAST_EVERY = 600.0
"""s between forecasts of a piece; a mark asks at once."""
MEMORY_MINUTES = 48 * 60
"""Minutes of trace kept: the longest cook with its rest and hold, twice over."""
POSSIBLE_BAND = (40.0, 400.0)
"""°C: no pit is worked outside; ours, no source."""
MIN_BAND = 5.0
"""°C: no log fire holds less."""


class Engine(CookOrders):
    """One watch. Not thread-safe: one loop owns it."""

    # --- the three calls -----------------------------------------------------------------------------

    def handle(self, item: inputs.Input, now: float) -> list[Event]:
        """Take one input at engine time `now`, which never decreases."""
        if self._next_scan is None:
            self._next_scan = ceil(now / SCAN_CYCLE) * SCAN_CYCLE
            self.shift.begin(now if self.pieces else None)
        match item:
            case inputs.Readings():
                return self._readings(item, now)
            case inputs.Resumed():
                self.annunciator.begin_life(item.life)
                return self._resumed(item, now)
            case inputs.WallClock():
                ahead, self.wall = item.offset - self.wall.offset, item
                # the board was off for longer than it knew, or its clock is wrong: rather too soon than too late
                if ahead > 0.0:
                    self.alarms.passed(ahead, now)
                    self.annunciator.passed(ahead, now)
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
            case inputs.UsePitProfile() | inputs.UsePitClass():
                return self._taught(item, now)
            case orders.Mark() | orders.StartCook() | orders.EndCook():
                events = self._command(item, now)
                if not any(isinstance(event, CommandRefused) for event in events):
                    self.health.record_told(now)
                return events
            case _:
                return self._command(item, now)

    def next_deadline(self) -> float | None:
        """Engine time at which `handle_timer` wants to be called, or None before the first input."""
        if self._next_scan is None:
            return None
        soonest = self._next_scan
        for due in (self.alarms.next_deadline(), self.annunciator.next_deadline()):
            if due is not None and due < soonest:
                soonest = due
        return soonest

    def handle_timer(self, now: float) -> list[Event]:
        """Fire what is due. `now` is the deadline itself, not the time of waking up."""
        events = self._due_alarms(now)
        if self._next_scan is not None and self._next_scan <= now:
            self._next_scan += SCAN_CYCLE
            events += self._scan(now)
        return events + self._due_calls(now)

    def words_now(self, message: str) -> Text | None:
        """See `Annunciator.words_now`. Changes nothing."""
        return self.annunciator.words_now(message, self.alarms.views())

    def _due_alarms(self, now: float) -> list[Event]:
        due = self.alarms.next_deadline()
        return self._annunciated(self.alarms.handle_timer(now), now) if due is not None and due <= now else []

    def _due_calls(self, now: float) -> list[Event]:
        due = self.annunciator.next_deadline()
        if due is None or due > now:
            return []
        return list(self.annunciator.handle_timer(self.alarms.views(), now, self._utc(now)))

    # --- inputs --------------------------------------------------------------------------------------

    def _command(self, item: orders.Order, now: float) -> list[Event]:
        """What a person says or asks."""
        self._acted_at = now
        match item:
            case orders.Mark() | orders.TakeBack() | orders.SpotReading() | orders.ChooseSpot():
                return self._said(item, now)
            case orders.Acknowledge():
                return self._acknowledge(item, now)
            case orders.Shelve() | orders.Unshelve() | orders.OutOfService():
                return self._alarm_command(item, now)
            case orders.PauseSound() | orders.TestWake():
                return list(self.annunciator.command(item, now, self._utc(now)))
            case orders.GoodMorning():
                self._asleep_since = None
                self.annunciator.sleep(False, now)
                return list(self.annunciator.command(item, now, self._utc(now)))
            case orders.GoToSleep():
                self._asleep_since = now
                self.alarms.lies_down(now)
                self.annunciator.sleep(True, now)
                return [self._plan_nap(now)]
            case orders.SetBand():
                return self._set_band(item, now)
            case orders.AskWrap():
                return self.pieces.ask_wrap(item, now) or self._ask(self.pieces[item.piece], now)
            case orders.StartCook():
                return self._start_cook(item, now)
            case (
                orders.AddPiece()
                | orders.RemovePiece()
                | orders.MoveProbe()
                | orders.MovePiece()
                | orders.ChangePiece()
                | orders.ChangeCook()
            ):
                return self._change_cook(item, now)
            case orders.EndCook():
                return self._end_cook(now)
            case _ if isinstance(item, DutyOrder):
                return self._duty(item, now)
            case orders.HandOver() | orders.TellDeed():
                return self.shift.told(item, tuple(self.pieces), now)
            case orders.JudgeWake():
                return [WakeJudged(now, item.notification, item.needed, item.by)]

    def _readings(self, item: inputs.Readings, now: float) -> list[Event]:
        samples: list[Sample] = []
        events: list[Event] = []
        judge, add, good_at, spots = self.conditioner.judge, self.trace.add, self.good_at, self._spot_tolerances
        for reading in item.readings:
            sample, change = judge(reading, now)
            samples.append(sample)
            channel, _, quality, measured_at, _, _ = sample
            if quality is GOOD:
                add(sample)
                good_at[channel] = measured_at
            if change is not None:
                events.append(change)
            if channel in spots:
                events += self._handheld(sample, now)
        return [SamplesJudged(now, tuple(samples)), *events]

    def _acknowledge(self, item: orders.Acknowledge, now: float) -> list[Event]:
        """A test wake is no alarm: it is known to the annunciator only. "*" answers both. One answer to a message is
        an answer to every alarm it named."""
        events: list[Event] = []
        test_wake = item.alarm.partition("#")[0] == TEST_WAKE  # also by the id of its message
        if test_wake or item.alarm == "*":
            events += self.annunciator.command(orders.Acknowledge(TEST_WAKE, item.by), now, self._utc(now))
        if not test_wake:
            for alarm in self.annunciator.answers(item.alarm, self.alarms.waiting(), now):
                events += self._annunciated(self.alarms.command(orders.Acknowledge(alarm, item.by), now), now)
        return events

    def _alarm_command(self, item: orders.Shelve | orders.Unshelve | orders.OutOfService, now: float) -> list[Event]:
        if isinstance(item, orders.OutOfService) and item.out and self.annunciator.is_night(self._utc(now)):
            return [CommandRefused(now, "out-of-service", say("refused.by-day-only"))]
        return self._annunciated(self.alarms.command(item, now), now)

    def _resumed(self, item: inputs.Resumed, now: float) -> list[Event]:
        """Nobody watched: no deadline of that time fires, and the minutes of it are unknown to whoever counts minutes."""
        events = self._close_missed(now)
        self.grace.resumed(now, item.watched_until)
        self.alarms.resumed(now, item.away_known)
        if not item.away_known:
            self.annunciator.passed(inf, now)
        events += self._leave_behind(now)
        for pit in self.pits.values():
            pit.since.resumed(now)
        self._next_scan = ceil(now / SCAN_CYCLE) * SCAN_CYCLE
        return events + self._due_alarms(now) + self._due_calls(now)

    def _leave_behind(self, now: float) -> list[Event]:
        """What is of another rig ends: nobody could put it right, and no answer would clear it."""
        events: list[Event] = []
        for rule, subject in self.left_behind():
            events += self._annunciated(self.alarms.retire(subject, now, frozenset({rule})), now)
        for part, name in self.health.unlike(self.settings):
            del self.health[part, name]
        devices = self.settings.parts
        self.links = {name: counts for name, counts in self.links.items() if devices is None or name in devices}
        self.other_first = False
        return events

    def _close_missed(self, now: float) -> list[Event]:
        """Close the minute in which the watch stopped, and pass on that nothing is known of those up to this one."""
        this = int(now // MINUTE)
        if self._closed is None or self._closed >= this - 1:
            return []
        events = self._minute((self._closed + 2) * MINUTE)
        for minute in range(max(self._closed + 1, this - MEMORY_MINUTES), this):
            end = (minute + 1) * MINUTE
            self.conditioner.miss_minute()
            for pit in self.pits.values():
                pit.fire.minute(end, nan, pit.band, nan)
            for piece in self.pieces.values():
                piece.miss_minute(end, self.pit_of(piece).band)
            self._closed = minute
        return events

    def _part(self, item: inputs.Health, now: float) -> list[Event]:
        self.health.take(item, now)
        if item.part is inputs.Part.CHANNEL:
            self.annunciator.channel(item.name, item.ok)
        return []

    def _taught(self, item: inputs.UsePitProfile | inputs.UsePitClass, now: float) -> list[Event]:
        """What a pit taught, from cooks before or from others of its class; of a pit that is no more, nothing."""
        meant = self.settings.pit_meant(item.pit)
        if meant is not None and isinstance(item, inputs.UsePitProfile):
            self.pits[meant].use_profile(item.profile)
        elif meant is not None and isinstance(item, inputs.UsePitClass):
            self.pits[meant].fire.use_class(item.figures)
        return []

    def _set_band(self, item: orders.SetBand, now: float) -> list[Event]:
        meant = self.settings.pit_meant(item.pit)
        if meant is None:
            return [CommandRefused(now, "band", say("refused.no-pit", pit=item.pit))]
        if not (
            item.band.low >= POSSIBLE_BAND[0]
            and item.band.high <= POSSIBLE_BAND[1]
            and item.band.high - item.band.low >= MIN_BAND
        ):
            return [CommandRefused(now, "band", say("refused.band", possible=POSSIBLE_BAND, least=MIN_BAND))]
        self.pits[meant].band = item.band
        return []

    # --- the scan cycle --------------------------------------------------------------------------------------

    def _scan(self, now: float) -> list[Event]:
        judged = self.conditioner.scan(now)
        for change in judged:
            if ProbeFault.UNIT_CHANGED in change.doubts:  # found after seconds in which it was believed
                self.trace.drop_running(change.channel)
        events: list[Event] = list(judged)
        noticed: list[Event] = [sign for pit in self.pits.values() for sign in pit.scan(now)]
        if now % MINUTE == 0:
            events += noticed
            noticed = []
            events += self._minute(now)
        events += noticed
        for pit in self.pits.values():
            pit.scanned(events, now)
        settled = now >= self.grace.until
        heard = set[str]() if settled else self._heard()
        for condition in conditions(*self._processes(now)):
            spared = not settled and (condition.rule in SPEAKS_OF_SILENCE or condition.subject not in heard)
            if not spared and (changes := self.alarms.judge(condition, now)):
                events += self._annunciated(changes, now)
        if settled:
            self.alarms.scanned(now)
        return events

    def _minute(self, now: float) -> list[Event]:
        minute = int(now // MINUTE) - 1
        self.trace.close_minute(minute)
        self._closed = minute
        # who is up may have opened the lid and said nothing of it
        asleep = self._asleep_since is not None
        attended = {pit.id: pit.fire.attended_at if asleep else now for pit in self.pits.values()}
        stages = [(w.settings.channel, w.stage) for w in self.pieces.values()]
        held = [(channel, stage.since) for channel, stage in stages if stage.stage is PiecePhase.HOLD]
        events: list[Event] = list(self.conditioner.minute(now, attended, held))
        ambient = self.readout.mean_of(Role.AMBIENT, minute)
        celsius: dict[str, float] = {}
        for pit in self.pits.values():
            celsius[pit.id], seen = pit.minute(now, minute, nan if ambient is None else ambient)
            events += seen
        stuck = self.conditioner.stuck()
        for piece in self.pieces.values():
            before, moved, own = piece.stage.stage, piece.settling, self.pit_of(piece)
            events += piece.minute(now, self.trace, minute, celsius[own.id], own.band, stuck)
            self._use(piece)
            at_rest = moved and not piece.settling  # what was foretold before its probe moved is of another place
            if now % FORECAST_EVERY == 0 or before != piece.stage.stage or at_rest:
                events += self._ask(piece, now)
        self.duties.noticed(events)
        self._mind_duties(now)
        for pit in self.pits.values():
            here = self.pieces.on_pit(pit.id)
            events += pit.follow(here, now)
            for name, piece in here.items():
                cools = alone_cools(name, pit.meat, piece.safety.tolerance)
                events += piece.stage.ask_whether_off(cools, now)
            if minute % 5 == 0:
                pit.evenness = pit.readout.evenness(minute, here)
        if minute % 5 == 0:
            self.trace.forget_before(minute - MEMORY_MINUTES)
        return events
