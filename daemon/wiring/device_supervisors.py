"""What keeps each device of a rig open, and hands on what it reads."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from config.rig import Rig
from daemon.core.inputs import Input
from daemon.core.settings import Role
from daemon.shell.life.supervisor import SILENCE, DeviceSupervisor, Wire
from drivers.base import DeviceMisconfigured, Driver, NeverOpens
from drivers.registry import open_driver

SILENCE_MARGIN = 5.0
"""s beyond what a device may be silent before its link is opened anew."""


def device_supervisors(rig: Rig, post: Callable[[Input], None], stamp: Callable[[], float]) -> list[DeviceSupervisor]:
    """One a device. One whose driver cannot be made stands for it and says why."""
    supervisors = []
    for device in rig.devices:
        own = [c for c in rig.channels if c.device == device.id]
        types = {c.source: c.thermocouple for c in own if c.thermocouple is not None}
        wires: Mapping[str, Wire] = {
            c.source: Wire(c.id, c.calibration.apply) if c.calibration else Wire(c.id) for c in own
        }
        driver: Driver
        try:
            driver = open_driver(device, types)
        except DeviceMisconfigured as why:
            driver = NeverOpens(why)
        quiet = max([getattr(device, "silence_limit", 0.0), *(c.stale_after for c in own)]) + SILENCE_MARGIN
        handheld = bool(own) and all(c.role == Role.SPOT.value for c in own)
        supervisors.append(DeviceSupervisor(device.id, driver, wires, post, stamp, max(SILENCE, quiet), handheld))
    return supervisors
