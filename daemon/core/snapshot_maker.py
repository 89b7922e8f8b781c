"""The engine's picture of itself, for web, MQTT and terminal. Reads; changes nothing."""

from __future__ import annotations

from dataclasses import replace
from math import isnan
from typing import TYPE_CHECKING

from daemon.core.pieces.piece import PieceWatch, slope_per_minute
from daemon.core.pit.profile import FireProfile
from daemon.core.readings.trace import MINUTE
from daemon.core.snapshot import ChannelView, PieceView, PitView, Snapshot
from drivers.reading import Quality

if TYPE_CHECKING:
    from daemon.core.engine import Engine


def picture(engine: Engine, now: float) -> Snapshot:
    """Everything there is to see at engine time `now`."""
    pit, standing = engine.readout.pit_now(), engine.standing(now)
    rate = None if isnan(engine.fire.slope) else engine.fire.slope * 60.0
    return Snapshot(
        time=now,
        wall_offset=engine.wall.offset,
        clock_trusted=engine.wall.trusted,
        cook_id=engine.settings.cook.id,
        cook_name=engine.settings.cook.name,
        serve_at=engine.settings.cook.serve_at,
        serve_chance=None if standing is None else standing.chance,
        standing=standing,
        channels=tuple(_channel_view(engine, c.id, now) for c in engine.settings.channels),
        pit=PitView(
            id=engine.settings.pit_id,
            name=engine.settings.pit_name,
            stage=engine.pit_stage.stage,
            since=engine.pit_stage.since,
            band=engine.band,
            celsius=None if isnan(pit) else pit,
            rate=rate,
            lid_open=engine.fire.lid_open,
            last_log=engine.fire.last_log,
            log_due=engine.fire.log_due,
            no_forecast=engine.fire.no_forecast,
            evenness=engine.evenness,
            question=engine.pit_stage.question,
        ),
        pieces=tuple(_piece_view(engine, p) for p in engine.pieces.values()),
        alarms=engine.alarms.views(),
        sleep=engine.annunciator.view(now, now + engine.wall.offset),
        nap=engine.nap,
        health=engine.health.ill(),
        fires=tuple(engine.fires),
        profile=replace(engine.profile, fire=FireProfile((), engine.fire.log_intervals)),
    )


def _channel_view(engine: Engine, channel_id: str, now: float) -> ChannelView:
    channel, sample = engine.settings.channel(channel_id), engine.conditioner.current(channel_id)
    assert channel is not None
    last = int(now // MINUTE) - 1
    slope = slope_per_minute(engine.trace.window(channel_id, last, 10))
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


def _piece_view(engine: Engine, piece: PieceWatch) -> PieceView:
    own, stage = piece.settings, piece.stage
    return PieceView(
        id=own.id,
        name=own.name,
        cut=own.cut,
        channel=own.channel,
        stage=stage.stage,
        since=stage.since,
        celsius=engine.good(own.channel),
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
