"""What the watch costs beside a script of some 30 lines and a general flow tool, measured in one run.

    python -m tests.bench.cost.bench_cost [--window 600] [--lines 300] [--days 0.5] [--state DIRECTORY] [--no-flow] [--no-growth]

8 channels at 1 Hz on a pseudo-terminal each, one private mosquitto, one subscriber; the watch with broker, page, journal,
forecasts and four kinds of messages on. Counted by the kernel (/proc); a shorter window is scaled to ten minutes.
Keep --state on a real disk: what is in memory has no card writes. Prints target and met or MISSED.
On a busy machine give it precedence, so that it is the contestants that are timed: `chrt -f 10 python -m ...` as root.
The figures after thirty days come from `python -m tests.soak.month`, which takes some 20 min.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from math import nan
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.bench.cost.contestants import ROOT, UNIT_ENVIRONMENT, Contestant, Wire, flow_tool, script, watch
from tests.bench.cost.process_cost import cpu_seconds, pss, pss_alone, wake_ups, written
from tests.bench.figure import Figure
from tests.ports import free_port

TEN_MINUTES: Final = 600.0
DAY: Final = 86400.0
SETTLE: Final = 15.0
"""s before a window begins: connections are made and the page's files are read"""
BEGINNING: Final = 60.0
"""s before what runs is compared: a start writes once what a running watch does not (tables, code compiled at its first use)"""
SILENCE: Final = 30.0
STARTS: Final = 5
START_LINES: Final = 0.02
"""s between lines while we wait for the first message, so that it is the start that is measured and not the wire"""
GROWTH: Final = (1, 8, 64, 256)
GROWTH_WINDOW: Final = 40.0
CPU_LIMIT, PSS_LIMIT, START_LIMIT, WRITES_LIMIT, WAKE_LIMIT = 3.0, 60.0, 1.5, 50.0, 10.0
LATENCY_SHARE: Final = 1.5
CHANNELS: Final = 8


@dataclass(slots=True)
class Cost:
    """cpu: s in ten minutes; memory: MB (PSS); alone: the same where nothing else shares its libraries; start: s to the
    first message, at the median; p50, p99: ms from newline to message; writes: MB a day; wakes: a second, in silence."""

    cpu: float = nan
    memory: float = nan
    alone: float = nan
    start: float = nan
    p50: float = nan
    p99: float = nan
    writes: float = nan
    wakes: float = nan
    took: list[float] = field(default_factory=list)


def celsius_of(payload: bytes | bytearray) -> str:
    """With one digit after the point, whether it came bare or in a JSON reading."""
    text = payload.decode()
    return f"{json.loads(text)['celsius']:.1f}" if text.startswith("{") else text


class Ear:
    """The subscriber."""

    def __init__(self, port: int, topics: list[str]) -> None:
        self.arrived: SimpleQueue[tuple[str, str, float]] = SimpleQueue()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda c, d, m: self.arrived.put(
            (m.topic, celsius_of(m.payload), time.perf_counter())
        )
        self._client.connect("127.0.0.1", port)
        self._client.subscribe([(topic, 1) for topic in topics])
        self._client.loop_start()

    def wait(self, topic: str, payload: str | None, until: float) -> float | None:
        """When it came (perf_counter), or None if it did not come in time. payload: None for any."""
        while (left := until - time.perf_counter()) > 0:
            with contextlib.suppress(Empty):
                heard, said, at = self.arrived.get(timeout=left)
                if heard == topic and said and payload in (None, said):
                    return at
        return None

    def clear(self) -> None:
        with contextlib.suppress(Empty):
            while True:
                self.arrived.get_nowait()

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextlib.contextmanager
def broker(folder: Path) -> Iterator[int]:
    port = free_port()
    (folder / "mosquitto.conf").write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n")
    process = subprocess.Popen(["mosquitto", "-c", str(folder / "mosquitto.conf")], stderr=subprocess.DEVNULL)
    time.sleep(0.5)
    try:
        yield port
    finally:
        process.terminate()
        process.wait()


