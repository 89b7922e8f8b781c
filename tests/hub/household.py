"""Everything of a household but its hub: a private broker, a board on a pty and the watch, each a process or a wire of
its own, so that each can be pulled out alone."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from paho.mqtt import publish

from daemon.wiring.state_directory import JOURNAL_FILE
from daemon.wiring.watch import TOPICS_NOTE
from drivers.reading import Fault
from tests.ports import free_port, free_ports
from tests.system.hub.mqtt_broker import MAKE_BROKER
from tests.system.scripted_board import ScriptedBoard

NOISE = 0.15
"""°C, as the simulated probes have; the amplifier then shows quarters."""
BREATH, BREATH_PERIOD = 6.0, 40 * 60.0
"""°C and s: a pit fed with logs swings by so much, once a log. Common practice, no source."""
CORE_RISE = 4.0 / 3600.0
"""°C/s of a core in the long middle of a cook. Common practice, no source."""

RIG = """
state_directory = "{state}"
{pits}
[people]
unit = "F"
zone = "Europe/London"
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K" }}
{channels}
[broker]
host = "127.0.0.1"
port = {broker}
user = "pitvigil"
password_file = "{password}"
discovery = "{discovery}"
[[delivery]]
kind = "mqtt"
name = "bedroom"
audience = ["phone", "louder", "notice"]
[page]
port = {page}
"""
ONE_PIT = """[pit]
id = "pit"
name = "The long pit"
band = { low = 107, high = 135 }"""
CHANNELS = {
    "pit-left": ("Grate, left", "pit", 'place = "left"'),
    "pit-right": ("Grate, right", "pit", 'place = "right"'),
    "pit-back": ("Grate, back", "pit", 'place = "back"'),
    "chuck": ("Chuck probe", "meat", ""),
    "lamb": ("Lamb probe", "meat", ""),
    "outside": ("Outside", "ambient", ""),
    "cabinet": ("Warmer", "hold", ""),
    "shed": ("Wood shed", "ambient", ""),
}
COOK = """
id = "village-hall"
name = "Village-hall lunch"
serve_at = {serve_at}
[[pieces]]
name = "Chuck roll"
id = "chuck"
cut = "beef-chuck-roll"
channel = "chuck"
weight = 7.0
wrap = {{ material = "paper", at = 77 }}
tender = [92, 97]
"""
LAMB = """
[[pieces]]
name = "Lamb shoulder"
id = "lamb"
cut = "lamb-shoulder"
channel = "lamb"
weight = 2.4
wrap = false
tender = [90, 95]
"""


class Broker:
    """Made by our own script; persistent, so that a power cut leaves what it leaves."""

    def __init__(self, directory: Path, pits: str = "pit") -> None:
        tls, self.port = free_ports(2)
        subprocess.run(
            ["sh", str(MAKE_BROKER), str(directory), "localhost", pits, str(tls), str(self.port)],
            check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        self.directory = directory
        text = (directory / "mosquitto.conf").read_text(encoding="utf-8")
        (directory / "trial.conf").write_text(("user root\n" if os.getuid() == 0 else "") + text, encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    def password(self, user: str) -> str:
        return (self.directory / f"{user}.password").read_text(encoding="utf-8").strip()

    async def start(self) -> None:
        self._process = subprocess.Popen(
            ["mosquitto", "-c", str(self.directory / "trial.conf")],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        async with asyncio.timeout(20):
            while True:
                with contextlib.suppress(OSError):
                    _, writer = await asyncio.open_connection("127.0.0.1", self.port)
                    writer.close()
                    return
                await asyncio.sleep(0.05)

    def send(self, user: str, messages: list[tuple[str, bytes, bool]]) -> None:
        """Topic, payload and whether it is retained, each with QoS 1."""
        publish.multiple(
            [{"topic": topic, "payload": payload, "qos": 1, "retain": keep} for topic, payload, keep in messages],
            hostname="127.0.0.1", port=self.port, auth={"username": user, "password": self.password(user)},
        )  # fmt: skip

    def keep(self) -> None:
        """What is retained goes to disk now (SIGUSR1), as it does once a minute."""
        assert self._process is not None
        self._process.send_signal(signal.SIGUSR1)

    def stop(self, kill: bool = False) -> None:
        if self._process is not None:
            self._process.kill() if kill else self._process.terminate()
            self._process.wait()
            self._process = None


class Board:
    """Eight probes a second on a pty: a pit that breathes, meat that warms, and the noise of both. port: a link that stays
    when the plug is pulled and another board takes its place."""

    def __init__(self, directory: Path, seed: int = 18) -> None:
        self._random, self._began = random.Random(seed), time.monotonic()
        self.port = str(directory / "board")
        self.broken: set[str] = set()
        self.plug_in()

    def plug_in(self) -> None:
        self.board = ScriptedBoard()
        link = Path(self.port)
        link.unlink(missing_ok=True)
        link.symlink_to(self.board.port)
        self._task = asyncio.create_task(self._run())

    async def _run(self) -> None:
        while True:
            t = time.monotonic() - self._began
            breath = BREATH * math.sin(2 * math.pi * t / BREATH_PERIOD)
            true = {
                "pit-left": 123.0 + breath, "pit-right": 117.0 + 0.9 * breath, "pit-back": 119.0 + 0.8 * breath,
                "chuck": 62.0 + t * CORE_RISE, "lamb": 55.0 + 1.6 * t * CORE_RISE,
                "outside": 9.0 + 0.3 * math.sin(t / 600), "cabinet": 64.0 + 1.2 * math.sin(t / 300), "shed": 8.0,
            }  # fmt: skip
            words: dict[str, float | Fault] = {
                str(n): Fault.OPEN_CIRCUIT if name in self.broken else true[name] + self._random.gauss(0, NOISE)
                for n, name in enumerate(CHANNELS, 1)
            }
            self.board.send(words)
            await asyncio.sleep(1.0)

    async def unplug(self) -> None:
        self._task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await self._task
        # The system gives the number of a closed pty to the next one, which may be another board's.
        Path(self.port).unlink(missing_ok=True)
        self.board.close()


class Watch:
    """`pitvigil run` in a process of its own."""

    def __init__(self, home: Path, broker: Broker, log: Path) -> None:
        self.home, self.broker, self.log = home, broker, log
        self.home.mkdir(parents=True, exist_ok=True)
        self._page = free_port()
        self._serve_at = datetime.now(UTC).replace(microsecond=0) + timedelta(hours=20)
        self._process: subprocess.Popen[bytes] | None = None

    def write(
        self, port: str, channels: tuple[str, ...] = tuple(CHANNELS), lamb: bool = True, discovery: str = "device",
        pits: str = ONE_PIT, on: dict[str, str] | None = None, **names: str,
    ) -> None:  # fmt: skip
        """Rig and cook. pits: their tables. on: channel -> its pit, of several. names: other names for channels,
        `outside="Yard"`."""
        rows = []
        for number, (id_, (name, role, more)) in enumerate(CHANNELS.items(), 1):
            if id_ in channels:
                rows += ["[[channels]]", f'id = "{id_}"', f'name = "{names.get(id_.replace("-", "_"), name)}"',
                         f'role = "{role}"', 'device = "board"', f'source = "{number}"', more,
                         f'pit = "{on[id_]}"' if on and id_ in on else ""]  # fmt: skip
        password = self.broker.directory / "pitvigil.password"
        text = RIG.format(state=self.home / "state", port=port, channels="\n".join(rows), broker=self.broker.port,
                          password=password, discovery=discovery, page=self._page, pits=pits)  # fmt: skip
        (self.home / "rig.toml").write_text(text, encoding="utf-8")
        cook = COOK.format(serve_at=self._serve_at.isoformat()) + (LAMB if lamb else "")
        (self.home / "cook.toml").write_text(cook, encoding="utf-8")

    def announced(self, topics: set[str]) -> None:
        """Make it believe, while it is stopped, that it announced these in its last life."""
        with contextlib.closing(sqlite3.connect(self.home / "state" / JOURNAL_FILE)) as journal, journal:
            journal.execute("update notes set body = ? where key = ?", (json.dumps(sorted(topics)), TOPICS_NOTE))

    def announcements(self) -> set[str]:
        """What it remembers to have announced, by its journal."""
        with contextlib.closing(sqlite3.connect(self.home / "state" / JOURNAL_FILE)) as journal:
            row = journal.execute("select body from notes where key = ?", (TOPICS_NOTE,)).fetchone()
        return set(json.loads(row[0]))

    def start(self) -> None:
        files = ["--rig", str(self.home / "rig.toml"), "--cook", str(self.home / "cook.toml")]
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "daemon.cli", "run", *files], stdout=log, stderr=log
            )

    def freeze(self, frozen: bool) -> None:
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP if frozen else signal.SIGCONT)

    def stop(self, kill: bool = False) -> None:
        if self._process is not None:
            self._process.kill() if kill else self._process.terminate()
            self._process.wait()
            self._process = None
