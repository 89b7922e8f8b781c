"""The conditions of meat that is not heated: the hot-holding floor, the time below it, the cooling of leftovers, and meat on a
pit whose fire is lost."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import isnan

from daemon.core.alarms.conditions.pit import FIRE_LOST
from daemon.core.alarms.conditions.process import Finding, ProcessSnapshot, piece_subject, quiet
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import Condition
from daemon.core.outlook import Goal, Interval
from daemon.core.pieces.meat_witness import STANDS, Course
from daemon.core.pieces.piece import KEPT, RESTING, PieceWatch
from daemon.core.pieces.stage import PiecePhase
from daemon.core.said import Said, Text, say

COOLS_WELL = 0.9
"""Share of the time left within which a chill that was too slow must now be done, so that its alarm does not chatter."""

WARMS = 3.0 / 3600.0
"""°C per second: held meat that warms so fast shows it beyond the last digit of its probe, a quarter degree, within the ten
minutes of its rate. Ours, no source."""
COLD_AIR_FOR = 10 * 60.0
"""s for which the air of a cabinet that is heated may lie below the floor while its door is opened. Ours, no source."""
READ_AGAIN = 3600.0
"""s for which a reading by hand tells of held meat that no probe follows: half of the time in which a cabinet may cool through
(`piece.COLD_IN`). Ours, no source."""


def early_half(interval: Interval) -> float:
    """Half way from the early end of an interval to its middle: what the lead for kept meat is counted back from."""
    return (interval.p05 + interval.p50) / 2


def kept_conditions(process: ProcessSnapshot, piece: PieceWatch) -> Iterator[Condition | NotKnown]:
    """Every condition of one piece that rests, is held, is chilled, or lies on a pit that does not heat it; of a stage that has
    passed nothing: meat that is served or back on the fire is held no more."""
    core, stage, subject = process.cores.get(piece.settings.id), piece.stage.stage, piece_subject(piece.settings)
    if piece.on_fire:
        witness = process.meat.get(piece.settings.id)
        unseen = isnan(process.pit) and not (witness is not None and (witness.surely or witness.rises))
        if core is None or unseen:
            yield process.unread(
                "meat-cooling", subject, say("alarm.meat-cooling.unread", name=process.called(subject.name))
            )
        else:
            yield _cooling_on_the_pit(process, piece, core)
    if piece.cabinet is not None:
        yield _falling_by_air(process, piece, core)
        if not piece.followed:  # the record of one whose probe is lost counts all that nobody sees of its core
            yield _time_used_up_by_air(process, piece)
    elif stage in KEPT:
        if core is None:
            unread = say("alarm.hold-falling.unread", name=process.called(subject.name))
            yield process.unread("hold-falling", subject, unread)
        else:
            yield _falling(process, piece, core)
    yield _unseen(process, piece)
    if piece.settings.channel is None:
        return  # its clocks run on in the record; no alarm can tell what they mean
    if stage in KEPT or stage in RESTING:
        yield _time_used_up(process, piece, core)
    if stage is PiecePhase.CHILL:
        yield _cooling_slow(process, piece, core)


def _cooling_on_the_pit(process: ProcessSnapshot, piece: PieceWatch, core: float) -> Condition:
    """Nobody else looks after meat on a dead pit: no stall and no hold, and its forecast knows only fires that burn."""
    rule, fall = process.rules["meat-cooling"], 0.0 if piece.rate is None else -piece.rate / 3600.0
    witness, pit = _meat_alone(process, piece), _coldest(process, piece)
    unheated = pit < core or process.pit_stage in FIRE_LOST or witness is not None
    limit = piece.safety.fire_lost(core, fall) if unheated else None
    below = limit is not None and limit.below
    near = limit is not None and limit.seconds <= process.lead(rule)
    subject = piece_subject(piece.settings)
    if process.goes_without_saying(rule.id, subject, below or near, within=False):
        return quiet(rule.id, subject.id)
    because: Text = ""
    told = None
    if limit is not None and witness is not None and isnan(pit):
        because = say("alarm.meat-cooling.because-unseen", core=core, fallen=witness.fallen, rule=limit.rule)
    elif limit is not None and witness is not None and pit >= core:
        because = say("alarm.meat-cooling.because-meat", core=core, fallen=witness.fallen, pit=pit, rule=limit.rule)
        left = 0.0 if below else limit.seconds  # a fire that is said to burn is not to be lit again
        told = say("alarm.meat-cooling.cools", name=process.called(subject.name), value=core, left=left)
    elif limit is not None:
        because = say("alarm.meat-cooling.because", core=core, pit=pit, rule=limit.rule)
    found = Finding(
        active=below or near,
        within=not unheated,
        because=because,
        value=core,
        consequence_in=None if limit is None else 0.0 if below else limit.seconds,
        severity=int(below),
        improving=fall < 0,
        told=told,
    )
    return process.condition(rule.id, subject, found)


def _meat_alone(process: ProcessSnapshot, piece: PieceWatch) -> Course | None:
    """What the core does, where that alone says that nothing heats it: its pit is not seen, or has been said to be hot for so
    long that the core ought to rise. What was told so stands until it does."""
    seen = process.meat.get(piece.settings.id)
    if seen is None or not (isnan(process.pit) or seen.in_heat):
        return None
    stands = seen.in_heat and process.is_standing("meat-cooling", piece.settings.id) and not seen.rises
    return seen if seen.surely or stands else None


def _coldest(process: ProcessSnapshot, piece: PieceWatch) -> float:
    """°C of the pit; where one of its probes tells of a fire that goes out and the core falls, what that one says: which is right
    nobody knows, and the meat is judged by the worse."""
    apart, seen = process.contradiction, process.meat.get(piece.settings.id)
    told = apart is not None and (apart.surely or process.stands("pit-probes-contradict"))
    if apart is None or not told or seen is None or seen.fallen < STANDS:
        return process.pit
    return apart.cold if isnan(process.pit) else min(process.pit, apart.cold)


def _falling(process: ProcessSnapshot, piece: PieceWatch, core: float) -> Condition:
    safety, rule = piece.safety, process.rules["hold-falling"]
    floor, surely = safety.floor(), safety.surely(core)
    fall = 0.0 if piece.rate is None else -piece.rate / 3600.0
    left = None if fall <= 0 else max(0.0, (core - floor) / fall)
    at = piece.outlook(Goal.HOLD_LIMIT)
    if at is not None and surely > floor:
        forecast = max(0.0, early_half(at) - process.now)
        left = forecast if left is None else min(left, forecast)
    # what is foreseen goes by the reading: a tolerance drawn out along a slow fall is an hour in an insulated cooler
    low = surely <= floor
    soon = left is not None and left <= process.lead(rule)
    cold_air = _gone_cold(process, piece) and not (low or soon)
    told = _told_under(process, piece, core, floor) if low and fall >= 0 else None
    if cold_air:
        told = say("alarm.hold-falling.cold-cabinet", value=piece.air.read, limit=floor)
    found = Finding(
        active=low or soon or cold_air,
        within=surely > floor + rule.deadband and not (soon or cold_air),
        because=say(
            "alarm.hold-falling.because", core=core, tolerance=core - surely, floor=floor, rule=safety.hold_rule()
        ),
        value=core,
        limit=floor,
        consequence_in=0.0 if low or cold_air else left,
        severity=int(core <= floor) - int(cold_air),
        # whoever has answered for the cabinet is left alone until the core is near
        improving=fall < 0 or (cold_air and process.is_answered(rule.id, piece.settings.id)),
        mends=-fall >= WARMS and not cold_air,
        told=told,
    )
    return process.condition(rule.id, piece_subject(piece.settings), found)


def _gone_cold(process: ProcessSnapshot, piece: PieceWatch) -> bool:
    """A heated cabinet, for it has a temperature to keep, was warm and is cold: hours before a big core shows it, and while
    there is time to warm it again. It is one thing, whatever is held in it: told of the first piece, and of none where its air
    stands for the core of another and is told as such."""
    since, held = piece.air.cold_since, [other for other in process.pieces if other.air.cold_since is not None]
    if since is None or process.settings.cook.hold.target is None or process.now - since < COLD_AIR_FOR:
        return False
    return held[0] is piece and all(other.cabinet is None for other in process.pieces)


def _told_under(process: ProcessSnapshot, piece: PieceWatch, core: float, floor: float) -> Said:
    """Read below the floor, or above it by less than the tolerance; the message names the rule's floor, as every other does."""
    key = "alarm.hold-falling.below" if core <= floor else "alarm.hold-falling.perhaps"
    return say(key, name=process.called(piece.settings.name), value=core, limit=floor)


