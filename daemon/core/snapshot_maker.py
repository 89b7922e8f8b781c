"""Makes the snapshot from the parts of the engine that it is handed. Reads; changes nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isnan

from daemon.core.alarms.conditions.feed import FEED, NOT_CAUGHT
from daemon.core.alarms.table import AlarmTable
from daemon.core.annunciation.annunciator import Annunciator
from daemon.core.events import FireNoticed, NapPlanned
from daemon.core.forecast.standing import Standing
from daemon.core.health import HealthTable
from daemon.core.inputs import LinkCounts, WallClock
from daemon.core.marks import OF_THE_PIT, Marks, Said
from daemon.core.orders import Mark, SpotReading
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.pieces import Pieces
from daemon.core.pieces.seat import slope_of_one_seat, slope_per_minute
from daemon.core.pit.fire import BELOW
from daemon.core.pit_profile import FireProfile, PitProfile
from daemon.core.pit_watch import SIGNS_SHOWN, PitWatch
from daemon.core.plan.duties import Duties, PlanView
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.handheld import Handheld
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.said import say
from daemon.core.settings import Role, WatchSettings
from daemon.core.shift import ShiftView
from daemon.core.snapshot import ChannelView, HandheldView, MarkView, PieceView, PitView, Snapshot, SpotView
from drivers.reading import Quality


@dataclass(frozen=True, slots=True)
class SnapshotParts:
    """What a snapshot shows: the engine's own parts, read here and changed nowhere."""

    settings: WatchSettings
    wall: WallClock
    conditioner: Conditioner
    trace: Trace
    pits: tuple[PitWatch, ...]
    """The first first."""
    pieces: Pieces
    alarms: AlarmTable
    annunciator: Annunciator
    health: HealthTable
    links: tuple[LinkCounts, ...]
    nap: NapPlanned | None
    could_sleep: NapPlanned | None
    standing: Standing | None
    duties: Duties
    marks: Marks
    handheld: Handheld
    shift: ShiftView

    @property
    def pit(self) -> PitWatch:
        """The first."""
        return self.pits[0]

    def pit_id(self, pit: str) -> str:
        """As others know it, in a rig with several."""
        return (pit or self.settings.pit_id) if len(self.pits) > 1 else ""


MARKS_SHOWN = 20


def make_snapshot(parts: SnapshotParts, now: float) -> Snapshot:
    """Everything there is to see at engine time `now`."""
    plan = parts.duties.plan_view(parts.settings.cook, parts.pit_id)
    standing = one_answer(parts.standing, plan)
    return Snapshot(
        time=now,
        wall_offset=parts.wall.offset,
        clock_trusted=parts.wall.trusted,
        cook_id=parts.settings.cook.id,
        cook_name=parts.settings.cook.name,
        serve_at=parts.settings.cook.serve_at,
        serve_chance=None if standing is None else standing.chance,
        standing=standing,
        channels=tuple(_channel_view(parts, c.id, now) for c in parts.settings.channels),
        pit=_pit_view(parts, parts.pit),
        pits=tuple(_pit_view(parts, pit) for pit in parts.pits) if len(parts.pits) > 1 else (),
        pieces=tuple(_piece_view(parts, p, now) for p in parts.pieces.values()),
        alarms=parts.alarms.views(),
        sleep=parts.annunciator.view(now, now + parts.wall.offset),
        nap=parts.nap,
        could_sleep=parts.could_sleep,
        health=parts.health.ill(),
        links=parts.links,
        shift=parts.shift,
        fires=_fires(parts),
        plan=plan,
        reminders=parts.duties.reminder_views(now),
        wood=parts.duties.wood_view(parts.settings.cook, now),
        grease=parts.duties.grease_view(parts.settings.grease_tray),
        marks=tuple(_mark_view(parts, said) for said in list(parts.marks)[: -MARKS_SHOWN - 1 : -1]),
        handheld=_handheld_view(parts.handheld, now),
        profile=_profile(parts.pit),
        profiles=tuple(_profile(pit) for pit in parts.pits) if len(parts.pits) > 1 else (),
    )


def _profile(pit: PitWatch) -> PitProfile:
    """Without the rows of single fires."""
    return replace(pit.profile, fire=FireProfile((), pit.fire.log_intervals))


def one_answer(standing: Standing | None, plan: PlanView | None) -> Standing | None:
    """Ahead or behind, said once: a kept plan also knows the pieces that are not on yet, so what it says holds. The chance it was
    made with holds no longer for a piece that is on and has no forecast."""
    if plan is None or plan.ahead is None:
        return standing
    planned = standing is None or bool(standing.unknown)
    chance = None if standing is not None and standing.unknown else plan.chance
    return replace(standing or Standing(None, None, ()), chance=chance, ahead=plan.ahead, planned=planned)


def _fires(parts: SnapshotParts) -> tuple[FireNoticed, ...]:
    """Newest first, of all pits."""
    signs = [sign for pit in parts.pits for sign in pit.fires]
    return tuple(signs if len(parts.pits) == 1 else sorted(signs, key=lambda sign: -sign.time)[:SIGNS_SHOWN])


