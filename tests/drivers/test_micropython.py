"""The firmware for boards that run MicroPython: its lines and broadcasts through our own codecs.

In every run by this Python; by MicroPython's own Unix port where it is installed (Debian 13 has it, Debian 12 has not),
and in soak by the one of an extracted Debian 13. The board's pins, bus, watchdog and radio are played.
"""

from __future__ import annotations

import asyncio
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from config.devices import LineFormat, SerialLineDevice
from drivers.codecs.adverts import BTHOME_UUID, Broadcaster
from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import LineDecoder
from drivers.codecs.thermocouple import SENSITIVITY_MAX31855, linear_chip_shows
from drivers.reading import Fault, Measurement
from drivers.serial_line import from_device
from tests.system.scripted_board import wait_for

FIRMWARE = Path(__file__).parents[2] / "deploy" / "firmware" / "amplifiers.py"
COLD = 22.0
CHANNELS = 8
LEGACY_ADVERTISEMENT = 31
"""bytes, Bluetooth Core Specification, Vol 6 Part B 2.3.1"""
PACKAGES = ("micropython", "base-files")

MACHINE = """
words = []
reads = [0]
noisy = []
fed = [0]
pull_ups = []


class Pin:
    IN, OUT, PULL_UP = 0, 1, 2
    by_number = {}

    def __init__(self, number, mode=None, pull=None, value=1):
        self.level = value
        Pin.by_number[number] = self
        if pull == Pin.PULL_UP:
            pull_ups.append(number)

    def value(self, level):
        self.level = level


class SPI:
    def __init__(self, bus, baudrate, polarity, phase, sck, miso):
        assert (polarity, phase) == (0, 0) and baudrate <= 5_000_000 and miso.level and pull_ups

    def read(self, count):
        import amplifiers

        low = [i for i, pin in enumerate(amplifiers.SELECT_PINS) if Pin.by_number[pin].level == 0]
        assert len(low) == 1 and count == 4, low
        reads[0] += 1
        word = words[low[0]] ^ (1 << reads[0] % 32 if low[0] in noisy else 0)
        return bytes([word >> 24 & 255, word >> 16 & 255, word >> 8 & 255, word & 255])


class WDT:
    def __init__(self, timeout):
        assert timeout <= 8300

    def feed(self):
        fed[0] += 1
"""
RADIO = """
import sys


class BLE:
    def active(self, on):
        self.on = on

    def gap_advertise(self, interval, data, connectable):
        assert self.on and not connectable
        sys.stderr.write("".join("%02x" % byte for byte in data) + "\\n")
"""
PLAY = """
import sys, time
if not hasattr(time, "ticks_ms"):
    time.ticks_ms = lambda: int(time.monotonic() * 1000)
    time.ticks_add = lambda a, b: a + b
    time.ticks_diff = lambda a, b: a - b
    time.sleep_ms = lambda ms: time.sleep(ms / 1000)
import machine
import amplifiers
amplifiers.ROUND_MS = 5
rounds, noisy, words = int(sys.argv[1]), sys.argv[2], sys.argv[3:]
machine.words += [int(word, 16) for word in words]
machine.noisy += [int(index) for index in noisy.split(",") if index]
amplifiers.main(rounds)
assert machine.fed[0] == rounds
"""


class Board:
    """A folder with the firmware and the played modules; call: what runs a MicroPython program in it."""

    def __init__(self, folder: Path, *call: str) -> None:
        self._folder, self._call = folder, call
        shutil.copy(FIRMWARE, folder / "amplifiers.py")
        for name, text in (("machine", MACHINE), ("bluetooth", RADIO), ("play", PLAY)):
            (folder / f"{name}.py").write_text(text, "utf-8")

    def without_radio(self) -> None:
        (self._folder / "bluetooth.py").write_text("raise ImportError('no radio')\n", "utf-8")

    def spoil(self, right: str, wrong: str) -> None:
        source = FIRMWARE.read_text("utf-8")
        assert source.count(right) == 1
        (self._folder / "amplifiers.py").write_text(source.replace(right, wrong), "utf-8")

    def runs(self, words: list[int], rounds: int = 3, noisy: str = "", stdout: int = subprocess.PIPE) -> Any:
        return subprocess.run(
            [*self._call, "play.py", str(rounds), noisy, *(f"{word:08X}" for word in words)],
            cwd=self._folder, stdout=stdout, stderr=subprocess.PIPE, timeout=120, check=False,
            # spoiled within the second and to the same length, it would be run from the bytecode of the sound one
            env=os.environ | {"PYTHONDONTWRITEBYTECODE": "1"},
        )  # fmt: skip


