"""Any value in any place of a cook's rows, orders and events: the library answers with the rest, or does not know the cook."""

from __future__ import annotations

import contextlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.shell.library.alarm_account import figures_of
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import UnknownCook
from daemon.shell.library.summary import figures, lessons
from daemon.shell.report.of_kept import kept_report
from tests.shell.kept_cooks import FIRST, SECOND, SHORT, make_journal

KINDS = {"kept_cooks": None, "events": "name", "inputs": "kind", "starts": None}
"""Tables the library reads -> the column that says what a row is."""
BODIES = ("body", "settings", "channels", "notes", "figures")
"""Columns that hold JSON."""
VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**40), 2**40), st.sampled_from((1e300, 1e10, -1e10, 0.0)), st.text(max_size=3),
    st.sampled_from(([], {}, [1], {"key": "x", "values": 1}, "2026-11-28T02:40:00.000Z", "2026-11-28T02:40:00")),
)  # fmt: skip


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two short cooks."""
    home = tmp_path_factory.mktemp("sound")
    make_journal(home, SHORT)
    return home / "journal.sqlite"


def places(plain: Any) -> list[tuple[Any, Any]]:
    """(container, key) of each value in it."""
    inside = (
        list(plain.items()) if isinstance(plain, dict) else list(enumerate(plain)) if isinstance(plain, list) else []
    )
    return [(plain, key) for key, _ in inside] + [place for _, value in inside for place in places(value)]


def damage(data: st.DataObject, db: sqlite3.Connection) -> None:
    """One value of one row."""
    table = data.draw(st.sampled_from(sorted(KINDS)))
    only, rows = KINDS[table], f"SELECT rowid FROM {table}"
    if only is not None:
        kinds = sorted(kind for (kind,) in db.execute(f"SELECT DISTINCT {only} FROM {table}"))
        rows += f" WHERE {only} = '{data.draw(st.sampled_from(kinds))}'"
    numbers = [number for (number,) in db.execute(rows)]
    columns = [name for _, name, *_ in db.execute(f"PRAGMA table_info({table})")]
    number = data.draw(st.sampled_from(numbers))
    column = data.draw(st.sampled_from([*columns, *(3 * [name for name in columns if name in BODIES])]))
    (old,) = db.execute(f"SELECT {column} FROM {table} WHERE rowid = ?", (number,)).fetchone()
    new: Any = data.draw(VALUES)
    with contextlib.suppress(ValueError, TypeError):  # no JSON: a whole new value
        plain = [json.loads(old)] if column in BODIES else [None]
        where, key = data.draw(st.sampled_from(places(plain)))
        if isinstance(where, dict) and data.draw(st.booleans()):
            was = where.pop(key)
            if data.draw(st.booleans()):
                where[f"{key}x"] = was
        else:
            where[key] = new
        new = json.dumps(plain[0]) if column in BODIES else new
    new = json.dumps(new) if isinstance(new, list | dict) else new
    with contextlib.suppress(sqlite3.IntegrityError, OverflowError, UnicodeEncodeError):
        db.execute(
            f"UPDATE {table} SET {column} = ? WHERE rowid = ?",
            (new.encode() if isinstance(old, bytes) and isinstance(new, str) else new, number),
        )


def questions(records: CookRecords) -> dict[str, Callable[[], Any]]:
    def each(ask: Callable[[str], Any]) -> Callable[[], Any]:
        return lambda: [ask(row.id) for row in records.rows("", 9)]

    return {
        "rows": lambda: records.rows("", 9),
        "wakes": records.wakes,
        "taught": records.taught,
        "kept": each(records.kept),
        "compare": lambda: records.compare([row.id for row in records.rows("", 9)], 100),
        "alarms": lambda: figures_of([records.alarm_trail(row.id) for row in records.rows("", 9)]),
        "figures": each(lambda cook: figures(records.kept(cook))),
        "lessons": each(lambda cook: lessons(records.kept(cook))),
        "report": each(lambda cook: kept_report(records, cook)),
    }


@settings(
    max_examples=15, derandomize=True, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
@given(data=st.data())
def test_whatever_one_value_is_the_rest_is_answered(data: st.DataObject, sound: Path, tmp_path: Path) -> None:
    journal = tmp_path / "journal.sqlite"
    shutil.copy(sound, journal)
    with closing(sqlite3.connect(journal)) as db, db:
        damage(data, db)
    for question in questions(CookRecords(journal)).values():
        with contextlib.suppress(UnknownCook, sqlite3.Error):
            question()
    assert {row.id for row in CookRecords(journal).rows("", 9)} & {FIRST, SECOND}, "the other cook is there at least"


@pytest.mark.parametrize("ended", [-1e10, 0.0, 1e10])
def test_an_end_that_cannot_be_is_the_end_of_what_is_known(sound: Path, tmp_path: Path, ended: float) -> None:
    journal = tmp_path / "journal.sqlite"
    shutil.copy(sound, journal)
    whole = CookRecords(journal).kept(FIRST)
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute("UPDATE kept_cooks SET ended = ? WHERE id = ?", (ended, FIRST))
    kept = CookRecords(journal).kept(FIRST)
    assert kept.minutes and kept.minutes[0] == whole.minutes[0]
    if ended > whole.started:
        assert kept.series["pit-left"][: len(whole.minutes) - 1] == whole.series["pit-left"][:-1]
