"""A board with several pits: each is a pit of the centre, everything once, nobody else's; a centre made before there were any."""

from __future__ import annotations

import json
import logging
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from random import Random

import psycopg
import pytest

from config.rig import FleetSection
from daemon.commands.fleet.ship import where
from daemon.core.pit_profile import ClassFigure
from daemon.shell.fleet import crew_page, overview
from daemon.shell.fleet.class_file import file_of, read_figures
from daemon.shell.fleet.shipper import Shipper
from daemon.shell.fleet.whereabouts import BoardPits
from daemon.texts.composer import Composer
from tests.shell.two_pit_journal import make_two_pit_journal
from tests.system.fleet.conftest import OWNER, SCRIPT, Database, database_made
from tests.system.fleet.test_ship import blocks

SEED = 20261128
PITS = BoardPits(
    {"": "Offset", "drum": "Drum"}, {"drum-left": "drum", "drum-right": "drum", "lamb": "drum"}
)  # as in tests/core/two_pits
DRUM = {"drum-left", "drum-right", "lamb"}
BEFORE = Path(__file__).parents[2] / "data" / "fleet" / "schema_one_pit_a_board.sql"
"""As deploy/fleet/schema.sql was before a board could have several pits."""
GIVEN_UP = 400
KILLED_AT = (3,)
"""Waits in which the database is killed."""


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    """A centre as the release before made it."""
    scripts = Path(tempfile.mkdtemp(prefix="before-"))
    try:
        shutil.copy(SCRIPT, scripts)
        shutil.copy(BEFORE, scripts / "schema.sql")
        (scripts / "rules.sql").touch()
        scripts.chmod(0o755)
        if os.geteuid() == 0:
            for file in scripts.iterdir():
                shutil.chown(file, OWNER, OWNER)
        with database_made(script=scripts / SCRIPT.name) as one:
            yield one
    finally:
        shutil.rmtree(scripts)


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_two_pit_journal(tmp_path_factory.mktemp("two"))


def shipper(journal: Path, section: FleetSection, wait: Callable[[float], bool], *, shares: bool = False) -> Shipper:
    return Shipper(journal, where(section), section.pit, wait, Random(SEED), shares=shares, pits_of=lambda known: PITS)


def until_idle(seconds: float) -> bool:
    return seconds > 0


def there(database: Database, pit: str) -> dict[int, str]:
    """seq -> alarm or subject, of the events that this pit told."""
    rows = database.sql(f"SELECT seq, coalesce(body ->> 'subject', '') FROM events WHERE pit = '{pit}' ORDER BY seq")
    assert len({seq for seq, _ in rows}) == len(rows)
    return {int(seq): subject for seq, subject in rows}


def here(journal: Path) -> dict[int, tuple[str, dict[str, object]]]:
    with closing(sqlite3.connect(journal)) as db:
        return {seq: (name, json.loads(body)) for seq, name, body in db.execute("SELECT seq, name, body FROM events")}


