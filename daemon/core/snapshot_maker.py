"""Makes the snapshot from the parts of the engine that it is handed. Reads; changes nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isnan

from daemon.core.alarms.table import AlarmTable
from daemon.core.annunciation.annunciator import Annunciator
from daemon.core.events import FireNoticed, NapPlanned
from daemon.core.forecast.plan import Standing
from daemon.core.health import HealthTable
from daemon.core.inputs import LinkCounts, WallClock
from daemon.core.pieces.piece import PieceWatch, slope_per_minute
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.evenness import Evenness
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.profile import FireProfile, PitProfile
from daemon.core.pit.stage import PitStage
from daemon.core.plan.duties import Duties
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.readout import Readout
from daemon.core.settings import Band, WatchSettings
from daemon.core.snapshot import ChannelView, PieceView, PitView, Snapshot
from drivers.reading import Quality


@dataclass(frozen=True, slots=True)
class SnapshotParts:
    """What a snapshot shows: the engine's own parts, read here and changed nowhere."""

    settings: WatchSettings
    wall: WallClock
    conditioner: Conditioner
    trace: Trace
    readout: Readout
    fire: FireWatch
    profile: PitProfile
    pit_stage: PitStage
    pieces: Pieces
    alarms: AlarmTable
    annunciator: Annunciator
    health: HealthTable
    links: tuple[LinkCounts, ...]
    band: Band
    evenness: Evenness
    fires: tuple[FireNoticed, ...]
    nap: NapPlanned | None
    standing: Standing | None
    duties: Duties


def make_snapshot(parts: SnapshotParts, now: float) -> Snapshot:
    """Everything there is to see at engine time `now`."""
    pit, standing = parts.readout.pit_now(), parts.standing
    rate = None if isnan(parts.fire.slope) else parts.fire.slope * 60.0
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
        pit=PitView(
            id=parts.settings.pit_id,
            name=parts.settings.pit_name,
            stage=parts.pit_stage.stage,
            since=parts.pit_stage.since,
            band=parts.band,
            celsius=None if isnan(pit) else pit,
            rate=rate,
            lid_open=parts.fire.lid_open,
            last_log=parts.fire.last_log,
            log_due=parts.fire.log_due,
            forecast_made_at=parts.fire.forecast_made_at,
            no_forecast=parts.fire.no_forecast,
            evenness=parts.evenness,
            question=parts.pit_stage.question,
        ),
        pieces=tuple(_piece_view(parts, p) for p in parts.pieces.values()),
        alarms=parts.alarms.views(),
        sleep=parts.annunciator.view(now, now + parts.wall.offset),
        nap=parts.nap,
        health=parts.health.ill(),
        links=parts.links,
        fires=parts.fires,
        plan=parts.duties.plan_view(),
        reminders=parts.duties.reminder_views(now),
        wood=parts.duties.wood_view(parts.settings.cook, now),
        grease=parts.duties.grease_view(parts.settings.grease_tray),
        profile=replace(parts.profile, fire=FireProfile((), parts.fire.log_intervals)),
    )


def _channel_view(parts: SnapshotParts, channel_id: str, now: float) -> ChannelView:
    channel, sample = parts.settings.channel(channel_id), parts.conditioner.current(channel_id)
    assert channel is not None
    last = int(now // MINUTE) - 1
    slope = slope_per_minute(parts.trace.window(channel_id, last, 10))
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
        rate=None if isnan(slope) else slope * 60.0,
    )


def _piece_view(parts: SnapshotParts, piece: PieceWatch) -> PieceView:
    own, stage = piece.settings, piece.stage
    return PieceView(
        id=own.id,
        name=own.name,
        cut=own.cut,
        channel=own.channel,
        stage=stage.stage,
        since=stage.since,
        celsius=parts.readout.good(own.channel),
        rate=piece.rate,
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
    )
