"""What can be said and can hardly be meant: a mark that does not go with the stage of its piece, a core that cannot be so, a
piece that leaves the cook while it is on the fire, a goal below what is safe.

Whoever says it is asked once; confirmed, it is taken like any other. The engine takes what it is given: a recorded cook has been
asked already. Pure; times are engine time, s, temperatures °C.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from daemon.core.orders import AddPiece, ChangePiece, Mark, MarkKind, RemovePiece, SpotReading
from daemon.core.pieces.seat import FASTEST_CORE
from daemon.core.pieces.stage import AFTER_THE_PIT, ON_THE_PIT, WARM_CORE, PiecePhase
from daemon.core.pit.stage import PitPhase
from daemon.core.said import Said, Text, say
from daemon.core.settings import FIRST_PIT, PieceSettings
from daemon.core.snapshot import PieceView, PitView, Snapshot
from drivers.reading import Quality

JUST_ON: Final = 20 * 60.0
"""s on the fire within which nothing is wrapped, tender, held, chilled or served. Ours, no source."""
LONG_ON: Final = 30 * 60.0
"""s on the fire after which it is hardly put on. Ours, no source."""
PLACES_APART: Final = 25.0
"""°C by which two places in one piece may differ. Ours, no source."""
BOILS: Final = 101.0
"""°C: hotter than wet meat gets. Common practice, no source."""
FREEZES: Final = -2.0
"""°C: meat colder than this is frozen. Common practice, no source."""

_P, _M = PiecePhase, MarkKind
_NOT_ON = dict.fromkeys((_M.WRAPPED, _M.PROBED_TENDER, _M.OFF, _M.REST, _M.HOLD, _M.CHILL, _M.SERVE), "not-on")
_GONE = dict.fromkeys((_M.WRAPPED, _M.PROBED_TENDER, _M.OFF), "off-already")
HARDLY: Final[Mapping[PiecePhase, Mapping[MarkKind, str]]] = {
    _P.WAITING: _NOT_ON,
    _P.WRAPPED: {_M.WRAPPED: "wrapped-already"},
    _P.REST: {_M.PROBED_TENDER: "off-already", _M.OFF: "off-already"},
    _P.HOLD: _GONE,
    _P.CHILL: {**_GONE, _M.MEAT_ON: "chilled"},
    _P.DONE: {**_GONE, _M.MEAT_ON: "served", _M.REST: "served"},
}
"""stage -> mark -> why it is hardly meant. What has no row goes with the stage."""
HARDLY_JUST_ON: Final = frozenset({_M.WRAPPED, _M.PROBED_TENDER, _M.REST, _M.HOLD, _M.CHILL, _M.SERVE})
"""Marks that come long after a piece went on."""
LEAVES: Final = frozenset({_M.OFF, _M.REST, _M.HOLD, _M.CHILL, _M.SERVE})
"""Marks after which nobody watches a piece as one on the fire."""
WELL_UNDER: Final = 8.0
"""°C under its goal at which a core is hardly taken off. More than a probe's place makes; ours, no source."""
BURNS: Final = frozenset({PitPhase.IN_BAND, PitPhase.HIGH, PitPhase.RUNAWAY})


def doubt(order: object, seen: Snapshot) -> Text:
    """Why an order is hardly meant as the watch stands, or ""."""
    match order:
        case Mark():
            return _mark(order, seen)
        case SpotReading():
            return _spot(order, seen)
        case RemovePiece(piece=id_):
            return _leaves(id_, seen)
        case AddPiece(piece=piece):
            return _unsafe(piece, None)
        case ChangePiece(piece=piece):
            return _unsafe(piece, next((one.ordered for one in seen.pieces if one.id == piece.id), None))
        case _:
            return ""


def _leaves(id_: str, seen: Snapshot) -> Text:
    """As with a piece that is marked off by a slip: nothing calls for its meat any more."""
    piece = next((one for one in seen.pieces if one.id == id_), None)
    if piece is None or PiecePhase(piece.stage) in (PiecePhase.WAITING, PiecePhase.DONE):
        return ""
    on = PiecePhase(piece.stage) in ON_THE_PIT
    return say("doubt.leaves-the-fire", name=piece.name) if on else say("doubt.leaves", name=piece.name)


def _unsafe(piece: PieceSettings, before: PieceSettings | None) -> Text:
    """before: as it was ordered; what was meant then is meant now."""
    goal = _goal(piece)
    same = before is not None and (goal, piece.safe_minimum) == (_goal(before), before.safe_minimum)
    if same or goal is None or goal >= piece.safe_minimum:
        return ""
    return say("doubt.unsafe", goal=goal, minimum=piece.safe_minimum, rule=piece.safe_rule)


