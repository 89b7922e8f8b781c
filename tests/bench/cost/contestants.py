"""What is measured beside each other: the watch, a script of some 30 lines, a general flow tool. And their wires.

All of them read lines of comma-separated °C from a serial port and publish each number on a topic of its own.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
import time
import tty
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tests.bench.cost.serial_to_mqtt import TOPIC as SCRIPT_TOPIC

ROOT: Final = Path(__file__).resolve().parents[3]
FLOW_PACKAGES: Final = ("node-red", "node-red-node-serialport")
"""a general flow engine and its serial node; fetched when the bench runs, into a directory that goes with it"""
INSTALL_LONGEST: Final = 300.0
ROLES: Final = ("pit", "pit", "meat", "meat", "ambient", "hold")
NAMES: Final = ("left", "right", "chuck", "lamb", "outside", "cabinet")
UNIT_ENVIRONMENT: Final = {"OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2", "PYTHONNOUSERSITE": "1"}
"""as deploy/pitvigil.service sets it"""


class Wire:
    """A pseudo-terminal: `send` is the microcontroller, `path` the port."""

    def __init__(self) -> None:
        self.here, self.there = os.openpty()
        tty.setraw(self.here)
        tty.setraw(self.there)
        os.set_blocking(self.here, False)
        self.path = os.ttyname(self.there)

    def send(self, *celsius: float) -> float:
        """The time at which the newline was on the wire."""
        with contextlib.suppress(BlockingIOError):  # nobody reads
            os.write(self.here, (",".join(f"{value:.1f}" for value in celsius) + "\n").encode())
        return time.perf_counter()

    def close(self) -> None:
        os.close(self.here)
        os.close(self.there)


@dataclass(frozen=True, slots=True)
class Contestant:
    """topic: of channel number 1, 2, ... in its format. kin: what else on a machine shares its libraries."""

    name: str
    command: tuple[str, ...]
    topic: str
    kin: str


def channel_name(number: int) -> str:
    return NAMES[number] if number < len(NAMES) else f"spare{number + 1}"


def rig(port: str, mqtt: int, channels: int, more: str = "") -> str:
    """A rig with everything on that needs no account elsewhere: feed, page, messages by four ways."""
    columns = json.dumps([str(number + 1) for number in range(channels)])
    text = f"""
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "csv", columns = {columns} }}
[broker]
host = "127.0.0.1"
port = {mqtt}
[page]
port = 0
[[delivery]]
kind = "mqtt"
name = "bedroom"
audience = ["phone", "louder"]
[[delivery]]
kind = "webhook"
name = "hook"
url = "http://127.0.0.1:9/"
audience = ["notice"]
[[delivery]]
kind = "smtp"
name = "mail"
host = "127.0.0.1"
port = 9
security = "none"
sender = "pit@example.org"
to = ["cook@example.org"]
audience = ["second"]
[[delivery]]
kind = "command"
name = "bell"
command = ["true"]
audience = ["sounder"]
{more}
"""
    for number in range(channels):
        role = ROLES[number] if number < len(ROLES) else "ambient"
        text += f'[[channels]]\nid = "{channel_name(number)}"\nrole = "{role}"\ndevice = "board"\n'
        text += f'source = "{number + 1}"\n'
    return text


def watch(folder: Path, wire: Wire, mqtt: int, channels: int = 8, more: str = "") -> Contestant:
    """The whole watch, with a cook on where there are the channels for it."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "rig.toml").write_text(rig(wire.path, mqtt, channels, more))
    files = ["--rig", str(folder / "rig.toml"), "--state", str(folder / "state")]
    if channels >= len(NAMES):
        files += ["--cook", str(ROOT / "config/examples/cook.toml")]
    topic = "homie/5/pit/channel-left/reading"  # each one, as it is judged; `temperature` has a pace for histories
    return Contestant("pitvigil", (sys.executable, "-m", "daemon.cli", "run", *files), topic, "python")


def script(wire: Wire, mqtt: int) -> Contestant:
    path = str(ROOT / "tests/bench/cost/serial_to_mqtt.py")
    return Contestant("script", (sys.executable, path, wire.path, str(mqtt)), SCRIPT_TOPIC.format(1), "python")


def flow_tool(folder: Path, wire: Wire, mqtt: int) -> Contestant | str:
    """Installed now, in `folder`; or why not."""
    npm, node = shutil.which("npm"), shutil.which("node")
    if npm is None or node is None:
        return "no npm here"
    folder.mkdir(parents=True, exist_ok=True)
    fetch = [npm, "install", "--no-audit", "--no-fund", "--silent", *FLOW_PACKAGES]
    try:
        done = subprocess.run(fetch, cwd=folder, capture_output=True, text=True, timeout=INSTALL_LONGEST, check=False)
    except subprocess.TimeoutExpired:
        return "npm did not finish: offline?"
    if done.returncode != 0:
        return "npm cannot fetch it: offline?"
    (folder / "flows.json").write_text(json.dumps(_flow(wire.path, mqtt)))
    (folder / "settings.js").write_text(
        "module.exports = { httpAdminRoot: false, httpNodeRoot: false, flowFile: 'flows.json',\n"
        "  logging: { console: { level: 'off' } } };\n"
    )
    command = (node, str(folder / "node_modules/node-red/red.js"), "--userDir", str(folder))
    return Contestant("flow tool", (*command, "--settings", str(folder / "settings.js")), "flow/1", "node")


def _flow(port: str, mqtt: int) -> list[dict[str, object]]:
    split = (
        "return [msg.payload.trim().split(',').map((cell, at) => "
        "({topic: 'flow/' + (at + 1), payload: Number(cell).toFixed(1), qos: 1, retain: true}))];"
    )
    line = {"type": "serial-port", "serialport": port, "serialbaud": "115200", "databits": "8", "parity": "none"}
    return [
        {"id": "tab", "type": "tab", "label": "lines"},
        {"id": "port", "stopbits": "1", "waitfor": "", "newline": "\\n", "bin": "false", "out": "char", **line},
        {"id": "broker", "type": "mqtt-broker", "broker": "127.0.0.1", "port": str(mqtt), "clientid": "flow"},
        {"id": "in", "type": "serial in", "z": "tab", "serial": "port", "wires": [["split"]]},
        {"id": "split", "type": "function", "z": "tab", "func": split, "outputs": 1, "wires": [["out"]]},
        {"id": "out", "type": "mqtt out", "z": "tab", "topic": "", "qos": "1", "broker": "broker", "wires": []},
    ]
