"""The library of kept cooks: list, search, compare, one whole cook, and the notes written beside it.

A journal holds the watch's own cooks; cooks brought in from elsewhere lie beside it, each in a journal of its own. Every
query opens a connection of its own: it is asked from worker threads, and the watch must not wait for it.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from itertools import takewhile
from math import inf, isnan, nan
from pathlib import Path
from statistics import fmean
from typing import Any, get_type_hints

from pydantic import TypeAdapter

from config.problems import Unfit
from daemon.core.pit_profile import PitProfile
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import ChannelSettings, CookSettings, Role, cook_from_plain
from daemon.shell.journal.connection import connect
from daemon.shell.journal.packed_inputs import BUNDLE, BUNDLED, packs_in
from daemon.shell.journal.profile_note import kept_profile
from daemon.shell.journal.rescue import channels_of, sound_only
from daemon.shell.library.alarm_account import TRAIL_EVENTS, AlarmTrail
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.forecasts import Arrived, arrived_forecasts, whole_event
from daemon.shell.library.kept_pits import KeptPit, kept_pits
from daemon.shell.library.minutes import minute_medians
from daemon.shell.library.rows import CookCurve, CookNotes, CookRow, UnknownCook, WakeRow
from daemon.shell.library.summary import Figures, figures, pit_minutes, yield_fraction
from daemon.shell.library.taken_back import standing
from daemon.shell.library.worked import Change, Worked, changes_in, worked
from daemon.shell.wording import with_texts

IMPORTED = "imported"
"""Directory beside the journal for cooks brought in from elsewhere."""
WAKES_SHOWN = 100
DOUBTS_BEFORE = 2 * 86400.0
"""s before a cook in which the last word on a channel is looked for."""
LONGEST_COOK = 14 * 24 * 60
"""Minutes shown of one cook, the newest: a start that a damaged row puts years ago must not fill the memory."""
LATE_END = 86400.0
"""s after the newest row in which a cook may have ended: readings packed together stand at the time of the first."""
BUSY = 5.0
"""s to wait while the watch itself writes."""


@dataclass(frozen=True, slots=True)
class CookEntry:
    """One row of the list of cooks, with the journal it stands in. settings: as it was started; worked: what it became."""

    journal: Path
    id: str
    cook: str
    name: str
    pit: str
    started: float
    ended: float | None
    wall_offset: float
    settings: CookSettings
    channels: tuple[ChannelSettings, ...]
    first_input: int
    notes: CookNotes
    figures: Figures | None
    worked: Worked
    pits: tuple[KeptPit, ...] = ()
    imported: bool = False
    """Brought in from elsewhere: no watch ran in it, so nobody was called."""

    @property
    def on_pits(self) -> str:
        """Names of the pits that had meat; with a single one its name."""
        homes = {home for own in self.worked.homes.values() for _, home in own}
        return ", ".join(pit.name for pit in self.pits if pit.key in homes) or self.pit


ENTRY_COLUMNS = "id, cook, name, pit, started, ended, wall_offset, settings, channels, first_input, notes, figures"


class CookRecords:
    """Reads the journal file and those beside it; writes nothing but notes."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal

    # --- the list ------------------------------------------------------------------------------------

    def rows(self, words: str, limit: int, watched: bool = False) -> Sequence[CookRow]:
        """Newest first, those whose name, pit, pieces, verdict, weather, day or id hold all `words`. watched: only those that
        a watch kept, whose alarms somebody could answer."""
        wanted = words.casefold().split()
        found = [entry for entry in self._entries() if all(word in _searched(entry) for word in wanted)]
        found = [entry for entry in found if not (watched and entry.imported)]
        found.sort(key=lambda entry: -_utc(entry))
        return [self._row(entry) for entry in found[:limit]]

    def compare(self, ids: Sequence[str], max_points: int) -> Sequence[CookCurve]:
        """In the order asked, all on the same steps since each one's start. Raises UnknownCook."""
        cooks = [(self._entry(cook), self.kept(cook).view()) for cook in ids]
        longest = max((len(kept.minutes) for _, kept in cooks), default=0)
        step = max(1, -(-longest // max(1, max_points)))
        return [_curve(self._row(entry, kept), kept, step) for entry, kept in cooks]

    def kept(self, cook: str) -> KeptCook:
        """Everything the journal holds of one cook. Raises UnknownCook."""
        entry = self._entry(cook)
        with reading(entry.journal) as db:
            return _kept(db, entry)

    def alarm_trail(self, cook: str) -> AlarmTrail:
        """What was said of alarms in this cook, without its readings. Raises UnknownCook."""
        entry = self._entry(cook)
        with reading(entry.journal) as db:
            end = entry.ended if entry.ended is not None else _newest_time(db, entry)
            events = tuple(e for e in _events(db, entry, end, {}, TRAIL_EVENTS))
        return AlarmTrail(entry.started, end, entry.wall_offset, events)

    def entry(self, cook: str) -> CookEntry:
        """The cook's row. Raises UnknownCook."""
        return self._entry(cook)

    def amend(self, cook: str, notes: CookNotes) -> None:
        """Put these notes in place of the old ones. Raises UnknownCook, and ValueError in words the cook can act on."""
        entry = self._entry(cook)
        check_notes(notes, entry.worked.whole)
        with closing(connect(entry.journal, timeout=BUSY)) as db, db:
            db.execute("UPDATE kept_cooks SET notes = ? WHERE id = ?", (json.dumps(asdict(notes)), cook))

    def newest_rig(self) -> str | None:
        """The text of the newest rig file the watch was started with; None where there are imported cooks only."""
        if not self._journal.exists():
            return None
        with reading(self._journal) as db:
            rig = db.execute("SELECT rig FROM starts ORDER BY input DESC LIMIT 1").fetchone()
        return rig[0] if rig else None

    def curve(self, kept: KeptCook, max_points: int) -> CookCurve:
        """Of one cook, as the viewed pit had it. Raises UnknownCook."""
        step = max(1, -(-len(kept.minutes) // max(1, max_points)))
        return _curve(self._row(self._entry(kept.id), kept), kept, step)

    def taught(self, pit: str = "") -> PitProfile:
        """What this pit taught, "" being the first; empty where nothing is known yet, and where there is no journal."""
        return kept_profile(self, pit)

    def note(self, key: str) -> Any:
        """A small JSON value of the journal, or None."""
        if not self._journal.exists():
            return None
        with reading(self._journal) as db:
            noted = db.execute("SELECT body FROM notes WHERE key = ?", (key,)).fetchone()
        return json.loads(noted[0]) if noted else None

    # --- the morning ---------------------------------------------------------------------------------

    def wakes(self) -> Sequence[WakeRow]:
        """What woke or was held back in the newest cook, newest first, with the cook's own judgement where given."""
        with reading(self._journal) as db:
            newest = db.execute("SELECT cook FROM events ORDER BY seq DESC LIMIT 1").fetchone()
            if newest is None:
                return []
            rows = db.execute(
                "SELECT time, name, body FROM events WHERE cook = ? AND name IN ('notification', 'wake-judged') "
                "ORDER BY seq DESC LIMIT ?",
                (newest[0], 10 * WAKES_SHOWN),
            ).fetchall()
        told = [(time, name, json.loads(body)) for time, name, body in rows]
        needed: dict[str, bool] = {}
        for _, name, body in reversed(told):
            if name == "wake-judged":
                needed[body["notification"]] = body["needed"]
        wakes = [_wake(time, body, needed) for time, name, body in told if name == "notification" and _counts(body)]
        return wakes[:WAKES_SHOWN]

    # --- entries -------------------------------------------------------------------------------------

    def journals(self) -> list[Path]:
        """The watch's own, and those of cooks that were brought in."""
        own = [self._journal] if self._journal.exists() else []
        return own + sorted((self._journal.parent / IMPORTED).glob("*.sqlite"))

    def _entries(self) -> Iterator[CookEntry]:
        for journal in self.journals():
            with reading(journal) as db:
                if db.execute("SELECT 1 FROM sqlite_master WHERE name = 'kept_cooks'").fetchone() is None:
                    continue  # no watch that keeps cooks has opened it yet
                rows = db.execute(f"SELECT {ENTRY_COLUMNS} FROM kept_cooks").fetchall()  # nosec B608  # a constant
                changes = tuple(changes_in(db))
                entries = [_entry_of(db, journal, row, changes) for row in rows]
            yield from (replace(entry, imported=journal != self._journal) for entry in entries)

    def _entry(self, cook: str) -> CookEntry:
        found = next((entry for entry in self._entries() if entry.id == cook), None)
        if found is None:
            raise UnknownCook(cook)
        return found

    def _row(self, entry: CookEntry, kept: KeptCook | None = None) -> CookRow:
        """A running cook's figures are worked out anew; a finished one's were kept with it."""
        known = entry.figures
        if known is None or (kept is not None and kept.pits):
            known = figures(kept or self.kept(entry.id).view())
        ended = entry.ended
        if ended is None:
            with reading(entry.journal) as db:
                ended = _newest_time(db, entry)
        return CookRow(
            id=entry.id,
            name=entry.name,
            pit=entry.on_pits if kept is None else kept.pit,
            started=_utc(entry),
            duration=max(0.0, ended - entry.started),
            pieces=tuple(piece.name for piece in entry.worked.whole.pieces),
            verdict=entry.notes.verdict,
            in_band=known.in_band,
            swing=known.swing,
            spread=known.spread,
            wood=entry.notes.wood,
            yield_fraction=yield_fraction(entry.notes.weights),
        )


@contextmanager
def reading(journal: Path) -> Iterator[sqlite3.Connection]:
    """A read connection inside one transaction, so that tidying cannot move rows under it. Damaged rows are not seen."""
    with closing(connect(f"file:{journal}?mode=ro", uri=True, isolation_level=None, timeout=BUSY)) as db:
        sound_only(db)
        db.execute("BEGIN")
        yield db


def check_notes(notes: CookNotes, settings: CookSettings) -> None:
    """Raises Unfit, in words the cook can act on."""
    pieces = {piece.id for piece in settings.pieces}
    for piece, (raw, served) in notes.weights.items():
        if piece not in pieces:
            raise Unfit("notes.no-piece", piece=piece, known=tuple(sorted(pieces)))
        if not (0 <= raw <= HEAVIEST and 0 <= served <= HEAVIEST):
            raise Unfit("notes.weight", piece=piece, most=HEAVIEST)
        if raw and served > raw:
            raise Unfit("notes.served", piece=piece, served=served, raw=raw)
    if notes.wood is not None and not 0 <= notes.wood <= MOST_WOOD:
        raise Unfit("notes.wood", most=MOST_WOOD)
    for photo in notes.photos:
        if not photo or Path(photo).name != photo or "\\" in photo:
            raise Unfit("notes.photo", photo=photo)


HEAVIEST = 500.0
"""kg of one piece: a whole animal."""
MOST_WOOD = 2000.0
"""kg."""


def _entry_of(
    db: sqlite3.Connection, journal: Path, row: tuple[Any, ...], changes: Sequence[tuple[int, float, Change]]
) -> CookEntry:
    """changes: all that the journal holds."""
    id_, cook, name, pit, started, ended, offset, plain, channels, first, notes, worked_out = row
    settings = cook_from_plain(json.loads(plain))
    own = channels_of(channels)
    meat = {channel.id for channel in own if channel.role is Role.MEAT}
    end = inf if ended is None else ended
    pits = {"", *(channel.pit for channel in own)}
    told = [(at, one) for seq, at, one in changes if seq >= first and at <= end]
    became = worked(settings, started, meat, told, pits)
    return CookEntry(
        journal, id_, cook, name, pit, started, ended, offset, settings, own, first,
        _notes(json.loads(notes)),
        None if worked_out is None else _figures(json.loads(worked_out)),
        _without_slips(db, became, cook, started, end),
        kept_pits(db, first, pit, own, settings, became),
    )  # fmt: skip


def _without_slips(db: sqlite3.Connection, became: Worked, cook: str, started: float, end: float) -> Worked:
    """Without pieces that were named by mistake: taken out before anything was done to them."""
    if not became.gone:
        return became
    rows = db.execute(
        "SELECT body FROM events WHERE cook = ? AND time >= ? AND time <= ? AND name = 'stage'", (cook, started, end)
    )
    cooked = {json.loads(body)["subject"] for (body,) in rows}
    pieces = tuple(p for p in became.whole.pieces if p.id not in became.gone or p.id in cooked)
    return replace(became, whole=replace(became.whole, pieces=pieces))


def _figures(plain: dict[str, Any]) -> Figures | None:
    """None where they are damaged: then they are worked out anew."""
    try:
        return TypeAdapter(Figures).validate_python(plain)
    except ValueError:
        return None


def _notes(plain: dict[str, Any]) -> CookNotes:
    """Without those that are damaged."""
    known = {}
    for name, kind in get_type_hints(CookNotes).items():
        with suppress(KeyError, ValueError):
            known[name] = TypeAdapter(kind).validate_python(plain[name])
    return CookNotes(**known)


def _utc(entry: CookEntry) -> float:
    return entry.started + entry.wall_offset


def _searched(entry: CookEntry) -> str:
    pieces = " ".join(f"{piece.name} {piece.cut}" for piece in entry.worked.whole.pieces)
    day = datetime.fromtimestamp(_utc(entry), UTC).strftime("%Y-%m-%d")
    notes = f"{entry.notes.verdict} {entry.notes.weather}"
    return f"{entry.id} {entry.name} {entry.on_pits} {pieces} {notes} {day}".casefold()


# --- one whole cook ------------------------------------------------------------------------------------


def _newest_time(db: sqlite3.Connection, entry: CookEntry) -> float:
    """The latest engine time the journal holds for a running cook."""
    newest = entry.started
    for table in ("inputs", "events"):
        for (time,) in db.execute(f"SELECT time FROM {table} ORDER BY seq DESC LIMIT 1"):  # nosec B608  # the two names above
            newest = max(newest, time)
    return newest


def _kept(db: sqlite3.Connection, entry: CookEntry) -> KeptCook:
    newest = _newest_time(db, entry) + MINUTE
    could_end = entry.ended is not None and entry.started <= entry.ended <= newest + LATE_END
    end = entry.ended if entry.ended is not None and could_end else newest
    inputs = db.execute(
        "SELECT time, kind, body FROM inputs WHERE seq >= ? AND kind IN (?, ?, ?) ORDER BY seq",
        (entry.first_input, BUNDLE, *BUNDLED),
    )
    rows = list(takewhile(lambda row: row[0] <= end, inputs))
    last = int(end // MINUTE)
    first = max(int(entry.started // MINUTE), last - LONGEST_COOK)
    series = minute_medians(packs_in(rows), first, last, _doubted(db, entry.started, end))
    minutes = tuple(range(first, last + 1))
    nothing = (nan,) * len(minutes)
    return KeptCook(
        id=entry.id,
        name=entry.name,
        pit=entry.pit,
        started=entry.started,
        ended=entry.ended,
        wall_offset=entry.wall_offset,
        settings=entry.worked.whole,
        channels=entry.channels,
        minutes=minutes,
        series={channel.id: series.get(channel.id, nothing) for channel in entry.channels},
        events=standing(_events(db, entry, end, arrived_forecasts(rows))),
        verdict=entry.notes.verdict,
        weather=entry.notes.weather,
        photos=entry.notes.photos,
        wood=entry.notes.wood,
        weights=entry.notes.weights,
        bands=tuple((since, band) for since, band in entry.worked.bands if since <= end),
        probes=entry.worked.probes,
        homes=entry.worked.homes,
        pits=tuple(replace(pit, bands=tuple(b for b in pit.bands if b[0] <= end)) for pit in entry.pits),
        imported=entry.imported,
    )


def _doubted(db: sqlite3.Connection, start: float, end: float) -> dict[str, list[tuple[float, float]]]:
    """Channel -> spells in which the watch did not believe it, from what it said of them."""
    spells: dict[str, list[tuple[float, float]]] = {}
    since: dict[str, float] = {}
    told = db.execute(
        "SELECT time, body FROM events WHERE name = 'quality' AND time >= ? AND time <= ? ORDER BY seq",
        (start - DOUBTS_BEFORE, end),
    )
    for time, body in told:
        event = json.loads(body)
        channel = event["channel"]
        if event["quality"] != "good":
            since.setdefault(channel, time)
        elif channel in since:
            spells.setdefault(channel, []).append((since.pop(channel), time))
    for channel, time in since.items():
        spells.setdefault(channel, []).append((time, end + MINUTE))
    return spells


def _events(
    db: sqlite3.Connection, entry: CookEntry, end: float, arrived: Arrived, names: Sequence[str] = ()
) -> Iterator[dict[str, Any]]:
    """Its events, all or those of some names, and what the cook said of its wakes later on."""
    told: set[str] = set()
    only = f" AND name IN ({', '.join('?' * len(names))})" if names else ""
    rows = db.execute(
        "SELECT name, time, wall_offset, body FROM events WHERE cook = ? AND time >= ? AND time <= ?"  # nosec B608
        f"{only} ORDER BY seq",  # as many question marks as names
        (entry.cook, entry.started, end, *names),
    )
    for name, time, offset, body in rows:
        event = whole_event(body, time, offset, arrived)
        if name == "notification":
            told.add(event["id"])
        yield with_texts(event)
    later = db.execute("SELECT body FROM events WHERE name = 'wake-judged' AND time > ? ORDER BY seq", (end,))
    for (body,) in later:
        event = json.loads(body)
        if event["notification"] in told:
            yield event


def _curve(row: CookRow, kept: KeptCook, step: int) -> CookCurve:
    """Means of `step` minutes each; the same steps for every cook that is compared."""
    time = tuple(max(0.0, minute * MINUTE - kept.started) for minute in kept.minutes[::step])
    cores = tuple(
        (piece.name, _thinned(kept.core(piece), step))
        for piece in kept.settings.pieces
        if any(channel in kept.series for _, channel in kept.probes_of(piece))
    )
    return CookCurve(row, time, _thinned(pit_minutes(kept), step), cores)


def _thinned(values: Sequence[float], step: int) -> tuple[float | None, ...]:
    buckets = (values[at : at + step] for at in range(0, len(values), step))
    return tuple(fmean(known) if (known := [v for v in b if not isnan(v)]) else None for b in buckets)


# --- wakes ---------------------------------------------------------------------------------------------


def _counts(body: dict[str, Any]) -> bool:
    return body["level"] == "wake" or bool(body["held_back"])


def _wake(time: float, body: dict[str, Any], needed: dict[str, bool]) -> WakeRow:
    body = with_texts(body)
    return WakeRow(body["id"], time, body["text"], bool(body["held_back"]), needed.get(body["id"]))
