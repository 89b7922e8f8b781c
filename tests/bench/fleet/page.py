"""The crew's page of 1,000 pits: from the request to its last byte, and what of it is the database's and what ours.

    python -m tests.bench.fleet.page               # a minute; postgresql and easy-rsa from Debian

Browser, page and database share the machine. Each look finds some pits changed, as in life: a pit has a word every half minute,
a browser looks every quarter of a minute.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import time
import zlib
from json import dumps

import numpy as np
import psycopg
from aiohttp.test_utils import TestClient, TestServer

from daemon.shell.fleet import crew_page, overview
from daemon.shell.fleet.crew_server import CrewServer
from daemon.texts.composer import Composer
from tests.system.fleet.conftest import Database, database_made

PITS, LOOKS = 1000, 60
CHANGED = 0.05
"""Share of the pits whose state, alarm or due time reads otherwise at each look."""
SLOWEST, LARGEST = 300.0, 200.0
"""ms from the request to the last byte, p99, and kB on the wire: the targets."""
TEXT = {
    "key": "alarm.pit-falling.text",
    "values": [["name", "Offset"], ["value", 108.0], ["left", 1260.0]],
}


def now_of(number: int, at: float) -> str:
    """How a pit stands, with an alarm and what is due at that UTC or later, JSON."""
    alarm = {
        "alarm": "pit-falling/pit",
        "after": "unacknowledged",
        "priority": "high",
        "prompt": False,
        "text": TEXT,
        "since": 1,
    }
    due = {"what": "tender", "piece": "chuck", "from": at, "at": at + 60 * number, "to": at + 60 * number + 900}
    return dumps({"stage": "in-band", "cook": "hall", "alarms": [alarm], "due": [due]})


def fill(database: Database) -> None:
    at = time.time() + 3600.0
    for first in range(0, PITS, 250):
        rows = ",".join(
            f"('many-{n}', 'crew {n % 20}', 'steel', now(), '{now_of(n, at)}')" for n in range(first, first + 250)
        )
        database.sql(f"INSERT INTO pits (pit, crew, class, heard, now) VALUES {rows}")


def change(db: psycopg.Connection[tuple[object, ...]], look: int) -> None:
    """As boards do, from outside of what is measured."""
    count, at = int(CHANGED * PITS), time.time() + 7200.0
    for n in range(look * count % PITS, look * count % PITS + count):
        db.execute("UPDATE pits SET heard = now(), now = %s WHERE pit = %s", (now_of(n + look, at), f"many-{n}"))


def percentiles(seconds: list[float]) -> str:
    return f"p50 {1000 * np.percentile(seconds, 50):.0f} ms, p99 {1000 * np.percentile(seconds, 99):.0f} ms"


def parts(reader: str) -> None:
    """Each part by itself."""
    asked, said, spent = [], [], []
    composer = Composer()
    with psycopg.connect(reader, autocommit=True) as db:
        for _ in range(LOOKS):
            began, cpu = time.perf_counter(), time.process_time()
            rows = overview.pits(db)
            between = time.perf_counter()
            crew_page.pits_page(rows, composer)
            asked.append(between - began)
            said.append(time.perf_counter() - between)
            spent.append(time.process_time() - cpu)
    print(f"database to rows           {percentiles(asked)}")
    print(f"rows to bytes              {percentiles(said)}")
    print(f"processor of both          {percentiles(spent)}")


async def looks(database: Database, reader: str) -> None:
    took: list[float] = []
    spent: list[float] = []
    owner = f"host={database.home} port={database.port} dbname=pitvigil user={reader_of_changes(database)}"
    with psycopg.connect(owner, autocommit=True) as db:
        async with TestClient(TestServer(CrewServer(reader).app())) as client:
            for look in range(LOOKS + 1):
                await asyncio.to_thread(change, db, look)
                began, cpu = time.perf_counter(), time.process_time()
                body = await (await client.get("/")).read()
                took.append(time.perf_counter() - began)
                spent.append(time.process_time() - cpu)
    size = len(zlib.compress(body, 6)) / 1000
    p99 = 1000 * float(np.percentile(took[1:], 99))
    print(f"the first after a start    {1000 * took[0]:.0f} ms")
    print(
        f"request to last byte       {percentiles(took[1:])} (target {SLOWEST:.0f}{'' if p99 <= SLOWEST else ', MISS'})"
    )
    print(f"processor, with browser    {percentiles(spent[1:])}")
    print(f"on the wire                {size:.1f} kB (target {LARGEST:.0f}{'' if size <= LARGEST else ', MISS'})")


def reader_of_changes(database: Database) -> str:
    """A role that may change every pit, for this measurement alone."""
    database.sql("CREATE ROLE changes LOGIN BYPASSRLS IN ROLE pit_board")
    return "changes"


def main() -> None:
    argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None).parse_args()
    with database_made("local pitvigil +pit_board trust\n") as database:
        fill(database)
        reader = database.reader("bench-page")
        parts(reader)
        asyncio.run(looks(database, reader))
    print(f"load of the machine        {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
