"""What people say of a cook while it runs: marks, and that one was wrong; cores read by hand; pieces that come and go."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import isfinite

from daemon.core import orders
from daemon.core.events import (
    AlarmChanged,
    CommandRefused,
    CookChanged,
    Event,
    ForecastWanted,
    Marked,
    Sample,
    SpotRead,
    SpotSettled,
    StageChanged,
    TakenBack,
)
from daemon.core.marks import OF_THE_PIT, Said, on_only_at
from daemon.core.orders import BACK_DATED_AT_MOST, SPOT_COLDEST, SPOT_HOTTEST
from daemon.core.pieces.changes import CookOrder, Refused, difference, ordered, wrong_with
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.pieces import fresh_watch
from daemon.core.pieces.retelling import Past, retold
from daemon.core.pieces.stage import asks_about_spot
from daemon.core.pit.stage import TAKEN_BACK
from daemon.core.pit_watch import PitWatch
from daemon.core.plan.duties import GREASE_TRAY, REMINDER_RULES, DutyOrder
from daemon.core.readings.handheld import HandheldReading
from daemon.core.readings.trace import MINUTE
from daemon.core.said import Text, say
from daemon.core.settings import Role
from daemon.core.watch_state import WatchState
from drivers.reading import Quality

MOVE_EXPECTED = 15 * MINUTE
"""s after a mark in which a probe may jump without being doubted."""
NEEDS_A_PROBE = frozenset({"meat-probe-lost", "meat-cooling", "hold-falling", "hold-unsafe", "cooling-slow"})
"""Rules that are not judged of a piece without a probe: they end when its probe is taken out."""


class CookOrders(WatchState):
    """Takes them one by one. What else moves a watch is the `Engine`'s."""

    def _said(
        self, item: orders.Mark | orders.TakeBack | orders.SpotReading | orders.ChooseSpot, now: float
    ) -> list[Event]:
        """What was done or read, or was not after all."""
        match item:
            case orders.Mark():
                return self._mark(item, now)
            case orders.TakeBack():
                return self._take_back(item, now)
            case orders.SpotReading():
                return self._spot(item, now)
            case orders.ChooseSpot():
                return self._choose_spot(item, now)

    def _mark(self, item: orders.Mark, now: float) -> list[Event]:
        if item.piece is not None and item.piece not in self.pieces:
            return [CommandRefused(now, f"mark {item.kind}", say("refused.no-piece", piece=item.piece))]
        done = now if item.at is None else item.at
        if not now - BACK_DATED_AT_MOST <= done <= now:
            return [CommandRefused(now, f"mark {item.kind}", say("refused.mark-time"))]
        on = on_only_at(item, [(id_, piece.stage.on_at) for id_, piece in self.pieces.items()])
        if on is not None:
            return [CommandRefused(now, f"mark {item.kind}", say("refused.before-on", on=on))]
        meant = self.settings.pit_meant(item.pit)
        if meant is None:
            return [CommandRefused(now, f"mark {item.kind}", say("refused.no-pit", pit=item.pit))]
        item, pit = replace(item, pit=meant if item.kind in OF_THE_PIT else ""), self.pits[meant]
        events: list[Event] = [Marked(now, item.kind, item.piece, item.by, item.note, item.at, item.pit)]
        self.marks.add(item, now)
        if item.kind in OF_THE_PIT:
            self.duties.mark(item, done)
            events += [replace(change, time=now) for change in pit.mark(item, done)]
        for piece in self.pieces.meant(item):
            self._expect_move(piece, now)
            before = piece.stage.on_at
            changes = [replace(change, time=now) for change in piece.mark(item, piece.done_at(item.kind, done))]
            events += changes
            self._use(piece)
            if changes or piece.stage.on_at != before:
                events += self._ask(piece, now)
        here = self.pieces.on_pit(pit.id)
        if item.kind is orders.MarkKind.LOG and not here.on_fire():
            for piece in here.values():  # nobody feeds a fire without meat: one of them may be marked off by a slip
                events += piece.stage.fed(now)
        self._mind_duties(now)
        return events

    def _expect_move(self, piece: PieceWatch, now: float) -> None:
        if piece.settings.channel is not None:
            self.conditioner.expect_move(piece.settings.channel, now + MOVE_EXPECTED)

    def _take_back(self, item: orders.TakeBack, now: float) -> list[Event]:
        said = self.marks.meant(replace(item, pit=self.settings.pit_meant(item.pit) or ""))
        if said is None:
            of = "" if item.piece is None else f" of {item.piece}"
            return [CommandRefused(now, f"take back {item.what}", say("refused.no-mark", of=of))]
        self.marks.remove(said)
        pit = said.what.pit if isinstance(said.what, orders.Mark) else ""
        events: list[Event] = [TakenBack(now, said.word, said.what.piece, said.done, said.said_at, item.by, pit)]
        if isinstance(said.what, orders.Mark) and said.what.kind in OF_THE_PIT:
            events += self._untold_of_pit(self.pits[pit], said.what.kind, said.done, now)
        else:
            for piece in [p for p in self.pieces.values() if said.what.piece in (None, p.settings.id)]:
                events += self._untold_of_piece(piece, said, now)
        self._mind_duties(now)
        return events

    def _untold_of_pit(self, own: PitWatch, kind: orders.MarkKind, done: float, now: float) -> list[Event]:
        own.fire.take_back(kind, done, self.marks.of_the_pit(own.id), now)
        last_log = max((at for pit in self.pits.values() if (at := pit.fire.last_log) is not None), default=None)
        self.duties.take_back(kind, done, last_log, own.id, self.pieces)
        if kind is not orders.MarkKind.FIRE_LIT:
            return []
        first, last = int(done // MINUTE), self._last_closed(now)
        pit = own.readout.pit_minutes(first, last) if last >= first else []
        since = [((first + n + 1) * MINUTE, celsius) for n, celsius in enumerate(pit)]
        return [*own.moved(own.stage.take_back(done, since, own.band, now))]

    def _untold_of_piece(self, piece: PieceWatch, said: Said, now: float) -> list[Event]:
        """The piece as if it had not been said of it."""
        own, last = piece.settings, self._last_closed(now)
        first = last + 1 if piece.first_seen is None else piece.first_seen
        pit = self._pit_minutes(piece, first, last) if last >= first else ()
        past = Past(self.trace, last, pit, self.pit_of(piece).band, self.conditioner.stuck())
        left = self.marks.of_piece(own.id, 0.0 if piece.first_seen is None else first * MINUTE)
        again = retold(piece, fresh_watch(own, self.settings), left, past)
        self.pieces[own.id] = again
        self.duties.take_back_of_piece(own.id, said.done)
        if said.what.piece is not None and own.channel is not None:
            moved = [one.said_at for one in left if isinstance(one.what, orders.Mark)]
            self.conditioner.forget_move(own.channel, max(moved, default=now - MOVE_EXPECTED) + MOVE_EXPECTED)
        if said.word == orders.MarkKind.WRAPPED:
            self.alarms.may_tell_again("wrap-target", own.id)
        self._use(again)
        events: list[Event] = []
        before, after = piece.stage, again.stage
        if (before.stage, before.question) != (after.stage, after.question):
            events.append(StageChanged(now, own.id, before.stage, after.stage, TAKEN_BACK, after.question))
        return events + self._ask(again, now)

    def _last_closed(self, now: float) -> int:
        return int(now // MINUTE) - 1 if self._closed is None else self._closed

    def _spot(self, item: orders.SpotReading, now: float) -> list[Event]:
        """A core read by hand."""
        piece = self.pieces.get(item.piece)
        taken = now if item.at is None else item.at
        reason: Text = ""
        if piece is None:
            reason = say("refused.no-piece", piece=item.piece)
        elif not (isfinite(item.celsius) and SPOT_COLDEST <= item.celsius <= SPOT_HOTTEST):
            reason = say("refused.core", possible=(SPOT_COLDEST, SPOT_HOTTEST))
        elif not now - BACK_DATED_AT_MOST <= taken <= now:
            reason = say("refused.spot-time")
        if piece is None or reason:
            return [CommandRefused(now, "spot reading", reason)]
        self.marks.add(item, now)
        changes = piece.spot(replace(item, at=taken), now, self.trace)
        asks = piece.question if asks_about_spot(piece.question) else ""
        read = SpotRead(
            now, item.piece, item.celsius, item.where, item.thermometer, item.tolerance, item.by, taken, asks
        )
        return [read, *changes, *self._ask(piece, now)]

    def _choose_spot(self, item: orders.ChooseSpot, now: float) -> list[Event]:
        if item.piece not in self.pieces:
            return [CommandRefused(now, "choose piece", say("refused.no-piece", piece=item.piece))]
        waiting = self.handheld.choose(item.piece, now)
        return [] if waiting is None else self._spot_of(waiting, item.piece, now)

    def _handheld(self, sample: Sample, now: float) -> list[Event]:
        """A value of a handheld probe: when it has come to rest it is a spot reading."""
        if sample.quality is not Quality.GOOD or sample.celsius is None:
            return []
        tolerance = self._spot_tolerances[sample.channel]
        reading = self.handheld.take(sample.channel, sample.celsius, tolerance, sample.measured_at)
        if reading is None or not self.pieces or reading.celsius > SPOT_HOTTEST:
            return []
        piece = self.handheld.piece_for(reading)
        if piece is None:
            return [SpotSettled(now, reading.channel, reading.celsius)]
        return self._spot_of(reading, piece, now)

    def _spot_of(self, reading: HandheldReading, piece: str, now: float) -> list[Event]:
        at = min(reading.at, now)
        order = orders.SpotReading(
            piece, reading.celsius, "", reading.channel, reading.tolerance, "handheld probe", at
        )  # fmt: skip
        return self._spot(order, now)

    def _start_cook(self, item: orders.StartCook, now: float) -> list[Event]:
        reason = wrong_with(item.cook, self.settings.ids_with(Role.MEAT), self.pits)
        if reason:
            return [CommandRefused(now, "start cook", reason)]
        events = self._retire_all(now)
        self.settings = replace(self.settings, cook=item.cook)
        self._begin_cook()
        self.shift.begin(now)
        return events

    def _change_cook(self, order: CookOrder, now: float) -> list[Event]:
        """Pieces come and go, and probes move, while the cook runs."""
        if isinstance(order, orders.MovePiece) and (meant := self.settings.pit_meant(order.pit)) is not None:
            order = replace(order, pit=meant)
        wanted = ordered(order, self.settings.cook, self.settings.ids_with(Role.MEAT), self.pits)
        if isinstance(wanted, Refused):
            return [CommandRefused(now, "change the cook", wanted.reason)]
        before, found = self.settings.cook, difference(self.settings.cook, wanted)
        events = [e for piece in found.removed for e in self._annunciated(self.alarms.retire(piece, now), now)]
        bands = {pit: self.settings.band_of(pit) for pit in self.pits}
        self.settings = self.conditioner.settings = replace(self.settings, cook=wanted)
        for pit in self.pits.values():
            if self.settings.band_of(pit.id) != bands[pit.id]:
                pit.band = self.settings.band_of(pit.id)
        self._tell_pits()
        for piece in before.pieces:
            if piece.channel is not None:
                self.conditioner.in_use(piece.channel, False)
        self.pieces.change(self.settings, int(now // MINUTE), self.trace)
        events += self._retire_reminders(self.duties.change(before, wanted), now)
        for watch in self.pieces.values():
            if watch.settings.id in found.probe:
                self._expect_move(watch, now)
                if not watch.followed:
                    gone = self.alarms.retire(watch.settings.id, now, NEEDS_A_PROBE)
                    events += self._annunciated(gone, now)
            self._use(watch)
        return [*events, CookChanged(now, found.added, found.removed, found.changed, found.probe, order.by)]

    def _end_cook(self, now: float) -> list[Event]:
        events: list[Event] = [change for pit in self.pits.values() for change in pit.finish(now)]
        events += self._retire_all(now)
        self.settings = replace(self.settings, cook=replace(self.settings.cook, pieces=(), serve_at=None, reminders=()))
        self._begin_cook()
        self.shift.begin(None)
        return events

    def _retire_all(self, now: float) -> list[Event]:
        events = [e for piece in self.pieces for e in self._annunciated(self.alarms.retire(piece, now), now)]
        return events + self._retire_reminders([r.settings.id for r in self.duties.reminders], now)

    def _retire_reminders(self, ids: Iterable[str], now: float) -> list[Event]:
        return [e for id_ in ids for e in self._annunciated(self.alarms.retire(id_, now, REMINDER_RULES), now)]

    def _duty(self, item: DutyOrder, now: float) -> list[Event]:
        """The plan, the cook's own reminders, the wood, the trays. What stands of another reminder of that id ends."""
        if isinstance(item, orders.ReminderDone) and item.reminder.startswith(f"{GREASE_TRAY}/"):
            pit = self.settings.pit_meant(item.reminder.partition("/")[2])
            if pit is None:
                return [CommandRefused(now, "reminder done", say("refused.no-reminder", reminder=item.reminder))]
            item = replace(item, reminder=f"{GREASE_TRAY}/{pit}" if pit else GREASE_TRAY)
        events = self.duties.command(item, now, self.pieces)
        if isinstance(item, orders.RemoveReminder):
            events += self._retire_reminders([item.reminder], now)
        elif isinstance(item, orders.AddReminder) and not events:  # a refused one changes nothing
            events += self._retire_reminders([item.reminder.id], now)
        self._mind_duties(now)
        return events

    def _mind_duties(self, now: float) -> None:
        """Each minute, and when a person said something: it is shown at once."""
        stages = {name: pit.stage for name, pit in self.pits.items()}
        self.duties.minute(now, self.settings.cook, stages, self.pieces, self._cores())

    # --- what follows ------------------------------------------------------------------------------------

    def _annunciated(self, changes: Iterable[AlarmChanged | CommandRefused], now: float) -> list[Event]:
        """Alarm changes followed by whatever annunciation people they lead to."""
        events: list[Event] = []
        changes = list(changes)
        if len(self.pits) > 1:
            raised = [c for c in changes if isinstance(c, AlarmChanged)]
            self.annunciator.expect([(c, self.alarms.view(c.alarm)) for c in raised], now)
        for change in changes:
            events.append(change)
            if isinstance(change, AlarmChanged):
                self.shift.alarm(change, self._rules.get(change.alarm.partition("/")[0]), tuple(self.pieces))
                self.annunciator.refresh(self.alarms.views(), now)
                self.duties.changed(change)
                view = self.alarms.view(change.alarm)
                events += self.annunciator.changed(change, view, now, self._utc(now))
        return events

    def _ask(self, piece: PieceWatch, now: float) -> list[Event]:
        request = self._question(piece, now)
        if request is None:
            return []
        if not piece.followed:
            request = replace(request, sibling=self._question_of_sibling(piece.settings.pit, now))
        return [ForecastWanted(now, replace(request, bias_minutes=self.pit_of(piece).profile.forecast_bias))]
