"""What a centre bears: 200 watches with all they keep, 10,000 pits at packed minutes, on real PostgreSQL and mosquitto.

    python -m tests.bench.fleet.load               # minutes; postgresql, easy-rsa and mosquitto from Debian

The centre is the one that deploy/fleet/centre.sh makes, with its row-level security; boards come by the socket instead of TLS.
The makers of the load share the machine with the servers: every figure is of both together. Prints one line a figure.
"""

from __future__ import annotations

import argparse
import shutil
import sqlite3
import subprocess
import tempfile
import threading
import time
import zlib
from collections.abc import Callable
from contextlib import closing
from json import dumps
from pathlib import Path
from random import Random

import numpy as np
import paho.mqtt.client as paho
import psycopg
from paho.mqtt.enums import CallbackAPIVersion

from daemon.core.readings.trace import MINUTE
from daemon.shell.fleet.centre import Batch, Centre, connected
from daemon.shell.fleet.past import BLOCK, BLOCK_MINUTES, BlockRow, Cursor, EventRow, channels_of
from daemon.shell.fleet.shipper import EVERY, QUIET_LOOKS, Shipper
from daemon.texts.composer import Composer
from tests.bench.fleet.page import now_of
from tests.ports import free_port
from tests.shell.kept_cooks import make_journal
from tests.system.fleet.conftest import Database, database_made

WATCHES, PITS, SHOWN = 200, 10_000, 1_000
HANDS = 8
"""Connections that the load comes by at once."""
CHANNELS = 8
EVENTS_A_BLOCK = 4
"""Events of a pit in ten minutes, as in the kept cooks: some 25 an hour."""
LIVE_SECONDS = 20
SIGN_OF_LIFE = EVERY * QUIET_LOOKS
"""s after which a pit with nothing to say says that it is there."""
NEVER = 4e9
"""UTC of what is due while nobody waits for it."""
SEED = 20261128


