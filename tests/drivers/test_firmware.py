"""The reference firmware, built and run in a simulated ATmega328P, with our own serial driver behind its UART.

The bench (amplifier_bench.c, libsimavr) plays the amplifiers; its UART is a real tty. Simulated time passes when a test
says so. Needs gcc-avr, avr-libc, libsimavr-dev, gcc and make.
"""

from __future__ import annotations

import asyncio
import re
import shutil
import subprocess
import tomllib
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import pytest

from config.devices import LineFormat, SerialLineDevice
from drivers.base import Batch, DeviceUnavailable, Link, Rejected
from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import LineDecoder
from drivers.codecs.thermocouple import SENSITIVITY_MAX31855, linear_chip_shows
from drivers.finder import guess_line_format
from drivers.reading import Fault, Measurement
from drivers.serial_line import SerialLineLink, from_device
from tests.patience import PATIENCE
from tests.system.scripted_board import wait_for

FIRMWARE = Path(__file__).parents[2] / "deploy" / "firmware"
BENCH = Path(__file__).parent / "amplifier_bench.c"
FREQUENCY = 16_000_000
FLASH = 32_768 - 512
"""bytes of an ATmega328P beside a small boot loader (data sheet)"""
FASTEST_SPI = 5_000_000
"""Hz, data sheet 19-5793"""
COLD = 22.0
ROUND = 1000
"""ms in which every channel is read once"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with amplifiers.elf and the bench."""
    out = tmp_path_factory.mktemp("firmware")
    make(FIRMWARE, out)
    strict = ["-std=gnu11", "-Wall", "-Wextra", "-Werror", "-O2"]
    subprocess.run(["gcc", *strict, "-o", out / "bench", BENCH, "-lsimavr"], check=True)
    return out


def make(source: Path, out: Path) -> None:
    subprocess.run(["make", "-s", "-C", source, f"OUT={out}"], check=True, capture_output=True)


class Bench:
    """The simulated board. Every order is answered once it is carried out."""

    def __init__(self, process: asyncio.subprocess.Process) -> None:
        self._process = process

    async def order(self, text: str) -> int:
        """Lines that have left the UART since the start, when the order is carried out."""
        word, lines = (await self._ask(text)).split()
        assert word == "done"
        return int(lines)

    async def _ask(self, text: str) -> str:
        assert self._process.stdin is not None and self._process.stderr is not None
        self._process.stdin.write(f"{text}\n".encode())
        async with asyncio.timeout(PATIENCE):
            return (await self._process.stderr.readline()).decode().strip()

    async def plug(self, channel: int, celsius: float, fault: Fault | None = None) -> None:
        """An ideal chip that sees this temperature, or this fault."""
        shown = 0.0 if fault else linear_chip_shows("K", celsius, COLD, SENSITIVITY_MAX31855["K"])
        await self.order(f"word {channel} {encode_max31855(shown, COLD, fault):08X}")

    async def look(self) -> dict[str, int]:
        words = (await self._ask("look")).split()
        return {name: int(value) for name, value in zip(words[::2], words[1::2], strict=True)}


@pytest.fixture
async def bench(built: Path, far_end: Any) -> AsyncIterator[Bench]:
    async with running(built / "bench", built / "amplifiers.elf", far_end.master) as started:
        yield started


@asynccontextmanager
async def running(program: Path, firmware: Path, uart: int) -> AsyncIterator[Bench]:
    process = await asyncio.create_subprocess_exec(
        program, firmware, str(FREQUENCY), stdin=subprocess.PIPE, stdout=uart, stderr=subprocess.PIPE
    )
    assert process.stderr is not None
    async with asyncio.timeout(PATIENCE):
        while await process.stderr.readline() != b"ready\n":
            pass
    started = Bench(process)
    for channel in range(1, 9):
        await started.plug(channel, truth(channel))
    yield started
    assert process.stdin is not None
    process.stdin.close()
    async with asyncio.timeout(PATIENCE):
        await process.wait()


def truth(channel: int) -> float:
    return 60.0 + 10.0 * channel


def board(port: str) -> SerialLineDevice:
    line = LineFormat(kind="words", chip="max31855", thermocouple="K")
    return SerialLineDevice(kind="serial-line", id="board", port=port, baud=38400, line=line)