def test_a_centre_made_before_takes_all_as_one_pit_until_it_is_upgraded(
    database: Database, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr("daemon.shell.fleet.past.EVENTS_AT_ONCE", 10)
    monkeypatch.setattr("daemon.shell.fleet.past.BLOCKS_AT_ONCE", 1)
    section = database.add("pit-early", tmp_path)
    looks = [0]

    def two_batches(_: float) -> bool:
        looks[0] += 1
        return looks[0] == 2

    with caplog.at_level(logging.WARNING):
        shipper(journal, section, two_batches).run()
    (said,) = [record.getMessage() for record in caplog.records]
    assert "centre.sh upgrade" in said
    early = there(database, "pit-early")
    assert len(early) == 20 and "drum" in early.values()
    early_blocks = set(blocks(database, "pit-early"))
    assert len(early_blocks) == 2
    for _ in range(2):  # an upgrade may be run again
        database.call("sh", SCRIPT, "upgrade", database.fleet)
    assert there(database, "pit-early") == early
    shipper(journal, section, until_idle).run()
    held = blocks(database, "pit-early")
    assert held and sorted(blocks(database, "pit-early.drum")) == sorted(held)[len(early_blocks) :]
    assert all(held[at].keys() >= DRUM for at in early_blocks), "what came before stays where it is"
    assert not any(DRUM & held[at].keys() for at in held.keys() - early_blocks)
    first, drum = there(database, "pit-early"), there(database, "pit-early.drum")
    assert not set(first) & set(drum)
    assert set(first) | set(drum) == set(here(journal)) and min(drum) > max(early)
    assert set(drum.values()) <= {"drum", "lamb", "loaf", ""}
    assert "drum" not in [subject for seq, subject in first.items() if seq not in early]


def test_each_pit_is_a_pit_of_the_centre_and_all_of_it_arrives_once(
    database: Database, journal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also while the database is killed."""
    monkeypatch.setattr("daemon.shell.fleet.past.EVENTS_AT_ONCE", 8)
    section = database.add("pit-two", tmp_path / "keys", "hall", "brick")
    killed, waits, down = [0], [0], [False]

    def wait(seconds: float) -> bool:
        waits[0] += 1
        assert waits[0] < GIVEN_UP
        if seconds > 5.0 and not down[0]:
            return True
        if down[0]:
            database.start()
            down[0] = False
        elif waits[0] in KILLED_AT:
            killed[0] += 1
            database.stop("immediate")
            down[0] = True
        return False

    shipper(journal, section, wait).run()
    assert killed[0] == len(KILLED_AT)
    first, drum = there(database, "pit-two"), there(database, "pit-two.drum")
    assert set(first) | set(drum) == set(here(journal)) and not set(first) & set(drum)
    for seq, (_, body) in here(journal).items():
        if "drum" in (body.get("subject"), body.get("pit")) or body.get("piece") == "loaf":
            assert seq in drum, body
        if body.get("subject") in ("pit", "chuck"):
            assert seq in first, body
    lamb = [seq for seq, (_, body) in here(journal).items() if body.get("subject") == "lamb"]
    assert [seq in drum for seq in lamb] == sorted([seq in drum for seq in lamb], reverse=True), "it moved once"
    assert lamb[0] in drum and lamb[-1] in first

    rows = database.sql("SELECT pit, id, settings, figures FROM cooks WHERE pit LIKE 'pit-two%' ORDER BY 1, 2")
    cooks = {(pit, key.rpartition("-")[2]): (json.loads(settings), figures) for pit, key, settings, figures in rows}
    assert {key: [piece["id"] for piece in settings["pieces"]] for key, (settings, _) in cooks.items()} == {
        ("pit-two", "hall"): ["chuck", "lamb"], ("pit-two", "supper"): ["chuck"], ("pit-two.drum", "hall"): ["lamb"],
    }  # fmt: skip
    hall = [json.loads(cooks[pit, "hall"][1]) for pit in ("pit-two", "pit-two.drum")]
    assert hall[0].keys() == hall[1].keys() and hall[0]["in_band"] > 0.9 > hall[1]["in_band"], (
        "the drum's fire was lost"
    )
    for pit, own in (("pit-two", {"pit-left", "pit-right", "chuck", "outside"}), ("pit-two.drum", DRUM)):
        told = blocks(database, pit)
        assert set().union(*told.values()) == own
        assert sorted(told) == sorted(blocks(database, "pit-two")), "ten minutes of both"
    with psycopg.connect(database.reader("sees-both"), autocommit=True) as db:
        seen = {one.pit: one for one in overview.pits(db) if one.pit.startswith("pit-two")}
        page = crew_page.pits_page(list(seen.values()), Composer()).decode()
    stage = {body["subject"]: body["after"] for name, body in here(journal).values() if name == "stage"}
    assert [(one.name, one.crew, one.stage, one.is_silent) for _, one in sorted(seen.items())] == [
        ("Offset", "hall", stage["pit"], False),
        ("Drum", "hall", stage["drum"], False),
    ]
    assert "pit-two.drum" in page and "Drum" in page

    before = database.sql("SELECT pit, count(*), sum(seq) FROM events GROUP BY 1 ORDER BY 1")
    shipper(journal, section, until_idle).run()
    assert database.sql("SELECT pit, count(*), sum(seq) FROM events GROUP BY 1 ORDER BY 1") == before


def test_a_board_reaches_its_own_pits_and_no_others(database: Database, tmp_path: Path) -> None:
    """Also one whose name begins like another's."""
    other = database.add("pit-tw", tmp_path / "tw")
    with psycopg.connect(where(other), user="pit-tw", autocommit=True) as db:
        for table in ("events", "cooks", "pits", "lessons"):
            assert db.execute(f"SELECT count(*) FROM {table} WHERE pit LIKE 'pit-two%'").fetchone() == (0,)
        for pit in ("pit-two", "pit-two.drum", "pit-tw.none"):
            with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.ForeignKeyViolation)):
                db.execute("INSERT INTO events VALUES (%s, now(), 1, 'mark', '', '{}')", (pit,))
            assert db.execute("UPDATE pits SET heard = now() WHERE pit = %s", (pit,)).rowcount == 0
        for names in (["o.drum"], ["../x"], [""], [None], ["a b"], ["x" * 40], [f"n{n}" for n in range(8)]):
            with pytest.raises(psycopg.errors.CheckViolation):
                db.execute("SELECT my_pits(%s::text[])", (names,))
        with pytest.raises(psycopg.errors.CheckViolation, match="too many"):
            for n in range(100):
                db.execute("SELECT my_pits(%s)", ([f"n{n}"],))
        db.execute("SELECT my_pits(%s)", (["n1", "n0"],))
        assert db.execute("SELECT pit FROM pits ORDER BY pit").fetchall() == [
            ("pit-tw",),
            ("pit-tw.n0",),
            ("pit-tw.n1",),
        ]
        db.execute("SELECT my_pits('{}')")
        assert db.execute("SELECT pit FROM pits").fetchall() == [("pit-tw",)]
        database.revoke("pit-tw")
    assert database.sql("SELECT count(*) FROM pits WHERE pit LIKE 'pit-tw.%' AND NOT revoked") == [["0"]]
    assert database.sql("SELECT revoked FROM pits WHERE pit = 'pit-two.drum'") == [["f"]]