def _goal(piece: PieceSettings) -> float | None:
    return piece.target if piece.tender_low is None else piece.tender_low


def _mark(mark: Mark, seen: Snapshot) -> Text:
    if mark.kind is MarkKind.FIRE_LIT:
        return _lit(mark, seen)
    meant = [piece for piece in seen.pieces if mark.piece in (None, piece.id)]
    doubts = [_of_piece(mark, piece, seen.time) for piece in meant]
    # said of all pieces, it goes with those whose stage it fits, but one that is not done may have been forgotten
    raw = next((why for piece in meant if (why := _not_done(mark, piece, seen))), "")
    return raw or (doubts[0] if doubts and all(doubts) else "")


def _not_done(mark: Mark, piece: PieceView, seen: Snapshot) -> Text:
    """A slip here ends the watch over meat that still cooks: nothing calls when its fire dies."""
    goal = piece.target if piece.tender_low is None else piece.tender_low
    cooks = PiecePhase(piece.stage) in ON_THE_PIT - {PiecePhase.TENDER_RANGE} and mark.at is None
    probe = _probe(piece, seen)
    if mark.kind not in LEAVES or not cooks or goal is None or probe is None or probe > goal - WELL_UNDER:
        return ""
    return say("doubt.not-done", name=piece.name, now=probe, goal=goal)


def _probe(piece: PieceView, seen: Snapshot) -> float | None:
    """What its probe reads, °C, where that is believed."""
    return next((c.celsius for c in seen.channels if c.id == piece.channel and c.quality is Quality.GOOD), None)


def _lit(mark: Mark, seen: Snapshot) -> Text:
    pit = _pit(mark.pit, seen)
    if pit.stage not in BURNS or pit.question or pit.celsius is None or mark.at is not None:
        return ""
    return say("doubt.burns", pit=pit.name, now=pit.celsius)


def _pit(name: str, seen: Snapshot) -> PitView:
    return next((pit for pit in seen.pits if name not in ("", FIRST_PIT) and pit.id == name), seen.pit)


def _of_piece(mark: Mark, piece: PieceView, now: float) -> Text:
    done, stage = now if mark.at is None else mark.at, PiecePhase(piece.stage)
    if stage in AFTER_THE_PIT and piece.off_at is not None and done < piece.off_at:
        return ""  # a mark that was forgotten, of the time on the fire
    if stage in ON_THE_PIT and piece.on_at is not None:
        if mark.kind is MarkKind.MEAT_ON and mark.piece is not None and not piece.question:
            return say("doubt.on-already", name=piece.name, at=piece.on_at) if done > piece.on_at + LONG_ON else ""
        if mark.kind in HARDLY_JUST_ON and done < piece.on_at + JUST_ON and not piece.question:
            return say("doubt.just-on", name=piece.name, at=piece.on_at)
    return _worded(HARDLY.get(stage, {}).get(mark.kind, ""), piece)


def _worded(why: str, piece: PieceView) -> Said | str:
    match why:
        case "not-on":
            return say("doubt.not-on", name=piece.name)
        case "wrapped-already":
            return say("doubt.wrapped-already", name=piece.name, at=piece.wrapped_at or piece.since)
        case "off-already":
            return say("doubt.off-already", name=piece.name, at=piece.off_at or piece.since)
        case "chilled":
            return say("doubt.chilled", name=piece.name, at=piece.since)
        case "served":
            return say("doubt.served", name=piece.name, at=piece.since)
        case _:
            return ""


def _spot(spot: SpotReading, seen: Snapshot) -> Text:
    piece = next((one for one in seen.pieces if one.id == spot.piece), None)
    if piece is None:
        return ""
    core, at = spot.celsius, seen.time if spot.at is None else spot.at
    if core > BOILS:
        return say("doubt.boils", now=core)
    if core < FREEZES:
        return say("doubt.frozen", now=core)
    if piece.stage == PiecePhase.WAITING and core >= WARM_CORE:
        return say("doubt.warm-not-on", name=piece.name, now=core)
    before = min(piece.spots, key=lambda one: abs(one.at - at), default=None)
    if before is not None:
        minutes = abs(at - before.at) / 60.0
        if abs(core - before.celsius) > PLACES_APART + spot.tolerance + before.tolerance + FASTEST_CORE * minutes:
            return say("doubt.jump", name=piece.name, now=core, before=before.celsius, at=before.at)
    probe = _probe(piece, seen)
    if spot.at is not None or probe is None:
        return ""
    apart = abs(core - probe) > PLACES_APART + spot.tolerance
    return say("doubt.unlike-probe", name=piece.name, now=core, probe=probe) if apart else ""
