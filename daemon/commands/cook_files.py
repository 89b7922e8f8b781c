"""Cooks out of and into the library: CSV as `pitvigil replay` reads it, and Parquet.

A cook that is brought in gets a journal of its own beside the watch's, judged anew from its readings and marks: the running
watch is not disturbed, and everything that can be asked of a kept cook can be asked of it.
"""

from __future__ import annotations

import csv
import json
import sqlite3
import sys
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from datetime import UTC
from itertools import takewhile
from pathlib import Path
from typing import Any, TextIO

from config.loader import load_both
from config.problems import ConfigError, Problem
from daemon.commands.replay import (
    DOUBTED,
    END_OF_LOG,
    LogMistakes,
    csv_lines,
    log_header,
    mark_of,
    open_log,
    read_log,
    utc_of,
)
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event
from daemon.core.inputs import Input, Mark, MarkKind, Readings, Resumed
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from daemon.shell.journal.journal import Journal
from daemon.shell.journal.packed_inputs import inputs_of
from daemon.shell.library.archive import free_id, row_of_cook
from daemon.shell.library.compaction import compact
from daemon.shell.library.records import IMPORTED, CookEntry, CookRecords, reading
from daemon.shell.library.summary import figures
from daemon.shell.resume import replayed
from daemon.shell.wording import event_to_dict, mark_word, rfc3339
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Fault, Quality, Reading

MARK_COLUMNS = ("time", "mark", "by", "note")
"""Of the second file, which keeps what a cell of the first has no room for."""
ROLE_BY_NAME = (
    ("pit", Role.PIT), ("grate", Role.PIT), ("outside", Role.AMBIENT), ("ambient", Role.AMBIENT),
    ("cabinet", Role.HOLD), ("hold", Role.HOLD),
)  # fmt: skip
"""How a column's name begins, and what it then measures; any other is meat."""
USUAL_BAND = Band(107.0, 135.0)
SLOWEST_CHANNEL = 300.0
"""s without a reading after which an imported channel counts as silent: logs of other origin are often slow."""
ROWS_AT_ONCE = 5000


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: UTC s, cells by channel, mark or empty."""

    time: float
    cells: Mapping[str, str]
    mark: str = ""


# --- out -----------------------------------------------------------------------------------------------


def export_csv(entry: CookEntry, out: TextIO, marks_out: TextIO | None = None) -> int:
    """Write a kept cook; returns the number of readings. marks_out: a second file with who made each mark, and its note.
    What a line cannot hold is left out: the amplifier's own temperature, and ms between measuring and hearing."""
    channels = [channel.id for channel in entry.channels]
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *channels, "mark"])
    marks = csv.writer(marks_out, lineterminator="\n") if marks_out is not None else None
    if marks is not None:
        marks.writerow(MARK_COLUMNS)
    readings = 0
    for now, item in kept_inputs(entry):
        if isinstance(item, Readings):
            readings += len(item.readings)
        elif isinstance(item, Mark) and marks is not None:
            word = mark_word(item.kind, item.piece, item.note)
            marks.writerow([rfc3339(now + entry.wall_offset), word, item.by, item.note])
        for line in _lines(now + entry.wall_offset, item):
            writer.writerow([rfc3339(line.time), *(line.cells.get(c, "") for c in channels), line.mark])
    return readings


