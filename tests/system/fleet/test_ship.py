"""`pitvigil ship` and the centre: everything once, nobody else's, and a centre that comes and goes."""

from __future__ import annotations

import json
import logging
import shutil
import sqlite3
import threading
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random
from typing import Any

import psycopg
import pytest

from config.rig import FleetSection
from daemon.commands.fleet.pool import CannotPool, pool
from daemon.commands.fleet.ship import where
from daemon.core.pit.habits import USUAL
from daemon.core.pit_profile import ClassFigure, FireProfile, PitProfile
from daemon.shell.fleet.centre import Batch, Centre, CentreAway
from daemon.shell.fleet.class_file import NAME, read_figures
from daemon.shell.fleet.past import BLOCK_MINUTES, Cursor, Past, channels_of
from daemon.shell.fleet.pooling import LEAST_PITS
from daemon.shell.fleet.shipper import LONGEST_WAIT, Shipper
from daemon.shell.journal.packed_inputs import packs_in
from daemon.shell.journal.profile_note import PROFILE_NOTE
from daemon.shell.library.minutes import minute_medians
from tests.shell.kept_cooks import make_journal
from tests.system.fleet.conftest import SCRIPT, Database

SEED = 20261128
AWAY = 8 * 3600.0
"""s for which a centre is away."""
GIVEN_UP = 400
"""waits without an end, after which a test has failed"""


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two cooks, two weeks."""
    return make_journal(tmp_path_factory.mktemp("kept"))


def shipper(journal: Path, section: FleetSection, wait: Callable[[float], bool]) -> Shipper:
    return Shipper(journal, where(section), section.pit, wait, Random(SEED))


def until_idle(seconds: float) -> bool:
    """Ends once nothing is left to send."""
    return seconds > 0


def here(journal: Path) -> Counter[tuple[int, str]]:
    with closing(sqlite3.connect(journal)) as db:
        return Counter(db.execute("SELECT seq, name FROM events").fetchall())


def there(database: Database, pit: str) -> Counter[tuple[int, str]]:
    return Counter((int(seq), name) for seq, name in database.sql(f"SELECT seq, name FROM events WHERE pit = '{pit}'"))


def blocks(database: Database, pit: str) -> dict[int, dict[str, Any]]:
    rows = database.sql(f"SELECT extract(epoch FROM at)::bigint, encode(body, 'hex') FROM blocks WHERE pit = '{pit}'")
    found = {int(at): channels_of(bytes.fromhex(body)) for at, body in rows}
    assert len(found) == len(rows)
    return found


def test_all_that_is_kept_arrives_once(database: Database, journal: Path, tmp_path: Path) -> None:
    section = database.add("pit-all", tmp_path, "the hall", "brick")
    shipper(journal, section, until_idle).run()
    assert there(database, "pit-all") == here(journal)
    with closing(sqlite3.connect(journal)) as db:
        rows = db.execute("SELECT time, kind, body FROM inputs ORDER BY seq").fetchall()
        cooks = {key for (key,) in db.execute("SELECT id FROM kept_cooks")}
        (offset,) = db.execute("SELECT wall_offset FROM events ORDER BY seq LIMIT 1").fetchone()
    assert {key for (key,) in database.sql("SELECT id FROM cooks WHERE pit = 'pit-all'")} == cooks
    first, last = int(rows[0][0] // 60), int(rows[-1][0] // 60)
    true = minute_medians(packs_in(rows), first, last, {})
    told = {
        (channel, round((at - offset) / 60) + minute): value
        for at, block in blocks(database, "pit-all").items()
        for channel, values in block.items()
        for minute, value in enumerate(values)
        if value is not None
    }
    known = {(c, first + i): v for c, values in true.items() for i, v in enumerate(values) if v == v}
    whole = max(minute for _, minute in told) // BLOCK_MINUTES * BLOCK_MINUTES
    assert last - whole < 3 * BLOCK_MINUTES
    assert told == {key: pytest.approx(v, abs=0.006) for key, v in known.items() if key[1] < whole + BLOCK_MINUTES}
    ((now, heard),) = database.sql("SELECT now, heard IS NOT NULL FROM pits WHERE pit = 'pit-all'")
    assert set(json.loads(now)) == {"stage", "cook", "alarms", "due"}
    assert heard == "t"

    before = database.sql("SELECT count(*), sum(seq) FROM events"), database.sql("SELECT count(*) FROM blocks")
    shipper(journal, section, until_idle).run()
    assert before == (
        database.sql("SELECT count(*), sum(seq) FROM events"),
        database.sql("SELECT count(*) FROM blocks"),
    )


def test_a_centre_that_dies_again_and_again_gets_all_of_it_once(
    database: Database, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Killed between any two batches, and in the middle of one; what was committed before the answer came is not doubled."""
    monkeypatch.setattr("daemon.shell.fleet.past.EVENTS_AT_ONCE", 40)
    monkeypatch.setattr("daemon.shell.fleet.past.BLOCKS_AT_ONCE", 5)
    section = database.add("pit-dying", tmp_path)
    random, batches, waits = Random(SEED), [0], [0]

    def wait(seconds: float) -> bool:
        waits[0] += 1
        assert waits[0] < GIVEN_UP
        if seconds > 5.0 and not down.is_set():
            return True  # idle: all sent
        if down.is_set():
            database.start()
            down.clear()
        elif batches[0] < 6 and random.random() < 0.4:
            batches[0] += 1
            database.stop("immediate")
            down.set()
        return False

    down = threading.Event()
    with caplog.at_level(logging.WARNING):
        shipper(journal, section, wait).run()
    assert batches[0] >= 3
    assert there(database, "pit-dying") == here(journal)
    assert blocks(database, "pit-dying") == blocks(database, "pit-all")
    said = [record.getMessage() for record in caplog.records]
    assert (
        sum("reached again" in text for text in said) == sum("nothing reaches" in text for text in said) == batches[0]
    )


