"""From the rig and cook files to what the core is told. The only place that knows both."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from config.cook import HOLD_RULES, ROASTS_ONLY, Cook, PieceSection, ReminderSection
from config.cuts import CUTS
from config.delivery import ReachWithChart
from config.loader import piece_id
from config.problems import Problem, remedy
from config.rig import Rig
from daemon.core.food_safety.record import HOT_HOLD
from daemon.core.planned import From, ReminderSettings, WoodSettings
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    PitSettings,
    QuietHours,
    Role,
    SleeperSettings,
    WatchSettings,
    Wrap,
)
from daemon.shell.report.picture.drawer import REMEDY, can_draw
from daemon.wiring.learned import learned
from drivers.calibration import boiling_point

WET_MARGIN = 1.5
"""°C below the boiling point above which wet meat creeps; common practice, no source."""
DAYS_A_CALIBRATION_HOLDS = 365
"""Common practice, no source."""
DEFAULT_LEAD = SleeperSettings().lead


def watch_settings(rig: Rig, cook: Cook | None, wall_offset: float = 0.0) -> WatchSettings:
    """Everything for `Engine`. wall_offset: UTC minus engine time, s, for instants named in the files."""
    band = Band(rig.pit.band.low, rig.pit.band.high)
    idle = CookSettings(id="no-cook", name="No cook", band=band)
    return WatchSettings(
        pit_id=rig.pit.id,
        pit_name=rig.pit.name,
        channels=tuple(_channels(rig, wall_offset)),
        cook=idle if cook is None else cook_settings(cook, rig, wall_offset),
        announcing=_announcing(rig),
        boiling_point=boiling_point(altitude_m=rig.pit.altitude),
        learned=learned(),
        grease_tray=rig.pit.grease_tray,
        other_pits=tuple(
            PitSettings(pit.id, pit.name, Band(pit.band.low, pit.band.high), pit.grease_tray) for pit in rig.other_pits
        ),
        parts=frozenset(
            (*(d.id for d in rig.devices), *(d.name for d in rig.delivery), *(["broker"] if rig.broker else []))
        ),
    )


def _channels(rig: Rig, wall_offset: float) -> Iterator[ChannelSettings]:
    for channel in rig.channels:
        at = None
        if channel.calibration is not None:
            checked = channel.calibration.on
            at = datetime(checked.year, checked.month, checked.day, tzinfo=UTC).timestamp() - wall_offset
        yield ChannelSettings(
            id=channel.id,
            name=channel.name or channel.id,
            role=Role(channel.role),
            place=channel.place,
            pair=channel.pair,
            stale_after=channel.stale_after,
            tolerance=channel.tolerance,
            calibrated_at=at,
            pit=rig.pit_key(channel.pit),
            device=channel.device,
        )


def _announcing(rig: Rig) -> AnnouncingSettings:
    people = rig.people
    names: dict[str, list[str]] = {}
    for delivery in rig.delivery:
        for audience in delivery.audience:
            names.setdefault(audience, []).append(delivery.name)
    return AnnouncingSettings(
        quiet=QuietHours(people.quiet_from, people.quiet_until, ZoneInfo(people.zone)),
        sleeper=sleeper_of(people.lead_minutes),
        wake_for_wrap=people.wake_for_wrap,
        audiences=tuple((a, tuple(n)) for a, n in names.items()),
    )


def sleeper_of(minutes: float) -> SleeperSettings:
    """The cook's own lead, in the usual proportions."""
    usual, share = SleeperSettings(), minutes * 60 / DEFAULT_LEAD
    return SleeperSettings(
        usual.notice * share, usual.dress_and_walk * share, usual.act * share, usual.log_catches * share
    )


def cook_settings(cook: Cook, rig: Rig, wall_offset: float) -> CookSettings:
    """The cook, completed from the cut table. Raises ValueError where it names a pit that the rig does not have."""
    band = cook.band or rig.pit.band
    floor, rule = HOLD_RULES[cook.hold.rule]
    serve = cook.serve_at_utc(rig.people.zone)
    split = cook.wood.split or rig.wood.split
    return CookSettings(
        id=cook.id,
        name=cook.name,
        band=Band(band.low, band.high),
        pieces=tuple(_piece(p, rig, wall_offset) for p in cook.pieces),
        serve_at=None if serve is None else serve - wall_offset,
        rest=cook.rest_minutes * 60.0,
        hold=HoldSettings(floor, rule, cook.hold.hours_below_floor * 3600.0, cook.hold.target, cook.hold.channel),
        reminders=tuple(reminder_settings(r, rig.people.zone, wall_offset) for r in cook.reminders),
        wood=WoodSettings(cook.wood.kind or rig.wood.kind, None if split is None else float(split), cook.wood.stock),
        guests=cook.guests,
        portion=float(cook.portion),
        bands=tuple((rig.pit_key(pit), Band(own.low, own.high)) for pit, own in cook.bands.items()),
    )


def reminder_settings(own: ReminderSection, zone: str, wall_offset: float) -> ReminderSettings:
    """A reminder as the core keeps it."""
    at = own.at_utc(zone)
    return ReminderSettings(
        id=piece_id(own.id, own.text),
        text=own.text,
        every=None if own.every_minutes is None else own.every_minutes * 60.0,
        start=None if own.after is None else From(own.after),
        at=None if at is None else at - wall_offset,
        until=None if own.until is None else From(own.until),
        piece=own.piece,
        at_night=own.at_night,
    )


