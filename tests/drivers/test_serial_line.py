"""A serial line on a real tty: hostile wires, unplugging, a second daemon, the wrong baud rate."""

from __future__ import annotations

import asyncio
import random
from pathlib import Path
from typing import Any

import pytest

from config.devices import LineFormat, SerialLineDevice
from drivers import serial_line, serial_port
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable
from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import word_line
from drivers.reading import Measurement
from drivers.serial_line import LineHealth, from_device
from tests.patience import PATIENCE
from tests.texts.english import told_in_english

JSON = {"kind": "json"}
WORDS = {"kind": "words"}


def device(port: str, line: dict[str, Any], baud: int = 115200) -> SerialLineDevice:
    return SerialLineDevice(kind="serial-line", id="board", port=port, baud=baud, line=LineFormat.model_validate(line))


async def soon(link: Any) -> Batch:
    async with asyncio.timeout(PATIENCE):
        batch: Batch = await link.receive()
        return batch


async def test_lines_arrive(far_end: Any) -> None:
    async with from_device(device(far_end.port, JSON), {}).open() as link:
        far_end.send(b'1.1}\n{"pit": 121.1}\r\n{"pit": 12')
        assert (await soon(link)).measurements == (Measurement("pit", 121.1),)
        far_end.send(b"2.5}\n")
        assert (await soon(link)).measurements == (Measurement("pit", 122.5),)


async def test_a_second_daemon_on_the_port_is_refused(far_end: Any) -> None:
    async with from_device(device(far_end.port, JSON), {}).open():
        with pytest.raises(DeviceUnavailable, match=r"device\.held"):
            async with from_device(device(far_end.port, JSON), {}).open():
                pass
    async with from_device(device(far_end.port, JSON), {}).open():
        pass  # and once the first has gone, it is free


async def test_unplugging_in_the_middle_of_a_line_invents_nothing(far_end: Any) -> None:
    async with from_device(device(far_end.port, {"kind": "csv", "columns": ["pit"]}), {}).open() as link:
        far_end.send(b"\n121.1\n12")
        assert (await soon(link)).measurements == (Measurement("pit", 121.1),)
        far_end.unplug()
        with pytest.raises(DeviceUnavailable, match="unplugged"):
            await soon(link)
    with pytest.raises(DeviceUnavailable, match="not-there"):
        async with from_device(device(far_end.port, JSON), {}).open():
            pass


async def test_a_port_that_vanishes_in_silence_is_noticed(
    far_end: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Any
) -> None:
    """A by-id name whose device goes away without a hang-up; the look comes every 5 s, shortened here."""
    assert serial_port.LOOK_EVERY + serial_port.GATHER_LONGEST < 10
    monkeypatch.setattr(serial_port, "LOOK_EVERY", 0.05)
    name = tmp_path / "usb-board-if00"
    name.symlink_to(far_end.port)
    async with from_device(device(str(name), JSON), {}).open() as link:
        name.unlink()
        with pytest.raises(DeviceUnavailable, match="unplugged"):
            await soon(link)


@pytest.mark.parametrize("make", [lambda path: path.write_text("x"), lambda path: None])
async def test_what_is_no_port(tmp_path: Any, make: Any) -> None:
    path = tmp_path / "port"
    make(path)
    expected = DeviceMisconfigured if path.exists() else DeviceUnavailable
    with pytest.raises(expected):
        async with from_device(device(str(path), JSON), {}).open():
            pass


async def test_a_closed_link_leaves_no_descriptor(far_end: Any) -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    for _ in range(20):
        async with from_device(device(far_end.port, JSON), {}).open():
            pass
    assert len(list(Path("/proc/self/fd").iterdir())) == before


# Hostile wires -----------------------------------------------------------------------------------------------------


async def test_one_byte_at_a_time_with_delays(far_end: Any) -> None:
    sent = {f"{number}": 100.0 + number for number in range(8)}
    found: dict[str, float | None] = {}
    async with from_device(device(far_end.port, {**WORDS, "chip": "max31856"}), {}).open() as link:
        from drivers.codecs.amplifier_words import encode_max31856

        async def trickle() -> None:
            for source, hot in sent.items():
                for byte in word_line(source, encode_max31856(hot, 25), "max31856"):
                    far_end.send(bytes([byte]))
                    await asyncio.sleep(0.001)

        task = asyncio.create_task(trickle())
        while len(found) < len(sent):
            batch = await soon(link)
            assert not batch.rejected
            found |= {one.source: one.celsius for one in batch.measurements}
        await task
    assert found == sent


async def test_loss_and_garbage_invent_no_reading(far_end: Any) -> None:
    """Every line of 400 is damaged by loss, doubling, flips or noise, or left whole; what comes out was sent."""
    chance = random.Random(7)
    sent: set[tuple[str, float]] = set()
    whole = 0
    stream = bytearray()
    for number in range(400):
        source, hot = f"{number}", chance.randrange(0, 1600) / 4
        line = bytearray(word_line(source, encode_max31855(hot, 25.0)))
        match number % 5:
            case 0:
                sent.add((source, hot))
                whole += 1
            case 1:
                del line[chance.randrange(len(line))]
            case 2:
                line[chance.randrange(len(line) - 1)] ^= 1 << chance.randrange(5)
            case 3:
                del line[chance.randrange(len(line)) :]
                line += chance.randbytes(chance.randrange(30)) + b"\n"
            case 4:
                line = bytearray(chance.randbytes(40)) + b"\n"
        stream += line
    stream += word_line("end", encode_max31855(0.25, 25.0))
    raw = {**WORDS}
    found: set[tuple[str, float | None]] = set()
    one = device(far_end.port, raw).model_copy(update={"linearise": False})
    async with from_device(one, {}).open() as link:

        async def pour() -> None:
            for start in range(0, len(stream), 200):
                await far_end.pour(bytes(stream[start : start + 200]))
                await asyncio.sleep(0.002)

        task = asyncio.create_task(pour())
        while ("end", 0.25) not in found:
            found |= {(each.source, each.celsius) for each in (await soon(link)).measurements}
        await task
    found.discard(("end", 0.25))
    assert found <= sent
    assert len(found) == whole  # and no whole line was lost with its neighbours


