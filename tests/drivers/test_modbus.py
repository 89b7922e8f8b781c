"""Modbus RTU against pymodbus's own server and a hand-made bad slave, over real ttys."""

from __future__ import annotations

import asyncio
import csv
import os
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.constants import ExcCodes
from pymodbus.framer import FramerType
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from config.devices import ModbusDevice, ModbusSource
from drivers import modbus
from drivers.base import Batch, DeviceUnavailable
from drivers.codecs.crc import crc16_modbus
from drivers.codecs.modbus_registers import MOST_REGISTERS, decode_register, runs
from drivers.modbus import LONGEST_PAUSE, SlavePatience, from_device
from drivers.reading import Fault, Measurement
from tests.patience import PATIENCE
from tests.texts.english import told_in_english

FRAMES = Path(__file__).parents[1] / "data" / "modbus_frames.csv"


def source(name: str, slave: int = 1, register: int = 0, **more: Any) -> ModbusSource:
    return ModbusSource.model_validate({"source": name, "slave": slave, "register": register, **more})


def device(port: str, *sources: ModbusSource, every: float = 0.01, timeout: float = 0.1) -> ModbusDevice:
    return ModbusDevice(kind="modbus", id="bus", port=port, baud=115200, every=every, timeout=timeout, sources=sources)


def answers(batch: Batch) -> dict[str, float | Fault | None]:
    return {one.source: one.fault or one.celsius for one in batch.measurements}


# Registers ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "expected"), [(0x04BB, 121.1), (0xFFF6, -1.0), (0x7FFF, Fault.OPEN_CIRCUIT), (0x8000, Fault.OPEN_CIRCUIT)]
)
def test_words_of_the_constructed_frames(word: int, expected: float | Fault) -> None:
    """tests/data/modbus_frames.csv; open-circuit words are common practice, no source, so they are settings."""
    rows = csv.DictReader(line for line in FRAMES.read_text().splitlines() if not line.startswith("#"))
    assert f"{word >> 8:02X} {word & 0xFF:02X}" in " ".join(row["frame_hex"] for row in rows)
    measurement = decode_register(source("1"), word)
    assert (measurement.fault or measurement.celsius) == (
        expected if isinstance(expected, Fault) else pytest.approx(expected)
    )


def test_unsigned_scale_and_fill_in_values() -> None:
    assert decode_register(source("1", signed=False, scale=0.01, open_circuit=()), 0xFFFF).celsius == 655.35
    assert decode_register(source("1", signed=False), 0xFFFF).fault is Fault.OUT_OF_RANGE


@given(word=st.integers(0, 0xFFFF), scale=st.floats(allow_nan=False, allow_infinity=False), signed=st.booleans())
def test_any_word_is_a_value_or_a_fault(word: int, scale: float, signed: bool) -> None:
    one = decode_register(source("1", scale=scale, signed=signed), word)
    assert (one.celsius is None) == (one.fault is not None)


@given(st.lists(st.tuples(st.integers(1, 3), st.sampled_from([3, 4]), st.integers(0, 400)), min_size=1, max_size=40))
def test_runs_read_every_register_once_and_none_that_nobody_asked_for(asked: list[tuple[int, int, int]]) -> None:
    sources = [source(str(n), slave, register, function=fc) for n, (slave, fc, register) in enumerate(asked)]
    found = runs(sources)
    read = [(run.slave, run.function, run.start + place) for run in found for place in range(run.count)]
    assert sorted(read) == sorted(set(asked))
    assert all(run.count <= MOST_REGISTERS for run in found)
    assert sorted(one.source for run in found for one in run.sources) == sorted(one.source for one in sources)


ABSENT = 9

# pymodbus's server -------------------------------------------------------------------------------------------------