def cut(journal: Path, home: Path, until: float) -> Path:
    """A copy as it stood at that engine time."""
    home.mkdir()
    made = home / journal.name
    shutil.copy(journal, made)
    with closing(sqlite3.connect(made)) as db, db:
        for table in ("events", "inputs"):
            db.execute(f"DELETE FROM {table} WHERE time > ?", (until,))
    return made


def numbers_in(journal: Path) -> set[int]:
    return {seq for seq, _ in here(journal)}


def arrived(database: Database, pit: str) -> tuple[list[int], list[int]]:
    """Numbers of the events and times of the blocks that are there."""
    events = [int(seq) for (seq,) in database.sql(f"SELECT seq FROM events WHERE pit = '{pit}' ORDER BY seq")]
    return events, sorted(blocks(database, pit))


def test_a_centre_that_was_away_for_eight_hours_has_all_of_them_once(
    database: Database, journal: Path, tmp_path: Path
) -> None:
    """The journal grows meanwhile; the waits are those of the program, on a clock that is theirs."""
    with closing(sqlite3.connect(journal)) as db:
        (ended,) = db.execute("SELECT MIN(ended) FROM kept_cooks").fetchone()
    before, after = (cut(journal, tmp_path / name, ended - ago) for name, ago in (("before", AWAY), ("after", 0.0)))
    own = tmp_path / before.name
    shutil.copy(before, own)
    section = database.add("pit-away", tmp_path / "keys")
    Shipper(own, where(section), "pit-away", until_idle, Random(SEED)).run()
    events, held = arrived(database, "pit-away")
    assert set(events) == numbers_in(before) and held
    clock, waits = [0.0], list[float]()
    database.stop("immediate")

    def wait(seconds: float) -> bool:
        if not down.is_set():
            return seconds > 0
        waits.append(seconds)
        clock[0] += seconds
        if clock[0] >= AWAY:
            shutil.copy(after, own)
            database.start()
            down.clear()
        return False

    down = threading.Event()
    down.set()
    Shipper(own, where(section), "pit-away", wait, Random(SEED)).run()
    assert AWAY / LONGEST_WAIT < len(waits) < 3 * AWAY / LONGEST_WAIT, "it did not hammer, and did not give up"
    events, held = arrived(database, "pit-away")
    assert sorted(set(events)) == events == sorted(numbers_in(after))
    assert len(set(held)) == len(held)
    control = database.add("pit-never-away", tmp_path / "control")
    Shipper(after, where(control), "pit-never-away", until_idle, Random(SEED)).run()
    assert arrived(database, "pit-never-away") == (events, held), "as if it had never been away"