@pytest.fixture(
    params=[
        "this Python",
        pytest.param(
            "micropython", marks=pytest.mark.skipif(not shutil.which("micropython"), reason="not in Debian 12")
        ),
        pytest.param(
            "Debian 13",
            marks=[
                pytest.mark.soak,
                pytest.mark.skipif(
                    not (shutil.which("mmdebstrap") and shutil.which("proot")), reason="needs mmdebstrap and proot"
                ),
            ],
        ),
    ]
)
def board(request: pytest.FixtureRequest, tmp_path: Path) -> Board:
    if request.param == "this Python":
        return Board(tmp_path, sys.executable)
    if request.param == "micropython":
        return Board(tmp_path, "micropython")
    root = request.getfixturevalue("debian_13")
    return Board(tmp_path, "proot", "-r", str(root), "-b", f"{tmp_path}:/board", "-w", "/board", "/usr/bin/micropython")


@pytest.fixture(scope="module")
def debian_13() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        call = ["mmdebstrap", "--variant=extract", f"--include={','.join(PACKAGES)}", "trixie", f"{folder}/root"]
        subprocess.run(call, check=True, capture_output=True, timeout=600)
        yield Path(folder) / "root"


def truth(channel: int) -> float:
    return 60.0 + 10.0 * channel


def words() -> list[int]:
    """What ideal chips send at truth(1) to truth(8)."""
    shown = [linear_chip_shows("K", truth(n), COLD, SENSITIVITY_MAX31855["K"]) for n in range(1, CHANNELS + 1)]
    return [encode_max31855(one, COLD) for one in shown]


def decoded(stdout: bytes) -> tuple[list[Measurement], LineDecoder]:
    decoder = LineDecoder(LineFormat(kind="words", chip="max31855", thermocouple="K"), {})
    found: list[Measurement] = []
    for line in stdout.splitlines():
        batch = decoder.decode(line)
        assert not batch.rejected, line
        found += batch.measurements
    return found, decoder


def broadcasts(stderr: bytes) -> list[bytes]:
    """The service data of each advertisement."""
    found = []
    for line in stderr.split():
        advertisement = bytes.fromhex(line.decode())
        assert len(advertisement) <= LEGACY_ADVERTISEMENT
        assert advertisement[:3] == bytes.fromhex("020106")  # general discoverable, no classic radio
        assert advertisement[3] == len(advertisement) - 4
        assert advertisement[4:7] == b"\x16" + bytes.fromhex(BTHOME_UUID[4:8])[::-1]
        found.append(advertisement[7:])
    return found


def test_lines_say_what_the_chips_said(board: Board) -> None:
    done = board.runs(words(), rounds=40)
    assert done.returncode == 0, done.stderr
    found, decoder = decoded(done.stdout)
    assert len(found) == 40 * CHANNELS  # the count goes once round and on
    assert [one.source for one in found[:9]] == [*"12345678", "1"]
    for one in found:
        assert one.celsius == pytest.approx(truth(int(one.source)), abs=0.15)  # a step of the chip is 0.25
        assert one.cold_junction == COLD
    assert decoder.count.lost == 0


def test_broadcasts_say_the_chips_degrees_of_seven_channels(board: Board) -> None:
    done = board.runs(words(), rounds=3)
    assert done.returncode == 0, done.stderr
    heard = broadcasts(done.stderr)
    broadcaster = Broadcaster("00:00:00:00:00:01")
    batches = [broadcaster.heard(data, float(second)) for second, data in enumerate(heard)]
    assert len(batches) == 3
    for batch in batches:
        shown = [linear_chip_shows("K", truth(n), COLD, SENSITIVITY_MAX31855["K"]) for n in range(1, 8)]
        assert [one.celsius for one in batch.measurements] == pytest.approx(shown, abs=0.126)


