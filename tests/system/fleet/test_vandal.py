"""A board that is broken into: rubbish, giant values, formulas and times of 1970 and 2099 reach neither another pit's rows nor
the crew's sight of the others."""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator
from contextlib import ExitStack
from html.parser import HTMLParser
from typing import Any

import psycopg
import pytest
from aiohttp.test_utils import TestClient, TestServer
from psycopg.types.json import set_json_loads

from daemon.commands.fleet.pool import pool
from daemon.core.pit.habits import USUAL
from daemon.shell.fleet.crew_server import CrewServer
from daemon.shell.fleet.pooling import LEAST_PITS
from tests.system.fleet.conftest import SCRIPT, Database, database_made

RUDE, GOOD = "pit-rude", "pit-good"
ALARM = {"alarm": "x", "after": "unacknowledged", "priority": "high", "prompt": False, "text": "Add a log", "since": 1}
DUE = {"what": "tender", "piece": "chuck", "from": 4e9, "at": 4e9, "to": 4e9}
FORMULA = '=HYPERLINK("x","y")<script>alert(1)</script>'
NOWS: list[Any] = [
    [], 5, "x", None, {"alarms": 5}, {"alarms": [5]}, {"alarms": [{}]}, {"alarms": [ALARM | {"text": 5}]},
    {"alarms": [ALARM | {"priority": []}]}, {"alarms": [ALARM | {"priority": "none"}]}, {"alarms": [ALARM | {"after": 7}]},
    {"alarms": [ALARM | {"text": {"key": "no.such", "values": []}}]}, {"alarms": [ALARM | {"text": {"key": "x"}}]},
    {"alarms": [ALARM | {"text": {"key": "alarm.pit-high.message", "values": [["pit", "hot"]]}}]},
    {"alarms": [ALARM | {"text": FORMULA * 900}]}, {"stage": FORMULA * 900, "cook": {"a": [1]}}, {"due": 5}, {"due": [5]},
    {"due": [DUE | {"at": 1e308, "to": 1e308}]}, {"due": [DUE | {"at": "soon"}]}, {"due": [DUE | {"what": FORMULA * 900}]},
]  # fmt: skip


RAW = ("[" * 3000 + "]" * 3000, '{"stage": ' + "7" * 5000 + "}")
"""JSON that the database takes and Python's reader does not."""


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    with database_made("local pitvigil +pit_board trust\n") as one:
        for pit in (RUDE, GOOD, *(f"mate-{n}" for n in range(LEAST_PITS))):
            one.sql(
                f'CREATE ROLE "{pit}" LOGIN IN ROLE pit_board; INSERT INTO pits (pit, crew, class, heard) '
                f"VALUES ('{pit}', 'hall', 'brick', now())"
            )
        yield one