def _falling_by_air(process: ProcessSnapshot, piece: PieceWatch, core: float | None) -> Condition | NotKnown:
    """Held where no probe of its own tells: the cabinet's air stands for the core. Whichever of the air and what was read of the
    core last says that it is cold is believed: a core read below the floor is not made warm by warm air."""
    safety, rule, air = piece.safety, process.rules["hold-falling"], process.air.get(piece.settings.id)
    floor, subject = safety.floor(), piece_subject(piece.settings)
    low = air is not None and piece.air.surely(air) <= floor
    if core is not None and not low:
        return _falling(process, piece, core)
    if air is None or (_read_cold(piece, floor) and not low):
        return process.unread(rule.id, subject, say("alarm.hold-falling.unread", name=process.called(subject.name)))
    found = Finding(
        active=low,
        within=piece.air.surely(air) > floor + rule.deadband,
        because=say(
            "alarm.hold-falling.because-cabinet",
            air=air, tolerance=piece.air.tolerance, floor=floor, rule=safety.hold_rule(),
        ),
        value=air,
        limit=floor,
        consequence_in=0.0 if low else None,
        severity=int(air <= floor),
        told=say(
            "alarm.hold-falling.cabinet",
            name=process.called(piece.settings.name), value=air, limit=floor,
        ),
    )  # fmt: skip
    return process.condition(rule.id, subject, found)


