"""What `pitvigil ship` beside a watch costs it: from an alarm to the request at a web hook, with and without, by turns.

    python -m tests.bench.fleet.beside             # minutes; postgresql and easy-rsa from Debian

Waiting is virtual, work is real, as in tests/faults/test_latency: some hundred times the pace of life. The shipper is a process
of its own as nice as its unit makes it, and looks into the same journal every PACE s of real time, so that it has as much to
do for each of the watch's hours as in life, or more. The centre is on the same machine and takes its share of it.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import random
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import psycopg

from daemon.core.inputs import Resumed
from daemon.shell.fleet.shipper import Shipper
from tests.bench.fleet.load import add_pits
from tests.faults.test_clock import NIGHT
from tests.faults.test_latency import Chain
from tests.faults.test_provider import Provider
from tests.patience import PATIENCE
from tests.system.fleet.conftest import Database, database_made

ROUNDS, CYCLES = 12, 4
"""Turns of each kind, and alarms in a turn."""
PACE = 0.25
NICE = 10
"""As in deploy/fleet/pitvigil-ship.service."""
PIT = "beside"
SEED = 20261128
DRAWS = 2000


def ship(journal: Path, where: str) -> None:
    """What the second process does."""
    os.nice(NICE)

    def wait(seconds: float) -> bool:
        time.sleep(min(seconds, PACE))
        return False

    Shipper(journal, where, PIT, wait, random.Random(SEED)).run()


@contextmanager
def shipping(journal: Path, where: str, db: psycopg.Connection[tuple[object, ...]]) -> Iterator[None]:
    """From the first batch on."""
    query = "SELECT extract(epoch FROM heard)::bigint FROM pits WHERE pit = %s"
    db.execute("UPDATE pits SET heard = NULL WHERE pit = %s", (PIT,))
    process = subprocess.Popen([sys.executable, "-m", "tests.bench.fleet.beside", "--ship", str(journal), where])
    try:
        end = time.monotonic() + PATIENCE
        while db.execute(query, (PIT,)).fetchone() == (None,):
            assert time.monotonic() < end and process.poll() is None
            time.sleep(0.05)
        yield
    finally:
        process.terminate()
        process.wait()


async def turns(database: Database, home: Path, rounds: int) -> dict[bool, list[list[float]]]:
    """Seconds of work before each message, by turn; true: with the shipper."""
    where = f"host={database.home} port={database.port} dbname=pitvigil"
    add_pits(database, [PIT])
    found: dict[bool, list[list[float]]] = {False: [], True: []}
    chance = random.Random(SEED)
    async with Provider("good") as provider:
        chain = Chain(home, provider, True)
        await chain.loop.settle(Resumed(), chain.engine.handle(Resumed(), NIGHT), NIGHT)
        worker = asyncio.create_task(chain.outbox.run())
        try:
            await chain.cycle(chance, False)
            with psycopg.connect(f"{where} user={PIT}", autocommit=True) as db:
                for number in range(rounds):
                    for beside in (False, True) if number % 2 else (True, False):
                        chain.worked = []
                        if beside:
                            with shipping(home / "j.sqlite", where, db):
                                for _ in range(CYCLES):
                                    await chain.cycle(chance, False)
                        else:
                            for _ in range(CYCLES):
                                await chain.cycle(chance, False)
                        found[beside].append(chain.worked)
                (sent,) = db.execute("SELECT count(*) FROM events WHERE pit = %s", (PIT,)).fetchone() or (0,)
                print(f"events that arrived meanwhile: {sent}", flush=True)
        finally:
            worker.cancel()
            await asyncio.gather(worker, return_exceptions=True)
            await chain.outbox.close()
            chain.journal.close()
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--ship", nargs=2, metavar=("JOURNAL", "WHERE"))
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    options = parser.parse_args()
    if options.ship:
        ship(Path(options.ship[0]), options.ship[1])
        return
    with database_made("local pitvigil +pit_board trust\n") as database, tempfile.TemporaryDirectory() as folder:
        found = asyncio.run(turns(database, Path(folder) / "state", options.rounds))
    for beside, words in ((False, "alone"), (True, "with ship beside it")):
        took = 1000 * np.concatenate(found[beside])
        p50, p99 = np.percentile(took, [50, 99])
        print(f"{words:22} {len(took)} messages in {len(found[beside])} turns: p50 {p50:.1f} ms, p99 {p99:.1f} ms")
    rng = np.random.default_rng(SEED)
    for share in (50, 99):
        ratios = []
        for _ in range(DRAWS):
            drawn = rng.integers(0, options.rounds, options.rounds)
            alone, beside_it = (
                np.percentile(np.concatenate([found[b][n] for n in drawn]), share) for b in (False, True)
            )
            ratios.append(beside_it / alone)
        low, middle, high = np.percentile(ratios, [5, 50, 95])
        print(f"p{share}, ratio: {middle:.2f} ({low:.2f} to {high:.2f}, 90 % of {DRAWS} draws of turns)")
    print(f"load of the machine: {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
