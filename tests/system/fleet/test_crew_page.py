"""The crew's page from a real database: the worst first, silence told, nothing to change, big fleets."""

from __future__ import annotations

import html
import json
import logging
import re
import time
import zlib
from collections.abc import AsyncIterator
from typing import Any

import psycopg
import pytest
from aiohttp.test_utils import TestClient, TestServer

from daemon.shell.fleet import overview
from daemon.shell.fleet.crew_server import CrewServer
from tests.system.fleet.conftest import Database

MANY = 1000
SLOWEST = 0.3
"""s of processor time for a page of so many pits, our own"""
LARGEST = 200_000
"""bytes on the wire, our own"""
ALARM = '{"alarm": "fire-due", "after": "unacknowledged", "priority": "high", "prompt": false, "text": "Add a log", "since": 1}'
MINOR = ALARM.replace("high", "low").replace("Add a log", "Look at a probe")
DUE = '{"what": "tender", "piece": "chuck", "from": 4e9, "at": 4e9, "to": 4e9}'
PROMPT = ALARM.replace("false", "true").replace("Add a log", "Wrap: Chuck")


@pytest.fixture(scope="module")
def reader(database: Database) -> str:
    return database.reader("crew-page")


@pytest.fixture
async def client(reader: str) -> AsyncIterator[TestClient[Any, Any]]:
    async with TestClient(TestServer(CrewServer(reader, ("fleet.example",)).app())) as one:
        yield one


def told(database: Database, pit: str, crew: str, ago: float, *alarms: str) -> None:
    now = f'{{"stage": "cooking", "cook": "hall", "alarms": [{",".join(alarms)}]}}'
    database.sql(
        f"INSERT INTO pits (pit, crew, class, heard, now) VALUES ('{pit}', '{crew}', 'brick', "
        f"now() - make_interval(secs => {ago}), '{now}')"
    )


async def test_the_worst_pit_is_first_and_silence_is_told(database: Database, client: TestClient[Any, Any]) -> None:
    told(database, "calm", "hall", 10)
    told(database, "prompted", "hall", 10, PROMPT)
    told(database, "minor", "hall", 10, MINOR)
    told(database, "worst", "school", 10, MINOR, ALARM)
    told(database, "silent", "school", 400)
    database.sql("INSERT INTO pits (pit) VALUES ('never')")
    database.sql("INSERT INTO pits (pit, revoked) VALUES ('gone', true)")
    page = await (await client.get("/")).text()
    order = [name for _, name in sorted((page.index(f">{name}"), name) for name in
             ("calm", "prompted", "minor", "worst", "silent", "never"))]  # fmt: skip
    assert order == ["worst", "minor", "never", "silent", "calm", "prompted"]
    assert ">gone" not in page
    assert "6 pits: 2 with an alarm, 2 silent" in page
    assert "was: cooking, hall" in page
    assert "7\u00a0min ago" in page
    school = await (await client.get("/?crew=school")).text()
    assert ">worst" in school and ">minor" not in school


async def test_what_a_board_says_is_text_only(database: Database, client: TestClient[Any, Any]) -> None:
    told(database, "rude", "<b>crew</b>", 5, ALARM.replace("Add a log", "<script>x</script>"))
    answer = await client.get("/")
    page = await answer.text()
    assert "<script" not in page and "<b>crew" not in page
    assert answer.headers["Content-Security-Policy"].startswith("default-src 'none'")


@pytest.mark.parametrize(
    ("path", "host", "status"),
    [("/", "evil.example", 403), ("/", "evil.example:8090", 403), ("/", "fleet.example", 200), ("/cooks?q=%27;--", "", 200),
     ("/cooks?q=" + "x%20" * 5000, "", 200), ("/alarms", "", 200), ("/rings", "", 200), ("/nothing", "", 404),
     ("/cooks?q=%00", "", 200), ("/?crew=%00%ff%ED%A0%80", "", 200)],
)  # fmt: skip
async def test_strange_questions(client: TestClient[Any, Any], path: str, host: str, status: int) -> None:
    headers = {"Host": host} if host else {}
    answer = await client.get(path[:7000], headers=headers)
    assert answer.status == status
    assert "Traceback" not in await answer.text()


