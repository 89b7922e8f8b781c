"""`pitvigil calibrate`: drives the guide of drivers.calibration with the rig's own probe."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from contextlib import AsyncExitStack
from datetime import UTC, datetime

from config.problems import Remedy
from config.rig import Rig
from daemon.shell.clock import wall_seconds
from daemon.texts.composer import PLAIN
from daemon.texts.problems import told
from daemon.wiring.composers import composer_of
from drivers.base import DeviceError
from drivers.calibration import CalibrationRefused, boiling_point, lead, stanza
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
    composer = composer_of(rig)
    try:
        async with AsyncExitStack() as stack:
            link = await stack.enter_async_context(open_driver(device, types).open())

            async def sample() -> float:
                while True:
                    for measurement in (await link.receive()).measurements:
                        if measurement.source == channel.source:
                            return math.nan if measurement.celsius is None else measurement.celsius

            async def ask(question: Remedy) -> str:
                return await asyncio.to_thread(input, composer.say(told(question)) + " ")

            def tell(line: Remedy) -> None:
                say(composer.say(told(line)))

            today = datetime.fromtimestamp(wall_seconds(), UTC).date()
            say(stanza(channel_id, await lead(sample, ask, tell, boils_at=boils_at, today=today)))
    except CalibrationRefused as error:
        say(composer.say(told(error.remedy)))
        return 1
    except DeviceError as error:
        say(composer.say(told(error.why)))
        return 1
    except EOFError:
        say(PLAIN.words("command.calibrate.stopped"))
        return 1
    return 0
