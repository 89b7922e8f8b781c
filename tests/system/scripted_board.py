"""A scripted amplifier board on a pty, and a watch run faster than life against it: for tests of the whole path."""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import os
import struct
import subprocess
import sys
import termios
import time
import tty
from collections.abc import Mapping
from pathlib import Path

from daemon.shell.clock import ManualClock
from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import words_line
from drivers.codecs.thermocouple import SENSITIVITY_MAX31855, linear_chip_shows
from drivers.reading import Fault
from tests.patience import PATIENCE

COLD = 22.0
STEP = 4.0
"""s of the script from line to line."""

RIG = """
[pit]
id = "pit"
name = "The long pit"
band = {{ low = 107, high = 135 }}
[people]
zone = "UTC"
quiet_from = "{quiet_from}"
quiet_until = "{quiet_until}"
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K" }}
[[channels]]
id = "pit-left"
role = "pit"
device = "board"
source = "1"
stale_after = 120
[[channels]]
id = "pit-right"
role = "pit"
device = "board"
source = "2"
stale_after = 120
[[channels]]
id = "chuck"
name = "Chuck roll"
role = "meat"
device = "board"
source = "3"
stale_after = 120
[[channels]]
id = "lamb"
name = "Lamb shoulder"
role = "meat"
device = "board"
source = "4"
stale_after = 120
"""
BROKER = """
[broker]
host = "127.0.0.1"
port = {broker}
[[delivery]]
kind = "mqtt"
name = "bedroom"
audience = ["phone", "louder", "notice"]
"""
PAGE = """
[page]
port = 0
"""
COOK = """
id = "village-hall"
name = "Village-hall lunch"
[[pieces]]
name = "Chuck roll"
id = "chuck"
cut = "beef-chuck-roll"
channel = "chuck"
weight = 7.0
wrap = { material = "paper", at = 77 }
tender = [92, 97]
[[pieces]]
name = "Lamb shoulder"
id = "lamb"
cut = "lamb-shoulder"
channel = "lamb"
weight = 2.4
wrap = false
tender = [90, 95]
"""


class ScriptedBoard:
    """Sends what it is told, as MAX31855-class words with CRC."""

    def __init__(self) -> None:
        self.end, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self.end, False)
        self.port = os.ttyname(self._slave)

    def send(self, values: Mapping[str, float | Fault]) -> None:
        words = {}
        for source, value in values.items():
            if isinstance(value, Fault):
                words[source] = encode_max31855(0.0, COLD, value)
            else:
                shown = linear_chip_shows("K", value, COLD, SENSITIVITY_MAX31855["K"])
                words[source] = encode_max31855(shown, COLD)
        self.send_bytes(words_line(words))

    def send_bytes(self, line: bytes) -> None:
        with contextlib.suppress(BlockingIOError):  # nobody reads: lost, as on a wire
            os.write(self.end, line)

    def unread(self) -> int:
        """Bytes that were sent and that nobody has read yet."""
        answer = fcntl.ioctl(self._slave, termios.FIONREAD, struct.pack("i", 0))
        return int(struct.unpack("i", answer)[0])

    def close(self) -> None:
        os.close(self.end)
        os.close(self._slave)


class Script:
    """Drives the board, and the clock of a watch in this process with it.

    The clock goes on only when a line has been read: a machine under load makes the script slow, and never makes a gap in it.
    """

    def __init__(self, board: ScriptedBoard, clock: ManualClock, factor: float) -> None:
        self.board, self.clock, self._pause = board, clock, STEP / factor
        self.values: dict[str, float | Fault] = {"1": 20.0, "2": 20.5, "3": 5.0, "4": 5.0}
        self.tick = 0

    async def to(self, seconds: float, **goals: float | Fault) -> None:
        """Move every named source (s1..s4) in a straight line to its goal; faults come at once."""
        start = dict(self.values)
        begin = self.clock.now()
        while (gone := self.clock.now() - begin) < seconds:
            self.tick += 1
            for name, goal in goals.items():
                source, origin = name[1:], start[name[1:]]
                if isinstance(goal, Fault) or isinstance(origin, Fault):
                    self.values[source] = goal
                else:
                    wobble = 0.25 * (self.tick % 2)
                    self.values[source] = origin + (goal - origin) * min(1.0, gone / seconds) + wobble
            self.board.send(self.values)
            await wait_for(lambda: self.board.unread() == 0)
            await asyncio.sleep(self._pause)
            self.clock.time += STEP


def write_files(home: Path, port: str, broker: int | None, night: bool = False, more: str = "") -> tuple[Path, Path]:
    """Rig and cook files. night: quiet hours all round the clock but one minute, else none but one minute."""
    quiet = ("00:01", "00:00") if night else ("00:00", "00:01")
    text = RIG.format(port=port, quiet_from=quiet[0], quiet_until=quiet[1])
    text += BROKER.format(broker=broker) if broker is not None else ""
    rig, cook = home / "rig.toml", home / "cook.toml"
    rig.write_text(text + more + PAGE)
    cook.write_text(COOK)
    return rig, cook


FAST_WATCH = """
import asyncio, sys
from pathlib import Path
from daemon.wiring.watch import Files, Watch
from daemon.cli import until_signal
from daemon.shell.clock import SpedUpClock
from daemon.shell.journal.journal import Journal
rig, cook, state, start, factor = sys.argv[1:]
newest = Journal(Path(state) / "journal.sqlite").newest_time()
clock = SpedUpClock(max(float(start), newest or 0.0), float(factor))
watch = Watch(Files(Path(rig), Path(cook), Path(state)), clock, float(factor))
print("watching", flush=True)
asyncio.run(until_signal(watch.run()))
"""


def start_fast_watch(files: tuple[Path, Path], state: Path, start: float, factor: float) -> subprocess.Popen[bytes]:
    """The whole watch in a process of its own, so that it can be killed."""
    state.mkdir(exist_ok=True)
    arguments = [*map(str, files), str(state), str(start), str(factor)]
    process = subprocess.Popen([sys.executable, "-c", FAST_WATCH, *arguments], stdout=subprocess.PIPE)
    assert process.stdout is not None and process.stdout.readline() == b"watching\n"
    return process


async def wait_for(condition: object, seconds: float = PATIENCE) -> None:
    """Until condition() holds. Raises TimeoutError."""
    assert callable(condition)
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            raise TimeoutError("it did not come to that")
        await asyncio.sleep(0.005)