def test_a_pit_that_the_board_has_no_more_is_put_aside_and_a_class_is_for_its_own_pit(
    database: Database, journal: Path, tmp_path: Path
) -> None:
    section = database.add("pit-changes", tmp_path / "keys", "hall", "brick")
    home = tmp_path / "state"
    shutil.copytree(journal.parent, home)
    kept = home / journal.name
    shipper(kept, section, until_idle).run()
    database.call("sh", SCRIPT, "class", database.fleet, "pit-changes.drum", "steel")
    database.sql("INSERT INTO class_figures VALUES ('steel', 'gap', 55, 6), ('brick', 'gap', 70, 3)")
    shipper(kept, section, until_idle, shares=True).run()
    assert read_figures(home / file_of("drum")) == (ClassFigure("gap", 55.0, 6.0),)
    assert read_figures(home / file_of()) == (ClassFigure("gap", 70.0, 3.0),)
    query = "SELECT pit FROM pits WHERE pit LIKE 'pit-changes%' AND NOT revoked ORDER BY pit"
    assert database.sql(query) == [["pit-changes"], ["pit-changes.drum"]]
    Shipper(kept, where(section), section.pit, until_idle, Random(SEED)).run()
    assert database.sql(query) == [["pit-changes"]]
    shipper(kept, section, until_idle).run()
    assert database.sql(query) == [["pit-changes"], ["pit-changes.drum"]]
