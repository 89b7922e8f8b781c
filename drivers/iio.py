"""Amplifier chips wired to the board itself and served by the Linux kernel's industrial I/O drivers.

Kernel ABI: Documentation/ABI/testing/sysfs-bus-iio and sysfs-bus-iio-temperature-max31856. After scale (and offset)
values are thousandths of a degree Celsius. Drivers known here: maxim_thermocouple, max31856, mcp9600.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final

from config.devices import IioDevice
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver, Rejected
from drivers.codecs import thermocouple
from drivers.codecs.amplifier_words import MCP9600_STALE
from drivers.codecs.plausible import faulted, measured
from drivers.reading import Fault, Measurement, Quality

GONE: Final = frozenset({errno.ENOENT, errno.ENODEV, errno.ENXIO})
"""the driver was unbound or its bus removed"""
FAULT_FILES: Final = {"fault_oc": Fault.OPEN_CIRCUIT, "fault_ovuv": Fault.OVER_OR_UNDER_VOLTAGE}
"""max31856, since kernel 5.1: 0 or 1"""
LINEAR_CHIPS: Final = ("maxim_thermocouple", "max31855", "max6675")
"""`name` of drivers whose chips are not linearised, or its beginning"""


class IioLink:
    """A device directory that was found. Files are read in a thread: a conversion may take a quarter of a second."""

    def __init__(self, folder: Path, device: IioDevice, letter: str) -> None:
        self._folder = folder
        self._device = device
        self._letter = letter
        self._chip = _text(folder / "name")
        self._next_read = asyncio.get_running_loop().time()

    async def receive(self) -> Batch:
        """One reading. Raises DeviceUnavailable when the kernel took the device away."""
        loop = asyncio.get_running_loop()
        await asyncio.sleep(self._next_read - loop.time())
        self._next_read = max(self._next_read + self._device.every, loop.time())
        try:
            return Batch((await asyncio.to_thread(self._read),))
        except ValueError as error:
            return Batch(rejected=(Rejected("not-a-number", str(error)[:80]),))

    def _read(self) -> Measurement:
        source = self._device.source
        try:
            hot, hot_raw = self._celsius("in_temp")
            cold, cold_raw = self._celsius("in_temp_ambient")
        except OSError as error:
            if error.errno in GONE:
                raise DeviceUnavailable("device.iio.gone", folder=str(self._folder)) from error
            return faulted(source, self._fault(error))
        if hot is None:
            raise DeviceUnavailable("device.iio.no-value", folder=str(self._folder))
        if self._chip.startswith(LINEAR_CHIPS):
            try:
                hot = self._corrected(hot, cold)
            except thermocouple.OutOfRange:
                return faulted(source, Fault.OUT_OF_RANGE, cold)
        false_words = hot_raw == cold_raw == 0 or (self._chip == "mcp9600" and hot_raw in (-1, MCP9600_STALE))
        return measured(source, hot, cold, Quality.SUSPECT if false_words else Quality.GOOD)

    def _celsius(self, channel: str) -> tuple[float | None, float | None]:
        """Value in °C and raw word of a channel, (None, None) if the chip has none. Raises OSError."""
        raw_file = self._folder / f"{channel}_raw"
        if not raw_file.exists():
            direct = self._folder / f"{channel}_input"
            return (float(_text(direct)) / 1000.0, None) if direct.exists() else (None, None)
        raw = float(_text(raw_file))
        if self._chip == "mcp9600" and raw >= 0x8000:
            raw -= 0x10000  # its kernel driver hands out the 16-bit word without its sign
        scale = self._number(f"{channel}_scale", 1.0)
        return (raw + self._number(f"{channel}_offset", 0.0)) * scale / 1000.0, raw

    def _number(self, name: str, default: float) -> float:
        file = self._folder / name
        return float(_text(file)) if file.exists() else default

    def _corrected(self, hot: float, cold: float | None) -> float:
        """The chips of this driver take one sensitivity for the whole range; the one without a cold-junction
        value is the MAX6675."""
        if cold is None:
            return thermocouple.corrected(
                self._letter, hot, thermocouple.ASSUMED_COLD_JUNCTION, thermocouple.SENSITIVITY_MAX6675
            )
        type_file = self._folder / "in_temp_thermocouple_type"
        made_for = _text(type_file) if type_file.exists() else "K"
        sensitivity = thermocouple.SENSITIVITY_MAX31855.get(made_for, thermocouple.SENSITIVITY_MAX31855["K"])
        return thermocouple.corrected(self._letter, hot, cold, sensitivity)

    def _fault(self, error: OSError) -> Fault:
        """EINVAL is maxim_thermocouple's "a fault bit is set", EIO max31856's; other errors are the bus."""
        for name, fault in FAULT_FILES.items():
            file = self._folder / name
            if file.exists() and _text(file) == "1":
                return fault
        return Fault.NOT_KNOWN if error.errno == errno.EINVAL else Fault.DEAD_BUS


def _text(file: Path) -> str:
    return file.read_text("ascii").strip()


def _find(device: IioDevice) -> Path:
    """The one directory whose `name` and `label` are the device's."""
    found = []
    for folder in sorted(Path(device.root).glob("iio:device*")):
        wanted = {"name": device.name, "label": device.label}
        try:
            if all(want is None or _text(folder / file) == want for file, want in wanted.items()):
                found.append(folder)
        except OSError:
            continue
    if not found:
        raise DeviceUnavailable("device.iio.none", called=device.name or device.label or device.id)
    if len(found) > 1:
        raise DeviceMisconfigured("device.iio.several", names=tuple(folder.name for folder in found))
    return found[0]


class Iio:
    """The driver of one `IioDevice`."""

    def __init__(self, device: IioDevice, letter: str) -> None:
        self._device = device
        self._letter = letter

    @asynccontextmanager
    async def open(self) -> AsyncIterator[IioLink]:
        yield IioLink(_find(self._device), self._device, self._letter)


def from_device(device: IioDevice, channel_types: Mapping[str, str]) -> Driver:
    """channel_types: thermocouple letter by source, K by default."""
    return Iio(device, channel_types.get(device.source, "K"))