@asynccontextmanager
async def module_on(port: str, **more: Any) -> AsyncIterator[None]:
    """A bus with slaves 1 and 2. The server would answer for a slave that is not there; a real bus is silent."""

    def slave(number: int, *words: int) -> SimDevice:
        blocks = [SimData(0, values=list(words), datatype=DataType.REGISTERS)]
        return SimDevice(id=number, simdata=blocks, **more)

    server = ModbusSerialServer(
        [slave(1, 1211, 0xFFF6, 0x7FFF, 605), slave(2, 1184, 0x8000)],
        framer=FramerType.RTU,
        port=port,
        baudrate=115200,
        trace_packet=lambda sending, packet: b"" if sending and packet[0] == ABSENT else packet,
    )
    await server.serve_forever(background=True)
    try:
        yield
    finally:
        await server.shutdown()  # type: ignore[no-untyped-call]


async def test_two_slaves_both_functions(cable: Any) -> None:
    sources = [source("a"), source("b", 1, 1), source("c", 1, 2, function=3), source("d", 2, 0, function=3),
               source("e", 2, 1)]  # fmt: skip
    async with (
        module_on(cable.right.port),
        from_device(device(cable.left.port, *sources, timeout=0.3), {}).open() as link,
    ):
        for _ in range(3):
            batch = await link.receive()
            assert not batch.rejected
            assert answers(batch) == {
                "a": pytest.approx(121.1),
                "b": pytest.approx(-1.0),
                "c": Fault.OPEN_CIRCUIT,
                "d": pytest.approx(118.4),
                "e": Fault.OPEN_CIRCUIT,
            }


