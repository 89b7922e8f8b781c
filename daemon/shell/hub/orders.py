"""What an order asks of the core.

Only what `order_models` holds can be asked: nothing in it ends a cook, takes an alarm out of service, shelves a safety alarm, or
changes the piece or the probe by which one stands.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from config.cook import Cook, PieceSection, ReminderSection
from config.doubts import piece_doubts
from config.plain_errors import plain_problems
from config.problems import Problem
from daemon.core import inputs, orders
from daemon.core.mark_doubts import doubt
from daemon.core.marks import OF_THE_PIT, on_only_at
from daemon.core.orders import MarkKind
from daemon.core.plan.duties import GREASE_TRAY
from daemon.core.planned import ReminderSettings
from daemon.core.said import Text, say
from daemon.core.settings import CookSettings, Role
from daemon.core.snapshot import PitView, Snapshot
from daemon.shell.called import id_called
from daemon.shell.changed_piece import changed_piece, changed_section
from daemon.shell.hub import order_models
from daemon.shell.hub.duties import newest
from daemon.shell.hub.homie import standing, unanswered
from daemon.shell.hub.order_models import SAFETY, CommandRejected
from daemon.texts.problems import asked, of_json, why


@dataclass(frozen=True, slots=True)
class Makers:
    """What only the rig's own files can make of an order. Each raises ValueError in words the cook can act on."""

    cook: Callable[[Cook], CookSettings]
    reminder: Callable[[ReminderSection], ReminderSettings]


@dataclass(frozen=True, slots=True)
class PlanWanted:
    """Plan the running cook and keep the plan. ambient: °C outside, None = as measured. wind: m/s. wake: its hours are an
    alarm clock."""

    by: str
    ambient: float | None = None
    wind: float = 0.0
    wake: bool = True


Wanted = inputs.Command | PlanWanted


