"""Upgrades by rings: whose turn it is, by what the rings before have shown, on a real database."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from math import comb
from pathlib import Path
from random import Random
from statistics import NormalDist

import psycopg
import pytest

from daemon.commands.fleet.ship import release_of
from daemon.shell.fleet import crew_page, overview
from daemon.shell.fleet.centre import connected
from daemon.shell.fleet.past import SOON, Past
from daemon.shell.fleet.shipper import Shipper
from daemon.shell.journal.journal import Journal
from daemon.texts.composer import PLAIN
from tests.system.fleet.conftest import SCRIPT, Database, database_made

OLD, NEW = "1.0-aaaaaaaa", "1.1-bbbbbbbb"
LIFE = b'{"because": "started", "life": "a1"}'
RARE = 0.01
"""What a standard normal figure beyond 2.58 to both sides is worth: any table of it."""


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    """Boards come by the socket: certificates are tried elsewhere."""
    with database_made("local pitvigil +pit_board trust\n") as one:
        yield one


def where(database: Database) -> str:
    return f"host={database.home} port={database.port} dbname=pitvigil"


def why_not(database: Database, pit: str, release: str = NEW) -> str:
    with connected(where(database), pit) as centre:
        return centre.not_my_turn(release)


def missing(database: Database, ring: int) -> str:
    return "; ".join(text for (text,) in database.sql(f"SELECT unnest(missing) FROM ring_state() WHERE ring = {ring}"))


def add(database: Database, name: str, ring: int) -> str:
    database.sql(f"CREATE ROLE \"{name}\" LOGIN IN ROLE pit_board; INSERT INTO pits (pit) VALUES ('{name}')")
    database.call("sh", SCRIPT, "ring", database.fleet, name, str(ring))
    return name


def alarms(database: Database, pit: str, count: int, hours_ago: float) -> None:
    body = '{"before": "normal", "after": "unacknowledged"}'
    database.sql(
        "INSERT INTO events SELECT "
        f"'{pit}', now() - make_interval(secs => {3600 * hours_ago} + n), 900000 + {count} * n, 'alarm', 'hall', '{body}' "
        f"FROM generate_series(1, {count}) AS n"
    )


def test_a_release_goes_from_ring_to_ring_as_the_one_before_holds(database: Database, tmp_path: Path) -> None:
    first, second, last = (add(database, f"ring-{name}", ring) for name, ring in (("a", 1), ("b", 2), ("c", 3)))
    add(database, "ring-laid-up", 1)  # it was never heard, so nobody waits for it
    kept = tmp_path / "journal.sqlite"
    with closing(Journal(kept)), closing(sqlite3.connect(kept)) as db, db:
        db.execute("INSERT INTO inputs (seq, time, kind, body) VALUES (1, 0.0, 'Resumed', ?)", (LIFE,))

    def ship(pit: str, release: str) -> None:
        Shipper(kept, where(database), pit, lambda s: s > 0, Random(1), release=release).run()

    ship(first, OLD)
    assert why_not(database, first) == "the centre offers no release"
    with pytest.raises(AssertionError, match="no such pit"):
        database.call("sh", SCRIPT, "ring", database.fleet, "nobody", "1")
    database.call("sh", SCRIPT, "release", database.fleet, NEW)
    assert why_not(database, first, "1.2-cccccccc") == f"the centre offers {NEW}"
    assert why_not(database, first) == ""
    assert "ring 1 comes first" in why_not(database, second)
    assert "no pit of it has the release yet" in missing(database, 1)

    ship(first, NEW)
    assert missing(database, 1) == "0.0 of 12 h of cooking"
    # a night later: 14 h of cooking with it, and 200 h before
    database.sql("UPDATE pits SET release_at = now() - interval '15 h' WHERE pit = 'ring-a'")
    database.sql("DELETE FROM events WHERE pit = 'ring-a'; DELETE FROM cooks WHERE pit = 'ring-a'")
    for name, begun, ended in (("new", 14, 0), ("old", 400, 200)):
        database.sql(
            f"INSERT INTO cooks VALUES ('ring-a', '{name}', '{name}', now() - interval '{begun} h', "
            f"now() - interval '{ended} h', '{{}}', '{{}}', NULL, '')"
        )
    alarms(database, "ring-a", 40, 210)
    alarms(database, "ring-a", 3, 2)
    assert missing(database, 1) == ""
    assert why_not(database, second) == ""
    assert "ring 2 comes first" in why_not(database, last), "one ring after the other"

    # what each condition looks for
    alarms(database, "ring-a", 17, 3)
    assert "20 alarms in 14 h, 40 in 200 h before" in missing(database, 1)
    assert "ring 1 comes first" in why_not(database, second)
    database.sql("DELETE FROM events WHERE pit = 'ring-a' AND at > now() - interval '20 h'")
    assert missing(database, 1) == ""
    for needed, ago, count in (("false", 1, 6), ("true", 300, 12)):
        database.sql(
            f"INSERT INTO events SELECT 'ring-a', now() - make_interval(hours => {ago}, secs => n), {ago}, 'wake-judged', "
            f"'hall', '{{\"needed\": {needed}}}' FROM generate_series(1, {count}) AS n"
        )
    assert "6 of 6 calls judged not needed, 0 of 12 before" in missing(database, 1)
    database.sql("DELETE FROM events WHERE pit = 'ring-a' AND name = 'wake-judged'")
    database.sql("UPDATE pits SET heard = now() - interval '10 min' WHERE pit = 'ring-a'")
    assert "ring-a is silent for 10 min" in missing(database, 1)

    with closing(sqlite3.connect(kept)) as db, db:  # the watch falls and comes back
        db.execute(
            "INSERT INTO inputs (seq, time, kind, body) SELECT MAX(seq) + 1, MAX(time) + 20, 'Resumed', ? FROM inputs",
            (LIFE,),
        )
    ship(first, NEW)
    assert "ring-a was started anew" in missing(database, 1)
    database.call("sh", SCRIPT, "excuse", database.fleet, "ring-a")
    assert "started anew" not in missing(database, 1)
    ship(first, NEW)
    assert "started anew" not in missing(database, 1), "what is known stays known"
    ship(first, OLD)
    assert f"ring-a has {OLD}" in missing(database, 1), "one that went back holds it up"
    assert NEW not in database.call("sh", SCRIPT, "rings", database.fleet)

    board = psycopg.connect(where(database), user=second, autocommit=True)
    for forbidden in (
        "UPDATE pits SET ring = 1",
        "INSERT INTO releases VALUES ('mine')",
        "SELECT * FROM releases",
        "SELECT * FROM ring_state()",
    ):
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            board.execute(forbidden)
    board.close()
    with psycopg.connect(database.reader("rings"), autocommit=True) as reader:
        (row, *_) = overview.rings(reader)
    assert (row.ring, row.pits, row.taken) == (1, 2, 0)
    page = crew_page.rings_page([row], PLAIN).decode()
    assert f"ring-a has {OLD}" in page


def test_one_that_asked_and_never_came_back_holds_up_the_next(database: Database) -> None:
    asked, behind = add(database, "ring-lost", 4), add(database, "ring-behind", 5)
    database.sql("UPDATE pits SET ring = 9 WHERE ring < 4")
    database.call("sh", SCRIPT, "release", database.fleet, "2.0-dddddddd")
    assert why_not(database, asked, "2.0-dddddddd") == ""
    assert "ring-lost has told no release" in missing(database, 4)
    assert "ring 4 comes first" in why_not(database, behind, "2.0-dddddddd")


def binomial_test(found: int, of: int, share: float) -> float:
    """Chance of a count as unlikely as this one, or more so."""
    chances = [comb(of, n) * share**n * (1 - share) ** (of - n) for n in range(of + 1)]
    return sum(one for one in chances if one <= chances[found] * (1 + 1e-9))


@pytest.mark.parametrize("ratio", [0.05, 0.3, 1.0])
def test_rates_are_told_apart_as_an_exact_test_would(database: Database, ratio: float) -> None:
    """Given their sum, one of two Poisson counts is binomial (any text on rates): worked out exactly."""
    pairs = [(a, b) for a in (0, 1, 2, 4, 8, 15, 30) for b in (0, 3, 10, 30, 80, 200)]
    asked = ", ".join(f"({a}, {b})" for a, b in pairs)
    rows = database.sql(f"SELECT rates_differ(a, {ratio}, b, 1) FROM (VALUES {asked}) AS v (a, b)")
    clear = 0
    for (a, b), (figure,) in zip(pairs, rows, strict=True):
        told = 2 * NormalDist().cdf(-abs(float(figure)))
        exact = binomial_test(a, a + b, ratio / (1 + ratio))
        if not RARE / 10 < exact < RARE * 5:
            clear += 1
            assert (told < RARE) == (exact < RARE), (a, b, ratio, told, exact)
    assert clear > 30


def test_only_a_start_in_a_hurry_counts(tmp_path: Path) -> None:
    file = tmp_path / "journal.sqlite"
    rows = [
        (1, 0.0, "Resumed", LIFE),
        (2, 60.0, "Readings", b""),
        (3, 60.0 + 2 * SOON, "Resumed", LIFE),  # the next morning
        (4, 9000.0, "Readings", b""),
        (5, 9020.0, "Resumed", b'{"because": "frozen", "life": ""}'),  # the same life
    ]
    with closing(sqlite3.connect(file)) as db, db:
        db.execute("CREATE TABLE inputs (seq INTEGER PRIMARY KEY, time REAL, kind TEXT, body BLOB)")
        db.executemany("INSERT INTO inputs VALUES (?, ?, ?, ?)", rows)
    with closing(Past(file)) as past:
        assert past.hurried_start(0, 0) == (5, 0)
        with closing(sqlite3.connect(file)) as db, db:
            db.execute("INSERT INTO inputs VALUES (6, 9060.0, 'Resumed', ?)", (LIFE,))
        assert past.hurried_start(5, 0) == (6, 6)
        assert past.hurried_start(6, 6) == (6, 6)


def test_a_release_is_called_as_the_installer_calls_it(tmp_path: Path) -> None:
    made = tmp_path / NEW
    made.mkdir()
    assert release_of(made) != NEW
    (made / "complete").touch()
    assert release_of(made) == NEW