async def test_a_slave_that_is_missing_silences_nobody_and_is_asked_less_often(
    cable: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(modbus, "LATEST_ANSWER", 0.0)  # here the rounds alone decide
    sources = [source("absent", ABSENT), source("a"), source("d", 2)]
    async with (
        module_on(cable.right.port),
        from_device(device(cable.left.port, *sources, timeout=0.3), {}).open() as link,
    ):
        batches = [await link.receive() for _ in range(12)]
    assert all(set(answers(batch)) == {"a", "d"} for batch in batches)
    unanswered = [number for number, batch in enumerate(batches) if batch.rejected]
    assert unanswered == [0, 2, 5, 10]  # skipping 1, 2, 4 rounds
    assert batches[0].rejected[0].reason == "no-answer"
    assert f"slave {ABSENT}" in batches[0].rejected[0].detail


async def test_a_register_that_is_not_there_is_a_settings_error_in_words(cable: Any) -> None:
    sources = [source("a"), source("wrong", 1, 500), source("d", 2)]
    async with (
        module_on(cable.right.port),
        from_device(device(cable.left.port, *sources, timeout=0.3), {}).open() as link,
    ):
        batch = await link.receive()
    assert set(answers(batch)) == {"a", "d"}
    assert batch.rejected[0].reason == "settings"
    assert told_in_english(batch.hint).endswith(": slave 1 register 500: illegal data address (02)")


async def test_a_busy_slave_is_an_exception_and_no_reading(cable: Any) -> None:
    async def busy(*_: Any) -> ExcCodes:
        return ExcCodes.DEVICE_BUSY

    running = module_on(cable.right.port, action=busy)
    async with running, from_device(device(cable.left.port, source("a"), timeout=0.3), {}).open() as link:
        batch = await link.receive()
    assert (batch.measurements, batch.hint) == ((), None)
    assert batch.rejected[0].reason == "exception"
    assert "busy" in batch.rejected[0].detail


async def test_unplugging_the_adapter(cable: Any) -> None:
    async with (
        module_on(cable.right.port),
        from_device(device(cable.left.port, source("a"), timeout=0.3), {}).open() as link,
    ):
        assert answers(await link.receive()) == {"a": pytest.approx(121.1)}
        cable.unplug_left()
        async with asyncio.timeout(PATIENCE):
            with pytest.raises(DeviceUnavailable, match="unplugged"):
                while True:
                    await link.receive()


async def test_the_bus_held_by_another_daemon(cable: Any) -> None:
    async with from_device(device(cable.left.port, source("a")), {}).open():
        with pytest.raises(DeviceUnavailable, match=r"device\.held"):
            async with from_device(device(cable.left.port, source("a")), {}).open():
                pass


# A bad slave -------------------------------------------------------------------------------------------------------


def framed(body: bytes) -> bytes:
    return body + crc16_modbus(body).to_bytes(2, "little")


REPLIES: dict[str, Callable[[bytes], bytes]] = {
    "wrong crc": lambda request: framed(bytes([request[0], 4, 2, 0x04, 0xBB]))[:-1] + b"\x00",
    "half a frame": lambda request: framed(bytes([request[0], 4, 2, 0x04, 0xBB]))[:4],
    "another slave": lambda request: framed(bytes([request[0] + 1, 4, 2, 0x04, 0xBB])),
    "too many registers": lambda request: framed(bytes([request[0], 4, 4, 0x04, 0xBB, 0x04, 0xBB])),
    "another function": lambda request: framed(bytes([request[0], 3, 2, 0x04, 0xBB])),
    "noise": lambda request: b"\x00\xff\x13\x37" * 8,
    "nothing": lambda request: b"",
}


@pytest.mark.parametrize("name", REPLIES)
async def test_no_bad_answer_becomes_a_reading(far_end: Any, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(modbus, "LATEST_ANSWER", 0.0)
    loop = asyncio.get_running_loop()

    def reply() -> None:
        if answer := REPLIES[name](os.read(far_end.master, 256)):
            os.write(far_end.master, answer)

    async with from_device(device(far_end.port, source("a")), {}).open() as link:
        loop.add_reader(far_end.master, reply)
        try:
            batches = [await link.receive() for _ in range(12)]
        finally:
            loop.remove_reader(far_end.master)
    assert not any(batch.measurements for batch in batches)
    assert any(batch.rejected for batch in batches)
    assert batches[-1].hint is None or "no slave answers" in told_in_english(batches[-1].hint)


@pytest.mark.parametrize("wait", [0.02, 0.05])
async def test_a_late_answer_is_not_taken_for_the_next_register(
    far_end: Any, monkeypatch: pytest.MonkeyPatch, wait: float
) -> None:
    """A slave that answers everything just after its time-out, with the value of the register asked for: an answer
    that is one question late would give register 50 the value of register 0."""
    monkeypatch.setattr(modbus, "LATEST_ANSWER", 0.1)
    loop = asyncio.get_running_loop()

    def reply() -> None:
        request = os.read(far_end.master, 256)
        answer = framed(bytes([1, 4, 2, 0x04, 0xBB if request[3] == 0 else 0x00]))
        loop.call_later(0.1 + wait, os.write, far_end.master, answer)

    sources = [source("late", 1, 0), source("other", 1, 50)]
    async with from_device(device(far_end.port, *sources, every=0.02), {}).open() as link:
        loop.add_reader(far_end.master, reply)
        try:
            batches = [await link.receive() for _ in range(40)]
        finally:
            loop.remove_reader(far_end.master)
            await asyncio.sleep(0.2)
    assert sum(bool(batch.rejected) for batch in batches) >= 3
    true = {"late": pytest.approx(121.1), "other": 0.0}  # on a busy machine an answer may still be in time
    assert [one for batch in batches for one in batch.measurements if one.celsius != true[one.source]] == []


def test_patience_doubles_to_a_bound() -> None:
    patience = SlavePatience()
    waits = []
    for _ in range(8):
        patience.missed(now=0.0)
        waits.append(patience.skip)
    assert waits == [1, 2, 4, 8, 16, 16, 16, LONGEST_PAUSE]
    patience.answered()
    patience.missed(now=0.0)
    assert patience.skip == 1
    assert [patience.due(0.5), patience.due(0.6), patience.due(modbus.LATEST_ANSWER)] == [False, False, True]


def test_a_measurement_is_named_by_its_source() -> None:
    assert decode_register(source("pit_left"), 1211) == Measurement("pit_left", pytest.approx(121.1))  # type: ignore[arg-type]