def test_a_cold_day_keeps_its_sign(board: Board) -> None:
    cold = [encode_max31855(-18.25, -20.0), *words()[1:]]
    done = board.runs(cold, rounds=1)
    (data,) = broadcasts(done.stderr)
    first = Broadcaster("00:00:00:00:00:01").heard(data, 0.0).measurements[0]
    assert first.celsius == -18.25


def test_faults_keep_their_place_on_both_ways(board: Board) -> None:
    some = words()
    some[0] = encode_max31855(0.0, COLD, Fault.OPEN_CIRCUIT)
    some[1] = encode_max31855(0.0, COLD, Fault.SHORT_TO_GROUND)
    some[2] = 0xFFFFFFFF
    done = board.runs(some, rounds=1, noisy="3")
    found, _ = decoded(done.stdout)
    assert [one.fault for one in found] == [
        Fault.OPEN_CIRCUIT, Fault.SHORT_TO_GROUND, Fault.DEAD_BUS, Fault.DEAD_BUS, None, None, None, None,
    ]  # fmt: skip
    (data,) = broadcasts(done.stderr)
    heard = Broadcaster("00:00:00:00:00:01").heard(data, 0.0).measurements
    assert [one.fault for one in heard] == [Fault.OUT_OF_RANGE] * 4 + [None] * 3
    assert heard[4].celsius == pytest.approx(truth(5), abs=1.0)


def test_a_board_without_radio_has_its_lines(board: Board) -> None:
    board.without_radio()
    done = board.runs(words(), rounds=2)
    assert done.returncode == 0, done.stderr
    assert not done.stderr
    assert len(decoded(done.stdout)[0]) == 2 * CHANNELS


async def test_the_real_driver_reads_it_from_a_terminal(tmp_path: Path, far_end: Any) -> None:
    line = LineFormat(kind="words", chip="max31855", thermocouple="K")
    device = SerialLineDevice(kind="serial-line", id="board", port=far_end.port, baud=115200, line=line)
    found: list[Measurement] = []
    async with from_device(device, {}).open() as link:

        async def listen() -> None:
            while True:
                batch = await link.receive()
                assert not batch.rejected
                found.extend(batch.measurements)

        listening = asyncio.create_task(listen())
        os.set_blocking(far_end.master, True)
        await asyncio.to_thread(Board(tmp_path, sys.executable).runs, words(), 5, "", far_end.master)
        await wait_for(lambda: len(found) >= 5 * CHANNELS)
        listening.cancel()
        await asyncio.gather(listening, return_exceptions=True)
    assert [one.source for one in found[:8]] == [*"12345678"]
    assert all(one.celsius == pytest.approx(truth(int(one.source)), abs=0.15) for one in found)


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("if word == self._read(index):", "if True:"),
        ("crc >> 1 ^ 0xA001 if crc & 1", "crc >> 1 ^ 0x8408 if crc & 1"),
        ("if word & FAULT_BITS:", "if False:"),
        ("quarters - 0x4000 if", "quarters if"),
        ("lines_sent = lines_sent % 255 + 1", "lines_sent = 0"),
        ("select.value(1)", "select.value(0)"),
    ],
    ids=["reads once", "another checksum", "faults as degrees", "no sign", "never counts", "stays selected"],
)
def test_wrong_builds_are_found(tmp_path: Path, right: str, wrong: str) -> None:
    """What the tests above look at is seen to differ where the firmware is wrong."""
    board = Board(tmp_path, sys.executable)
    sound = words()
    sound[0] = encode_max31855(-18.25, -20.0)
    sound[1] = encode_max31855(0.0, COLD, Fault.OPEN_CIRCUIT)
    before = board.runs(sound, rounds=2, noisy="5")
    board.spoil(right, wrong)
    after = board.runs(sound, rounds=2, noisy="5")
    assert (after.returncode, after.stdout, after.stderr) != (0, before.stdout, before.stderr)