class Heard:
    """What the driver made of the lines so far, newest last. missed: lines that were kept from it."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self.measurements: list[Measurement] = []
        self.rejected: list[Rejected] = []
        self.lost = self.restarts = self.missed = 0

    async def during(self, bench: Bench, *orders: str) -> tuple[Measurement, ...]:
        """What comes in while the orders are carried out, to the last line that was sent."""
        before = len(self.measurements)
        listening = asyncio.create_task(self._listen())
        sent = 0
        for order in orders:
            sent = await bench.order(order)
        await wait_for(lambda: len(self.measurements) + len(self.rejected) + self.missed >= sent)
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
        return tuple(self.measurements[before:])

    async def _listen(self) -> None:
        while True:
            self.take(await self._link.receive())

    def take(self, batch: Batch) -> None:
        self.measurements += batch.measurements
        self.rejected += batch.rejected
        self.lost += batch.lost
        self.restarts += batch.restarts


def by_source(measurements: tuple[Measurement, ...]) -> dict[str, float | Fault | None]:
    return {one.source: one.fault or one.celsius for one in measurements}


async def test_eight_amplifiers_come_through_exactly(bench: Bench, far_end: Any) -> None:
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        found = await heard.during(bench, f"run {10 * ROUND + 500}")
        state = await bench.look()
    assert len(found) >= 80
    for one in found:
        assert one.celsius == pytest.approx(truth(int(one.source)), abs=0.15)  # a step of the chip is 0.25
        assert one.cold_junction == COLD
    assert [one.source for one in found[:9]] == ["1", "2", "3", "4", "5", "6", "7", "8", "1"]
    assert not heard.rejected
    assert heard.lost == heard.restarts == 0
    # Linux' device-tree binding of this chip (maxim,max31855k.yaml) rules clock phase 1 out
    assert state["mode"] == 0
    assert state["clock"] <= FASTEST_SPI
    assert state["clashes"] == 0


async def test_faults_are_passed_on_and_pass_again(bench: Bench, far_end: Any) -> None:
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        faults = [Fault.OPEN_CIRCUIT, Fault.SHORT_TO_GROUND, Fault.SHORT_TO_SUPPLY]
        for channel, fault in enumerate(faults, start=1):
            await bench.plug(channel, 0.0, fault)
        await bench.order("gone 4")
        found = await heard.during(bench, f"run {2 * ROUND}")
        assert by_source(found) == {
            "1": Fault.OPEN_CIRCUIT,
            "2": Fault.SHORT_TO_GROUND,
            "3": Fault.SHORT_TO_SUPPLY,
            "4": Fault.DEAD_BUS,
        } | {str(channel): pytest.approx(truth(channel), abs=0.15) for channel in range(5, 9)}
        assert all(one.cold_junction == COLD for one in found if one.source in "123")
        for channel in range(1, 5):
            await bench.plug(channel, truth(channel))
        found = await heard.during(bench, f"run {2 * ROUND}")
    assert by_source(found[8:]) == {str(channel): pytest.approx(truth(channel), abs=0.15) for channel in range(1, 9)}
    assert heard.lost == heard.restarts == 0


@pytest.mark.parametrize("noisy_bytes", [1, 3, 7, 9, 1000])
async def test_noise_before_the_checksum_invents_no_temperature(bench: Bench, far_end: Any, noisy_bytes: int) -> None:
    """One wrong bit a byte on the SPI side, where no checksum is: the true value, or a fault, and nothing else."""
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        found = await heard.during(bench, f"noise 3 {noisy_bytes}", f"run {5 * ROUND}")
    said = {one.celsius if one.fault is None else one.fault for one in found if one.source == "3"}
    for value in said - {Fault.DEAD_BUS}:
        assert value == pytest.approx(truth(3), abs=0.15)
    assert (Fault.DEAD_BUS in said) == (noisy_bytes == 1000)


async def test_a_hang_ends_by_the_watchdog_and_is_told(bench: Bench, far_end: Any) -> None:
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        await heard.during(bench, f"run {3 * ROUND}")
        found = await heard.during(bench, "hang", f"run {2 * ROUND}", "hang", f"run {2 * ROUND}")
        state = await bench.look()
    assert state["resets"] == 2  # the second one shows that the watchdog's stop at start-up works
    assert heard.restarts == 2
    assert set(by_source(found)) == set("12345678")
    assert not heard.rejected


async def test_a_reset_in_the_middle_of_a_line_loses_that_line_only(bench: Bench, far_end: Any) -> None:
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        await heard.during(bench, f"run {3 * ROUND}")
        found = await heard.during(bench, "half", "reset", f"run {3 * ROUND}")
    # the beginning of the old line and the whole of the new one are one line for the reader: its CRC is wrong
    assert [one.reason for one in heard.rejected] == ["crc"]
    assert by_source(found[8:]) == {str(channel): pytest.approx(truth(channel), abs=0.15) for channel in range(1, 9)}


async def test_lines_that_nobody_heard_are_counted(bench: Bench, far_end: Any) -> None:
    """A drop-out on the wire: what the board sends meanwhile goes nowhere."""
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        await heard.during(bench, f"run {2 * ROUND}")
        assert isinstance(link, SerialLineLink)
        reader = link._reader
        await bench.order(f"run {2 * ROUND}")
        dropped = b""
        while not dropped.endswith(b"\n"):
            dropped += await reader.read()
        heard.missed = dropped.count(b"\n")
        await heard.during(bench, f"run {ROUND}")
    assert heard.lost == heard.missed >= 15
    assert heard.restarts == 0


async def test_unplugged_in_the_middle_of_a_line_invents_nothing(bench: Bench, far_end: Any) -> None:
    async with from_device(board(far_end.port), {}).open() as link:
        heard = Heard(link)
        await heard.during(bench, f"run {2 * ROUND}")
        await bench.order("half")
        bench._process.terminate()
        await bench._process.wait()
        far_end.unplug()
        with pytest.raises(DeviceUnavailable, match="unplugged"):
            async with asyncio.timeout(PATIENCE):
                while True:
                    heard.take(await link.receive())
    assert all(one.celsius == pytest.approx(truth(int(one.source)), abs=0.15) for one in heard.measurements)


def test_it_fits_the_chip(built: Path) -> None:
    sizes = subprocess.run(["avr-size", built / "amplifiers.elf"], check=True, capture_output=True, text=True).stdout
    text, data = map(int, sizes.splitlines()[1].split()[:2])
    print(f"firmware: {text + data} bytes of flash")
    assert text + data < FLASH


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("if (word == word_of(channel))", "if (1)"),
        ("wdt_enable(WDTO_1S);", ""),
        ("lines_sent == 0xFF ? 1 : lines_sent + 1", "lines_sent"),
        ("_BV(SPE) | _BV(MSTR) | _BV(SPR0)", "_BV(SPE) | _BV(MSTR) | _BV(SPR0) | _BV(CPHA)"),
    ],
    ids=["reads once", "no watchdog", "never counts", "clock phase"],
)
async def test_wrong_builds_are_found(built: Path, far_end: Any, tmp_path: Path, right: str, wrong: str) -> None:
    """What the tests above look at is seen to differ where the firmware is wrong."""
    source = (FIRMWARE / "amplifiers.c").read_text("utf-8")
    assert source.count(right) == 1
    (tmp_path / "amplifiers.c").write_text(source.replace(right, wrong), "utf-8")
    shutil.copy(FIRMWARE / "Makefile", tmp_path)
    make(tmp_path, tmp_path)
    async with (
        running(built / "bench", tmp_path / "amplifiers.elf", far_end.master) as bench,
        from_device(board(far_end.port), {}).open() as link,
    ):
        heard = Heard(link)
        found = await heard.during(bench, f"run {2 * ROUND}", "noise 3 3", f"run {ROUND}", "hang", f"run {ROUND}")
        state = await bench.look()
    true = all(one.celsius == pytest.approx(truth(int(one.source)), abs=0.15) for one in found)
    right_in_all = true and not heard.rejected and state["resets"] == heard.restarts == 1 and state["mode"] == 0
    assert not right_in_all
    assert heard.lost == 0


# The page for tinkerers ----------------------------------------------------------------------------------------------

_ROW = re.compile(r"^\| `(\{ .* \})` \| `(.+)` \| (.+) \|$", re.MULTILINE)
ROWS = _ROW.findall((FIRMWARE / "README.md").read_text("utf-8"))


@pytest.mark.parametrize(("stanza", "line", "says"), ROWS)
def test_every_line_of_the_readme_is_read_as_it_says(stanza: str, line: str, says: str) -> None:
    form = LineFormat.model_validate(tomllib.loads(f"line = {stanza}")["line"])
    decoder = LineDecoder(form, {})
    batch = decoder.decode(line.encode())
    assert not batch.rejected
    values, _, number = says.partition("; line ")
    found = {m.source: m.fault.value if m.fault else f"{m.celsius:.1f}" for m in batch.measurements}
    assert found == dict(item.split() for item in values.split(", "))
    if number:  # the next line but one shows that it was taken for the line's number
        decoder.count.note(int(number) + 2)
        assert decoder.count.lost == 1


def test_all_kinds_of_lines_and_checksums_are_in_the_readme() -> None:
    text = " ".join(stanza for stanza, _, _ in ROWS)
    for word in ("json", "csv", "keyvalue", "words", "crc16", "xor8", "fields", "sequence", "unit"):
        assert word in text


async def test_devices_recognises_the_firmware(bench: Bench, far_end: Any) -> None:
    """`pitvigil devices` listens, and names the format that the README's stanza has."""
    async with from_device(board(far_end.port), {}).open() as link:
        await bench.order(f"run {ROUND}")
        assert isinstance(link, SerialLineLink)
        lines = (await link._reader.read()).splitlines()
    form, sources = guess_line_format(lines)
    assert form is not None and (form.kind, form.chip) == ("words", "max31855")
    assert set(sources) <= set("12345678") and sources