def _pit_view(parts: SnapshotParts, pit: PitWatch) -> PitView:
    celsius, fire, seen = pit.readout.pit_now(), pit.fire, pit.since.seen
    standing = parts.alarms.standing()
    needed = not parts.pieces or parts.pieces.on_pit(pit.id).need_fire()
    below = celsius < pit.band.low - BELOW  # seen before the minute is over, and under an open lid
    return PitView(
        id=pit.id or parts.settings.pit_id,
        name=parts.settings.pit_names[pit.id],
        stage=pit.stage.stage,
        since=pit.stage.since,
        band=pit.band,
        celsius=None if isnan(celsius) else celsius,
        rate=None if isnan(celsius) or isnan(fire.trend) else fire.trend * 60.0,
        last_celsius=None if seen is None else seen.celsius,
        last_seen_at=None if seen is None else seen.at,
        lid_open=fire.lid_open,
        last_log=fire.last_log,
        log_due=None if below else fire.log_due,
        forecast_made_at=fire.forecast_made_at,
        feed_at=fire.call_at(parts.settings.announcing.sleeper.lead) if needed and not below else None,
        feed_called=any(f"{rule}/{pit.subject}" in standing for rule in (FEED, NOT_CAUGHT)),
        no_forecast=fire.no_forecast or (say("fire.below-band") if below else ""),
        evenness=pit.evenness,
        question=pit.stage.question,
        subject=pit.subject,
        grease=parts.duties.grease_view(parts.settings.tray_of(pit.id), pit.id) if len(parts.pits) > 1 else None,
    )


def _channel_view(parts: SnapshotParts, channel_id: str, now: float) -> ChannelView:
    channel, sample = parts.settings.channel(channel_id), parts.conditioner.current(channel_id)
    assert channel is not None
    last = int(now // MINUTE) - 1
    slope_of = slope_of_one_seat if channel.role is Role.MEAT else slope_per_minute
    slope = slope_of(parts.trace.window(channel_id, last, 10))
    if sample is not None and channel.role is Role.SPOT and now - sample.measured_at > channel.stale_after:
        sample = None  # put away
    return ChannelView(
        id=channel.id,
        name=channel.name or channel.id,
        role=channel.role,
        place=channel.place,
        celsius=None if sample is None else sample.celsius,
        quality=Quality.BAD if sample is None else sample.quality,
        doubts=() if sample is None else sample.doubts,
        fault=None if sample is None or sample.fault is None else sample.fault.value,
        age=None if sample is None else max(0.0, now - sample.measured_at),
        rate=None if sample is None or sample.celsius is None or isnan(slope) else slope * 60.0,
        pit=parts.pit_id(channel.pit) if channel.role in (Role.PIT, Role.MEAT) else "",
    )


def _mark_view(parts: SnapshotParts, said: Said) -> MarkView:
    what = said.what
    pit = parts.pit_id(what.pit) if isinstance(what, Mark) and what.kind in OF_THE_PIT else ""
    note = what.note if isinstance(what, Mark) else f"{what.celsius:.1f} °C"
    return MarkView(said.word, what.piece, said.done, said.said_at, what.by, note, pit)


def _spot_view(said: Said, what: SpotReading) -> SpotView:
    return SpotView(
        what.celsius, said.done, said.said_at, what.where, what.thermometer, what.tolerance, what.by
    )  # fmt: skip


def _handheld_view(handheld: Handheld, now: float) -> HandheldView | None:
    waits = handheld.asked(now)
    if waits is not None:
        return HandheldView(waits.channel, waits.celsius, waits.at)
    chosen = handheld.chosen
    return HandheldView(chosen=chosen[0]) if chosen is not None and now <= chosen[1] else None


def _piece_view(parts: SnapshotParts, piece: PieceWatch, now: float) -> PieceView:
    own, stage, core = piece.settings, piece.stage, parts.pit.readout.good(piece.settings.channel)
    celsius = piece.spot_now(now) if core is None and not piece.followed else core
    return PieceView(
        id=own.id,
        name=own.name,
        cut=own.cut,
        channel=own.channel,
        stage=stage.stage,
        since=stage.since,
        celsius=celsius,
        rate=None if celsius is None else piece.rate,
        on_at=stage.on_at,
        wrapped_at=stage.wrapped_at,
        off_at=stage.off_at,
        wrap_at=own.wrap_at,
        tender_low=own.tender_low,
        tender_high=own.tender_high,
        target=own.target,
        stall_probability=piece.stall.probability,
        outlooks=piece.outlooks,
        forecast_at=piece.forecast_at,
        fan=piece.fan,
        question=piece.question,
        safety=piece.safety.view,
        asked_wrap=piece.asked_wrap,
        spots=tuple(
            _spot_view(said, said.what)
            for said in reversed(parts.marks.of_piece(own.id, 0.0))
            if isinstance(said.what, SpotReading)
        ),
        ordered=own,
        pit=parts.pit_id(own.pit),
    )
