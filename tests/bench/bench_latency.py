"""How long a temperature takes from the newline on the wire to a message at a subscriber.

    python tests/bench/bench_latency.py [--lines 400] [--every 0.25]

The whole watch (`pitvigil run`: driver, judging, journal on this disk, feed) beside a script of some 30 lines that
copies serial lines to MQTT, in the same run: each on a pseudo-terminal of its own, one private mosquitto, one
subscriber, lines sent in turn. Prints p50, p99 and the longest, ms.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import random
import subprocess
import sys
import tempfile
import time
import tty
from pathlib import Path
from queue import Empty, SimpleQueue

import paho.mqtt.client as mqtt

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from drivers.serial_port import GATHER_LONGEST  # noqa: E402
from tests.bench.serial_to_mqtt import TOPIC as BARE_TOPIC  # noqa: E402
from tests.system.mqtt_broker import free_ports  # noqa: E402

OUR_TOPIC = "homie/5/pit/channel-grate/temperature"
RIG = """
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "csv", columns = ["1"] }}
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "1"
[broker]
host = "127.0.0.1"
port = {mqtt}
[page]
port = 0
"""


class Wire:
    """A pseudo-terminal: `send` is the microcontroller, `path` the port."""

    def __init__(self) -> None:
        self.here, self.there = os.openpty()
        tty.setraw(self.here)
        tty.setraw(self.there)
        os.set_blocking(self.here, False)
        self.path = os.ttyname(self.there)

    def send(self, celsius: float) -> float:
        """The time at which the newline was on the wire."""
        os.write(self.here, f"{celsius:.1f}\n".encode())
        return time.perf_counter()


def percentile(values: list[float], share: float) -> float:
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, int(share * len(ordered)))]


def measure(wire: Wire, topic: str, arrived: SimpleQueue[tuple[str, str, float]], celsius: float) -> float | None:
    """ms from newline to message, or None if it did not come within 2 s."""
    sent = wire.send(celsius)
    deadline = sent + 2
    while (left := deadline - time.perf_counter()) > 0:
        with contextlib.suppress(Empty):
            heard, payload, at = arrived.get(timeout=left)
            if heard == topic and payload == f"{celsius:.1f}":
                return (at - sent) * 1000
    return None


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--lines", type=int, default=400)
    parser.add_argument("--every", type=float, default=0.25)
    options = parser.parse_args()
    chance = random.Random(1)
    with tempfile.TemporaryDirectory() as directory, contextlib.ExitStack() as stack:
        folder = Path(directory)
        (port,) = free_ports(1)
        (folder / "mosquitto.conf").write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
        )
        ours, bare = Wire(), Wire()
        (folder / "rig.toml").write_text(RIG.format(port=ours.path, mqtt=port))
        quiet = {"stderr": subprocess.DEVNULL, "stdout": subprocess.DEVNULL}
        for command in (
            ["mosquitto", "-c", str(folder / "mosquitto.conf")],
            [sys.executable, "-m", "daemon.cli", "run", "--rig", str(folder / "rig.toml"), "--state", directory],
            [sys.executable, str(ROOT / "tests/bench/serial_to_mqtt.py"), bare.path, str(port)],
        ):
            process = subprocess.Popen(command, cwd=ROOT, **quiet)  # type: ignore[call-overload]
            stack.callback(process.wait)
            stack.callback(process.terminate)
            time.sleep(0.5)
        arrived: SimpleQueue[tuple[str, str, float]] = SimpleQueue()
        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        client.on_message = lambda c, d, m: arrived.put((m.topic, m.payload.decode(), time.perf_counter()))
        client.connect("127.0.0.1", port)
        client.subscribe([(OUR_TOPIC, 1), (BARE_TOPIC, 1)])
        client.loop_start()
        stack.callback(client.loop_stop)
        stack.callback(client.disconnect)
        for warm in range(40):  # until both speak
            if measure(ours, OUR_TOPIC, arrived, 120 + warm / 10) and measure(
                bare, BARE_TOPIC, arrived, 120 + warm / 10
            ):
                break
        else:
            print("one of the two never spoke")
            return 1
        taken: dict[str, list[float]] = {"pitvigil": [], "bare script": []}
        lost = 0
        for number in range(options.lines):
            celsius = 121.0 + number % 30 / 10
            for name, wire, topic in (("pitvigil", ours, OUR_TOPIC), ("bare script", bare, BARE_TOPIC)):
                time.sleep(options.every * chance.uniform(0.5, 1.5) / 2)
                result = measure(wire, topic, arrived, celsius)
                if result is None:
                    lost += 1
                else:
                    taken[name].append(result)
    for name, values in taken.items():
        print(
            f"{name:12} n={len(values)} p50 {percentile(values, 0.5):6.2f} ms  p99 {percentile(values, 0.99):6.2f} ms  "
            f"longest {max(values):6.2f} ms"
        )
    print(f"lost {lost}; of ours, the driver lets bytes gather for {GATHER_LONGEST * 1000:.0f} ms by design")
    return 0


if __name__ == "__main__":
    sys.exit(main())
