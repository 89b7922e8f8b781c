"""The BLE drivers through the real bleak BlueZ back end, against a fake org.bluez on a private D-Bus.

A repeating device is played by a task on the same loop; every wait is for an event, with a limit.
"""

from __future__ import annotations

import asyncio
import gc
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import AsyncIterator, Iterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path

import pytest
from pydantic import TypeAdapter

from config.devices import BleAdvertDevice, BleGattDevice, Device, GattCharacteristic
from drivers import ble_advert, ble_gatt, ble_radio
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver, Link
from drivers.codecs.adverts import BTHOME_UUID, make_cipher
from drivers.codecs.gatt_values import BATTERY_LEVEL, COOKING_TEMPERATURE, TEMPERATURE, TEMPERATURE_MEASUREMENT
from drivers.finder import Found, find_ble
from drivers.reading import Fault
from tests.patience import PATIENCE
from tests.system.ble import fake_bluez as fake
from tests.texts.english import told_in_english

pytestmark = pytest.mark.skipif(shutil.which("dbus-daemon") is None, reason="needs the package `dbus`")


ENVIRONMENT = "0000181a-0000-1000-8000-00805f9b34fb"
BATTERY = "0000180f-0000-1000-8000-00805f9b34fb"
ADDRESS = "C0:FF:EE:00:00:01"
ROOT = Path(__file__).parents[3]
LIMIT = 10.0
STALLS = 1.5
"""s of silence, where a silence is waited for: longer than a busy machine keeps this process waiting."""
"""s, for anything that must happen"""


@pytest.fixture(scope="module")
def bus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with fake.private_bus(tmp_path_factory.mktemp("bus")) as address:
        yield address


@asynccontextmanager
async def bluez_running() -> AsyncIterator[fake.FakeBluez]:
    """The fake service; at the end also the library's own connection is closed, for it holds one a loop."""
    bluez = fake.FakeBluez()
    await bluez.start()
    try:
        yield bluez
    finally:
        from bleak.backends.bluezdbus import manager

        kept = manager._global_instances.pop(asyncio.get_running_loop(), None)
        if kept is not None and kept._bus is not None:
            kept._bus.disconnect()
            with suppress(Exception):
                await kept._bus.wait_for_disconnect()  # type: ignore[no-untyped-call]
            if kept._bus_watcher_task is not None:
                await asyncio.wait({kept._bus_watcher_task})
        await bluez.stop()


@pytest.fixture
async def bluez(bus: str) -> AsyncIterator[fake.FakeBluez]:
    async with bluez_running() as running:
        yield running


def pit_probe(*flags: str, uuid: str = TEMPERATURE, value: bytes = b"\x4f\x2f", address: str = ADDRESS) -> fake.Probe:
    return fake.Probe(address, services={ENVIRONMENT: [fake.Characteristic(uuid, list(flags), value)]})


def gatt(*characteristics: GattCharacteristic, address: str = ADDRESS, silence: float = LIMIT) -> Driver:
    wanted = characteristics or (GattCharacteristic(source="pit", uuid="2A6E", poll_every=0.01),)
    device = BleGattDevice(kind="ble-gatt", id="pit", address=address, characteristics=wanted, silence_limit=silence)
    return ble_gatt.from_device(device, {})


def only(probe: fake.Probe) -> fake.Characteristic:
    (found,) = probe.services[ENVIRONMENT]
    return found


async def within(link: Link) -> Batch:
    async with asyncio.timeout(LIMIT):
        return await link.receive()


@asynccontextmanager
async def open_again(driver: Driver) -> AsyncIterator[Link]:
    """Try until it opens, as a supervisor does."""
    async with AsyncExitStack() as stack, asyncio.timeout(LIMIT) as limit:
        while True:
            with suppress(DeviceUnavailable):
                link = await stack.enter_async_context(driver.open())
                break
            await asyncio.sleep(0.01)
        limit.reschedule(None)
        yield link


