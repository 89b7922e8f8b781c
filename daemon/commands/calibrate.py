"""`pitvigil calibrate`: drives the guide of drivers.calibration with the rig's own probe."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import AsyncExitStack
from datetime import UTC, datetime

from config.rig import Rig
from daemon.shell.clock import wall_seconds
from daemon.texts.composer import PLAIN
from drivers.base import DeviceMisconfigured, DeviceUnavailable
from drivers.calibration import CalibrationRefused, boiling_point, lead
from drivers.registry import open_driver


class NoSuchChannel(Exception):
    """The rig has no channel of that id."""


async def calibrate(rig: Rig, channel_id: str, pressure: float | None, say: Callable[[str], None]) -> int:
    """Returns an exit code. Raises NoSuchChannel."""
    channel = next((c for c in rig.channels if c.id == channel_id), None)
    if channel is None:
        known = tuple(c.id for c in rig.channels)
        raise NoSuchChannel(PLAIN.words("command.calibrate.no-channel", channel=channel_id, known=known))
    device = next(d for d in rig.devices if d.id == channel.device)
    types = {channel.source: channel.thermocouple} if channel.thermocouple else {}
    boils_at = boiling_point(pressure_hpa=pressure) if pressure else boiling_point(altitude_m=rig.pit.altitude)
    try:
        async with AsyncExitStack() as stack:
            link = await stack.enter_async_context(open_driver(device, types).open())

            async def sample() -> float:
                while True:
                    for measurement in (await link.receive()).measurements:
                        if measurement.source == channel.source:
                            return math.nan if measurement.celsius is None else measurement.celsius

            async def ask(text: str) -> str:
                return await asyncio.to_thread(input, text + " ")

            today = datetime.fromtimestamp(wall_seconds(), UTC).date()
            await lead(sample, ask, say, channel=channel_id, boils_at=boils_at, today=today)
    except (CalibrationRefused, DeviceUnavailable, DeviceMisconfigured) as error:
        say(str(error))
        return 1
    except EOFError:
        say(PLAIN.words("command.calibrate.stopped"))
        return 1
    return 0