def _piece(piece: PieceSection, rig: Rig, wall_offset: float) -> PieceSettings:
    follows = next((c.pit for c in rig.channels if c.id == piece.channel), None)
    cut = CUTS[piece.cut]
    wrap, wrap_at = (Wrap.PAPER if cut.wrap_at is not None else None), cut.wrap_at
    if piece.wrap is False:
        wrap, wrap_at = None, None
    elif piece.wrap is not None:
        wrap, wrap_at = Wrap(piece.wrap.material), piece.wrap.at
    low, high = piece.tender or cut.tender or (None, None)
    serve = piece.serve_at_utc(rig.people.zone)
    return PieceSettings(
        id=piece_id(piece.id, piece.name),
        name=piece.name,
        cut=piece.cut,
        kind=MeatKind(cut.kind),
        channel=piece.channel,
        weight=float(piece.weight),
        thickness=piece.thickness / 100 if piece.thickness is not None else cut.thickness_at(piece.weight),
        shape=cut.shape,
        wrap=wrap,
        wrap_at=wrap_at,
        tender_low=None if piece.target is not None else low,
        tender_high=None if piece.target is not None else high,
        target=piece.target if piece.target is not None else (None if low is not None else cut.target),
        safe_minimum=cut.safe_minimum,
        safe_rule=cut.safe_rule,
        fat_percent=piece.fat_percent if piece.fat_percent is not None else cut.fat_percent,
        place=piece.place,
        pit=rig.pit_key(piece.pit or follows),
        serve_at=None if serve is None else serve - wall_offset,
    )


def warnings(rig: Rig, cook: Cook | None, cook_file: str, rig_file: str, today: datetime) -> Iterator[Problem]:
    """What the cook should know although the watch can start, beside what is asked."""
    if cook is not None:
        yield from _piece_warnings(rig, cook, cook_file)
    yield from unserved(rig, rig_file)
    for number, channel in enumerate(rig.channels):
        calibration = channel.calibration
        if calibration is not None and (today.date() - calibration.on).days > DAYS_A_CALIBRATION_HOLDS:
            yield Problem(rig_file, f"channels.{number}.calibration.on", str(calibration.on),
                          remedy("warn.old-calibration"), warning=True, name=channel.id)  # fmt: skip
    yield from undrawn_charts(rig, rig_file)


def _piece_warnings(rig: Rig, cook: Cook, file: str) -> Iterator[Problem]:
    boiling, altitude = boiling_point(altitude_m=rig.pit.altitude), rig.pit.altitude
    for number, piece in enumerate(cook_settings(cook, rig, 0.0).pieces):
        key = f"pieces.{number}"
        for part, goal in (("wrap.at", piece.wrap_at), ("tender", piece.tender_low), ("target", piece.target)):
            if goal is not None and goal > boiling - WET_MARGIN:
                boils = remedy("warn.boils", goal=goal, altitude=altitude, boiling=boiling)
                yield Problem(file, f"{key}.{part}", "", boils, warning=True, name=piece.id)
        goal = piece.tender_low if piece.tender_low is not None else piece.target
        if goal is not None and goal < piece.safe_minimum:
            unsafe = remedy("warn.unsafe", goal=goal, minimum=piece.safe_minimum, rule=piece.safe_rule)
            yield Problem(file, f"{key}.target", "", unsafe, warning=True, name=piece.id)
        if cook.hold.rule == ROASTS_ONLY and piece.kind is not MeatKind.WHOLE_ROAST:
            lower = remedy("warn.roasts-only", piece=piece.name, floor=HOT_HOLD)
            yield Problem(file, "hold.rule", cook.hold.rule, lower, warning=True)


UNSERVED = {
    "phone": remedy("warn.no-phone"),
    "sounder": remedy("warn.no-sounder"),
    "second": remedy("warn.no-second"),
    "notice": remedy("warn.no-notice"),
}
"""Audience -> what its absence means. A louder repeat goes to the phone where it has no delivery of its own."""


def unserved(rig: Rig, rig_file: str) -> Iterator[Problem]:
    """Whom no delivery reaches."""
    served = {audience for delivery in rig.delivery for audience in delivery.audience}
    if not served:
        yield Problem(rig_file, "delivery", "", remedy("warn.nobody"), warning=True)
    elif served == {"notice"}:
        yield Problem(rig_file, "delivery", "", remedy("warn.notices-only"), warning=True)
    else:
        for audience in (a for a in UNSERVED if a not in served):
            yield Problem(rig_file, "delivery", "", UNSERVED[audience], warning=True)


def undrawn_charts(rig: Rig, rig_file: str) -> Iterator[Problem]:
    """Deliveries that ask for a picture nobody here can draw; their messages go without."""
    for number, delivery in enumerate(rig.delivery):
        if isinstance(delivery, ReachWithChart) and delivery.chart and not can_draw():
            without = remedy("warn.no-picture", delivery=delivery.name, remedy=REMEDY)
            yield Problem(rig_file, f"delivery.{number}.chart", "true", without, warning=True, name=delivery.name)