def export_parquet(entry: CookEntry, file: Path) -> int:
    """The same table with typed columns: time (ms, UTC), a float column a channel, a text column `CHANNEL.fault` where a
    probe failed or was doubted, mark. Raises MissingExtra."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise MissingExtra("Parquet needs the extra `parquet`: pip install 'pitvigil[parquet]'") from error
    channels = [channel.id for channel in entry.channels]
    faulty = sorted(
        {
            c
            for _, item in kept_inputs(entry)
            for line in _lines(0.0, item)
            for c, t in line.cells.items()
            if _split(t)[1]
        }
    )
    schema = pa.schema([
        ("time", pa.timestamp("ms", tz="UTC")),
        *((channel, pa.float64()) for channel in channels),
        *((f"{channel}.fault", pa.string()) for channel in faulty),
        ("mark", pa.string()),
    ]).with_metadata({"cook": json.dumps({"id": entry.id, "name": entry.name, "pit": entry.pit})})  # fmt: skip
    readings = 0
    with pq.ParquetWriter(file, schema, compression="zstd") as writer:
        columns: dict[str, list[Any]] = {name: [] for name in schema.names}

        def flush() -> None:
            if columns["time"]:
                writer.write_table(pa.table(columns, schema=schema))
            for column in columns.values():
                column.clear()

        for now, item in kept_inputs(entry):
            for line in _lines(now + entry.wall_offset, item):
                columns["time"].append(round(line.time * 1000))
                columns["mark"].append(line.mark or None)
                for channel in channels:
                    value, fault = _split(line.cells.get(channel, ""))
                    columns[channel].append(value)
                    if channel in faulty:
                        columns[f"{channel}.fault"].append(fault)
                readings += len(line.cells)
            if len(columns["time"]) >= ROWS_AT_ONCE:
                flush()
        flush()
    return readings


class MissingExtra(Exception):
    """An optional part is not installed; the text names it."""


def kept_inputs(entry: CookEntry) -> Iterator[tuple[float, Input]]:
    """Everything the watch was told during the cook, oldest first."""
    end = float("inf") if entry.ended is None else entry.ended
    with reading(entry.journal) as db:
        rows = db.execute("SELECT time, kind, body FROM inputs WHERE seq >= ? ORDER BY seq", (entry.first_input,))
        for row in takewhile(lambda row: row[0] <= end, rows):
            yield from ((now, item) for now, item in inputs_of(*row) if now <= end)


def _lines(utc: float, item: Input) -> Iterator[Line]:
    """A mark has a line of its own; so has a channel that speaks twice in one batch."""
    if isinstance(item, Mark):
        yield Line(utc, {}, mark_word(item.kind, item.piece, item.note))
    elif isinstance(item, Readings):
        cells: dict[str, str] = {}
        for one in item.readings:
            if one.channel in cells:
                yield Line(utc, cells)
                cells = {}
            cells[one.channel] = _cell(one)
        if cells:
            yield Line(utc, cells)


def _cell(one: Reading) -> str:
    """Exact: the grid of readings has at most five decimals."""
    if one.fault is not None or one.celsius is None:
        return (one.fault or Fault.NOT_KNOWN).value
    return f"{one.celsius:.5f}".rstrip("0").rstrip(".") + (DOUBTED if one.quality is not Quality.GOOD else "")


def _split(cell: str) -> tuple[float | None, str | None]:
    """(°C, fault or DOUBTED)."""
    if not cell:
        return None, None
    try:
        return float(cell.removesuffix(DOUBTED)), DOUBTED if cell.endswith(DOUBTED) else None
    except ValueError:
        return None, cell


# --- in ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Imported:
    id: str
    readings: int
    mistakes: LogMistakes
    mark_mistakes: LogMistakes


def import_csv(
    log: Path,
    journal: Path,
    name: str,
    pit: str,
    rig_file: Path | None = None,
    cook_file: Path | None = None,
    marks_file: Path | None = None,
    band: Band = USUAL_BAND,
) -> Imported:
    """Bring a recorded cook into the library of this journal. Raises ConfigError and OSError. rig_file, cook_file: what is
    known of its probes and pieces; without them a column's name says what it measures, and each meat probe is a piece."""
    with open_log(log) as file:
        header = log_header(csv.reader(file), str(log), None)
    settings = _settings(header, name, pit, rig_file, cook_file, band)
    mistakes, mark_mistakes = LogMistakes(), LogMistakes()
    with open_log(log) as file:
        inputs = list(read_log(file, str(log), [c.id for c in settings.channels], mistakes))
    if marks_file is not None:
        with open_log(marks_file) as file:
            inputs = _with_marks(inputs, list(_read_marks(file, str(marks_file), mark_mistakes)))
    if not inputs:
        raise ConfigError([Problem(str(log), "(rows)", "", "no line of it can be used")])
    taken = {row.id for row in CookRecords(journal).rows("", sys.maxsize)}
    id_ = free_id(settings.cook.id, inputs[0][0], taken.__contains__)
    home = journal.parent / IMPORTED
    home.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=home, prefix=".part-") as made:
        whole = Path(made) / "journal.sqlite"
        _judge(whole, id_, settings, inputs)
        whole.rename(home / f"{id_}.sqlite")
    readings = sum(len(item.readings) for _, item in inputs if isinstance(item, Readings))
    return Imported(id_, readings, mistakes, mark_mistakes)


