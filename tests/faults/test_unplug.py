"""Devices that go and come back: a serial adapter pulled in the middle of a line, a BLE probe out of reach."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import time
import tty
from collections.abc import AsyncIterator
from pathlib import Path

from config.devices import BleGattDevice, GattCharacteristic, SerialLineDevice
from daemon.core.inputs import Health, Input, Readings
from daemon.shell.life import supervisor
from daemon.shell.life.supervisor import DeviceSupervisor, Wire
from drivers import ble_gatt
from drivers.base import DeviceUnavailable
from drivers.registry import open_driver
from tests.faults.row import Fault, NotHere, Row, cases, check
from tests.faults.test_disk import patched
from tests.system.ble import fake_bluez
from tests.texts.english import told_in_english

LOST_BAR, BACK_BAR = 10.0, 5.0
"""s until an unplugged device is missed, and from plugging it in to its next reading."""


@contextlib.asynccontextmanager
async def kept(keeper: DeviceSupervisor) -> AsyncIterator[None]:
    task = asyncio.create_task(keeper.run())
    try:
        yield
    finally:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task


class Plug:
    """A port name that comes and goes as udev's do; each plugging in is a new pty."""

    def __init__(self, name: Path) -> None:
        self.name, self.end = name, -1

    def plug_in(self) -> None:
        self.end, slave = os.openpty()
        tty.setraw(slave)
        self.name.symlink_to(os.ttyname(slave))
        os.close(slave)

    def send(self, data: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self.end, data)

    def pull(self) -> None:
        os.close(self.end)
        self.name.unlink()


class Account:
    """What a keeper posted: the values heard, and the words about the device."""

    def __init__(self) -> None:
        self.values: list[float] = []
        self.works: bool | None = None

    def __call__(self, item: Input) -> None:
        if isinstance(item, Readings):
            self.values += [r.celsius for r in item.readings if r.celsius is not None]
        elif isinstance(item, Health):
            self.works = item.ok


async def pulled(home: Path, times: int) -> tuple[float, float, int]:
    """(longest until missed, longest until heard again, readings that were never sent)."""
    plug, account = Plug(home / "by-id"), Account()
    stanza = {"kind": "serial-line", "id": "board", "port": str(plug.name), "line": {"kind": "json"}}
    keeper = DeviceSupervisor(
        "board", open_driver(SerialLineDevice.model_validate(stanza), {}), {"1": Wire("chuck")}, account, lambda: 0.0
    )
    missed, back, sent = 0.0, 0.0, set[float]()

    async def heard(limit: float) -> float:
        begin, before = time.monotonic(), len(account.values)
        while len(account.values) == before and time.monotonic() - begin < limit:
            value = 60.0 + len(sent) % 800 / 4
            sent.add(value)
            plug.send(b'{"1": %.2f}\n' % value)
            await asyncio.sleep(0.02)
        return time.monotonic() - begin

    plug.plug_in()
    async with kept(keeper):
        await heard(10.0)
        for _ in range(times):
            plug.send(b'{"1": 9')  # and the plug is pulled; the rest of the line is never sent
            plug.pull()
            begin = time.monotonic()
            while account.works is not False and time.monotonic() - begin < 2 * LOST_BAR:
                await asyncio.sleep(0.01)
            missed = max(missed, time.monotonic() - begin)
            await asyncio.sleep(0.6)  # long enough away for an attempt or two to fail
            plug.plug_in()
            plug.send(b'5.25, "2": 1}\n')  # the second half of another line
            back = max(back, await heard(2 * BACK_BAR))
    plug.pull()
    return missed, back, len(set(account.values) - sent)


async def serial(home: Path, full: bool) -> Row:
    (home / "wrong").mkdir()
    missed, back, invented = await pulled(home, 12 if full else 2)
    with patched(supervisor, "BACK_OFF", (0.5, 6.0)):
        _, wrong, _ = await pulled(home / "wrong", 1)
    return Row(
        "serial adapter pulled in mid-line and plugged in", "missed after; heard again after; readings invented",
        f"{missed:.1f} s; {back:.1f} s; {invented}", f"<= {LOST_BAR:.0f} s; <= {BACK_BAR:.0f} s; 0",
        missed <= LOST_BAR and back <= BACK_BAR and not invented,
        f"waits longer after each failure ({wrong:.1f} s)", wrong > BACK_BAR,
    )  # fmt: skip