class Meaning:
    """What orders ask of the watch as it stands. Each method raises CommandRejected."""

    def __init__(
        self,
        band: Callable[[float, float, PitView, str, str], orders.SetBand],
        makers: Makers | None,
    ) -> None:
        self._band, self._makers = band, makers

    def of(self, order: Any, snapshot: Snapshot) -> Wanted:
        """order: as `order_models.read`."""
        wanted = self._of(order, snapshot)
        if not getattr(order, "sure", True):
            _ask(doubt(wanted, snapshot))
        return wanted

    def _of(self, order: Any, snapshot: Snapshot) -> Wanted:
        by: str = order.by
        match order:
            case order_models.Acknowledge():
                return orders.Acknowledge(order.alarm, by)
            case order_models.Pause():
                return orders.PauseSound(order.seconds, by)
            case order_models.Shelve():
                return orders.Shelve(order.alarm, order.seconds, order.reason, by)
            case order_models.Unshelve():
                return orders.Unshelve(order.alarm, by)
            case order_models.Mark():
                at = _earlier(order.minutes_ago, snapshot)
                pit = pit_spoken_of(order.pit, MarkKind(order.kind) in OF_THE_PIT, order.piece, snapshot)
                return mark(MarkKind(order.kind), order.piece, snapshot, by, order.note, at, pit)
            case order_models.TakeBack():
                pit = pit_spoken_of(order.pit, order.piece is None, order.piece, snapshot)
                return take_back(order.what, order.piece, snapshot, by, pit)
            case order_models.MovePiece():
                return move_piece(order.piece, order.pit, snapshot, by)
            case order_models.Band():
                own = known_pit(order.pit, snapshot)
                return self._band(order.low, order.high, own, by, core_name(own, snapshot))
            case order_models.AskWrap():
                return orders.AskWrap(known(order.piece, snapshot), order.celsius, by)
            case order_models.KeepPlan():
                return PlanWanted(by, order.ambient, order.wind, order.wake)
            case order_models.AddReminder():
                return self._add_reminder(order.reminder, snapshot, by)
            case order_models.OfReminder():
                return of_reminder(order.command, order.reminder, snapshot, by)
            case order_models.Wood():
                return orders.CountWood(order.splits, by)
            case order_models.Plain():
                return _plain(order.command, by)
            case _:
                return self._of_piece(order, snapshot, by)

    def _of_piece(self, order: Any, snapshot: Snapshot, by: str) -> Wanted:
        match order:
            case order_models.Spot():
                at = _earlier(order.minutes_ago, snapshot)
                piece = known(order.piece, snapshot)
                return orders.SpotReading(piece, order.celsius, order.where, order.thermometer, order.tolerance, by, at)
            case order_models.OfPiece(command="choose-spot"):
                return orders.ChooseSpot(known(order.piece, snapshot), by)
            case order_models.OfPiece():
                piece = known(order.piece, snapshot)
                _no_safety_alarm([piece], snapshot)
                return orders.RemovePiece(piece, by)
            case order_models.AddPiece():
                return self._add(order, snapshot, by)
            case order_models.ChangePiece():
                return self._change(order, snapshot, by)
            case _:
                return move_probe(order.piece, order.channel, snapshot, by)

    def _made(self, piece: PieceSection) -> Any:
        if self._makers is None:
            raise CommandRejected(say("order.no-pieces"))
        try:
            return self._makers.cook(Cook(name="one piece", pieces=(piece,))).pieces[0]
        except ValueError as error:
            raise CommandRejected(why(error)) from None

    def _add(self, order: order_models.AddPiece, snapshot: Snapshot, by: str) -> orders.AddPiece:
        _sure(order.sure, piece_doubts(order.piece, "hub", "piece"))
        channel = _meat_channel(order.piece.channel, snapshot)
        piece = self._made(order.piece.model_copy(update={"channel": channel}))
        if piece.id in {p.id for p in snapshot.pieces}:
            raise CommandRejected(say("order.same-id", piece=piece.id))
        holder = next((p for p in snapshot.pieces if piece.channel and p.channel == piece.channel), None)
        if holder is not None:
            raise CommandRejected(say("order.probe-is-in", probe=piece.channel, piece=holder.name))
        return orders.AddPiece(piece, by)

    def _change(self, order: order_models.ChangePiece, snapshot: Snapshot, by: str) -> orders.ChangePiece:
        id_ = known(order.piece, snapshot)
        _no_safety_alarm([id_], snapshot)
        now = next(p.ordered for p in snapshot.pieces if p.id == id_)
        assert now is not None, "the snapshot of a running watch holds what was ordered"
        changes = order.model_dump(exclude={"command", "piece", "by", "sure", "id", "expires"}, exclude_none=True)
        try:
            section = changed_section(now, changes)
        except ValidationError as error:
            first = plain_problems("hub", error.errors(include_url=False), changes)[0]
            raise CommandRejected(of_json(first)) from None
        _sure(order.sure, piece_doubts(section, "hub", "piece"))
        return orders.ChangePiece(changed_piece(now, self._made(section), changes), by)

    def _add_reminder(self, section: ReminderSection, snapshot: Snapshot, by: str) -> orders.AddReminder:
        if self._makers is None:
            raise CommandRejected(say("order.no-reminders"))
        if section.piece is not None:
            section = section.model_copy(update={"piece": known(section.piece, snapshot)})
        try:
            return orders.AddReminder(self._makers.reminder(section), by)
        except ValueError as error:
            raise CommandRejected(why(error)) from None


def _plain(word: str, by: str) -> inputs.Command:
    match word:
        case "sleep":
            return orders.GoToSleep(by)
        case "morning":
            return orders.GoodMorning(by)
        case "drop-plan":
            return orders.KeepPlan(None, by)
        case _:
            return orders.TestWake(by)


def mark(
    kind: MarkKind,
    piece: str | None,
    snapshot: Snapshot,
    by: str,
    note: str = "",
    at: float | None = None,
    pit: str = "",
) -> orders.Mark:
    """at: engine time, None = now. pit: as the core calls it."""
    meant = orders.Mark(kind, None if piece is None else known(piece, snapshot), by, note, at, pit)
    on = on_only_at(meant, [(own.id, own.on_at) for own in snapshot.pieces])
    if on is not None:
        raise CommandRejected(say("order.before-on", later=on - (at or on)))
    return meant


def take_back(what: str, piece: str | None, snapshot: Snapshot, by: str, pit: str = "") -> orders.TakeBack:
    """what: a kind, or `duties.LAST`: the newest that was said of the piece, or of none: of this pit then. pit: as the core
    calls it."""
    id_ = None if piece is None else known(piece, snapshot)
    found = newest(snapshot, id_, what, pit)
    if found is None:
        raise CommandRejected(say("refused.no-mark", of=""))
    return orders.TakeBack(found.what, id_, found.said_at, by, pit)


def move_piece(piece: str, pit: str, snapshot: Snapshot, by: str) -> orders.MovePiece:
    """Not while a safety alarm stands for it, which would be judged by another pit then."""
    id_, meant = known(piece, snapshot), known_pit(pit, snapshot)
    _no_safety_alarm([id_], snapshot)
    return orders.MovePiece(id_, core_name(meant, snapshot), by)


