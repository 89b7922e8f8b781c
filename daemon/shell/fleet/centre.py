"""The centre's database as one board sees it: where it stands, and one batch in one transaction.

A board's first pit is named there as the board is (its role, its certificate); another is that name, a full stop and its id.

`psycopg` is imported where it is used: a watch without a fleet never loads it (`pip install 'pitvigil[fleet]'`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any, Final

from daemon.core.pit_profile import ClassFigure
from daemon.shell.fleet.past import BlockRow, CookRow, Cursor, EventRow
from daemon.shell.fleet.pooling import Lesson
from daemon.texts.composer import PLAIN

if TYPE_CHECKING:
    import psycopg

DATABASE: Final = "pitvigil"
"""As deploy/fleet/centre.sh makes it."""
LIBRARY_MISSING: Final = "centre.no-library"
"""key of what is said where it is not installed"""
CONNECT: Final = 10
"""s to connect"""
STATEMENT: Final = 30_000
"""ms after which the centre gives a statement up: a lock there must not hold a pit's queue"""
LOST: Final = 15
"""s: silence, and then each of three questions, after which a dead line is given up"""

PLAINLY: Final = {
    "certificate expired": "centre.expired",
    "certificate revoked": "centre.certificate-revoked",
    "certificate verify failed": "centre.not-believed",
    "No such file or directory": "centre.not-running",
    "Connection refused": "centre.not-running",
    "timeout expired": "centre.no-answer",
    "could not translate host name": "centre.no-host",
    "failed to resolve host": "centre.no-host",
    "authentication failed": "centre.not-let-in",
    "does not exist": "centre.not-made",
}
"""Words of OpenSSL or of the database's library in an error -> key of what they mean to whoever reads it."""


def library_there() -> bool:
    return find_spec("psycopg") is not None


class CentreAway(Exception):
    """Cannot be reached, or broke off: try again later."""


class CentreRefuses(Exception):
    """It answered, and will not have us or what we send: somebody must mend something."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What goes in one transaction. cursor: where the centre stands after it. now: how the first pit stands, JSON; others: how
    the others do, by their ids. lessons: by pit what its fires have shown, in place of what was told before; a pit that is left
    out: as before. release: what the board runs. restart: the newest start in a hurry, by its number in the journal."""

    cursor: Cursor
    events: tuple[EventRow, ...]
    blocks: tuple[BlockRow, ...]
    cooks: tuple[CookRow, ...]
    now: dict[str, Any]
    lessons: Mapping[str, Sequence[Lesson]] = field(default_factory=dict)
    release: str = ""
    restart: int = 0
    others: Mapping[str, dict[str, Any]] = field(default_factory=dict)