# --- BLE -----------------------------------------------------------------------------------------------------------

BLE_LOST_BAR, BLE_BACK_BAR = 30.0, 10.0
"""s until a dropped probe is missed, and from its return to its next reading (our choice: connecting takes seconds)."""
GIVEN_UP = 3.0
"""s without a reading, beside less than one with the right build, that show a wrong one."""
ENVIRONMENT, TEMPERATURE = "0000181a-0000-1000-8000-00805f9b34fb", "00002a6e-0000-1000-8000-00805f9b34fb"
ADDRESS = "C0:FF:EE:00:00:01"


@contextlib.asynccontextmanager
async def bluez_running() -> AsyncIterator[fake_bluez.FakeBluez]:
    bluez = fake_bluez.FakeBluez()
    await bluez.start()
    try:
        yield bluez
    finally:
        from bleak.backends.bluezdbus import manager

        held = manager._global_instances.pop(asyncio.get_running_loop(), None)  # the library holds one a loop
        if held is not None and held._bus is not None:
            held._bus.disconnect()
            with contextlib.suppress(Exception):
                await held._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            if held._bus_watcher_task is not None:
                await asyncio.wait({held._bus_watcher_task})
        await bluez.stop()


class GivesUp(DeviceSupervisor):
    """The wrong build: one loss is the end."""

    async def run(self) -> None:
        try:
            async with self.driver.open() as link:
                while True:
                    self._take(await link.receive())
        except DeviceUnavailable as error:
            self._tell(False, told_in_english(error.why))


def open_files() -> int:
    return sum(1 for _ in Path("/proc/self/fd").iterdir())


async def dropped(times: int, keeper_class: type[DeviceSupervisor]) -> tuple[float, float, int]:
    """(longest until missed, longest until heard again, file descriptors left over)."""
    account, value = Account(), b"\x4f\x2f"  # 121.11 °C
    wanted = (GattCharacteristic(source="pit", uuid="2A6E", poll_every=0.05),)
    device = BleGattDevice(kind="ble-gatt", id="probe", address=ADDRESS, characteristics=wanted, silence_limit=20.0)
    keeper = keeper_class("probe", ble_gatt.from_device(device, {}), {"pit": Wire("chuck")}, account, lambda: 0.0)
    missed = back = 0.0
    async with bluez_running() as bluez:
        probe = fake_bluez.Probe(
            ADDRESS, services={ENVIRONMENT: [fake_bluez.Characteristic(TEMPERATURE, ["notify"], value)]}
        )
        bluez.add(probe)

        async def heard(limit: float) -> float:
            begin, before = time.monotonic(), len(account.values)
            while len(account.values) == before and time.monotonic() - begin < limit:
                bluez.advertise(probe)
                if bluez.connected(probe):
                    bluez.notify(probe.services[ENVIRONMENT][0], value)
                await asyncio.sleep(0.05)
            return time.monotonic() - begin

        async with kept(keeper):
            await heard(10.0)
            before_all = open_files()
            for _ in range(times):
                bluez.drop(probe)
                begin = time.monotonic()
                while account.works is not False and time.monotonic() - begin < BLE_LOST_BAR:
                    await asyncio.sleep(0.01)
                missed = max(missed, time.monotonic() - begin)
                took = await heard(BLE_BACK_BAR + 0.5 if keeper_class is DeviceSupervisor else GIVEN_UP)
                back = max(back, took if len(account.values) else float("inf"))
            left = open_files() - before_all
    return missed, back, left


async def ble(home: Path, full: bool) -> Row:
    if shutil.which("dbus-daemon") is None:
        raise NotHere("needs dbus-daemon")
    with fake_bluez.private_bus(home):
        missed, back, left = await dropped(20 if full else 2, DeviceSupervisor)
        _, wrong, _ = await dropped(1, GivesUp)
    met = missed <= BLE_LOST_BAR and back <= BLE_BACK_BAR and left <= 0
    return Row(
        "BLE probe drops its link", "missed after; heard again after; descriptors leaked",
        f"{missed:.1f} s; {back:.1f} s; {left}",
        f"<= {BLE_LOST_BAR:.0f} s; <= {BLE_BACK_BAR:.0f} s; 0", met, "one loss is the end", wrong >= GIVEN_UP,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (serial, ble)


@cases(FAULTS, slow=(ble,))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
