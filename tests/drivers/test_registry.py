"""Every device kind has a driver, and a driver of another distribution is found by its entry point."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from textwrap import dedent
from typing import get_args

import pytest

from config.devices import Device, PluginDevice, SerialLineDevice
from drivers.base import DeviceMisconfigured
from drivers.registry import FACTORIES, open_driver


def test_every_kind_of_device_has_a_factory_that_imports() -> None:
    union = get_args(get_args(Device)[0])
    kinds = {get_args(model.model_fields["kind"].annotation)[0] for model in union}
    assert kinds == {*FACTORIES, "plugin"}
    for target in FACTORIES.values():
        module, _, name = target.partition(":")
        assert callable(getattr(__import__(module, fromlist=[name]), name))


@pytest.fixture
def outside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """An installed distribution that is not ours: a module and its metadata, as pip lays them."""
    (tmp_path / "stone_oven_probe.py").write_text(
        dedent(
            """
            from contextlib import asynccontextmanager

            from drivers.base import Batch, DeviceMisconfigured
            from drivers.reading import Measurement


            class Link:
                def __init__(self, celsius):
                    self.celsius = celsius

                async def receive(self):
                    return Batch((Measurement("1", self.celsius),))


            class Probe:
                def __init__(self, celsius):
                    self.celsius = celsius

                @asynccontextmanager
                async def open(self):
                    yield Link(self.celsius)


            def from_device(device, channel_types):
                if set(device.options) != {"celsius"}:
                    raise DeviceMisconfigured("stone_oven_probe takes one option: celsius")
                return Probe(device.options["celsius"])
            """
        )
    )
    metadata = tmp_path / "stone_oven_probe-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: stone-oven-probe\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(
        "[pitvigil.drivers]\nstone-oven = stone_oven_probe:from_device\nbroken = no_such_module:from_device\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    yield tmp_path
    sys.modules.pop("stone_oven_probe", None)


def plugin(driver: str, **options: object) -> PluginDevice:
    return PluginDevice(kind="plugin", id="oven", driver=driver, options=options)


async def test_a_driver_outside_the_tree(outside: Path) -> None:
    async with open_driver(plugin("stone-oven", celsius=121.1), {}).open() as link:
        assert (await link.receive()).measurements[0].celsius == 121.1


def test_its_own_settings_errors_come_through(outside: Path) -> None:
    with pytest.raises(DeviceMisconfigured, match="takes one option"):
        open_driver(plugin("stone-oven"), {})


@pytest.mark.parametrize(("name", "words"), [("absent", "stone-oven"), ("broken", "driver-fails")])
def test_a_driver_that_cannot_be_had_is_said_in_words(outside: Path, name: str, words: str) -> None:
    with pytest.raises(DeviceMisconfigured, match=words):
        open_driver(plugin(name), {})


def test_a_missing_package_is_said_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "drivers.serial_line", None)
    device = SerialLineDevice.model_validate({"kind": "serial-line", "id": "b", "port": "x", "line": {"kind": "json"}})
    with pytest.raises(DeviceMisconfigured, match="no-package"):
        open_driver(device, {})