def in_hands(work: list[Callable[[], None]]) -> None:
    """All of it, HANDS at a time. The first error is raised again."""
    turn = iter(work)
    errors: list[Exception] = []
    lock = threading.Lock()

    def hand() -> None:
        while not errors:
            with lock:
                one = next(turn, None)
            if one is None:
                return
            try:
                one()
            except Exception as error:  # told by whoever waits
                errors.append(error)

    threads = [threading.Thread(target=hand) for _ in range(HANDS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if errors:
        raise errors[0]


def told(name: str, figure: str) -> None:
    print(f"{name:58} {figure}", flush=True)


def percentile(took: list[float], share: float) -> float:
    return 1000 * float(np.percentile(took, share))


def add_pits(database: Database, names: list[str]) -> None:
    """Without certificates: they come by the socket."""
    for first in range(0, len(names), 1000):
        roles = ";".join(f'CREATE ROLE "{one}" LOGIN IN ROLE pit_board' for one in names[first : first + 1000])
        rows = ",".join(f"('{one}', 'crew {n % 50}', 'brick')" for n, one in enumerate(names[first : first + 1000]))
        database.sql(f"{roles}; INSERT INTO pits (pit, crew, class) VALUES {rows}")


def watches(database: Database, where: str, home: Path, count: int) -> None:
    """Each watch has a journal of its own: two cooks and the days between them, as the watch kept them."""
    journal = make_journal(home)
    names = [f"watch-{n}" for n in range(count)]
    add_pits(database, names)
    took: list[float] = []
    put = Centre.put

    def timed(self: Centre, batch: Batch) -> None:
        began = time.perf_counter()
        put(self, batch)
        took.append(time.perf_counter() - began)

    def ship(name: str) -> None:
        own = home / name
        own.mkdir()
        shutil.copy(journal, own / journal.name)
        Shipper(own / journal.name, where, name, lambda seconds: seconds > 0, Random(SEED)).run()
        shutil.rmtree(own)

    Centre.put = timed  # type: ignore[method-assign]
    began = time.perf_counter()
    try:
        in_hands([lambda name=name: ship(name) for name in names])  # type: ignore[misc]
    finally:
        Centre.put = put  # type: ignore[method-assign]
    seconds = time.perf_counter() - began
    with closing(sqlite3.connect(journal)) as db:
        (events,) = db.execute("SELECT COUNT(*) FROM events").fetchone()
        first, last = db.execute("SELECT MIN(time), MAX(time) FROM inputs").fetchone()
    (there, distinct), (blocks, size) = (
        [int(n) for n in row]
        for row in (
            database.sql("SELECT count(*), count(DISTINCT (pit, at, seq)) FROM events WHERE pit LIKE 'watch-%'")[0],
            database.sql("SELECT count(*), sum(length(body)) FROM blocks WHERE pit LIKE 'watch-%'")[0],
        )
    )
    told(f"{count} watches: events lost, doubled", f"{count * events - distinct}, {there - distinct}")
    told(
        f"{count} watches: rows a second",
        f"{(there + blocks) / seconds:.0f} ({there} events, {blocks} blocks in {seconds:.0f} s)",
    )
    told(f"{count} watches: times as fast as they live", f"{count * (last - first) / seconds / count:.0f}")
    told(f"{count} watches: p50 and p99 of a batch, ms", f"{percentile(took, 50):.1f}, {percentile(took, 99):.1f}")
    values = _medians(database)
    told(f"{count} watches: bytes a minute's value of one channel", f"{size / values / count:.2f}")


def _medians(database: Database) -> int:
    """Values in one watch's blocks."""
    rows = database.sql("SELECT encode(body, 'hex') FROM blocks WHERE pit = 'watch-0'")
    bodies = (channels_of(bytes.fromhex(body)) for (body,) in rows)
    return sum(value is not None for body in bodies for series in body.values() for value in series)


def packed(database: Database, where: str, count: int) -> None:
    """Each pit sends what ten minutes hold, and then what nothing holds: that it is there."""
    names = [f"packed-{n}" for n in range(count)]
    add_pits(database, names)
    rng = np.random.default_rng(SEED)
    at = 600 * int(time.time() // 600) - 600
    bodies = [
        zlib.compress(
            dumps({
                f"channel-{c}": np.round(rng.normal(120, 2) + rng.normal(0, 0.4, BLOCK_MINUTES).cumsum(), 2).tolist()
                for c in range(CHANNELS)
            }).encode(), 9
        )
        for _ in range(64)
    ]  # fmt: skip
    event = dumps({"event": "mark", "kind": "log", "by": "cook", "note": ""})
    now = {"stage": "in-band", "cook": "hall", "alarms": [], "due": []}
    events = tuple(EventRow(n + 1, n + 1.0, at + n, "mark", "hall", event) for n in range(EVENTS_A_BLOCK))
    whole: list[float] = []
    empty: list[float] = []
    joined: list[float] = []

    def send(number: int) -> None:
        began = time.perf_counter()
        with connected(where, names[number]) as centre:
            joined.append(time.perf_counter() - began)
            block = BlockRow(int(at // BLOCK), float(at), bodies[number % len(bodies)])
            cursor = Cursor(EVENTS_A_BLOCK, float(EVENTS_A_BLOCK), block.index)
            for took, batch in (
                (whole, Batch(cursor, events, (block,), (), now)), (empty, Batch(cursor, (), (), (), now)),
            ):  # fmt: skip
                began = time.perf_counter()
                centre.put(batch)
                took.append(time.perf_counter() - began)

    began = time.perf_counter()
    in_hands([lambda number=number: send(number) for number in range(count)])  # type: ignore[misc]
    seconds = time.perf_counter() - began
    ((blocks, distinct),) = database.sql("SELECT count(*), count(DISTINCT pit) FROM blocks WHERE pit LIKE 'packed-%'")
    told(f"{count} pits: blocks lost, doubled", f"{count - int(distinct)}, {int(blocks) - int(distinct)}")
    spent = sum(whole) / HANDS
    readings = count * BLOCK * CHANNELS
    told(
        f"{count} pits: ten minutes of all, s", f"{spent:.0f} of 600: {spent / BLOCK:.1%} of {HANDS} connections' time"
    )
    told(
        f"{count} pits: readings a second that these stand for",
        f"{readings / spent:.0f} (needed {readings / BLOCK:.0f})",
    )
    told(
        f"{count} pits: p50 and p99 of ten minutes' batch, ms",
        f"{percentile(whole, 50):.1f}, {percentile(whole, 99):.1f}",
    )
    signs = sum(empty) / HANDS / count
    told(
        f"{count} pits: p50 and p99 of a sign of life, ms", f"{percentile(empty, 50):.1f}, {percentile(empty, 99):.1f}"
    )
    told(
        f"{count} pits: signs of life a second",
        f"{1 / signs:.0f} (needed {count / SIGN_OF_LIFE:.0f}: {count / SIGN_OF_LIFE * signs:.0%})",
    )
    told(
        f"{count} pits: all of it with a connection each, s",
        f"{seconds:.0f} (p99 of a connection {percentile(joined, 99):.0f} ms)",
    )
    size = sum(map(len, bodies)) / len(bodies)
    told(f"{count} pits: bytes a block, a reading", f"{size:.0f}, {size / (BLOCK * CHANNELS):.3f}")
    ((rows,),) = database.sql("SELECT pg_total_relation_size('pits') / 1024")
    told(f"{count} pits: kB of the table that the page reads", rows)
    told("minutes a block", f"{BLOCK / MINUTE:.0f}")


def live(home: Path, watches: int) -> None:
    """Every channel of every watch once a second through the broker, by one connection for ten watches."""
    port = free_port()
    file = home / "live.conf"
    file.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 100000\n")
    process = subprocess.Popen(["mosquitto", "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    took: list[float] = []
    clients: list[paho.Client] = []
    ready = threading.Event()

    def client() -> paho.Client:
        one = paho.Client(CallbackAPIVersion.VERSION2)
        one.max_inflight_messages_set(1000)
        while True:
            try:
                one.connect("127.0.0.1", port)
                break
            except OSError:
                time.sleep(0.1)
        one.loop_start()
        clients.append(one)
        return one

    try:
        reader = client()
        reader.on_subscribe = lambda *_: ready.set()
        reader.on_message = lambda _c, _u, one: took.append(time.perf_counter() - float(one.payload))
        reader.subscribe("fleet/#", 1)
        ready.wait()
        writers = [client() for _ in range(watches // 10)]
        sent, began = 0, time.perf_counter()
        for second in range(LIVE_SECONDS):
            for n in range(watches):
                for channel in range(CHANNELS):
                    writers[n // 10].publish(f"fleet/pit-{n}/homie/{channel}", repr(time.perf_counter()), 1)
                    sent += 1
            time.sleep(max(0.0, began + second + 1 - time.perf_counter()))
        lasted = time.perf_counter() - began
        waited = time.perf_counter()
        while len(took) < sent and time.perf_counter() - waited < 60:
            time.sleep(0.1)
    finally:
        for one in clients:
            one.disconnect()
            one.loop_stop()
        process.terminate()
        process.wait()
    told(f"live: messages lost, doubled, of {sent}", f"{max(0, sent - len(took))}, {max(0, len(took) - sent)}")
    told(
        "live: messages a second; p50 and p99, ms",
        f"{sent / lasted:.0f}; {percentile(took, 50):.1f}, {percentile(took, 99):.1f}",
    )


def page(database: Database, reader: str) -> None:
    """The crew's page of SHOWN pits, from the database to the bytes."""
    from daemon.shell.fleet import crew_page, overview

    now = now_of(0, NEVER)
    database.sql(
        f"UPDATE pits SET now = '{now}', crew = 'shown' WHERE pit IN (SELECT pit FROM pits ORDER BY pit LIMIT {SHOWN})"
    )
    with psycopg.connect(reader, autocommit=True) as db:
        for crew, name in (("shown", SHOWN), ("", PITS + WATCHES)):
            took, spent = time.perf_counter(), time.process_time()
            body = crew_page.pits_page(overview.pits(db, crew), Composer(), crew)
            took, spent = time.perf_counter() - took, time.process_time() - spent
            told(f"page of {name} pits: ms, of them its own processor", f"{1000 * took:.0f}, {1000 * spent:.0f}")
            told(
                f"page of {name} pits: kB on the wire",
                f"{len(zlib.compress(body, 6)) / 1000:.0f} (whole {len(body) / 1000:.0f})",
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--watches", type=int, default=WATCHES)
    parser.add_argument("--pits", type=int, default=PITS)
    options = parser.parse_args()
    with database_made("local pitvigil +pit_board trust\n") as database, tempfile.TemporaryDirectory() as folder:
        where = f"host={database.home} port={database.port} dbname=pitvigil"
        live(Path(folder), options.watches)
        watches(database, where, Path(folder), options.watches)
        packed(database, where, options.pits)
        page(database, database.reader("load-reader"))


if __name__ == "__main__":
    main()
