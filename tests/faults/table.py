"""Every fault, its figure beside its bar, and the wrong build its injector catches.

    python -m tests.faults.table [NAME ...]

Runs the injectors with the numbers of the table (some twenty minutes; file systems need root). NAME: only these faults,
as their functions are called. Ends with 1 when a bar is missed or an injector catches nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import logging
import sys
import tempfile
import time
from pathlib import Path

from tests.faults import (
    silenced,
    test_broker_away,
    test_clock,
    test_damage,
    test_disk,
    test_hang,
    test_kills,
    test_latency,
    test_power,
    test_provider,
    test_start,
    test_unplug,
)
from tests.faults.row import Fault, NotHere, Row

ROOMS = (
    test_kills, test_power, test_disk, test_clock, test_hang, test_unplug, test_broker_away, test_provider, test_start,
    test_damage, test_latency, silenced,
)  # fmt: skip
ALL: tuple[Fault, ...] = tuple(fault for room in ROOMS for fault in room.FAULTS)
HEAD = ("fault", "measured", "figure", "bar", "met", "a wrong build it catches")


def cells(row: Row) -> tuple[str, ...]:
    caught = row.wrong if row.caught else f"NOT CAUGHT: {row.wrong}"
    return row.fault, row.measured, row.figure, row.bar, "met" if row.met else "MISSED", caught


async def made(fault: Fault) -> Row | str:
    with tempfile.TemporaryDirectory(prefix="faults-") as home:
        try:
            return await fault(Path(home), True)
        except NotHere as reason:
            return f"not run here: {reason}"
        except Exception as error:
            return f"FAILED: {type(error).__name__}: {error}"


def main(names: list[str]) -> int:
    logging.disable()  # the faults are told on purpose; the table is what counts
    wanted = [fault for fault in ALL if not names or fault.__name__ in names]
    begin, well = time.monotonic(), True
    print("| " + " | ".join(HEAD) + " |\n" + "|---" * len(HEAD) + "|", flush=True)
    for fault in wanted:
        with contextlib.redirect_stderr(io.StringIO()):
            row = asyncio.run(made(fault))
        if isinstance(row, str):
            well = well and not row.startswith("FAILED")
            print(f"| {fault.__name__.replace('_', ' ')} | {row} | | | | |", flush=True)
            continue
        well = well and row.met and row.caught
        print("| " + " | ".join(cells(row)) + " |", flush=True)
    print(f"\n{len(wanted)} faults in {time.monotonic() - begin:.0f} s")
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
