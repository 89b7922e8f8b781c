"""What runs inside the virtual machine of test_ble_kernel.py: bluetoothd, a probe on /dev/vhci, and our own drivers.

    python -m tests.soak.ble_guest

Each finding is one line on standard output: `RESULT {"step": ..., "took": ..., ...}`. Nothing here is patched but the time that
connecting may take, for the processor is emulated.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
import time
import traceback
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from config.devices import BleAdvertDevice, BleGattDevice, GattCharacteristic
from drivers import ble_advert, ble_gatt, ble_radio, finder
from drivers.base import DeviceUnavailable, Link
from tests.texts.english import told_in_english

PROBE_SCRIPT = Path(__file__).parents[1] / "system" / "ble" / "bumble_probe.py"
PROBE = "C0:FF:EE:00:00:01"
PATIENCE = 180.0
"""s for anything, on an emulated processor"""
NOTIFICATIONS = 50


def tell(step: str, began: float, **found: Any) -> None:
    print("RESULT " + json.dumps({"step": step, "took": round(time.monotonic() - began, 1), **found}), flush=True)


class Probe:
    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self.process = process

    async def order(self, text: str) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.write(f"{text}\n".encode())
        async with asyncio.timeout(PATIENCE):
            assert await self.process.stdout.readline() == b"done\n"


async def until(what: str, happened: Any) -> None:
    async with asyncio.timeout(PATIENCE):
        while not happened():
            await asyncio.sleep(0.5)
    print(what, flush=True)


def powered() -> bool:
    shown = subprocess.run(["bluetoothctl", "show"], capture_output=True, text=True, timeout=60, check=False).stdout
    return "Powered: yes" in shown


@asynccontextmanager
async def air() -> AsyncIterator[Probe]:
    """The system bus, the probe with the kernel's controller, and bluetoothd."""
    Path("/run/dbus").mkdir(parents=True, exist_ok=True)
    subprocess.run(["dbus-daemon", "--system", "--fork", "--nopidfile"], check=True, timeout=60)
    process = await asyncio.create_subprocess_exec(
        sys.executable, PROBE_SCRIPT, "kernel", stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE
    )
    assert process.stdout is not None
    async with asyncio.timeout(PATIENCE):
        await process.stdout.readline()
    daemon = subprocess.Popen(["/usr/libexec/bluetooth/bluetoothd", "-n"])
    await until("adapter", lambda: Path("/sys/class/bluetooth/hci0").exists())
    await until("powered", powered)
    try:
        yield Probe(process)
    finally:
        daemon.terminate()


async def values(link: Link, count: int) -> list[float | None]:
    found: list[float | None] = []
    async with asyncio.timeout(PATIENCE):
        while len(found) < count:
            found += [m.celsius for m in (await link.receive()).measurements]
    return found


async def lost(link: Link) -> str:
    try:
        await values(link, 1_000_000)
    except DeviceUnavailable as error:
        return told_in_english(error.why)
    return ""


def driver() -> Any:
    wanted = (GattCharacteristic(source="pit", uuid="2A6E"),)
    device = BleGattDevice(kind="ble-gatt", id="pit", address=PROBE, characteristics=wanted, silence_limit=PATIENCE)
    return ble_gatt.from_device(device, {})


async def devices(probe: Probe) -> None:
    await probe.order("named")
    began = time.monotonic()
    found: list[finder.Found] = []
    while not found and time.monotonic() - began < PATIENCE:
        found = await finder.find_ble(10.0)
    tell(
        "devices",
        began,
        kind=found[0].kind,
        where=found[0].where,
        detail=told_in_english(found[0].detail),
        stanza=found[0].stanza,
    )


async def connections(probe: Probe) -> None:
    one = driver()
    for turn in ("first", "again"):
        await probe.order("named")
        began = time.monotonic()
        async with one.open() as link:
            opened = time.monotonic() - began

            async def send() -> None:
                for number in range(NOTIFICATIONS):
                    await probe.order(f"value 2A6E {(12000 + number).to_bytes(2, 'little').hex()}")

            sending = asyncio.create_task(send())
            found = await values(link, NOTIFICATIONS)
            await sending
            tell(f"notify, {turn}", began, opened=round(opened, 1), values=found)
            began = time.monotonic()
            await probe.order("drop")
            tell(f"drop, {turn}", began, error=await lost(link))


async def hangs_up(probe: Probe) -> None:
    """Our side ends the connection, twice."""
    await probe.order("named")
    one = driver()
    for turn in ("first", "again", "once more"):
        began = time.monotonic()
        async with one.open() as link:
            opened = time.monotonic() - began
            found: list[float | None] = []
            reading = asyncio.create_task(values(link, 1))
            while not reading.done():
                await probe.order("value 2A6E e02e")
                await asyncio.sleep(0.5)
            found = await reading
        tell(f"hang up, {turn}", began, opened=round(opened, 1), values=found)
        await probe.order("named")


async def broadcasts(probe: Probe) -> None:
    device = BleAdvertDevice(kind="ble-advert", id="pit", address=PROBE, silence_limit=PATIENCE)
    began = time.monotonic()
    async with ble_advert.from_device(device, {}).open() as link:
        found: list[float | None] = []
        for number in range(5):
            await probe.order(f"broadcast 4000{number:02x}45{(1211 + number).to_bytes(2, 'little').hex()}")
            found += await values(link, 1)
    tell("broadcast", began, values=found)


async def adapter_gone(probe: Probe) -> None:
    await probe.order("named")
    one = driver()
    async with one.open() as link:
        began = time.monotonic()
        probe.process.kill()  # the kernel takes its controller away with it
        tell("adapter gone", began, error=await lost(link))
    began = time.monotonic()
    try:
        async with one.open():
            error = "opened"
    except DeviceUnavailable as refused:
        error = told_in_english(refused.why)
    tell("without adapter", began, error=error)


async def main() -> None:
    ble_gatt.CONNECT_TIMEOUT = PATIENCE
    ble_radio.FIND_TIMEOUT = PATIENCE
    async with air() as probe:
        for step in (devices, hangs_up, connections, broadcasts, adapter_gone):
            try:
                await step(probe)
            except Exception:
                traceback.print_exc()
                tell(step.__name__, time.monotonic(), failed=traceback.format_exc()[-400:])


if __name__ == "__main__":
    asyncio.run(main())
