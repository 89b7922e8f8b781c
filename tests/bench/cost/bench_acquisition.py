"""What acquisition costs: CPU and memory of the serial-line driver against a bare pyserial `readline` loop.

    python tests/bench/cost/bench_acquisition.py [--seconds 20]

Each run is a process of its own that reads register words with CRC from a pseudo-terminal; a second process plays
the microcontroller. CPU is user + system time of the reader as a share of one core, memory its peak resident size.
The bare loop opens the port and reads lines; it decodes, checks and linearises nothing.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import os
import resource
import subprocess
import sys
import time
import tty
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
LOADS = ((8, 1.0), (64, 10.0))
"""channels, samples a second"""


def play(descriptor: int, channels: int, rate: float, child: subprocess.Popen[bytes]) -> None:
    """The microcontroller: all channels on one line, `rate` times a second, until the reader has gone."""
    from drivers.codecs.amplifier_words import encode_max31855
    from drivers.codecs.line_formats import words_line

    line = words_line({str(number): encode_max31855(100.0 + number, 25.0) for number in range(channels)})
    os.set_blocking(descriptor, False)
    start = time.monotonic()
    beat = 0
    while child.poll() is None:
        time.sleep(max(0.0, start + beat / rate - time.monotonic()))
        with contextlib.suppress(BlockingIOError):
            os.write(descriptor, line)
        beat += 1


def bare(port: str, seconds: float) -> int:
    import serial

    lines, end = 0, time.monotonic() + seconds
    with serial.Serial(port, 115200, timeout=0.5) as line:
        while time.monotonic() < end:
            lines += bool(line.readline())
    return lines


async def ours(port: str, seconds: float) -> int:
    from config.devices import LineFormat, SerialLineDevice
    from drivers.registry import open_driver

    device = SerialLineDevice(kind="serial-line", id="b", port=port, line=LineFormat(kind="words"))
    found = 0
    async with open_driver(device, {}).open() as link:
        try:
            async with asyncio.timeout(seconds):
                while True:
                    found += len((await link.receive()).measurements)
        except TimeoutError:
            return found


def cpu_seconds() -> float:
    usage = resource.getrusage(resource.RUSAGE_SELF)
    return usage.ru_utime + usage.ru_stime


def reader(kind: str, port: str, seconds: float) -> None:
    """Run as the child: prints its own figures. Imports come first and are counted apart."""
    import_module("serial" if kind == "bare" else "drivers.serial_line")
    started = cpu_seconds()
    count = bare(port, seconds) if kind == "bare" else asyncio.run(ours(port, seconds))
    # ru_maxrss would be the parent's, kept over exec; VmHWM is ours alone
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    figures = {
        "count": count,
        "start_s": started,
        "cpu_s": cpu_seconds() - started,
        "peak_mb": int(status["VmHWM"].split()[0]) / 1024,
        "wakeups": resource.getrusage(resource.RUSAGE_SELF).ru_nvcsw,
    }
    print(json.dumps(figures))


def measure(kind: str, channels: int, rate: float, seconds: float) -> dict[str, float]:
    master, slave = os.openpty()
    tty.setraw(slave)
    command = [sys.executable, __file__, "--reader", kind, "--port", os.ttyname(slave), "--seconds", str(seconds)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)})
    try:
        play(master, channels, rate, child)
        figures: dict[str, float] = json.loads(child.communicate(timeout=30)[0])
    finally:
        child.kill()
        os.close(master)
        os.close(slave)
    return figures


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--reader", choices=["bare", "ours"])
    parser.add_argument("--port")
    options = parser.parse_args()
    if options.reader:
        reader(options.reader, options.port, options.seconds)
        return
    sys.path.insert(0, str(ROOT))
    print(f"{'load':>18} {'reader':>6} {'read':>7} {'CPU %':>7} {'start s':>8} {'peak MB':>8} {'wake-ups/s':>10}")
    for channels, rate in LOADS:
        cpu = {}
        for kind in ("bare", "ours"):
            figures = measure(kind, channels, rate, options.seconds)
            cpu[kind] = figures["cpu_s"] / options.seconds
            print(
                f"{f'{channels} x {rate:g} Hz':>18} {kind:>6} {figures['count']:7.0f} {100 * cpu[kind]:7.3f}"
                f" {figures['start_s']:8.2f} {figures['peak_mb']:8.1f} {figures['wakeups'] / options.seconds:10.1f}"
            )
        print(f"{'':>18} ratio of CPU, ours to bare: {cpu['ours'] / cpu['bare']:.2f}")


if __name__ == "__main__":
    main()