async def test_nothing_can_be_changed_through_it(client: TestClient[Any, Any], reader: str) -> None:
    for method in ("POST", "PUT", "DELETE"):
        assert (await client.request(method, "/")).status == 405
    with psycopg.connect(reader, autocommit=True) as db:
        for forbidden in ("UPDATE pits SET crew = ''", "DELETE FROM events", "INSERT INTO pits (pit) VALUES ('x')"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                db.execute(forbidden)


async def test_a_dead_database_is_no_green_page(database: Database, client: TestClient[Any, Any]) -> None:
    assert (await client.get("/")).status == 200
    database.stop("immediate")
    try:
        for _ in range(2):
            answer = await client.get("/")
            assert answer.status == 503
            assert "Nothing is known of any pit" in await answer.text()
    finally:
        database.start()
    assert (await client.get("/")).status == 200


async def test_a_thousand_pits_are_shown_fast_and_small(database: Database, client: TestClient[Any, Any]) -> None:
    for number in range(0, MANY, 250):
        rows = ",".join(
            f'(\'many-{n}\', \'crew {n % 20}\', \'steel\', now(), \'{{"stage": "cooking", "cook": "hall", "alarms": '
            f'[{ALARM if n % 9 == 0 else MINOR}], "due": [{DUE}]}}\')'
            for n in range(number, number + 250)
        )
        database.sql(f"INSERT INTO pits (pit, crew, class, heard, now) VALUES {rows}")
    assert (await client.get("/")).status == 200
    before = time.process_time()
    answer = await client.get("/")
    took = time.process_time() - before
    page = await answer.text()
    size = len(zlib.compress(page.encode(), 6))
    print(f"{MANY} pits: {1000 * took:.0f} ms of processor time, {size} bytes compressed")
    assert page.count("many-") == MANY
    assert took <= SLOWEST
    assert size <= LARGEST


async def test_what_is_due_next_is_said(database: Database, client: TestClient[Any, Any]) -> None:
    at = time.time() + 7200.0
    due = [{"what": what, "piece": "chuck", "from": at + away - 900, "at": at + away, "to": at + away + 900}
           for what, away in (("tender", 3600.0), ("wrap", 0.0), ("light", -90000.0))]  # fmt: skip
    now = json.dumps({"stage": "in-band", "cook": "hall", "alarms": [], "due": due})
    database.sql(f"INSERT INTO pits (pit, heard, now) VALUES ('due-soon', now(), '{now}')")
    page = html.unescape(await (await client.get("/")).text())
    assert re.search(r"wrap chuck: about (1\Wh\W59|2\Wh\W00)\Wmin", page)
    assert "light chuck" not in page


async def test_cooks_are_set_side_by_side(database: Database, client: TestClient[Any, Any]) -> None:
    for pit, hours, share in (("calm", 12, 0.9), ("worst", 14, 0.75)):
        figures = json.dumps({"cooking": hours * 3600.0, "in_band": share, "swing": 20.0})
        database.sql(
            "INSERT INTO cooks VALUES "
            f"('{pit}', 'c1', 'Hall of {pit}', now(), now() + interval '15 h', '{{}}', '{{}}', '{figures}', '')"
        )
    assert 'value="calm/c1"' in await (await client.get("/cooks?q=hall+of")).text()
    page = html.unescape(await (await client.get("/compare?c=worst/c1&c=calm/c1&c=none/c9")).text())
    assert page.index("Hall of worst") < page.index("Hall of calm")
    assert re.search(r"14\Wh\W00\Wmin.*12\Wh\W00\Wmin", page, re.DOTALL)
    assert re.search(r"75\W%.*90\W%", page, re.DOTALL)
    for odd in ("/compare", "/compare?c=", "/compare?c=//&c=%00", "/compare?" + "c=a/b&" * 500):
        assert (await client.get(odd)).status == 200


async def test_a_pit_that_falls_silent_is_raised_once_by_the_centre(
    database: Database, reader: str, caplog: pytest.LogCaptureFixture
) -> None:
    server = CrewServer(reader)
    told(database, "falls-silent", "hall", 10)
    with psycopg.connect(reader, autocommit=True) as db, caplog.at_level(logging.WARNING):
        for ago in (10, 400, 500, 10, 10):
            database.sql(f"UPDATE pits SET heard = now() - make_interval(secs => {ago}) WHERE pit = 'falls-silent'")
            server._look(overview.pits(db))
    said = [one.getMessage() for one in caplog.records if "falls-silent" in one.getMessage()]
    assert [text.partition(" ")[0] for text in said] == ["SILENT", "HEARD"]
    assert not any("never" in one.getMessage().split(" ")[1] for one in caplog.records)