async def test_an_endless_line_is_said_and_survived(far_end: Any) -> None:
    async with from_device(device(far_end.port, WORDS), {}).open() as link:
        reasons: list[str] = []

        async def pour() -> None:
            for _ in range(40):
                await far_end.pour(b"7" * 500)
                await asyncio.sleep(0.002)
            await far_end.pour(b"\n" + word_line("1", encode_max31855(25, 25)))

        task = asyncio.create_task(pour())
        measurements: tuple[Measurement, ...] = ()
        while not measurements:
            batch = await soon(link)
            reasons += [one.reason for one in batch.rejected]
            measurements = batch.measurements
        await task
    assert reasons == ["endless-line"]
    assert measurements[0].source == "1"


# Words for the trouble ---------------------------------------------------------------------------------------------


def heard_at(baud: int, sent_at: int, data: bytes) -> bytes:
    """What a UART at `baud` makes of 8N1 bytes sent at `sent_at`: the wire sampled in the middle of its own bits."""
    wire = "1" * 20 + "".join("0" + f"{byte:08b}"[::-1] + "1" for byte in data) + "1" * 20
    ratio = sent_at / baud
    heard, at = bytearray(), 0.0
    while int(at) < len(wire):
        if wire[int(at)] == "1":
            at += 0.25
            continue
        middles = [int(at + (bit + 0.5) * ratio) for bit in range(1, 9)]
        if middles[-1] >= len(wire):
            break
        heard.append(sum((wire[middle] == "1") << bit for bit, middle in enumerate(middles)))
        at += 9.5 * ratio
    return bytes(heard)


def test_the_simulated_uart_hears_its_own_rate() -> None:
    assert heard_at(9600, 9600, b'{"pit":121.1}\n') == b'{"pit":121.1}\n'


@pytest.mark.parametrize(("ours", "theirs"), [(9600, 115200), (115200, 9600), (19200, 9600), (57600, 115200)])
async def test_the_wrong_baud_rate_is_recognised(
    far_end: Any, monkeypatch: pytest.MonkeyPatch, ours: int, theirs: int
) -> None:
    """Ten seconds of one line a second, poured in at once; the span is shortened to match."""
    monkeypatch.setattr(serial_line, "WATCH_SPAN", 0.2)
    line = b'{"pit_left":121.1,"pit_right":118.4,"chuck_roll":63.2,"lamb_shoulder":58.9}\n'
    noise = b"".join(heard_at(ours, theirs, line) for _ in range(10))
    async with from_device(device(far_end.port, JSON, baud=ours), {}).open() as link:
        hint = None

        async def pour() -> None:
            while True:
                await far_end.pour(noise)
                await asyncio.sleep(0.05)

        task = asyncio.create_task(pour())
        while hint is None:
            batch = await soon(link)
            assert not batch.measurements
            hint = batch.hint
        task.cancel()
    assert f"wrong baud rate ({ours})" in told_in_english(hint)


def test_a_format_that_does_not_fit_is_not_called_a_wrong_baud_rate() -> None:
    health = LineHealth(115200, "json", now=0.0)
    rejected = one_refusal()
    assert health.note(b"121.1,60.5\n", 0, rejected, now=5.0) is None
    hint = health.note(b"121.1,60.5\n" * 3, 0, rejected * 3, now=10.0)
    assert "do not fit the format json" in told_in_english(hint)
    assert "121.1,60.5" in told_in_english(hint)


def test_a_line_with_some_bad_frames_is_not_blamed() -> None:
    health = LineHealth(115200, "json", now=0.0)
    assert health.note(b'{"a":1}\n', 2, one_refusal() * 8, now=10.0) is None


def one_refusal() -> tuple[Any, ...]:
    from drivers.codecs.line_formats import LineDecoder

    return LineDecoder(LineFormat(kind="json"), {}).decode(b"121.1,60.5").rejected


async def test_a_whole_line_never_waits_and_the_rest_of_one_does(far_end: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(serial_port, "GATHER_LONGEST", 60.0)
    monkeypatch.setattr(serial_port, "GATHER_BYTES", 60 * 115200 // serial_port.BITS_PER_BYTE)
    async with from_device(device(far_end.port, WORDS), {}).open() as link:
        far_end.send(word_line("1", encode_max31855(121.0, 25.0)))
        assert [m.source for m in (await soon(link)).measurements] == ["1"]
        far_end.send(word_line("1", encode_max31855(121.0, 25.0))[:-1])
        with pytest.raises(TimeoutError):
            async with asyncio.timeout(0.2):
                await link.receive()
