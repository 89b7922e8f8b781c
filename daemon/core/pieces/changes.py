"""What a change asks of the running cook: the cook it becomes, or why it cannot."""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass, replace

from daemon.core.orders import AddPiece, ChangeCook, ChangePiece, MovePiece, MoveProbe, RemovePiece
from daemon.core.said import Text, say
from daemon.core.settings import CookSettings, PieceSettings

MOST_PIECES = 40
"""On one pit, as in the cook file; our bound."""
CookOrder = AddPiece | RemovePiece | MoveProbe | MovePiece | ChangePiece | ChangeCook


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a cook cannot be changed so, in words whoever asked can act on."""

    reason: Text


@dataclass(frozen=True, slots=True)
class Difference:
    """Ids of the pieces by which two cooks differ. probe: those read by another channel."""

    added: tuple[str, ...]
    removed: tuple[str, ...]
    changed: tuple[str, ...]
    probe: tuple[str, ...]


def ordered(
    order: CookOrder, cook: CookSettings, meat: Container[str], pits: Container[str] = ("",)
) -> CookSettings | Refused:
    """The cook that the order makes of the running one. meat: ids of the meat channels; pits: of the pits, the first is ""."""
    match order:
        case AddPiece(piece):
            if any(p.id == piece.id for p in cook.pieces):
                return Refused(say("refused.same-id", piece=piece.id))
            wanted = replace(cook, pieces=(*cook.pieces, piece))
        case RemovePiece(name):
            if not any(p.id == name for p in cook.pieces):
                return Refused(say("refused.no-piece", piece=name))
            wanted = replace(cook, pieces=tuple(p for p in cook.pieces if p.id != name))
        case MoveProbe(name, channel):
            moved = _moved(cook.pieces, name, channel)
            if moved is None:
                return Refused(say("refused.no-piece", piece=name))
            wanted = replace(cook, pieces=moved)
        case MovePiece(name, pit):
            if not any(p.id == name for p in cook.pieces):
                return Refused(say("refused.no-piece", piece=name))
            wanted = replace(cook, pieces=tuple(replace(p, pit=pit) if p.id == name else p for p in cook.pieces))
        case ChangePiece(piece):
            if not any(p.id == piece.id for p in cook.pieces):
                return Refused(say("refused.no-piece", piece=piece.id))
            wanted = replace(cook, pieces=tuple(piece if p.id == piece.id else p for p in cook.pieces))
        case ChangeCook(cook=other):
            wanted = replace(other, id=cook.id)
    reason = wrong_with(wanted, meat, pits)
    return Refused(reason) if reason else wanted


def _moved(pieces: tuple[PieceSettings, ...], name: str, channel: str | None) -> tuple[PieceSettings, ...] | None:
    """The named piece on that channel; whichever had it takes the other, or goes on without."""
    piece = next((p for p in pieces if p.id == name), None)
    if piece is None:
        return None
    own = {p.id: piece.channel for p in pieces if channel is not None and p.channel == channel} | {name: channel}
    return tuple(replace(p, channel=own.get(p.id, p.channel)) for p in pieces)


def at_home(
    cook: CookSettings, pits: Container[str], renamed: Mapping[str, str], channels: Mapping[str, str]
) -> CookSettings:
    """The same where a pit is no more: its pieces are on the one it is called now, else on that of their probe, else on the
    first. renamed: pit -> its new id. channels: meat channel -> its pit."""

    def home(piece: PieceSettings) -> str:
        named = renamed.get(piece.pit, piece.pit)
        return named if named in pits else channels.get(piece.channel or "", "")

    pieces = tuple(replace(p, pit=home(p)) for p in cook.pieces)
    bands = ((renamed.get(pit, pit), band) for pit, band in cook.bands)
    return replace(cook, pieces=pieces, bands=tuple((pit, band) for pit, band in bands if pit in pits))


def wrong_with(cook: CookSettings, meat: Container[str], pits: Container[str] = ("",)) -> Text:
    """Why no such cook can run here, or "". meat: ids of the meat channels; pits: of the pits."""
    elsewhere = [p for p in cook.pieces if p.pit not in pits]
    if elsewhere:
        return say("refused.no-pit", pit=elsewhere[0].pit)
    if any(p.id in pits for p in cook.pieces):
        return say("refused.called-like-a-pit")
    channels = [p.channel for p in cook.pieces if p.channel is not None]
    if len(cook.pieces) > MOST_PIECES:
        return say("refused.pieces", most=MOST_PIECES)
    strange = [c for c in channels if c not in meat]
    if strange:
        return say("refused.no-channel", channel=strange[0])
    twice = [c for c in channels if channels.count(c) > 1]
    if twice:
        return say("refused.shared-probe", channel=twice[0])
    ids = [p.id for p in cook.pieces]
    return say("refused.one-id") if len(set(ids)) < len(ids) else ""


def difference(before: CookSettings, after: CookSettings) -> Difference:
    """What changed from one cook to the other."""
    old, new = ({p.id: p for p in cook.pieces} for cook in (before, after))
    both = [i for i in new if i in old]
    return Difference(
        tuple(i for i in new if i not in old),
        tuple(i for i in old if i not in new),
        tuple(i for i in both if replace(old[i], channel="") != replace(new[i], channel="")),
        tuple(i for i in both if old[i].channel != new[i].channel),
    )