@asynccontextmanager
async def repeating(bluez: fake.FakeBluez, probe: fake.Probe, every: float = 0.01) -> AsyncIterator[None]:
    async def repeat() -> None:
        while True:
            bluez.advertise(probe)
            await asyncio.sleep(every)

    task = asyncio.create_task(repeat())
    try:
        yield
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def test_scan_connect_and_poll(bluez: fake.FakeBluez) -> None:
    bluez.add(pit_probe("read"))
    async with gatt().open() as link:
        (found,) = (await within(link)).measurements
        assert (found.source, found.celsius) == ("pit", 121.11)
    assert not bluez.discovering
    assert bluez.calls.count("StartDiscovery") == bluez.calls.count("StopDiscovery") == 1


@pytest.mark.parametrize("flag", ["notify", "indicate"])
async def test_notified_and_indicated_values_come_without_a_read(bluez: fake.FakeBluez, flag: str) -> None:
    probe = pit_probe(flag, uuid=COOKING_TEMPERATURE)
    bluez.add(probe)
    async with gatt(GattCharacteristic(source="pit", uuid="2C2E")).open() as link:
        for tenths in (1211, 1215, 1220):
            bluez.notify(only(probe), tenths.to_bytes(2, "little", signed=True))
            assert [m.celsius for m in (await within(link)).measurements] == [tenths / 10]
        bluez.notify(only(probe), b"\x00\x80")
        assert (await within(link)).measurements[0].fault is Fault.NOT_KNOWN
        bluez.notify(only(probe), b"\x00")
        assert (await within(link)).rejected[0].reason == "length"
    assert "ReadValue" not in bluez.calls
    assert not bluez.connected(probe)