class Elements(HTMLParser):
    """Names of the elements of a page, as a parser sees them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.names.add(tag)


def elements(page: str) -> set[str]:
    found = Elements(page).names
    assert "table" in found or "p" in found
    return found


@pytest.fixture
def rude(database: Database) -> Iterator[psycopg.Connection[Any]]:
    where = f"host={database.home} port={database.port} dbname=pitvigil user={RUDE}"
    with psycopg.connect(where, autocommit=True) as one:
        set_json_loads(lambda told: told, one)  # what it sent itself it need not be able to read
        yield one


async def test_the_page_shows_the_others_whatever_one_says(
    database: Database, rude: psycopg.Connection[Any], caplog: pytest.LogCaptureFixture
) -> None:
    seen: list[int] = []
    reader = database.reader("sees")
    server = CrewServer(reader, looked=lambda rows, up: seen.append(len(rows)))
    async with TestClient(TestServer(server.app())) as client:
        for now in (*map(json.dumps, NOWS), *RAW):
            rude.execute("UPDATE pits SET now = %s, heard = now()", (now,))
            answer = await client.get("/")
            page = await answer.text()
            assert answer.status == 200, now
            assert f">{GOOD} (" in page and f">{RUDE} (" in page
            assert "script" not in elements(page) and len(page) < 100_000, now
        for ahead in ("2099-01-01", "1970-01-01"):
            rude.execute("UPDATE pits SET now = '{}', heard = %s", (ahead,))
            assert "1 silent" in await (await client.get("/")).text(), "a word from the future is none"
        cook = (
            "INSERT INTO cooks VALUES (%s, %s, %s, %s, %s, %s, '{}', %s, '') ON CONFLICT (pit, id) DO UPDATE SET figures = "
            "excluded.figures"
        )
        for number, (begun, ended, figures) in enumerate((
            ("1970-01-01", "2099-12-31", "[]"), ("2099-01-01", "1970-01-01", '{"cooking": 1e308, "swing": "x", "in_band": []}'),
            *(("2026-01-01", "2026-01-02", raw) for raw in RAW),
        )):  # fmt: skip
            rude.execute(cook, (RUDE, f"c{number}", FORMULA, begun, ended, '"x"', figures))
        for body in (
            "{}",
            "[]",
            '{"event": "alarm"}',
            '{"event": "alarm", "time": 5, "alarm": [], "after": "x"}',
            *RAW,
        ):
            rude.execute("INSERT INTO events VALUES (%s, now(), random() * 1e9, 'alarm', 'c', %s)", (RUDE, body))
        for path in ("/cooks", "/cooks?q=hyperlink", f"/compare?c={RUDE}/c0&c={RUDE}/c1", "/alarms", "/rings"):
            answer = await client.get(path)
            assert answer.status == 200, path
            assert "script" not in elements(await answer.text())
    assert seen, "silent pits are looked for all the while"
    assert not [one for one in caplog.records if one.levelno >= logging.ERROR]


def test_what_no_page_could_show_is_refused(rude: psycopg.Connection[Any]) -> None:
    big = json.dumps("x" * 5_000_000)
    event = "INSERT INTO events VALUES (%s, %s, 1, %s, 'c', %s)"
    cook = "INSERT INTO cooks VALUES (%s, 'c9', %s, %s, %s, '{}', '{}', NULL, '')"
    for statement, values in (
        ("UPDATE pits SET now = %s", (json.dumps("x" * 200_000),)),
        ("UPDATE pits SET release = %s", ("x" * 1000,)),
        ("UPDATE pits SET heard = %s", ("infinity",)),
        (event, (RUDE, "infinity", "mark", "{}")),
        (event, (RUDE, "0044-03-15 BC", "mark", "{}")),
        (event, (RUDE, "2026-01-01", "x" * 1000, "{}")),
        (event, (RUDE, "2026-01-01", "mark", big)),
        (event, (RUDE, "2026-01-01", "mark", "rubbish")),
        ("INSERT INTO blocks VALUES (%s, '2026-01-01', %s)", (RUDE, b"x" * 2_000_000)),
        (cook, (RUDE, "x", "-infinity", None)),
        (cook, (RUDE, "x", "2026-01-01", "99999-01-01")),
        (cook, (RUDE, "x" * 1000, "2026-01-01", None)),
    ):
        with pytest.raises((psycopg.errors.CheckViolation, psycopg.errors.DataError)):
            rude.execute(statement, values)


def test_the_other_pits_rows_are_out_of_reach_in_every_table(rude: psycopg.Connection[Any], database: Database) -> None:
    tables = [name for (name,) in database.sql("SELECT tablename FROM pg_tables WHERE schemaname = 'public'")]
    database.sql(f"INSERT INTO events VALUES ('{GOOD}', now(), 1, 'mark', '', '{{}}')")
    database.sql(f"INSERT INTO lessons VALUES ('{GOOD}', 'gap', 3.7, 0.1, 3)")
    before = database.sql("SELECT count(*) FROM events"), database.sql("SELECT * FROM lessons ORDER BY pit")
    for table in tables:
        for statement in (
            f"SELECT * FROM {table}", f"SELECT * FROM {table} WHERE {table}::text LIKE '%{GOOD}%'", f"TABLE {table}",
            f"DELETE FROM {table}", f"TRUNCATE {table}", f"DROP TABLE {table}",
            f"ALTER TABLE {table} DISABLE ROW LEVEL SECURITY", f"GRANT ALL ON {table} TO PUBLIC",
            f"CREATE TRIGGER t AFTER INSERT ON {table} EXECUTE FUNCTION my_turn('x')", f"LOCK TABLE {table}",
            f"EXPLAIN ANALYZE UPDATE {table} SET pit = '{GOOD}'",
        ):  # fmt: skip
            try:
                rows = rude.execute(statement)
            except psycopg.Error:
                continue
            assert not rows.description or GOOD not in str(rows.fetchall()), statement
        try:
            with rude.cursor().copy(f"COPY (SELECT * FROM {table}) TO STDOUT") as out:
                assert GOOD.encode() not in b"".join(out), table
        except psycopg.errors.InsufficientPrivilege:
            continue
    for statement in (
        f"INSERT INTO lessons VALUES ('{GOOD}', 'peak', 1, 1, 1)", f"INSERT INTO blocks VALUES ('{GOOD}', now(), '')",
        f"INSERT INTO cooks VALUES ('{GOOD}', 'x', 'x', now(), NULL, '{{}}', '{{}}', NULL, '')",
        f"INSERT INTO events VALUES ('{GOOD}', now(), 1, 'x', '', '{{}}') ON CONFLICT DO NOTHING",
        f"SET ROLE \"{GOOD}\"", f"SET SESSION AUTHORIZATION \"{GOOD}\"",
        "SELECT pg_read_file('/etc/passwd')", "COPY events FROM PROGRAM 'id'", "CREATE ROLE mine", "CREATE SCHEMA mine",
        "SELECT lo_import('/etc/passwd')", f"UPDATE pits SET heard = now() WHERE pit = '{GOOD}' RETURNING 1 / 0",
        "SET row_security = off; TABLE events", "CREATE FUNCTION f() RETURNS int LANGUAGE sql AS 'SELECT 1'",
        "ALTER SYSTEM SET fsync = off", "SELECT lo_create(0)", "SELECT lo_from_bytea(0, 'x')",
        "CREATE TEMPORARY TABLE mine (a int)",
    ):  # fmt: skip
        try:
            done = rude.execute(statement)
        except psycopg.Error:
            continue
        assert done.rowcount == 0, statement
    assert before[0] <= database.sql("SELECT count(*) FROM events")
    assert database.sql(f"SELECT count(*) FROM events WHERE pit = '{GOOD}'") == [["1"]]
    assert database.sql("SELECT * FROM lessons ORDER BY pit") == before[1]


def test_one_that_holds_many_connections_leaves_room_for_the_others(database: Database) -> None:
    """Also one that was added by an earlier release."""
    database.call("sh", SCRIPT, "upgrade", database.fleet)
    where = f"host={database.home} port={database.port} dbname=pitvigil user={{}}"
    with ExitStack() as opened:
        with pytest.raises(psycopg.OperationalError, match="too many connections"):
            for _ in range(50):
                opened.enter_context(psycopg.connect(where.format(RUDE)))
        opened.enter_context(psycopg.connect(where.format(GOOD))).execute("SELECT pit FROM pits")


def test_one_that_lies_about_its_fires_spoils_nobodys_prior(rude: psycopg.Connection[Any], database: Database) -> None:
    for wrong in (
        ("NaN", 0.1, 3),
        ("Infinity", 0.1, 3),
        (1e300, 0.1, 3),
        (3.7, "NaN", 3),
        (3.7, -1, 3),
        (3.7, 0.1, 10**9),
    ):
        with pytest.raises(psycopg.errors.CheckViolation):
            rude.execute("INSERT INTO lessons VALUES (%s, 'gap', %s, %s, %s)", (RUDE, *wrong))
    rude.execute("INSERT INTO lessons VALUES (%s, 'gap', 10, 0, 100000)", (RUDE,))
    for n in range(LEAST_PITS):
        database.sql(f"INSERT INTO lessons VALUES ('mate-{n}', 'gap', {3.6 + 0.1 * n}, 0.05, 4)")
    database.call("sh", SCRIPT, "pooler", database.fleet, "pooler")
    pool(f"host={database.home} port={database.port} dbname=pitvigil user=pooler")
    ((middle,),) = database.sql("SELECT middle FROM class_figures WHERE figure = 'gap'")
    print(f"gap of the class with one that lies: {float(middle):.0f} min, usual {USUAL['gap']:.0f}")
    assert 20 < float(middle) < 80, "one of five moved it"
