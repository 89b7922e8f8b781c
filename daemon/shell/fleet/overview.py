"""What a crew's page shows of all its pits, read from the centre's tables with a reader's rights."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from typing import TYPE_CHECKING, Any, Final

from daemon.core.alarms.figures import AlarmFigures
from daemon.core.alarms.rule import PRIORITY_ORDER
from daemon.core.said import said
from daemon.shell.library.alarm_account import TRAIL_EVENTS, AlarmTrail, figures_of

if TYPE_CHECKING:
    import psycopg

SILENT_AFTER: Final = 300.0
"""s without a word, ten of the shipper's looks, after which the centre raises a pit. Our choice."""
DAYS: Final = 30.0
"""of alarm figures"""
COOKS_AT_MOST: Final = 200
UNSOUND: Final = (KeyError, TypeError, ValueError, AttributeError, OverflowError, RecursionError)
"""What a board's words raise when they are none that a pit says: one board must not take the page from the crew."""
AHEAD: Final = 60.0
"""s by which a board's word may lie ahead of the centre's clock"""
FAR: Final = 10 * 365 * 86400.0
"""s beyond which nothing is due"""
SHOWN: Final = 80
"""characters of what a board says of itself"""
UNREADABLE: Final = "unreadable"
"""In place of a stage: what the board told makes no sense."""
CALM: Final = len(PRIORITY_ORDER)
READ_LIMIT: Final = 20_000
"""ms for one question"""


@dataclass(frozen=True, slots=True)
class PitRow:
    """silent: s since its last word, None if there was never one. alarms: as the pit told them, the most urgent first.
    due: what is to be done next, by forecast or plan, and in how many s; below 0 it is overdue."""

    pit: str
    crew: str
    kind: str
    silent: float | None
    stage: str
    cook: str
    alarms: tuple[dict[str, Any], ...]
    due: tuple[str, float] | None = None
    heard: float | None = None
    """UTC of the last word."""
    name: str = ""
    """Of a board with several pits: what its rig calls this one."""

    @property
    def is_silent(self) -> bool:
        """Nothing that it said last is known to hold still."""
        return self.silent is None or self.silent > SILENT_AFTER

    @property
    def urgency(self) -> int:
        """0 for the worst alarm that stands; CALM for none."""
        return min((PRIORITY_ORDER[one["priority"]] for one in self.alarms if not one["prompt"]), default=CALM)


@dataclass(frozen=True, slots=True)
class CookRow:
    """started, ended: UTC, s; ended None while it runs. figures: as the pit worked them out, or None."""

    pit: str
    id: str
    name: str
    started: float
    ended: float | None
    figures: dict[str, Any] | None


@dataclass(frozen=True, slots=True)
class RingRow:
    """How a ring stands with the release on offer. counted: of its pits, those heard since. hours: of cooking with it.
    missing: what must change before the next ring may take it."""

    ring: int
    pits: int
    counted: int
    taken: int
    hours: float
    missing: tuple[str, ...]


def rings(db: psycopg.Connection[Any]) -> list[RingRow]:
    """The first ring first; none without a release on offer."""
    return [
        RingRow(ring, pits, counted, taken, hours, tuple(missing))
        for ring, pits, counted, taken, hours, missing in db.execute("SELECT * FROM ring_state()")
    ]


def pits(db: psycopg.Connection[Any], crew: str = "") -> list[PitRow]:
    """Those that are not revoked; first who has an alarm, then who is silent, then the rest by name."""
    # One row with all of them, read by one call: a thousand rows were most of what the question cost.
    (told,) = db.execute(
        """SELECT coalesce(json_agg(json_build_array(pit, crew, class, extract(epoch FROM now() - heard)::float8, now::text,
            extract(epoch FROM now())::float8, extract(epoch FROM heard)::float8)), '[]')::text FROM pits
        WHERE NOT revoked AND (%(crew)s = '' OR crew = %(crew)s)""",
        {"crew": crew},
    ).fetchone() or ("[]",)
    rows = json.loads(told)
    found = []
    for pit, of, kind, silent, now, utc, heard in rows:
        came = silent if silent is None or silent > -AHEAD else None  # a word from the future is none
        try:
            found.append(_row(pit, of, kind, came, json.loads(now), utc, heard))
        except UNSOUND:
            found.append(PitRow(pit, of, kind, came, UNREADABLE, "", (), None, heard))
    return sorted(found, key=lambda one: (one.urgency, not one.is_silent, one.pit))