def test_a_certificate_taken_away_in_the_middle_loses_nothing_once_there_is_another(
    database: Database,
    journal: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    monkeypatch.setattr("daemon.shell.fleet.past.EVENTS_AT_ONCE", 40)
    section = database.add("pit-renewed", tmp_path / "old")

    def some(section: FleetSection, looks: int) -> None:
        left = iter(range(looks))
        Shipper(journal, where(section), section.pit, lambda _: next(left, None) is None, Random(SEED)).run()

    some(section, 2)
    early, _ = arrived(database, "pit-renewed")
    assert 0 < len(early) < len(numbers_in(journal))
    renewed = database.renew("pit-renewed", tmp_path / "new")
    with caplog.at_level(logging.WARNING):
        some(section, 3)
    (said,) = [record.getMessage() for record in caplog.records]
    assert "certificate was revoked" in said and "somebody must mend it" in said
    assert arrived(database, "pit-renewed")[0] == early
    Shipper(journal, where(renewed), "pit-renewed", until_idle, Random(SEED)).run()
    events, held = arrived(database, "pit-renewed")
    assert sorted(set(events)) == events == sorted(numbers_in(journal))
    assert len(set(held)) == len(held)


def test_an_answer_that_never_came_doubles_nothing(
    database: Database, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The centre commits, and the line breaks before it says so."""
    section = database.add("pit-unheard", tmp_path)
    put, broken = Centre.put, [0]

    def unheard(self: Centre, batch: Batch) -> None:
        put(self, batch)
        if broken[0] < 5:
            broken[0] += 1
            raise CentreAway("broken off")

    monkeypatch.setattr(Centre, "put", unheard)
    shipper(journal, section, lambda seconds: seconds == 30.0).run()
    assert broken[0] == 5
    assert there(database, "pit-unheard") == here(journal)


def test_a_pit_reads_and_writes_its_own_rows_only(
    database: Database, journal: Path, tmp_path: Path, as_pit: Any
) -> None:
    one, two = (database.add(pit, tmp_path / pit) for pit in ("pit-one", "pit-two"))
    shipper(journal, one, until_idle).run()
    other = as_pit(two)
    for table in ("events", "blocks", "cooks", "pits"):
        assert other.execute(f"SELECT count(*) FROM {table} WHERE pit <> 'pit-two'").fetchone() == (0,)
    mine = "INSERT INTO events VALUES (%s, now(), 1, 'mark', '', '{}')"
    other.execute(mine, ("pit-two",))
    with pytest.raises(psycopg.errors.InsufficientPrivilege):
        other.execute(mine, ("pit-one",))
    for forbidden in (
        "DELETE FROM events",
        "UPDATE events SET body = '{}'",
        "TRUNCATE blocks",
        "UPDATE pits SET pit = 'pit-one'",
        "UPDATE pits SET crew = 'us'",
        "UPDATE pits SET revoked = false",
        "SELECT * FROM events_other",
        "SELECT make_month('2030-01-01')",
        "CREATE TABLE mine (a int)",
        "SET ROLE fleet_reader",
    ):
        with pytest.raises(psycopg.Error):
            other.execute(forbidden)
    assert other.execute("UPDATE pits SET heard = now() WHERE pit = 'pit-one'").rowcount == 0
    assert other.execute("UPDATE cooks SET name = 'theirs' WHERE pit = 'pit-one'").rowcount == 0
    assert there(database, "pit-one") == here(journal)


def test_who_has_no_right_certificate_is_refused(database: Database, tmp_path: Path, as_pit: Any) -> None:
    one = database.add("pit-a", tmp_path / "a")
    database.add("pit-b", tmp_path / "b")
    with pytest.raises(psycopg.OperationalError, match="authentication failed"):
        as_pit(one, user="pit-b")
    with pytest.raises(psycopg.OperationalError, match="certificate"):
        psycopg.connect(
            f"host=localhost port={database.port} dbname=pitvigil user=pit-a sslmode=require sslcert='' sslkey=''"
        )
    with pytest.raises(psycopg.OperationalError, match="failed"):
        psycopg.connect(f"host=localhost port={database.port} dbname=pitvigil user=pit-a sslmode=disable")


def test_a_revoked_pit_is_refused_and_says_so_once(
    database: Database, journal: Path, tmp_path: Path, as_pit: Any, caplog: pytest.LogCaptureFixture
) -> None:
    one = database.add("pit-gone", tmp_path)
    shipper(journal, one, until_idle).run()
    standing = as_pit(one)
    database.revoke("pit-gone")
    with pytest.raises(psycopg.Error):
        standing.execute("SELECT 1")
    tries = [0]

    def wait(seconds: float) -> bool:
        tries[0] += 1
        return tries[0] == 4

    with caplog.at_level(logging.WARNING):
        shipper(journal, one, wait).run()
    (said,) = [record.getMessage() for record in caplog.records if "nothing reaches" in record.getMessage()]
    assert "somebody must mend it" in said


def test_waits_grow_to_a_bound_and_differ(journal: Path, tmp_path: Path) -> None:
    section = FleetSection(host="127.0.0.1", port=1, pit="pit-x", keys=str(tmp_path))
    waits: list[float] = []

    def wait(seconds: float) -> bool:
        waits.append(seconds)
        return len(waits) == 12

    Shipper(journal, where(section), "pit-x", wait, Random(SEED)).run()
    assert all(2.5 * 2**n <= one <= 5.0 * 2**n for n, one in enumerate(waits[:6]))
    assert all(300.0 <= one <= 600.0 for one in waits[8:])
    assert len(set(waits[8:])) == 4


def test_before_the_watch_has_run_it_says_what_is_missing_and_needs_nobody(
    database: Database, journal: Path, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Both are started by the same boot."""
    section = database.add("pit-first", tmp_path / "keys")
    late = tmp_path / journal.name

    def wait(seconds: float) -> bool:
        if not late.exists():
            shutil.copy(journal, late)
            return False
        return seconds > 0

    with caplog.at_level(logging.WARNING):
        Shipper(late, where(section), "pit-first", wait, Random(SEED)).run()
    missing, found = [record.getMessage() for record in caplog.records]
    assert str(tmp_path) in missing and "somebody" not in missing and "journal" in found
    assert there(database, "pit-first") == here(journal)


def test_a_journal_that_was_begun_anew_is_sent_from_its_beginning(journal: Path) -> None:
    with closing(Past(journal)) as past:
        (first, *_, last) = past.events(0)
        assert past.continued(Cursor(last.seq, last.time, 7)) == Cursor(last.seq, last.time, 7)
        assert past.continued(Cursor(last.seq, last.time + 1.0, 7)) == Cursor()
        assert past.continued(Cursor(10_000_000, 5.0, 7)) == Cursor()
        assert first.seq >= 1


def test_what_pits_learn_is_pooled_by_class_and_comes_back(database: Database, journal: Path, tmp_path: Path) -> None:
    """Each pit of a class learns slightly longer gaps; a pit that does not share neither gives nor gets."""
    figures = {}
    database.call("sh", SCRIPT, "pooler", database.fleet, "pooler")
    pooler = f"host={database.home} port={database.port} dbname=pitvigil user=pooler"

    def shipped(pit: str, kind: str, gaps: tuple[float, ...], *, shares: bool) -> tuple[ClassFigure, ...]:
        home = tmp_path / pit
        if home not in figures:
            shutil.copytree(journal.parent, home)
            figures[home] = database.add(pit, tmp_path / f"keys-{pit}", "crew", kind)
        rows = tuple((gap, 6.0, 15.0, 9.0, 0.36, 0.5, *(123.0, 122.5, 125.0, 129.0, 131.5) * 3) for gap in gaps)
        with closing(sqlite3.connect(home / journal.name)) as db, db:
            note = json.dumps(PitProfile(FireProfile(rows)).to_plain())
            db.execute("INSERT OR REPLACE INTO notes VALUES (?, ?)", (PROFILE_NOTE, note))
        section = figures[home]
        Shipper(home / journal.name, where(section), pit, until_idle, Random(SEED), shares=shares).run()
        return read_figures(home / NAME)

    for n in range(LEAST_PITS):
        assert shipped(f"alike-{n}", "brick", (50.0 + 5 * n, 60.0 + 5 * n), shares=True) == ()
    shipped("silent-one", "brick", (200.0,), shares=False)
    assert {pit for (pit,) in database.sql("SELECT DISTINCT pit FROM lessons")} == {f"alike-{n}" for n in range(3)}
    assert pool(pooler) == {"brick": len(USUAL)}
    back = {one.figure: one for one in shipped("new-one", "brick", (), shares=True)}
    assert set(back) == set(USUAL)
    assert 55.0 < back["gap"].middle < 65.0
    assert shipped("new-steel", "steel", (), shares=True) == ()
    assert shipped("silent-one", "brick", (200.0,), shares=False) == ()
    shipped("alike-0", "brick", (50.0,), shares=False)
    assert database.sql("SELECT count(*) FROM lessons WHERE pit = 'alike-0'") == [["0"]], "no longer shared"
    with pytest.raises(CannotPool):
        pool(pooler.replace("user=pooler", "user=nobody"))


def test_a_cook_is_sent_again_only_when_it_has_changed(
    database: Database, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    section = database.add("pit-cooks", tmp_path / "keys")
    home = tmp_path / "state"
    shutil.copytree(journal.parent, home)
    kept = home / journal.name
    sent: list[str] = []
    put = Centre.put

    def seen(self: Centre, batch: Batch) -> None:
        sent.extend(one.id for one in batch.cooks)
        put(self, batch)

    monkeypatch.setattr(Centre, "put", seen)
    shipper(kept, section, until_idle).run()
    assert sorted(sent) == sorted(kept_ids(kept))
    sent.clear()
    shipper(kept, section, until_idle).run()
    assert sent == []
    first = min(kept_ids(kept))
    with closing(sqlite3.connect(kept)) as db, db:
        db.execute("UPDATE kept_cooks SET notes = ? WHERE id = ?", ('{"verdict": "dry"}', first))
    shipper(kept, section, until_idle).run()
    assert sent == [first]
    assert database.sql(f"SELECT notes ->> 'verdict' FROM cooks WHERE pit = 'pit-cooks' AND id = '{first}'") == [
        ["dry"]
    ]


def kept_ids(journal: Path) -> list[str]:
    with closing(sqlite3.connect(journal)) as db:
        return [key for (key,) in db.execute("SELECT id FROM kept_cooks")]
