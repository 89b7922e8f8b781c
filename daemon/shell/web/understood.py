"""What the watch understood an order to mean, said back to whoever gave it."""

from __future__ import annotations

from daemon.core import inputs, orders
from daemon.core.marks import OF_THE_PIT
from daemon.core.pit.stage import PitPhase
from daemon.core.said import Text, say
from daemon.core.settings import PieceSettings
from daemon.core.snapshot import Snapshot


def understood(order: inputs.Command, seen: Snapshot) -> Text:
    """seen: the watch as the order finds it. "" where the order says it all by itself."""
    names = {piece.id: piece.name for piece in seen.pieces}
    match order:
        case orders.Mark(kind=kind, piece=piece, at=at, pit=pit):
            done = seen.time if at is None else at
            if piece is None:
                marked = say("understood.mark", what=_plain(kind), at=done)
                if kind is orders.MarkKind.LOG and _stage(pit, seen) == PitPhase.UNLIT:
                    marked = say("understood.unlit", told=marked)
                return _of_pit(marked, pit, seen) if kind in OF_THE_PIT else marked
            return say("understood.mark-of", what=_plain(kind), name=names.get(piece, piece), at=done)
        case orders.TakeBack(what=what, piece=piece, said_at=said_at, pit=pit):
            named = seen.newest_mark(what, piece, said_at, pit)
            done = seen.time if named is None else named.at
            if piece is None:
                return say("understood.back", what=_plain(what), at=done)
            return say("understood.back-of", what=_plain(what), name=names.get(piece, piece), at=done)
        case orders.SpotReading(piece=piece, celsius=core, at=at, tolerance=tolerance):
            read = seen.time if at is None else at
            return say("understood.spot", name=names.get(piece, piece), core=core, tolerance=tolerance, at=read)
        case orders.ChooseSpot(piece=piece):
            return say("understood.choose", name=names.get(piece, piece))
        case orders.AddPiece(piece=own):
            return say("understood.joins", id=own.id, meant=_meant(own, seen))
        case orders.ChangePiece(piece=own):
            return say("understood.changed", meant=_meant(own, seen))
        case orders.RemovePiece(piece=piece):
            return say("understood.leaves", name=names.get(piece, piece))
        case orders.MoveProbe(piece=piece, channel=channel):
            return _moved(piece, channel, seen)
        case orders.SetBand(band=band, pit=pit):
            return _of_pit(say("understood.band", band=(band.low, band.high)), pit, seen)
        case orders.MovePiece(piece=piece, pit=pit):
            return say("understood.moved-piece", name=names.get(piece, piece), pit=_pit_name(pit, seen))
        case orders.CountWood(splits=splits):
            return say("understood.wood", splits=splits)
        case _:
            return _of_duties(order, seen) or _of_the_watch(order, seen)


def _of_the_watch(order: inputs.Command, seen: Snapshot) -> Text:
    match order:
        case orders.StartCook(cook=cook):
            pieces = tuple(piece.name for piece in cook.pieces)
            if not seen.pieces:
                return say("understood.starts", name=cook.name, pieces=pieces)
            return say("understood.starts-after", name=cook.name, pieces=pieces, ends=seen.cook_name)
        case orders.EndCook():
            return say("understood.ends", name=seen.cook_name) if seen.pieces else say("understood.ends-none")
        case orders.PauseSound(seconds=seconds):
            return say("understood.paused", until=seen.time + seconds)
        case _:
            return ""


def _of_duties(order: inputs.Command, seen: Snapshot) -> Text:
    texts = {own.id: own.text for own in seen.reminders}
    match order:
        case orders.KeepPlan(plan=None):
            return say("understood.no-plan")
        case orders.AddReminder(reminder=own):
            return say("understood.reminder", text=own.text, id=own.id)
        case orders.ReminderDone(reminder=id_):
            return say("understood.reminder-done", text=texts.get(id_, id_))
        case orders.RemoveReminder(reminder=id_):
            return say("understood.reminder-gone", text=texts.get(id_, id_))
        case _:
            return ""


def _of_pit(told: Text, pit: str, seen: Snapshot) -> Text:
    """Which pit, in a rig with several."""
    return say("understood.of-pit", told=told, pit=_pit_name(pit, seen)) if seen.pits else told


def _pit_name(pit: str, seen: Snapshot) -> str:
    return next((known.name for known in seen.pits if known.id == pit), seen.pit.name)


def _stage(pit: str, seen: Snapshot) -> str:
    return next((known.stage for known in seen.pits if known.id == pit), seen.pit.stage)


def _plain(word: str) -> str:
    return word.replace("-", " ")


def _meant(own: PieceSettings, seen: Snapshot) -> Text:
    """A piece as the watch takes it from now on."""
    goal: Text = ""
    if own.tender_low is not None and own.tender_high is not None:
        goal = say("understood.tender", range=(own.tender_low, own.tender_high))
    elif own.target is not None:
        goal = say("understood.target", target=own.target)
    return say(
        "understood.piece", name=own.name, cut=_plain(own.cut), weight=own.weight, thickness=own.thickness, goal=goal,
        probe=_probe(own.channel, seen), served="" if own.serve_at is None else say("understood.served", at=own.serve_at),
    )  # fmt: skip


def _probe(channel: str | None, seen: Snapshot) -> Text:
    return say("understood.no-probe") if channel is None else say("understood.probe", channel=_called(channel, seen))


def _called(channel: str, seen: Snapshot) -> str:
    return next((known.name or known.id for known in seen.channels if known.id == channel), channel)


def _moved(piece: str, channel: str | None, seen: Snapshot) -> Text:
    """What changed for both, where another piece had that probe."""
    own = next((known for known in seen.pieces if known.id == piece), None)
    name = piece if own is None else own.name
    moved = say("understood.moved", name=name, probe=_probe(channel, seen))
    other = next((p for p in seen.pieces if channel is not None and p.channel == channel and p.id != piece), None)
    if other is None:
        return moved
    left = None if own is None else own.channel
    return say("understood.moved-both", moved=moved, other=other.name, probe=_probe(left, seen))