def _row(pit: str, crew: str, kind: str, silent: float | None, now: Any, utc: float, heard: float | None) -> PitRow:
    """Raises KeyError, TypeError, ValueError or AttributeError where a board told what no pit tells."""
    alarms = tuple(now.get("alarms", ()))
    for one in alarms:
        said(one["text"])
        if not (
            isinstance(one["prompt"], bool) and isinstance(one["after"], str) and one["priority"] in PRIORITY_ORDER
        ):
            raise ValueError(one)
    due = next_due(now, utc)
    if due is not None and not (isfinite(due[1]) and abs(due[1]) < FAR):
        raise ValueError(due)
    stage, cook, name = (_short(now.get(key, "")) for key in ("stage", "cook", "name"))
    return PitRow(pit, crew, kind, silent, stage, cook, alarms, due, heard, name)


def sound_json(text: str | bytes) -> Any:
    """What a board sent as JSON; None for what this machine cannot hold: nested too deeply, a number of thousands of digits."""
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _short(text: Any) -> str:
    return str(text)[:SHOWN]


def up(db: psycopg.Connection[Any]) -> float:
    """s since the database's start."""
    (seconds,) = db.execute("SELECT extract(epoch FROM now() - pg_postmaster_start_time())::float8").fetchone() or (
        0.0,
    )
    return float(seconds)


def next_due(now: dict[str, Any], utc: float) -> tuple[str, float] | None:
    """The first act of which the end of its interval has not passed."""
    ahead = [one for one in now.get("due", ()) if one["to"] > utc]
    if not ahead:
        return None
    first = min(ahead, key=lambda one: one["at"])
    return _short(f"{first['what']} {first['piece']}".strip()), first["at"] - utc


def compared(db: psycopg.Connection[Any], keys: Sequence[tuple[str, str]]) -> list[CookRow]:
    """The cooks of these (pit, id), in the order asked for, those that are there."""
    rows = db.execute(
        """SELECT pit, id, name, extract(epoch FROM started)::float8, extract(epoch FROM ended)::float8, figures
        FROM unnest(%s::text[], %s::text[]) WITH ORDINALITY AS asked (pit, id, nth) JOIN cooks USING (pit, id) ORDER BY nth""",
        ([pit for pit, _ in keys], [key for _, key in keys]),
    )
    return [CookRow(*row) for row in rows]


def cooks(db: psycopg.Connection[Any], words: str = "") -> list[CookRow]:
    """Newest first. words: all of them in name, pit, pieces, notes or day."""
    wanted = " ".join(words.split()[:10])[:200].lower().split()
    rows = db.execute(
        """SELECT pit, id, name, extract(epoch FROM started)::float8, extract(epoch FROM ended)::float8, figures FROM cooks
        WHERE NOT EXISTS (
            SELECT FROM unnest(%s::text[]) AS word
            WHERE position(word IN lower(concat_ws(' ', pit, id, name, settings::text, notes::text, started::date::text))) = 0)
        ORDER BY started DESC LIMIT %s""",
        (wanted, COOKS_AT_MOST),
    )
    return [CookRow(*row) for row in rows]


def alarm_figures(db: psycopg.Connection[Any]) -> list[tuple[str, str, AlarmFigures]]:
    """("pit", X, figures) of each pit and ("crew", Y, figures) of each crew, of the last DAYS."""
    by_pit: dict[str, list[dict[str, Any]]] = defaultdict(list)
    crews: dict[str, str] = {}
    (until,) = db.execute("SELECT extract(epoch FROM now())::float8").fetchone() or (0.0,)
    for pit, crew, body in db.execute(
        """SELECT pit, crew, body FROM events JOIN pits USING (pit)
        WHERE name = ANY(%s) AND at > now() - make_interval(days => %s) ORDER BY pit, seq""",
        (list(TRAIL_EVENTS), int(DAYS)),
    ):
        crews[pit] = crew
        by_pit[pit].append(body)
    trails = {pit: AlarmTrail(until - DAYS * 86400.0, until, 0.0, tuple(events)) for pit, events in by_pit.items()}
    told = []
    for pit, trail in sorted(trails.items()):
        try:
            told.append(("pit", pit, figures_of([trail])))
        except UNSOUND:
            del trails[pit], crews[pit]
    for crew in sorted(set(crews.values()) - {""}):
        told.append(("crew", crew, figures_of(_of(crew, crews, trails))))
    return told


def _of(crew: str, crews: dict[str, str], trails: dict[str, AlarmTrail]) -> Sequence[AlarmTrail]:
    return [trail for pit, trail in sorted(trails.items()) if crews[pit] == crew]
