"""On which Homie device a thing is, in a watch over several pits: the watch's own, a pit's, or the cabinet's.

A device is told by its Homie id; "" is the root: the watch, and with a single pit all there is. A pit's device bears the
pit's id, and the others are called after the first pit, so that several watches can share a broker.
"""

from __future__ import annotations

from dataclasses import dataclass

from config.rig import OF_THE_WATCH
from daemon.core.pieces.stage import PiecePhase
from daemon.core.settings import Role
from daemon.core.snapshot import ChannelView, PieceView, Snapshot


@dataclass(frozen=True, slots=True)
class Place:
    """A child device. name: of a pit; the cabinet's is in the catalogue. kind: "pit" or "cabinet"."""

    id: str
    name: str
    kind: str


def root_id(first_pit: str, several: bool) -> str:
    """What the watch's own device is called."""
    return f"{first_pit}{OF_THE_WATCH[0]}" if several else first_pit


def cabinet_id(first_pit: str) -> str:
    return f"{first_pit}{OF_THE_WATCH[1]}"


def places(snapshot: Snapshot) -> tuple[Place, ...]:
    """The child devices: none with a single pit."""
    if not snapshot.pits:
        return ()
    pits = tuple(Place(pit.id, pit.name, "pit") for pit in snapshot.pits)
    return (*pits, Place(cabinet_id(snapshot.pit.id), "", "cabinet")) if _has_cabinet(snapshot) else pits


def of_piece(piece: PieceView, snapshot: Snapshot) -> str:
    """A piece in the hold is in the cabinet, where one is watched."""
    if not snapshot.pits:
        return ""
    held = piece.stage == PiecePhase.HOLD and _has_cabinet(snapshot)
    return cabinet_id(snapshot.pit.id) if held else piece.pit


def of_channel(channel: ChannelView, snapshot: Snapshot) -> str:
    if not snapshot.pits:
        return ""
    return cabinet_id(snapshot.pit.id) if channel.role is Role.HOLD else channel.pit


def of_subject(subject: str, snapshot: Snapshot) -> str:
    """Of what an alarm is about, where that is a piece or a channel; else the watch's."""
    piece = next((p for p in snapshot.pieces if p.id == subject), None)
    if piece is not None:
        return of_piece(piece, snapshot)
    channel = next((c for c in snapshot.channels if c.id == subject), None)
    return "" if channel is None else of_channel(channel, snapshot)


def _has_cabinet(snapshot: Snapshot) -> bool:
    return any(channel.role is Role.HOLD for channel in snapshot.channels)
