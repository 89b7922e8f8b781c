"""From a device of the rig to its driver: an explicit table, each driver imported only when a rig uses it.

Drivers of other packages: a rig stanza `kind = "plugin"`, `driver = "NAME"` is served by the entry point NAME of
group `pitvigil.drivers` in any installed distribution:

    [project.entry-points."pitvigil.drivers"]
    NAME = "their_package.module:from_device"

    def from_device(device: config.devices.PluginDevice, channel_types: Mapping[str, str]) -> drivers.base.Driver

`device.options` is the stanza's own table, for the driver to check; `channel_types` is the thermocouple letter by
source. The factory raises DeviceMisconfigured for options that cannot work.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from importlib.metadata import entry_points
from typing import Any, Final

from config.devices import Device, PluginDevice
from drivers.base import DeviceMisconfigured, Driver

ENTRY_POINT_GROUP: Final = "pitvigil.drivers"

FACTORIES: Final[Mapping[str, str]] = {
    "serial-line": "drivers.serial_line:from_device",
    "modbus": "drivers.modbus:from_device",
    "scpi": "drivers.scpi:from_device",
    "iio": "drivers.iio:from_device",
    "ble-gatt": "drivers.ble_gatt:from_device",
    "ble-advert": "drivers.ble_advert:from_device",
}
"""device kind -> module:factory"""


def open_driver(device: Device, channel_types: Mapping[str, str]) -> Driver:
    """The driver of `device`; nothing is opened yet. channel_types: thermocouple letter by source.

    Raises DeviceMisconfigured when a package that the driver needs, or a third party's driver, is not installed, and where the
    driver cannot do with what the rig file says.
    """
    factory = _third_party(device) if isinstance(device, PluginDevice) else _own(device.kind)
    driver: Driver = factory(device, channel_types)
    return driver


def _own(kind: str) -> Any:
    module, _, name = FACTORIES[kind].partition(":")
    try:
        return getattr(import_module(module), name)
    except ModuleNotFoundError as error:
        raise DeviceMisconfigured("device.no-package", kind=kind, package=error.name or "") from error


def _third_party(device: PluginDevice) -> Any:
    offered = entry_points(group=ENTRY_POINT_GROUP)
    found = [entry for entry in offered if entry.name == device.driver]
    if len(found) != 1:
        names = tuple(sorted(entry.name for entry in offered))
        if not names:
            raise DeviceMisconfigured("device.no-drivers", driver=device.driver)
        if found:
            raise DeviceMisconfigured("device.driver-twice", driver=device.driver, installed=names)
        raise DeviceMisconfigured("device.no-driver", driver=device.driver, installed=names)
    try:
        return found[0].load()
    except Exception as error:  # their module may fail in any way; the daemon must live on and say which
        raise DeviceMisconfigured("device.driver-fails", driver=device.driver, why=str(error)) from error
