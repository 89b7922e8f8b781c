"""`pitvigil pool`: works out, at the centre, what pits that are built alike have in common. Once; a timer runs it daily."""

from __future__ import annotations

from daemon.shell.fleet.centre import CONNECT, LIBRARY_MISSING, library_there, plainly
from daemon.shell.fleet.pooling import Lesson, by_class, class_figures
from daemon.texts.composer import PLAIN


class CannotPool(Exception):
    """In words for whoever called."""


def pool(database: str) -> dict[str, int]:
    """Class -> figures that are known of it. database: libpq connection string of a role in fleet_pooler. Raises CannotPool."""
    if not library_there():
        raise CannotPool(PLAIN.words(LIBRARY_MISSING))
    import psycopg

    try:
        with psycopg.connect(database, connect_timeout=CONNECT) as db:
            rows = db.execute(
                """SELECT class, pit, figure, mean, spread, fires FROM lessons JOIN pits USING (pit)
                WHERE NOT revoked AND class <> '' ORDER BY class, pit, figure"""
            ).fetchall()
            found = class_figures(by_class([(name, pit, Lesson(*lesson)) for name, pit, *lesson in rows]))
            with db.cursor() as at:
                at.execute("DELETE FROM class_figures")
                at.executemany(
                    "INSERT INTO class_figures VALUES (%s, %s, %s, %s)",
                    [
                        (name, one.figure, one.middle, one.fires)
                        for name, figures in sorted(found.items())
                        for one in figures
                    ],
                )
    except psycopg.Error as error:
        raise CannotPool(plainly(error)) from error
    return {name: len(figures) for name, figures in found.items()}