@contextlib.contextmanager
def running(contestant: Contestant, cache: Path) -> Iterator[int]:
    """cache: compiled Python goes there, as an installation has it compiled already."""
    plain = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    environment = {**plain, **UNIT_ENVIRONMENT, "PYTHONPYCACHEPREFIX": str(cache)}
    process = subprocess.Popen(
        contestant.command, cwd=ROOT, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        yield process.pid
    finally:
        process.terminate()
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def first_message(contestant: Contestant, wire: Wire, ear: Ear, began: float) -> float:
    """s from `began` until a value of channel 1 reached a subscriber."""
    number = 0
    while time.perf_counter() - began < 60:
        wire.send(*[120.0 + number % 20 / 10] * CHANNELS)
        number += 1
        if (at := ear.wait(contestant.topic, None, time.perf_counter() + START_LINES)) is not None:
            return at - began
    raise RuntimeError(f"{contestant.name} never spoke")


def start_time(contestant: Contestant, wire: Wire, port: int, cache: Path) -> float:
    """The first start compiles and is not counted; the middle one of the others. A retained value is none of theirs."""
    taken = []
    for _ in range(STARTS + 1):
        ear = Ear(port, [contestant.topic])
        time.sleep(0.3)
        ear.clear()
        began = time.perf_counter()
        with running(contestant, cache):
            taken.append(first_message(contestant, wire, ear, began))
        ear.close()
    return sorted(taken[1:])[STARTS // 2]


class Second:
    """One line a second on every wire, by a thread, until closed."""

    def __init__(self, wires: list[Wire], channels: int = CHANNELS) -> None:
        self._wires, self._channels, self._over = wires, channels, threading.Event()
        self._thread = threading.Thread(target=self._play)
        self._thread.start()

    def _play(self) -> None:
        beat, began = 0, time.monotonic()
        while not self._over.wait(max(0.0, began + beat - time.monotonic())):
            pit = 120.0 + (beat * 7 % 23) / 10
            line = [pit, pit + 1.5, 58.0, 51.0, 9.0, 64.0, *[9.0 + beat % 5 / 10] * self._channels][: self._channels]
            for wire in self._wires:
                wire.send(*line)
            beat += 1

    def close(self) -> None:
        self._over.set()
        self._thread.join()


def percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def latencies(entered: dict[str, tuple[Contestant, Wire]], port: int, lines: int, costs: dict[str, Cost]) -> int:
    """Lines sent in turn, at odd moments. Returns how many never came."""
    chance, lost = random.Random(1), 0
    ear = Ear(port, [contestant.topic for contestant, _ in entered.values()])
    for number in range(lines):
        celsius = 121.0 + number % 30 / 10
        for name, (contestant, wire) in entered.items():
            time.sleep(chance.uniform(0.04, 0.12))
            sent = wire.send(celsius, 122.5, 58.0, 51.0, 9.0, 64.0, 9.0, 9.0)
            at = ear.wait(contestant.topic, f"{celsius:.1f}", sent + 2)
            if at is None:
                lost += 1
            else:
                costs[name].took.append((at - sent) * 1000)
    ear.close()
    for cost in costs.values():
        cost.p50, cost.p99 = percentile(cost.took, 0.5), percentile(cost.took, 0.99)
    return lost


def compare(folder: Path, window: float, lines: int, with_flow: bool) -> tuple[dict[str, Cost], str]:
    """Cost by contestant, and why one is missing."""
    missing = ""
    wires = {name: Wire() for name in ("pitvigil", "script", "flow tool")}
    with broker(folder) as port, contextlib.ExitStack() as stack:
        entered = {
            "pitvigil": (watch(folder / "watch", wires["pitvigil"], port), wires["pitvigil"]),
            "script": (script(wires["script"], port), wires["script"]),
        }
        flow = flow_tool(folder / "flow", wires["flow tool"], port) if with_flow else "not asked for"
        if isinstance(flow, str):
            missing = f"flow tool left out: {flow}"
        else:
            entered["flow tool"] = (flow, wires["flow tool"])
        costs = {name: Cost() for name in entered}
        cache = folder / "compiled"
        for name, (contestant, wire) in entered.items():
            costs[name].start = start_time(contestant, wire, port, cache)
        pids = {name: stack.enter_context(running(contestant, cache)) for name, (contestant, _) in entered.items()}
        second = Second([wire for _, wire in entered.values()])
        time.sleep(BEGINNING)
        before = {name: (cpu_seconds(pid), written(pid)) for name, pid in pids.items()}
        time.sleep(window)
        for name, pid in pids.items():
            cost = costs[name]
            cost.cpu = (cpu_seconds(pid) - before[name][0]) * TEN_MINUTES / window
            cost.writes = (written(pid) - before[name][1]) * DAY / window
            cost.memory, cost.alone = pss(pid), pss_alone(pid, entered[name][0].kin)
        second.close()
        lost = latencies(entered, port, lines, costs)
        time.sleep(SETTLE)
        asleep = {name: wake_ups(pid) for name, pid in pids.items()}
        time.sleep(SILENCE)
        for name, pid in pids.items():
            costs[name].wakes = (wake_ups(pid) - asleep[name]) / SILENCE
    for wire in wires.values():
        wire.close()
    return costs, "; ".join(note for note in (missing, f"{lost} lines never came" if lost else "") if note)


def grown(folder: Path, channels: int, more: str = "") -> tuple[float, float]:
    """CPU s in ten minutes and PSS MB of the watch with so many channels at 1 Hz."""
    wire = Wire()
    with broker(folder) as port:
        contestant = watch(folder / f"growth-{channels}{'-more' if more else ''}", wire, port, channels, more)
        with running(contestant, folder / "compiled") as pid:
            second = Second([wire], channels)
            time.sleep(SETTLE)
            before = cpu_seconds(pid)
            time.sleep(GROWTH_WINDOW)
            found = (cpu_seconds(pid) - before) * TEN_MINUTES / GROWTH_WINDOW, pss(pid)
            second.close()
    wire.close()
    return found


def history(days: float) -> dict[str, float]:
    """The last look of a watch on a virtual clock after so many days."""
    command = [sys.executable, "-m", "tests.soak.month", "--days", str(days), "--every", str(days * DAY)]
    done = subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, check=True, env={**os.environ, **UNIT_ENVIRONMENT}
    )
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def figures(ours: Cost, bare: Cost) -> list[Figure]:
    ratio = ours.p99 / bare.p99
    return [
        Figure("CPU, s in 10 min", ours.cpu, f"<= {CPU_LIMIT:g}", ours.cpu <= CPU_LIMIT),
        Figure("PSS, MB", ours.memory, f"<= {PSS_LIMIT:g}", ours.memory <= PSS_LIMIT),
        Figure("PSS were no other Python running, MB", ours.alone, f"<= {PSS_LIMIT:g}", ours.alone <= PSS_LIMIT),
        Figure(
            "start to first reading at a subscriber, s", ours.start, f"<= {START_LIMIT:g}", ours.start <= START_LIMIT
        ),
        Figure("latency p99 over the script's", ratio, f"<= {LATENCY_SHARE:g}", ratio <= LATENCY_SHARE),
        Figure("card writes, MB a day", ours.writes, f"<= {WRITES_LIMIT:g}", ours.writes <= WRITES_LIMIT),
        Figure("wake-ups a second, devices silent", ours.wakes, f"<= {WAKE_LIMIT:g}", ours.wakes <= WAKE_LIMIT),
    ]


def table(costs: dict[str, Cost]) -> list[str]:
    heads = (
        "CPU s / 10 min",
        "PSS MB",
        "PSS alone MB",
        "start s",
        "p50 ms",
        "p99 ms",
        "card MB / day",
        "idle wake-ups / s",
    )
    lines = ["| | " + " | ".join(heads) + " |", "|---|" + "---|" * len(heads)]
    for name, c in costs.items():
        cells = (
            f"{c.cpu:.2f}", f"{c.memory:.0f}", f"{c.alone:.0f}", f"{c.start:.2f}", f"{c.p50:.2f}", f"{c.p99:.2f}",
            f"{c.writes:.1f}", f"{c.wakes:.1f}",
        )  # fmt: skip
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines


MORE_DEVICES: Final = """
[[devices]]
kind = "modbus"
id = "bus"
port = "/dev/no-such-port"
sources = [{ source = "1", slave = 1, register = 0 }]
[[devices]]
kind = "ble-advert"
id = "air"
address = "AA:BB:CC:DD:EE:FF"
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--window", type=float, default=120.0, help="s of CPU and card writes; scaled when not 600")
    parser.add_argument("--lines", type=int, default=300, help="lines for the latency")
    parser.add_argument("--days", type=float, default=0.5, help="longest history to run on a virtual clock")
    parser.add_argument("--state", type=Path, help="where to work: a directory on a real disk")
    parser.add_argument("--no-flow", action="store_true")
    parser.add_argument("--no-growth", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.state) as directory:
        folder = Path(directory)
        folder.chmod(0o755)  # the broker gives up root before it reads its file
        costs, notes = compare(folder, options.window, options.lines, not options.no_flow)
        print("\n".join(table(costs)))
        print(f"8 channels, 1 Hz; window {options.window:.0f} s, load {os.getloadavg()[0]:.1f}. {notes}")
        found = figures(costs["pitvigil"], costs["script"])
        for figure in found:
            print(f"{figure.name:44} {figure.value:8.2f}  {figure.target:8} {'met' if figure.met else 'MISSED'}")
        if not options.no_growth:
            print("| channels at 1 Hz | CPU s / 10 min | PSS MB |\n|---|---|---|")
            for channels in GROWTH:
                cpu, memory = grown(folder, channels)
                print(f"| {channels} | {cpu:.2f} | {memory:.0f} |", flush=True)
            cpu, memory = grown(folder, CHANNELS, MORE_DEVICES)
            print(f"| 8, with Modbus and BLE drivers loaded | {cpu:.2f} | {memory:.0f} |")
            print("| history (4 channels, 1 Hz, loop and journal alone) | own memory MB | journal MB |\n|---|---|---|")
            for days in sorted({1 / 24, 0.5, options.days}):
                look = history(days)
                print(f"| {days * 24:.0f} h | {look['memory']:.1f} | {look['disk']:.1f} |", flush=True)
    return 0 if all(figure.met for figure in found) else 1


if __name__ == "__main__":
    sys.exit(main())
