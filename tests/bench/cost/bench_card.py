"""What the journal costs the card: bytes written a day while eight channels are read once a second, and bytes a reading
left on disk after tidying.

    python -m tests.bench.cost.bench_card [--hours 24] [--dir DIRECTORY]

The scenario runs through the real loop, journal (synchronous=FULL) and forecaster on a virtual clock; the outbox is left
out (some twenty messages a night). Written bytes are what the kernel counts for this process (/proc/self/io), so DIRECTORY
must lie on a real file system. Two kinds of probes: 0.25 °C steps as thermocouple amplifiers have, and 1/32 °C,
the finest a reading can hold. Noise as simulated: 0.4 to 0.5 °C in the pit, 0.15 °C in meat, lines some 4 ms late.
"""

from __future__ import annotations

import argparse
import asyncio
import sqlite3
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import numpy as np

from config.loader import load_both
from daemon.commands.demo.files import START
from daemon.core.orders import EndCook
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.packed_inputs import BUNDLE, READINGS, packs_in
from daemon.shell.library.compaction import compact
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from drivers.simulated.cook import HOUR, SimulatedCook
from tests.bench.figure import Figure, show
from tests.shell.kept_cooks import RecordedNight, write_files

CARD_TARGET, BYTES_TARGET = 50.0, 1.0
"""MB of writes a day; bytes a reading on disk. The project's own bars."""
LATE = 0.004
"""s by which a line comes late, as on a wire."""
STEPS = {"0.25 °C": 0.25, "1/32 °C": 1 / 32}


def probes(step: float, seed: int) -> Callable[[SimulatedCook, float], tuple[Reading, ...]]:
    """Eight probes that say the truth with their noise, in steps of `step` °C."""
    rng = np.random.default_rng(seed)

    def say(simulated: SimulatedCook, now: float) -> tuple[Reading, ...]:
        true = simulated.true()
        junction = round((20 + 3 * np.sin(now / 9000)) * 16) / 16
        return tuple(
            Reading(
                c.source,
                on_grid(step * round((true[c.source] + rng.normal(0, c.noise)) / step)),
                now,
                cold_junction=junction,
            )
            for c in simulated.scenario.channels
        )

    return say


def written() -> int:
    """Bytes this process has sent towards a disk."""
    for line in Path("/proc/self/io").read_text().splitlines():
        name, _, value = line.partition(": ")
        if name == "write_bytes":
            return int(value)
    raise OSError("the kernel does not count what a process writes")


def on_disk(journal: Path) -> tuple[int, float]:
    """Bytes of the file in use (what tidying freed is written over before the file grows again), and those of readings
    alone, with their share of what the pages of the table leave empty."""
    with closing(sqlite3.connect(journal)) as db:
        (used,) = db.execute(
            "SELECT (page_count - freelist_count) * page_size "
            "FROM pragma_page_count, pragma_freelist_count, pragma_page_size"
        ).fetchone()
        pages, payload = db.execute("SELECT SUM(pgsize), SUM(payload) FROM dbstat WHERE name = 'inputs'").fetchone()
        packs = packs_in(db.execute("SELECT time, kind, body FROM inputs WHERE kind IN (?, ?)", (READINGS, BUNDLE)))
        return int(used), sum(map(len, packs)) * pages / payload


async def night(home: Path, step: float, hours: float) -> tuple[int, int]:
    """(bytes written, readings)."""
    rig_file, cook_file = write_files(home)
    rig, cook = load_both(rig_file, cook_file)
    before = written()
    with closing(Journal(home / "journal.sqlite")) as journal:
        watch = RecordedNight(journal, watch_settings(rig, cook), START, 1.0, 600.0, probes(step, 3))
        rng = np.random.default_rng(4)
        watch.late = lambda: float(abs(rng.normal(0, LATE)))
        await watch.begin(rig_file.read_text(), cook_file.read_text())
        await watch.night(1, hours)
        await watch.put(EndCook("cook"))
        watch.tend()
    return written() - before, int(hours * HOUR) * len(rig.channels)


def measure(hours: float, directory: str | None) -> list[Figure]:
    figures = []
    for name, step in STEPS.items():
        with tempfile.TemporaryDirectory(dir=directory) as made:
            home = Path(made)
            begin = time.process_time()
            bytes_written, readings = asyncio.run(night(home, step, hours))
            used = time.process_time() - begin
            file = home / "journal.sqlite"
            full, _ = on_disk(file)
            before, begin = written(), time.process_time()
            compact(file)
            tidying, tidied = written() - before, time.process_time() - begin
            small, alone = on_disk(file)
        a_day = 24 / hours / 1e6
        print(f"{name}: {readings} readings in {hours:.0f} h ({used:.0f} s of CPU)")
        print(f"  journal {full / 1e6:.2f} MB, tidied {small / 1e6:.2f} MB in {tidied:.1f} s of CPU")
        print(f"  with forecasts, events and checkpoints: {small / readings:.2f} bytes a reading")
        print(f"  written: {bytes_written * a_day:.1f} MB a day, and {tidying * a_day:.1f} MB a day for tidying")
        figures += [
            at_most(f"card writes a day, {name} probes, MB", (bytes_written + tidying) * a_day, CARD_TARGET),
            at_most(f"a tidied reading on disk, {name} probes, bytes", alone / readings, BYTES_TARGET),
        ]
    return figures


def at_most(name: str, value: float, target: float) -> Figure:
    return Figure(name, value, f"at most {target:g}", value <= target)


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=24.0)
    parser.add_argument("--dir", default=None, help="where the journals are written")
    options = parser.parse_args()
    figures = measure(options.hours, options.dir)
    show(f"The journal and the card, {options.hours:g} h of eight channels at 1 Hz", figures)
    return 0 if all(figure.met for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
