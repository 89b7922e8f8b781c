"""Devices come and go: said once when lost, once when back, open again within 5 s; a bad frame stops nothing."""

from __future__ import annotations

import asyncio
import gc
import itertools
import logging
import os
import time
import tracemalloc
import tty
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path

import pytest

from config.devices import LineFormat, SerialLineDevice
from daemon.core.inputs import Health, Input, LinkCounts, Part, Readings
from daemon.shell.life import supervisor
from daemon.shell.life.supervisor import NAMES_KEPT, DeviceSupervisor, Wire
from drivers.base import Batch, DeviceMisconfigured, Link, Rejected
from drivers.codecs.line_formats import LineDecoder
from drivers.reading import Measurement
from drivers.registry import open_driver
from tests.patience import PATIENCE
from tests.texts.english import in_english


class FakeDriver:
    """Gives the batches it was made with, then waits for ever; or refuses to open."""

    def __init__(self, batches: list[Batch], refuse: Exception | None = None) -> None:
        self.batches, self.refuse, self.opened = batches, refuse, 0

    @asynccontextmanager
    async def open(self) -> AsyncIterator[Link]:
        self.opened += 1
        if self.refuse is not None:
            raise self.refuse
        yield self

    async def receive(self) -> Batch:
        if self.batches:
            return self.batches.pop(0)
        await asyncio.Event().wait()
        raise AssertionError


async def keep(keeper: DeviceSupervisor, until: float) -> None:
    task = asyncio.create_task(keeper.run())
    await asyncio.sleep(until)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_measurements_become_readings_with_channel_calibration_and_time() -> None:
    posted: list[Input] = []
    batch = Batch((Measurement("1", 100.0), Measurement("9", 5.0)), (Rejected("crc"), Rejected("crc")))
    wires = {"1": Wire("chuck", lambda celsius: celsius - 0.27)}
    keeper = DeviceSupervisor("board", FakeDriver([batch]), wires, posted.append, lambda: 77.5)
    await keep(keeper, 0.05)
    readings = [p for p in posted if isinstance(p, Readings)]
    assert len(readings) == 1 and len(readings[0].readings) == 1
    reading = readings[0].readings[0]
    assert (reading.channel, reading.celsius, reading.measured_at) == ("chuck", 99.71875, 77.5)
    assert keeper.rejected == {"crc": 2} and keeper.unknown == {"9"}


async def test_what_is_lost_on_the_way_is_told_when_it_changes_and_at_most_once_a_minute() -> None:
    posted: list[Input] = []
    good = Measurement("1", 100.0)
    batches = [Batch((good,)), Batch((good,), lost=3), *(Batch((good,), (Rejected("crc"),), lost=1) for _ in range(50))]
    keeper = DeviceSupervisor("board", FakeDriver(batches), {"1": Wire("chuck")}, posted.append, lambda: 0.0)
    await keep(keeper, 0.2)
    assert [p for p in posted if isinstance(p, LinkCounts)] == [LinkCounts("board", lost=3)]
    assert (keeper.lost, keeper.restarts, keeper.rejected.total()) == (53, 0, 50)


async def test_the_counts_follow_after_a_minute(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervisor, "COUNTS_EVERY", 0.0)
    posted: list[Input] = []
    batches = [Batch(lost=3), Batch((Measurement("1", 100.0),), (Rejected("crc"),), restarts=1), Batch()]
    await keep(DeviceSupervisor("board", FakeDriver(batches), {}, posted.append, lambda: 0.0), 0.1)
    assert [p for p in posted if isinstance(p, LinkCounts)] == [
        LinkCounts("board", lost=3),
        LinkCounts("board", lost=3, restarts=1, refused=1),
    ]


def test_endless_unknown_names_cost_neither_memory_nor_log(caplog: pytest.LogCaptureFixture) -> None:
    """200,000 names that nobody knows, as a board with a damaged line and no checksum may send: the first few are
    named, then they are counted. Bound: 64 KiB held, our own."""
    decoder = LineDecoder(LineFormat(kind="json"), {})
    keeper = DeviceSupervisor("board", FakeDriver([]), {"pit": Wire("pit")}, lambda item: None, lambda: 0.0)
    names = itertools.count()

    def flood(lines: int) -> None:
        for _ in range(lines):
            unknown = ",".join(f'"x{next(names)}":1' for _ in range(100))
            found = keeper.readings(decoder.decode(b'{"pit":121.1,%s}' % unknown.encode()).measurements)
            assert [one.channel for one in found] == ["pit"]

    with caplog.at_level(logging.WARNING):
        flood(10)
        gc.collect()
        tracemalloc.start()
        flood(2_000)
        gc.collect()
        held, _ = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert len(keeper.unknown) == NAMES_KEPT
    assert keeper.unnamed == 201_000 - NAMES_KEPT
    assert len(caplog.records) == NAMES_KEPT + 1
    assert held < 64 * 1024