class Centre:
    """One connection. Made by `connected`. pit: the board's name."""

    def __init__(self, connection: psycopg.Connection[Any], pit: str) -> None:
        self._connection, self._pit = connection, pit

    def cursor(self) -> Cursor:
        with _classed():
            row = self._connection.execute(
                "SELECT event, event_time, block FROM pits WHERE pit = %s", (self._pit,)
            ).fetchone()
            self._connection.rollback()
        if row is None:
            raise CentreRefuses(PLAIN.words("centre.unknown-pit", pit=self._pit))
        return Cursor(*row)

    def knows(self, others: Sequence[str]) -> bool:
        """Tells it the ids of the board's pits beside the first. False: it is of a release that knows one pit a board."""
        import psycopg

        with _classed():
            there = self._connection.execute("SELECT pit FROM pits WHERE pit <> %s", (self._pit,)).fetchall()
            try:
                if {pit for (pit,) in there} != {self._name(one) for one in others}:
                    self._connection.execute("SELECT my_pits(%s)", (list(others),))
                self._connection.commit()
            except psycopg.errors.UndefinedFunction:
                self._connection.rollback()
                return False
        return True

    def _name(self, pit: str) -> str:
        """pit: "" is the first."""
        return f"{self._pit}.{pit}" if pit else self._pit

    def digests(self, pits: Iterable[str] = ("",)) -> dict[tuple[str, str], str]:
        """Of the cooks that are there: (pit, id) -> `CookRow.digest`."""
        pit_of = {self._name(pit): pit for pit in pits}
        with _classed():
            rows = self._connection.execute(
                "SELECT pit, id, digest FROM cooks WHERE pit = ANY(%s)", (list(pit_of),)
            ).fetchall()
            self._connection.rollback()
        return {(pit_of[pit], key): digest for pit, key, digest in rows}

    def not_my_turn(self, release: str) -> str:
        """Why this pit may not take that release yet; empty when its ring is open."""
        with _classed():
            (why,) = self._connection.execute("SELECT my_turn(%s)", (release,)).fetchone() or ("",)
            self._connection.commit()
        return str(why)

    def class_figures(self, pit: str = "") -> tuple[ClassFigure, ...]:
        """What pits of this one's class have shown together, as the centre pooled it last."""
        with _classed():
            rows = self._connection.execute(
                "SELECT figure, middle, fires FROM class_figures JOIN pits USING (class) WHERE pit = %s ORDER BY figure",
                (self._name(pit),),
            ).fetchall()
            self._connection.rollback()
        return tuple(ClassFigure(*row) for row in rows)

    def put(self, batch: Batch) -> None:
        """All of it or nothing. What is there already stays as it is."""
        with _classed(), self._connection.transaction(), self._connection.cursor() as at:
            at.executemany(
                "INSERT INTO events VALUES (%s, to_timestamp(%s), %s, %s, %s, %s) ON CONFLICT DO NOTHING",
                [(self._name(one.pit), one.at, one.seq, one.name, one.cook, one.body) for one in batch.events],
            )
            at.executemany(
                "INSERT INTO blocks VALUES (%s, to_timestamp(%s), %s) ON CONFLICT DO NOTHING",
                [(self._name(one.pit), one.at, one.body) for one in batch.blocks],
            )
            at.executemany(
                """INSERT INTO cooks VALUES (%s, %s, %s, to_timestamp(%s), to_timestamp(%s), %s, %s, %s, %s)
                ON CONFLICT (pit, id) DO UPDATE SET name = excluded.name, started = excluded.started, ended = excluded.ended,
                settings = excluded.settings, notes = excluded.notes, figures = excluded.figures, digest = excluded.digest""",
                [
                    (
                        self._name(one.pit),
                        one.id,
                        one.name,
                        one.started,
                        one.ended,
                        one.settings,
                        one.notes,
                        one.figures,
                        one.digest,
                    )
                    for one in batch.cooks
                ],
            )
            for pit, lessons in batch.lessons.items():
                at.execute("DELETE FROM lessons WHERE pit = %s", (self._name(pit),))
                at.executemany(
                    "INSERT INTO lessons VALUES (%s, %s, %s, %s, %s)",
                    [(self._name(pit), one.figure, one.mean, one.spread, one.fires) for one in lessons],
                )
            at.executemany(
                "UPDATE pits SET heard = now(), now = %s WHERE pit = %s",
                [(json.dumps(now), self._name(pit)) for pit, now in batch.others.items()],
            )
            at.execute(
                """UPDATE pits SET heard = now(), now = %(now)s, event = %(event)s, event_time = %(time)s, block = %(block)s,
                release_at = CASE release WHEN %(release)s THEN release_at ELSE now() END,
                restart_known = CASE release WHEN %(release)s THEN restart_known ELSE %(restart)s END,
                release = %(release)s, restart = %(restart)s WHERE pit = %(pit)s""",
                {
                    "now": json.dumps(batch.now),
                    "event": batch.cursor.event,
                    "time": batch.cursor.event_time,
                    "block": batch.cursor.block,
                    "release": batch.release,
                    "restart": batch.restart,
                    "pit": self._pit,
                },
            )
            if at.rowcount != 1:
                raise CentreRefuses(PLAIN.words("centre.pit-revoked", pit=self._pit))


@contextmanager
def connected(where: str, pit: str) -> Iterator[Centre]:
    """where: a libpq connection string without a password. Raises CentreAway or CentreRefuses."""
    import psycopg

    with _classed():
        connection = psycopg.connect(
            where, user=pit, connect_timeout=CONNECT, options=f"-c statement_timeout={STATEMENT}",
            keepalives_idle=LOST, keepalives_interval=LOST, keepalives_count=3, tcp_user_timeout=1000 * LOST,
        )  # fmt: skip
    try:
        yield Centre(connection, pit)
    finally:
        connection.close()


@contextmanager
def _classed() -> Iterator[None]:
    """The library's errors by what can be done about them."""
    import psycopg

    try:
        yield
    except (psycopg.DataError, psycopg.IntegrityError, psycopg.ProgrammingError) as error:
        raise CentreRefuses(plainly(error)) from error
    except psycopg.Error as error:
        text = _first_line(error)
        refused = any(
            word in text for word in ("certificate", "authentication failed", "no pg_hba.conf entry", "not permitted")
        )
        raise (CentreRefuses if refused else CentreAway)(plainly(error)) from error


def plainly(error: Exception) -> str:
    """What the error means and what to do about it; the database's own first line where that is not known."""
    text = _first_line(error)
    return next((PLAIN.words(key) for word, key in PLAINLY.items() if word in text), text)


def _first_line(error: Exception) -> str:
    return (str(error).strip().splitlines() or [repr(error)])[0]
