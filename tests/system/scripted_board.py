"""A scripted amplifier board on a pty, and a watch run faster than life against it: for tests of the whole path."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import subprocess
import sys
import time
import tty
from collections.abc import Callable, Mapping
from pathlib import Path

from daemon.shell.clock import ManualClock
from daemon.wiring.watch import Watch
from drivers.codecs.amplifier_words import encode_max31855
from drivers.codecs.line_formats import words_line
from drivers.codecs.thermocouple import SENSITIVITY_MAX31855, linear_chip_shows
from drivers.reading import Fault
from tests.patience import PATIENCE

COLD = 22.0
STEP = 4.0
"""s of the script from line to line."""
AGAIN = 2.0
"""s after which a line that nobody has heard is sent again: the port was not open yet, or was opened anew."""

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

    def close(self) -> None:
        os.close(self.end)
        os.close(self._slave)


def settled(watch: Watch) -> bool:
    """What the board last said is judged and written, and all that followed is told and foretold."""
    (board,), loop = watch.device_supervisors, watch.loop
    heard = board.received_at is not None and board.received_at >= loop.stamp()
    written = loop._queue.empty() and loop.writer is not None and loop.writer._write is None
    return heard and written and not loop._forecasts and set(watch.outbox._due_by.values()) <= {None}


class Script:
    """Drives the board, and the clock of a watch in this process with it.

    The clock goes on only when all that follows from a line is done: a machine under load makes the script slow, and never makes
    a gap in it, nor a message too late."""

    def __init__(self, board: ScriptedBoard, clock: ManualClock, watch: Watch) -> None:
        self.board, self.clock, self.watch = board, clock, watch
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
            await self._line()
            self.clock.time += STEP

    async def _line(self) -> None:
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            self.board.send(self.values)
            with contextlib.suppress(TimeoutError):
                return await wait_for(lambda: settled(self.watch), AGAIN)
        raise TimeoutError("the watch stands still")


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
"""Its clock runs by itself: for what is about real time. All others have a `WatchApart`."""

WATCH_APART = """
import asyncio, json, os, signal, sys, time
from pathlib import Path
import daemon.wiring.watch as app
from daemon.cli import until_signal
from daemon.shell.clock import ManualClock
from daemon.wiring.watch import Watch
from daemon.shell.journal.journal import Journal
rig, cook, state, start, factor, again = sys.argv[1:]
app.COOKS_EVERY = 1.0  # its housekeeping goes by real time
newest = Journal(Path(state) / "journal.sqlite").newest_time()
clock = ManualClock(max(float(start), newest or 0.0))
watch = app.Watch(app.Files(Path(rig), Path(cook) if cook else None, Path(state)), clock, float(factor))
def judged():
    (board,), loop = watch.device_supervisors, watch.loop
    heard = board.received_at is not None and board.received_at >= loop.stamp()
    return heard and loop._queue.empty() and loop.writer._write is None and not loop._forecasts
async def follow():
    orders, loop = asyncio.StreamReader(), asyncio.get_running_loop()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
    while order := await orders.readline():
        until = loop.time() + float(again)
        while not judged() and loop.time() < until:
            await asyncio.sleep(0.001)
        if not judged():
            print("null", flush=True)
            continue
        clock.time += float(order)
        seen = watch.engine.snapshot(watch.loop.stamp())
        print(json.dumps({"stage": seen.pit.stage, **{alarm.key: alarm.state for alarm in seen.alarms}}), flush=True)
    os.kill(os.getpid(), signal.SIGTERM)  # whoever drove this watch is gone
async def run():
    following = asyncio.create_task(follow())
    await until_signal(watch.run())
    following.cancel()
asyncio.run(run())
"""


class WatchApart:
    """The whole watch in a process of its own, so that it can be killed, or so that a browser has this one.

    Its clock goes on only when the board's last line has been judged and foretold from: under load it is slow, and nothing passes
    unseen."""

    def __init__(
        self, board: ScriptedBoard, files: tuple[Path, Path | None], state: Path, start: float, factor: float
    ) -> None:
        """start: engine time of its first second, unless its journal goes further. factor: how much faster than life it goes."""
        state.mkdir(exist_ok=True)
        rig, cook = files
        arguments = [str(rig), str(cook or ""), str(state), str(start), str(factor), str(AGAIN)]
        self.board = board
        self.process = subprocess.Popen(
            [sys.executable, "-c", WATCH_APART, *arguments], stdin=subprocess.PIPE, stdout=subprocess.PIPE
        )
        self._tick = 0

    def line(self, values: Mapping[str, float | Fault], seconds: float) -> dict[str, str]:
        """A line of the board, a quarter of a degree off the one before, as real probes are; once it is judged, so many s pass.
        Gives the pit's `stage`, and the state of every alarm by its key."""
        self._tick += 1
        wobble = 0.25 * (self._tick % 2)
        said = {k: v if isinstance(v, Fault) else v + wobble for k, v in values.items()}
        orders, answers = self.process.stdin, self.process.stdout
        assert orders is not None and answers is not None
        until = time.monotonic() + PATIENCE
        while time.monotonic() < until:
            self.board.send(said)
            orders.write(f"{seconds}\n".encode())
            orders.flush()
            answer: dict[str, str] | None = json.loads(answers.readline())
            if answer is not None:
                return answer
        raise TimeoutError("nobody reads the board")

    def kill(self) -> None:
        self._end(self.process.kill)

    def stop(self) -> None:
        """Ask it to end. It must do so well."""
        assert self._end(self.process.terminate) == 0

    def _end(self, how: Callable[[], None]) -> int:
        how()
        code = self.process.wait(PATIENCE)
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.stdout.close()
        return code


async def wait_for(condition: object, seconds: float = PATIENCE) -> None:
    """Until condition() holds. Raises TimeoutError."""
    assert callable(condition)
    until = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > until:
            raise TimeoutError("it did not come to that")
        await asyncio.sleep(0.001)