def _read_cold(piece: PieceWatch, floor: float) -> bool:
    """What was read of its core last since it came off, by hand or by a probe that is lost, was not surely above the floor."""
    read = [(s.at or 0.0, s.celsius - s.tolerance) for s in piece.spots[-1:]]
    if piece.lost_core is not None:
        read.append((piece.lost_core[0], piece.safety.surely(piece.lost_core[1])))
    at, surely = max(read, default=(0.0, floor))
    return piece.stage.off_at is not None and bool(read) and at >= piece.stage.off_at and surely <= floor


def _unseen(process: ProcessSnapshot, piece: PieceWatch) -> Condition:
    """Held where no probe tells and no air of the cabinet stands for one. A reading by hand tells for a while."""
    read, since = piece.read_last(), piece.unseen_since
    seen_at = process.now if since is None else since if read is None else max(since, read[0])
    unseen = since is not None and (seen_at == since or process.now - seen_at >= READ_AGAIN)
    because = say("alarm.hold-unseen.because") if unseen else ""
    found = Finding(unseen, within=not unseen, because=because, value=process.now - seen_at)
    return process.condition("hold-unseen", piece_subject(piece.settings), found)


def _time_used_up_by_air(process: ProcessSnapshot, piece: PieceWatch) -> Condition:
    """The time that the cabinet's air was below the floor or unseen, against the limit of the piece."""
    left = max(0.0, piece.safety.hold.time_limit - piece.air.below) if piece.air.low else None
    return _hold_unsafe(process, piece, left, "alarm.hold-unsafe.because-cabinet", piece.air.below_in_words)


def _time_used_up(process: ProcessSnapshot, piece: PieceWatch, core: float | None) -> Condition:
    safety, left = piece.safety, piece.safety.view.hold_left_seconds
    value = core if core is not None and safety.surely(core) < safety.floor() else None
    return _hold_unsafe(process, piece, left, "alarm.hold-unsafe.because", safety.below_in_words, value)


def _hold_unsafe(
    process: ProcessSnapshot,
    piece: PieceWatch,
    left: float | None,
    why: str,
    below: Callable[[], Text],
    value: float | None = None,
) -> Condition:
    """left: s until the time limit is used up, None while it does not run. why: key of the reason; below: the time in words."""
    safety, rule = piece.safety, process.rules["hold-unsafe"]
    near = left is not None and left <= process.lead(rule)
    because = say(why, floor=safety.floor(), rule=safety.hold_rule(), below=below()) if near else ""
    found = Finding(near, left is None, because, value=value, consequence_in=left)
    return process.condition(rule.id, piece_subject(piece.settings), found)


def _cooling_slow(process: ProcessSnapshot, piece: PieceWatch, core: float | None) -> Condition:
    rule, view = process.rules["cooling-slow"], piece.safety.view
    left, takes = view.cooling_left_seconds, view.cooling_takes_seconds
    if takes is None:  # no pace yet: only the clock speaks
        slow = left is not None and left <= process.lead(rule)
        well = not slow
    else:
        slow = left is not None and takes > left
        well = left is None or takes <= COOLS_WELL * left
    found = Finding(slow, well, because=view.cooling_stage, value=core, consequence_in=left)
    return process.condition(rule.id, piece_subject(piece.settings), found)
