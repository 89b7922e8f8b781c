"""What the watch takes from a small board before it does anything, and what each library has in it.

    python -m tests.bench.cost.bench_frugal [--window 30]

Memory is PSS with all that only programs of its kind could share counted in full ("alone"), as on a board that runs no
second Python. Time is processor time, user and system, so that a busy machine does not change it. The watch has eight
channels, a broker, the page and four kinds of messages; its start ends when it tells systemd that it is ready.
"""

from __future__ import annotations

import argparse
import os
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

from tests.bench.cost.bench_cost import broker
from tests.bench.cost.contestants import ROOT, UNIT_ENVIRONMENT, Wire, watch
from tests.bench.cost.process_cost import cpu_seconds, pss_alone
from tests.bench.figure import Figure, show

MEMORY_LIMIT: Final = 50.0
"""MB, our own"""
START_LIMIT: Final = 3.0
"""times the processor time of a bare import of the same libraries, our own"""
STARTS: Final = 5
LIBRARIES: Final = ("asyncio", "sqlite3", "ssl", "pydantic", "numpy", "aiohttp.web", "paho.mqtt.client", "serial",
                    "thermocouple_its90")  # fmt: skip
"""what this rig uses, in the order in which each is charged with what it is the first to bring in"""
OWN: Final = ("config.loader", "daemon.core.engine", "daemon.shell.loop", "daemon.shell.web.page", "daemon.shell.hub.feed",
              "daemon.wiring.watch", "drivers.serial_line")  # fmt: skip
IMPORTING: Final = """
import importlib, os, sys, time
sys.path.insert(0, {root!r})
from tests.bench.cost.process_cost import pss_alone
def now():
    return pss_alone(os.getpid(), "python"), time.process_time()
print("Python itself", *now())
for name in sys.argv[1:]:
    before = time.process_time()
    importlib.import_module(name)
    print(name, pss_alone(os.getpid(), "python"), time.process_time() - before)
"""


def environment(cache: Path) -> dict[str, str]:
    plain = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    return {**plain, **UNIT_ENVIRONMENT, "PYTHONPYCACHEPREFIX": str(cache)}


def charged(cache: Path) -> list[tuple[str, float, float]]:
    """(module, MB, ms of processor time) of each step."""
    code = [sys.executable, "-c", IMPORTING.format(root=str(ROOT)), *LIBRARIES, *OWN]
    steps, last = [], 0.0
    for _ in range(2):  # the first time compiles
        shown = subprocess.run(code, capture_output=True, text=True, check=True, env=environment(cache), cwd=ROOT)
    for line in shown.stdout.splitlines():
        name, total, seconds = line.rsplit(" ", 2)
        steps.append((name, float(total) - last, 1000.0 * float(seconds)))
        last = float(total)
    return steps


def bare_import(cache: Path) -> float:
    """Processor time of a Python that imports the libraries and ends, s; the least of several."""
    code = [sys.executable, "-c", f"import {', '.join(LIBRARIES)}"]
    took = []
    for _ in range(STARTS):
        before = os.times()
        subprocess.run(code, check=True, env=environment(cache), cwd=ROOT)
        after = os.times()
        took.append(after.children_user + after.children_system - before.children_user - before.children_system)
    return min(took)


def started(window: float, cache: Path) -> tuple[float, float]:
    """(processor time until it says that it is ready, s; MB alone after so many s at work)."""
    with tempfile.TemporaryDirectory() as folder, broker(Path(folder)) as port:
        wire, ready = Wire(), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        ready.bind(f"{folder}/ready")
        ready.settimeout(120)
        contestant = watch(Path(folder), wire, port)
        process = subprocess.Popen(
            contestant.command, cwd=ROOT, env={**environment(cache), "NOTIFY_SOCKET": f"{folder}/ready"},
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            while b"READY=1" not in ready.recv(4096):
                pass
            took = cpu_seconds(process.pid)
            until = time.monotonic() + window
            while time.monotonic() < until:
                wire.send(*[120.0] * 8)
                time.sleep(1)
            return took, pss_alone(process.pid, contestant.kin) if window else 0.0
        finally:
            process.terminate()
            process.wait()
            wire.close()
            ready.close()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--window", type=float, default=30.0, help="s at work before its memory is read")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as cache:
        print("| brought in | MB | ms |\n|---|---|---|")
        for name, megabytes, milliseconds in charged(Path(cache)):
            print(f"| {name} | {megabytes:.1f} | {milliseconds:.0f} |")
        bare = bare_import(Path(cache))
        _, memory = started(options.window, Path(cache))
        start = min(started(0.0, Path(cache))[0] for _ in range(STARTS))
    ratio = start / bare
    figures = (
        Figure("memory of the running watch alone, MB", memory, f"<= {MEMORY_LIMIT:g}", memory <= MEMORY_LIMIT),
        Figure("processor time of the start over a bare import", ratio, f"<= {START_LIMIT:g}", ratio <= START_LIMIT,
               f"{start:.2f} s over {bare:.2f} s"),
    )  # fmt: skip
    show("frugal", figures)
    return 0 if all(figure.met for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