async def test_a_refused_subscription_falls_back_to_polling(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("notify", "read")
    only(probe).errors["StartNotify"] = ("org.bluez.Error.NotSupported", "Operation is not supported")
    bluez.add(probe)
    async with gatt().open() as link:
        assert [m.celsius for m in (await within(link)).measurements] == [121.11]


async def test_battery_goes_with_every_reading(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("indicate", uuid=TEMPERATURE_MEASUREMENT)
    battery = fake.Characteristic(BATTERY_LEVEL, ["read", "notify"], b"\x5d")
    probe.services[BATTERY] = [battery]
    bluez.add(probe)
    wanted = (GattCharacteristic(source="meat", uuid="2A1C"), GattCharacteristic(source="battery", uuid="2A19"))
    async with gatt(*wanted).open() as link:
        for percent in (0x5D, 0x5C):
            bluez.notify(battery, bytes((percent,)))
            bluez.notify(only(probe), bytes.fromhex("00A60300FF"))
            (found,) = (await within(link)).measurements
            assert (found.celsius, found.battery_percent) == (93.4, percent)


async def test_equal_characteristics_are_told_apart_by_number(bluez: fake.FakeBluez) -> None:
    several = [fake.Characteristic(TEMPERATURE, ["read"], (100 * n).to_bytes(2, "little")) for n in (60, 121, 20)]
    bluez.add(fake.Probe(ADDRESS, services={ENVIRONMENT: several}))
    wanted = [GattCharacteristic(source=str(n), uuid="2A6E", number=n, service="181A") for n in (1, 2, 3)]
    found: dict[str, float | None] = {}
    async with gatt(*wanted).open() as link:
        while len(found) < 3:
            found |= {m.source: m.celsius for m in (await within(link)).measurements}
    assert found == {"1": 60.0, "2": 121.0, "3": 20.0}


async def test_a_lost_link_is_unavailable_and_open_finds_it_again(bluez: fake.FakeBluez) -> None:
    probe, driver = pit_probe("notify"), gatt()
    bluez.add(probe)
    async with driver.open() as link:
        bluez.drop(probe)
        with pytest.raises(DeviceUnavailable, match=r"ble\.lost"):
            await within(link)
        with pytest.raises(DeviceUnavailable):  # and stays lost
            await within(link)
    async with driver.open() as link:
        bluez.notify(only(probe), b"\xca\x09")
        assert (await within(link)).measurements[0].celsius == 25.06


async def test_a_connected_device_that_says_nothing_is_unavailable(bluez: fake.FakeBluez) -> None:
    bluez.add(pit_probe("notify"))
    async with gatt(silence=0.1).open() as link:
        with pytest.raises(DeviceUnavailable, match="no-value"):
            await within(link)


async def test_a_failing_read_ends_the_link(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("read")
    bluez.add(probe)
    async with gatt().open() as link:
        await within(link)
        only(probe).errors["ReadValue"] = ("org.bluez.Error.Failed", "Not connected")
        with pytest.raises(DeviceUnavailable, match="failed"):
            while True:
                await within(link)


async def test_a_link_left_up_by_an_earlier_run_is_taken_over(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("read")
    probe.advertises = False  # as a connected device does
    bluez.add(probe)
    bluez.connect(probe)
    async with gatt().open() as link:
        assert (await within(link)).measurements[0].celsius == 121.11
    assert "StartDiscovery" not in bluez.calls


async def test_absent_device_and_refused_connection_are_unavailable(
    bluez: fake.FakeBluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ble_radio, "FIND_TIMEOUT", 0.1)
    with pytest.raises(DeviceUnavailable, match="no-answer"):
        async with gatt().open():
            pass
    assert not bluez.discovering
    monkeypatch.undo()  # a loaded machine finds no device that is there in so short a time
    probe = pit_probe("read")
    probe.refuses = ("org.bluez.Error.Failed", "br-connection-canceled")
    bluez.add(probe)
    with pytest.raises(DeviceUnavailable, match="canceled"):
        async with gatt().open():
            pass


async def test_what_no_retry_can_mend_is_misconfigured(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("notify", uuid=COOKING_TEMPERATURE)
    bluez.add(probe)
    with pytest.raises(DeviceMisconfigured, match="2A6E"):
        async with gatt().open():
            pass
    only(probe).errors["StartNotify"] = ("org.bluez.Error.Failed", "Operation failed with ATT error: 0x05")
    with pytest.raises(DeviceMisconfigured, match="paired"):
        async with gatt(GattCharacteristic(source="pit", uuid="2C2E")).open():
            pass
    for bad, words in (("2A45", "layout"), ("pit", "no-uuid")):
        with pytest.raises(DeviceMisconfigured, match=words):
            gatt(GattCharacteristic(source="pit", uuid=bad))


@pytest.mark.parametrize("flag", ["read", "notify"])
async def test_adapter_pulled_and_put_back(bluez: fake.FakeBluez, flag: str) -> None:
    probe, driver = pit_probe(flag), gatt(silence=STALLS)
    bluez.add(probe)
    async with driver.open() as link:
        bluez.remove_adapter()
        with pytest.raises(DeviceUnavailable):
            while True:
                await within(link)
    with pytest.raises(DeviceUnavailable, match="adapter"):
        async with driver.open():
            pass
    bluez.add_adapter()
    async with open_again(driver) as link:
        bluez.notify(only(probe), b"\x4f\x2f")
        assert (await within(link)).measurements[0].celsius == 121.11


async def test_no_bluetooth_service_at_all(bus: str) -> None:
    async with bluez_running() as bluez:
        await bluez.vanish()
        with pytest.raises(DeviceUnavailable, match="no-service"):
            async with gatt().open():
                pass


def bthome(data: str, address: str = ADDRESS) -> fake.Probe:
    return fake.Probe(address, service_data={BTHOME_UUID: bytes.fromhex(data)})


def advert(address: str = ADDRESS, silence: float = LIMIT, key: str | None = None) -> Driver:
    device = BleAdvertDevice(
        kind="ble-advert", id="shoulder", address=address, silence_limit=silence, bind_key_file=key
    )
    return ble_advert.from_device(device, {})


async def test_two_broadcasters_share_one_scan_with_a_gatt_device(bluez: fake.FakeBluez) -> None:
    """BlueZ refuses a second discovery of one client (InProgress), and so does the fake."""
    first, second = bthome("400001015D45BB04"), bthome("400001025802", "C0:FF:EE:00:00:02")
    connected = pit_probe("read", address="C0:FF:EE:00:00:03")
    for probe in (first, second, connected):
        bluez.add(probe)
    async with (
        advert().open() as one,
        advert("C0:FF:EE:00:00:02").open() as two,
        repeating(bluez, first),
        repeating(bluez, second),
        repeating(bluez, connected),
        gatt(address=connected.address).open() as three,
    ):
        (a,), (b,) = (await within(one)).measurements, (await within(two)).measurements
        assert (a.celsius, a.battery_percent, b.celsius) == (121.1, 93, 6.0)
        assert (await within(three)).measurements[0].celsius == 121.11
        assert bluez.calls.count("StartDiscovery") == 1
    assert not bluez.discovering


async def test_a_repeated_packet_is_life_but_no_reading(bluez: fake.FakeBluez) -> None:
    probe = bthome("400007 45BB04")
    bluez.add(probe)
    async with advert(silence=STALLS).open() as link:
        async with repeating(bluez, probe):
            await within(link)
            with pytest.raises(TimeoutError):  # two silence limits of the same packet
                async with asyncio.timeout(2 * STALLS):
                    await link.receive()
            probe.service_data = {BTHOME_UUID: bytes.fromhex("40000845BC04")}
            assert (await within(link)).measurements[0].celsius == 121.2
        with pytest.raises(DeviceUnavailable, match="not-heard"):
            await within(link)


async def test_encrypted_broadcast_and_its_key_file(bluez: fake.FakeBluez, tmp_path: Path) -> None:
    """The vector of https://bthome.io/encryption/ ."""
    key = tmp_path / "key"
    key.write_text("231d39c1d7cc1ab1aee224cd096db932\n")
    key.chmod(0o644)
    with pytest.raises(DeviceMisconfigured, match="key-open"):
        advert(key=str(key))
    key.chmod(0o600)
    probe = bthome("41e445f3c9962b332211006c7c4519", "54:48:E6:8F:80:A5")
    bluez.add(probe)
    async with advert(probe.address.lower(), key=str(key)).open() as link, repeating(bluez, probe):
        assert (await within(link)).measurements[0].celsius == 25.06
    for text in ("231d", "not hex"):
        key.write_text(text)
        with pytest.raises(DeviceMisconfigured, match=r"device\.key"):
            advert(key=str(key))
    assert make_cipher(bytes(16))


async def test_broadcasters_come_back_after_the_adapter_did(
    bluez: fake.FakeBluez, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the other still holds the dead scan, the first to come back must begin a new one."""
    monkeypatch.setattr(ble_radio, "DEAF_AFTER", 0.05)
    probe, other = bthome("4045BB04"), bthome("4045BC04", "C0:FF:EE:00:00:02")
    bluez.add(probe)
    bluez.add(other)
    async with advert(other.address).open(), repeating(bluez, probe):
        async with advert(silence=STALLS).open() as link:
            await within(link)
            bluez.remove_adapter()
            with pytest.raises(DeviceUnavailable, match="not-heard"):
                while True:
                    await within(link)
        with pytest.raises(DeviceUnavailable, match="adapter"):
            async with advert().open():
                pass
        bluez.add_adapter()
        async with open_again(advert()) as link:
            assert (await within(link)).measurements[0].celsius == 121.1


async def all_found(count: int) -> list[Found]:
    """So many; a busy machine hears some of them only the next time."""
    async with asyncio.timeout(PATIENCE):
        while len(found := await find_ble(0.1)) < count:
            continue
    return found


async def test_devices_on_the_air_are_found_with_stanzas_that_open(bluez: fake.FakeBluez) -> None:
    """What `pitvigil devices` shows is pasted, loaded and opened, and gives the readings."""
    several = [fake.Characteristic(TEMPERATURE, ["read"], (100 * n).to_bytes(2, "little")) for n in (121, 63)]
    battery = fake.Characteristic(BATTERY_LEVEL, ["read"], b"\x5d")
    probe = fake.Probe("C0:FF:EE:00:00:02", 'Log "box" 2', {ENVIRONMENT: several, BATTERY: [battery]})
    sender = bthome("4445BB0445AC03")
    sealed = bthome("41e445f3c9962b332211006c7c4519", "C0:FF:EE:00:00:03")
    stranger = fake.Probe("C0:FF:EE:00:00:04", "lamp", uuids=["0000180a-0000-1000-8000-00805f9b34fb"])
    for one in (probe, sender, sealed, stranger):
        bluez.add(one)
    found = await all_found(3)
    assert [(f.kind, f.where) for f in found] == [
        ("ble-advert", sender.address), ("ble-gatt", probe.address), ("ble-advert", sealed.address)
    ]  # fmt: skip
    assert not bluez.connected(probe)
    devices = [TypeAdapter(Device).validate_python(tomllib.loads(f.stanza)["devices"][0]) for f in found]
    assert '"temperature", "temperature-2"' in told_in_english(found[0].remarks[0])
    assert "bind_key_file" in found[2].stanza
    assert isinstance(devices[1], BleGattDevice)
    seen: dict[str, float | None] = {}
    async with ble_gatt.from_device(devices[1], {}).open() as link:
        while len(seen) < 2:
            seen |= {m.source: m.celsius for m in (await within(link)).measurements}
    assert seen == {"1": 121.0, "2": 63.0}


async def test_a_device_that_will_not_be_looked_into_is_still_named(bluez: fake.FakeBluez) -> None:
    probe = pit_probe("read")
    probe.refuses = ("org.bluez.Error.Failed", "br-connection-canceled")
    bluez.add(probe)
    (found,) = await all_found(1)
    assert "could not look inside" in told_in_english(found.detail)
    assert TypeAdapter(Device).validate_python(tomllib.loads(found.stanza)["devices"][0]).kind == "ble-gatt"
    bluez.remove_adapter()
    async with asyncio.timeout(LIMIT):
        with pytest.raises(DeviceUnavailable, match="adapter"):
            while True:
                await find_ble(0.01)


def test_a_rig_without_ble_loads_no_ble() -> None:
    imports = "import sys, drivers.ble_gatt, drivers.ble_advert, drivers.finder"
    code = f"{imports}; print({{'bleak', 'cryptography'}} & {{*sys.modules}})"
    shown = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
    assert shown.stdout.strip() == "set()"


def census() -> tuple[int, int, int]:
    """Tasks, file descriptors and live objects of our own and of the libraries under test."""
    gc.collect()
    ours = ("drivers.", "bleak.", "dbus_fast.", "asyncio.")
    kinds = Counter(f"{type(o).__module__}." for o in gc.get_objects())
    count = sum(n for module, n in kinds.items() if module.startswith(ours))
    return len(asyncio.all_tasks()), sum(1 for _ in Path("/proc/self/fd").iterdir()), count


async def lose_it(bluez: fake.FakeBluez, times: int) -> None:
    probe, driver = pit_probe("notify"), gatt()
    if not bluez.probes:
        bluez.add(probe)
    (probe,) = bluez.probes.values()
    for _ in range(times):
        async with driver.open() as link:
            bluez.notify(only(probe), b"\x4f\x2f")
            await within(link)
            bluez.drop(probe)
            with pytest.raises(DeviceUnavailable):
                await within(link)
    bluez.calls.clear()


@pytest.mark.parametrize("drops", [50, pytest.param(1000, marks=pytest.mark.soak)])
async def test_drops_leak_nothing(bluez: fake.FakeBluez, drops: int, record_property: object) -> None:
    await lose_it(bluez, 5)
    before = census()
    await lose_it(bluez, drops)
    after = census()
    print(f"{drops} drops: tasks, descriptors, objects {before} -> {after}")
    assert after[:2] == before[:2]
    assert after[2] - before[2] < 20