def _settings(
    header: list[str], name: str, pit: str, rig_file: Path | None, cook_file: Path | None, band: Band
) -> WatchSettings:
    ids = [title for title in header[1:] if title != "mark"]
    if rig_file is not None:
        rig, cook = load_both(rig_file, cook_file)
        known = watch_settings(rig, cook)
        channels, announcing, boiling = known.channels, known.announcing, known.boiling_point
        told = known.cook if cook is not None else CookSettings("", name, known.cook.band, _pieces(ids, channels))
    else:
        channels = tuple(ChannelSettings(i, i, _role(i), place=i, stale_after=SLOWEST_CHANNEL) for i in ids)
        announcing, boiling = AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC)), 100.0
        told = CookSettings("", name, band, _pieces(ids, channels))
    return WatchSettings("pit", pit, channels, replace(told, id=key_of(name), name=name), announcing, boiling)


def _role(channel: str) -> Role:
    return next((role for begin, role in ROLE_BY_NAME if channel.lower().startswith(begin)), Role.MEAT)


def _pieces(ids: list[str], channels: tuple[ChannelSettings, ...]) -> tuple[PieceSettings, ...]:
    """A piece for every meat probe of the table, of which nothing else is known."""
    meat = [channel for channel in channels if channel.role is Role.MEAT and channel.id in ids]
    return tuple(PieceSettings(c.id, c.name, "", MeatKind.OTHER, c.id, 0.0, 0.1, 1.0) for c in meat)


def key_of(name: str) -> str:
    """A cook's name as an id: small letters, digits and dashes."""
    letters = "".join(letter if letter.isascii() and letter.isalnum() else " " for letter in name.lower())
    return "-".join(letters.split())[:40] or "cook"


def _read_marks(file: TextIO, name: str, mistakes: LogMistakes) -> Iterator[tuple[float, Mark]]:
    rows = csv.reader(file)
    header = [h.strip() for h in next(rows, [])]
    if header[:2] != list(MARK_COLUMNS[:2]) or set(header) - set(MARK_COLUMNS):
        remedy = f"the columns are {', '.join(MARK_COLUMNS)}; the first two must be there"
        raise ConfigError([Problem(name, "(header)", ",".join(header)[:60], remedy)])
    for number, row in csv_lines(rows, mistakes):
        cells = dict(zip(header, row, strict=False))
        now, mark = utc_of(cells["time"]), mark_of(cells.get("mark", "").strip())
        if now is None:
            mistakes.add(number, "time", cells["time"], "not an RFC 3339 time with an offset")
        elif mark is None:
            mistakes.add(number, "mark", cells.get("mark", ""), f"known: {', '.join(MarkKind)}")
        else:
            yield now, replace(mark, by=cells.get("by") or mark.by, note=cells.get("note") or mark.note)


def _with_marks(inputs: list[tuple[float, Input]], marks: list[tuple[float, Mark]]) -> list[tuple[float, Input]]:
    """The second file knows more of a mark that stands in both; what only it has is put in its place in time."""
    fuller = {(now, mark.kind, mark.piece): mark for now, mark in marks}
    merged: list[tuple[float, Input]] = []
    for now, item in inputs:
        known = fuller.pop((now, item.kind, item.piece), item) if isinstance(item, Mark) else item
        merged.append((now, known))
    merged += [(now, mark) for (now, _, _), mark in fuller.items()]
    return sorted(merged, key=lambda row: row[0])  # stable: what came together stays in its order


def _judge(file: Path, id_: str, settings: WatchSettings, inputs: list[tuple[float, Input]]) -> None:
    """Make the journal of a cook as if it had been watched; nobody is told, nothing is forecast."""
    first, last = inputs[0][0], inputs[-1][0] + END_OF_LOG
    engine, cook = Engine(settings), settings.cook
    with closing(Journal(file)) as journal:

        def keep(events: Iterable[Event]) -> None:
            for event in events:
                if type(event) in EVENT_NAMES:
                    journal.take_event(event.time, 0.0, EVENT_NAMES[type(event)], cook.id, event_to_dict(event, 0.0))

        journal.change(*row_of_cook(id_, cook, settings, first, last, 0.0, 1))
        for number, (now, item) in enumerate([(first, Resumed()), *inputs]):
            keep(replayed(engine, [(now, item)]))
            journal.take_input(item, now)
            if number % ROWS_AT_ONCE == 0:
                journal.commit(now)
        keep(replayed(engine, (), until=last))
        journal.take_checkpoint(last, engine.dump())  # all before it may be tidied
        journal.commit(last)
    compact(file)
    worked_out = json.dumps(asdict(figures(CookRecords(file).kept(id_))))
    with closing(sqlite3.connect(file)) as db:
        db.execute("UPDATE kept_cooks SET figures = ?", (worked_out,))
        db.execute("DELETE FROM checkpoints")
        db.commit()
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("VACUUM")
