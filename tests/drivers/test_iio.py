"""The kernel's industrial I/O files, as the ABI documents them, in a folder of our own."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import pytest

from config.devices import IioDevice
from drivers import iio
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable
from drivers.codecs import thermocouple
from drivers.reading import Fault, Quality


def chip(root: Path, number: int = 0, **files: object) -> Path:
    folder = root / f"iio:device{number}"
    folder.mkdir()
    for name, value in files.items():
        (folder / name).write_text(f"{value}\n")
    return folder


async def read(root: Path, letter: str | None = None, **more: Any) -> Batch:
    device = IioDevice.model_validate({"kind": "iio", "id": "board", "root": str(root), "every": 0.01, **more})
    async with iio.from_device(device, {"1": letter} if letter else {}).open() as link:
        return await link.receive()


MAX31856: dict[str, Any] = {
    "name": "max31856", "in_temp_raw": 15504, "in_temp_scale": 7.8125, "in_temp_ambient_raw": 1600,
    "in_temp_ambient_scale": 15.625, "fault_oc": 0, "fault_ovuv": 0,
}  # fmt: skip


async def test_a_linearised_chip(tmp_path: Path) -> None:
    """Scales of max31856.c: 7.8125 and 15.625 thousandths of a degree; 15504 x 7.8125 m°C = 121.125 °C."""
    chip(tmp_path, **MAX31856)
    one = (await read(tmp_path)).measurements[0]
    assert (one.source, one.celsius, one.cold_junction, one.quality) == ("1", 121.125, 25.0, Quality.GOOD)


async def test_a_linear_chip_is_corrected(tmp_path: Path) -> None:
    """maxim_thermocouple: scale 250 and 62.5; an ideal chip shows 246.75 °C for a K probe at 250 °C."""
    files: dict[str, Any] = {
        "in_temp_raw": 987,
        "in_temp_scale": 250,
        "in_temp_ambient_raw": 400,
        "in_temp_ambient_scale": 62.5,
    }
    chip(tmp_path, name="maxim_thermocouple", **files)
    one = (await read(tmp_path)).measurements[0]
    assert one.celsius == pytest.approx(250.0, abs=0.01)
    as_j = (await read(tmp_path, "J")).measurements[0]
    millivolt = thermocouple.SENSITIVITY_MAX31855["K"] * (246.75 - 25)
    assert as_j.celsius == pytest.approx(thermocouple.temperature("J", millivolt, 25.0))


async def test_a_max6675_has_no_cold_junction(tmp_path: Path) -> None:
    chip(tmp_path, name="maxim_thermocouple", in_temp_raw=487, in_temp_scale=250)
    one = (await read(tmp_path)).measurements[0]
    assert one.celsius == pytest.approx(121.1, abs=0.13)
    assert one.cold_junction is None


@pytest.mark.parametrize(
    ("raw", "celsius", "quality"),
    [
        (1938, 121.125, Quality.GOOD),
        (0xFFF0, -1.0, Quality.GOOD),
        (0xFFFF, -0.0625, Quality.SUSPECT),
        (0x0101, 16.0625, Quality.SUSPECT),
    ],
)
async def test_the_mcp9600_word_gets_its_sign_back(tmp_path: Path, raw: int, celsius: float, quality: Quality) -> None:
    """mcp9600.c hands out the 16-bit word without its sign; scale 62.5."""
    ambient: dict[str, Any] = {"in_temp_ambient_raw": 0x0190, "in_temp_ambient_scale": 62.5}
    chip(tmp_path, name="mcp9600", in_temp_raw=raw, in_temp_scale=62.5, **ambient)
    one = (await read(tmp_path)).measurements[0]
    assert (one.celsius, one.quality, one.cold_junction) == (celsius, quality, 25.0)


async def test_processed_values_and_offset(tmp_path: Path) -> None:
    """sysfs-bus-iio: after scale and offset, or in `_input`, the unit is the thousandth of a degree."""
    folder = chip(tmp_path, name="other", in_temp_input=121100)
    assert (await read(tmp_path)).measurements[0].celsius == pytest.approx(121.1)
    for name, value in {"in_temp_raw": 1000, "in_temp_scale": 100, "in_temp_offset": 211}.items():
        (folder / name).write_text(f"{value}\n")
    assert (await read(tmp_path)).measurements[0].celsius == pytest.approx(121.1)


@pytest.mark.parametrize(
    ("error", "files", "fault"),
    [
        (errno.EINVAL, {}, Fault.NOT_KNOWN),
        (errno.EIO, {}, Fault.DEAD_BUS),
        (errno.EREMOTEIO, {}, Fault.DEAD_BUS),
        (errno.EIO, {"fault_oc": 1}, Fault.OPEN_CIRCUIT),
        (errno.EIO, {"fault_ovuv": 1}, Fault.OVER_OR_UNDER_VOLTAGE),
    ],
)
async def test_errors_of_a_read_are_faults(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: int, files: dict[str, int], fault: Fault
) -> None:
    """maxim_thermocouple.c: EINVAL when a fault bit is set; max31856.c: EIO, and fault_oc, fault_ovuv say why."""
    chip(tmp_path, **{**MAX31856, **files})
    whole = iio._text

    def failing(file: Path) -> str:
        if file.name == "in_temp_raw":
            raise OSError(error, "as the kernel says")
        return whole(file)

    monkeypatch.setattr(iio, "_text", failing)
    one = (await read(tmp_path)).measurements[0]
    assert (one.celsius, one.fault) == (None, fault)


async def test_a_chip_that_goes_away(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = chip(tmp_path, **MAX31856)
    device = IioDevice.model_validate({"kind": "iio", "id": "b", "root": str(tmp_path), "every": 0.01})
    async with iio.from_device(device, {}).open() as link:
        await link.receive()
        for file in folder.iterdir():
            file.unlink()
        with pytest.raises(DeviceUnavailable):
            await link.receive()


async def test_choosing_by_name_and_label(tmp_path: Path) -> None:
    chip(tmp_path, 0, **MAX31856, label="pit")
    chip(tmp_path, 1, **{**MAX31856, "in_temp_raw": 7752}, label="meat")
    assert (await read(tmp_path, label="meat")).measurements[0].celsius == 60.5625
    with pytest.raises(DeviceMisconfigured, match=r"several.*iio:device0.*iio:device1"):
        await read(tmp_path, name="max31856")
    with pytest.raises(DeviceUnavailable, match=r"iio\.none"):
        await read(tmp_path, name="mcp9600")


@pytest.mark.parametrize("text", ["", "abc", "12 34"])
async def test_a_file_that_holds_no_number_is_refused(tmp_path: Path, text: str) -> None:
    chip(tmp_path, **{**MAX31856, "in_temp_raw": text})
    batch = await read(tmp_path)
    assert (batch.measurements, batch.rejected[0].reason) == ((), "not-a-number")


async def test_both_registers_zero_is_suspect(tmp_path: Path) -> None:
    chip(tmp_path, **{**MAX31856, "in_temp_raw": 0, "in_temp_ambient_raw": 0})
    assert (await read(tmp_path)).measurements[0].quality is Quality.SUSPECT
