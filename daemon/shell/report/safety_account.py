"""The food-safety record of a piece over the whole cook, judged again from its minutes by the same clocks as at night."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from daemon.core.food_safety.record import COMPLETE, COOLED, SafetyRecord, SafetyView
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import PieceSettings
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import event_time, stage_changes


@dataclass(frozen=True, slots=True)
class SafetyAccount:
    """end: the record when the cook ended. lethal_at: when the table's lethality was complete, engine s. come_up: longest
    time between 50 and 130 °F before that, s. cooled_at: when it was read as cooled. tolerance: °C taken off."""

    end: SafetyView
    tolerance: float
    lethal_at: float | None = None
    come_up: float = 0.0
    cooled_at: float | None = None
    deeds: tuple[tuple[float, str, str], ...] = ()
    """What was done about safety alarms: engine s, a SafetyDeed value, a note."""


def safety_account(cook: KeptCook, piece: PieceSettings, core: Sequence[float]) -> SafetyAccount:
    read_by = {channel for _, channel in cook.probes_of(piece)}
    tolerance = max((c.tolerance for c in cook.channels if c.id in read_by), default=0.0)
    record = SafetyRecord(piece, cook.settings.hold, tolerance)
    changes = [(change.time, change.after) for change in stage_changes(cook, piece.id)]
    spots = [
        (event_time(cook, e, "at"), e["celsius"], e["tolerance"])
        for e in cook.events
        if e["event"] == "spot" and e["piece"] == piece.id
    ]
    stage, following, read = "waiting", 0, 0
    lethal_at = cooled_at = None
    come_up = 0.0
    for minute, value in zip(cook.minutes, core, strict=True):
        now = (minute + 1) * MINUTE
        while following < len(changes) and changes[following][0] <= now:
            stage, following = changes[following][1], following + 1
        record.minute(now, value, stage)
        while read < len(spots) and spots[read][0] <= now:
            record.spot(*spots[read], beside=value)
            read += 1
        view = record.view
        come_up = max(come_up, view.come_up_seconds)
        if lethal_at is None and view.lethality_fraction >= COMPLETE:
            lethal_at = now
        if cooled_at is None and view.cooling_stage == COOLED:
            cooled_at = now
    deeds = tuple(
        (event_time(cook, e), str(e["deed"]), str(e["note"]))
        for e in cook.events
        if e["event"] == "safety-deed" and e["piece"] == piece.id
    )
    return SafetyAccount(record.view, record.tolerance, lethal_at, come_up, cooled_at, deeds)