async def test_a_misconfigured_device_is_said_and_not_tried_again() -> None:
    posted: list[Input] = []
    driver = FakeDriver([], DeviceMisconfigured("held by another program"))
    keeper = DeviceSupervisor("board", driver, {}, posted.append, lambda: 0.0)
    await keep(keeper, 0.05)
    assert driver.opened == 1
    assert [(p.part, p.ok) for p in posted if isinstance(p, Health)] == [(Part.DEVICE, False)]


async def test_a_driver_that_breaks_is_opened_again() -> None:
    posted: list[Input] = []
    driver = FakeDriver([], ValueError("a bug"))
    await keep(DeviceSupervisor("board", driver, {}, posted.append, lambda: 0.0), 0.7)
    assert driver.opened >= 2
    assert [p.ok for p in posted if isinstance(p, Health)] == [False]


async def test_a_link_that_gives_nothing_is_opened_anew_and_that_is_no_standstill() -> None:
    posted: list[Input] = []
    driver = FakeDriver([])
    keeper = DeviceSupervisor("board", driver, {}, posted.append, lambda: 0.0, silence=0.05)
    task = asyncio.create_task(keeper.run())
    begin = time.monotonic()
    while driver.opened < 2:
        assert time.monotonic() - begin < PATIENCE, "it was not opened again"
        assert not keeper.stuck()
        await asyncio.sleep(0.01)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert [in_english(p.detail) for p in posted if isinstance(p, Health)] == [
        "nothing came for 0.05 s; it is opened again"
    ]


async def test_a_misconfigured_device_stands_still_by_right() -> None:
    keeper = DeviceSupervisor("board", FakeDriver([], DeviceMisconfigured("no")), {}, lambda item: None, lambda: 0.0)
    await keeper.run()
    assert not keeper.stuck()


async def test_a_low_battery_is_said_once() -> None:
    posted: list[Input] = []
    batches = [Batch((Measurement("1", 60.0, battery_percent=p),)) for p in (40, 15, 14, 16, 13, 60)]
    await keep(DeviceSupervisor("probe", FakeDriver(batches), {"1": Wire("chuck")}, posted.append, lambda: 0.0), 0.05)
    battery = [(p.name, p.ok) for p in posted if isinstance(p, Health) and p.part is Part.BATTERY]
    assert battery == [("chuck", False), ("chuck", True)]


@pytest.mark.parametrize("away", [0.3])
async def test_unplugged_is_seen_and_replugged_is_open_within_5_s(tmp_path: Path, away: float) -> None:
    """A port name that comes and goes, as udev's by-id links do; each plug is a new pty."""
    name, posted = tmp_path / "by-id", list[Input]()

    def plug() -> int:
        end, slave = os.openpty()
        tty.setraw(slave)
        name.symlink_to(os.ttyname(slave))
        os.close(slave)
        return end

    def heard() -> bool:
        return any(isinstance(p, Readings) for p in posted)

    async def until_heard(end: int) -> None:
        begin = time.monotonic()
        while not heard():
            assert time.monotonic() - begin < PATIENCE, "nothing heard"
            with suppress(OSError):
                os.write(end, b'{"1": 99.5}\n')
            await asyncio.sleep(0.05)

    end = plug()
    device = SerialLineDevice.model_validate(
        {"kind": "serial-line", "id": "board", "port": str(name), "line": {"kind": "json"}}
    )
    keeper = DeviceSupervisor("board", open_driver(device, {}), {"1": Wire("chuck")}, posted.append, lambda: 0.0)
    task = asyncio.create_task(keeper.run())
    try:
        await until_heard(end)
        posted.clear()
        os.close(end)
        name.unlink()
        begin = time.monotonic()
        while not any(isinstance(p, Health) and not p.ok for p in posted):
            assert time.monotonic() - begin < PATIENCE, "the unplugged device was not missed"
            await asyncio.sleep(0.02)
        await asyncio.sleep(away)
        posted.clear()
        end = plug()
        await until_heard(end)
        assert max(supervisor.BACK_OFF) < 5.0, "not measured: a busy machine takes what it takes"
        assert any(isinstance(p, Health) and p.ok for p in posted)
    finally:
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        os.close(end)