def known_pit(pit: str, snapshot: Snapshot) -> PitView:
    """The pit by its id, or by its name where only one has it; "": the first. Raises CommandRejected."""
    pits = snapshot.pits or (snapshot.pit,)
    found = id_called(pit, {p.id: p.name for p in pits}) if pit else pits[0].id
    if found is None:
        raise CommandRejected(say("order.no-pit", pit=pit, known=tuple(p.id for p in pits)))
    return next(p for p in pits if p.id == found)


def core_name(pit: PitView, snapshot: Snapshot) -> str:
    """As the core calls it: the first has no name there."""
    return "" if pit.id == snapshot.pit.id else pit.id


def pit_spoken_of(pit: str, of_the_pit: bool, piece: str | None, snapshot: Snapshot) -> str:
    """The pit that an order names, as the core calls it. of_the_pit: what is said is said of a fire, not of meat. Raises
    CommandRejected for a pit that the meat is not on: an order for one pit must never reach another's."""
    meant = known_pit(pit, snapshot)
    if not pit or of_the_pit:
        return core_name(meant, snapshot)
    if piece is None:
        raise CommandRejected(say("order.name-the-piece"))
    own = next(p for p in snapshot.pieces if p.id == known(piece, snapshot))
    if snapshot.pits and own.pit != meant.id:
        other = known_pit(own.pit, snapshot).name
        raise CommandRejected(say("order.on-another-pit", piece=own.name, pit=meant.name, other=other))
    return ""


def move_probe(piece: str, channel: str | None, snapshot: Snapshot, by: str) -> orders.MoveProbe:
    """channel: None = no probe any more."""
    channel, id_ = _meat_channel(channel, snapshot), known(piece, snapshot)
    _no_safety_alarm([p.id for p in snapshot.pieces if p.id == id_ or (channel and p.channel == channel)], snapshot)
    return orders.MoveProbe(id_, channel, by)


def of_reminder(word: str, reminder: str, snapshot: Snapshot, by: str) -> inputs.Command:
    """word: "reminder-done" or "remove-reminder". reminder: its id or its text, or a tray."""
    tray = [GREASE_TRAY, *(f"{GREASE_TRAY}/{pit.id}" for pit in snapshot.pits)] if word == "reminder-done" else []
    named = [r.id for r in snapshot.reminders if reminder == r.id] or [
        r.id for r in snapshot.reminders if r.text.casefold() == reminder.casefold()
    ]
    id_ = next(iter([*(t for t in tray if t == reminder), *named]), None)
    if id_ is None:
        raise CommandRejected(say("order.no-reminder"))
    return orders.ReminderDone(id_, by) if word == "reminder-done" else orders.RemoveReminder(id_, by)


def known(piece: str, snapshot: Snapshot) -> str:
    """The id of a piece by its id, or by its name where only one has it."""
    found = id_called(piece, {p.id: p.name for p in snapshot.pieces})
    if found is None:
        raise CommandRejected(say("order.no-piece"))
    return found


def _earlier(minutes: float, snapshot: Snapshot) -> float | None:
    return snapshot.time - 60.0 * minutes if minutes else None


def _meat_channel(channel: str | None, snapshot: Snapshot) -> str | None:
    """The id of a meat channel by its id, or by its name where only one has it. None: none."""
    meat = {c.id: c.name for c in snapshot.channels if c.role is Role.MEAT}
    found = None if channel is None else id_called(channel, meat)
    if channel is not None and found is None:
        raise CommandRejected(say("order.no-channel", known=tuple(meat)))
    return found


def _no_safety_alarm(pieces: list[str], snapshot: Snapshot) -> None:
    """Whoever takes away the piece or the probe would take the alarm away with it. On the page it can be done."""
    for alarm in snapshot.alarms:
        if alarm.subject in pieces and alarm.rule in SAFETY and (standing(alarm) or unanswered(alarm)):
            raise CommandRejected(say("order.safety", alarm=alarm.text))


def _sure(sure: bool, doubts: Iterable[Problem]) -> None:
    """What can hardly be meant is asked about."""
    if not sure:
        _ask(asked(doubts))


def _ask(doubted: Text) -> None:
    """doubted: "" = nothing."""
    if doubted:
        raise CommandRejected(say("again.asked", doubt=doubted, again=say("again.send")))
