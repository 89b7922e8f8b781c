"""Kept cooks as tables: CSV that any program opens and `pitvigil replay` reads back, and Parquet.

`time` (RFC 3339) first, a column a channel in °C, and `mark` (see `order_words`). A cell is empty where nothing was read, a
word of Fault where the probe failed, and ends with DOUBTED where the device itself doubted it. A line is a batch of
readings as it came (`lines_of_readings`) or a minute (`lines_of_minutes`); a mark has a line of its own.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile
from math import isnan
from pathlib import Path
from typing import Any, TextIO

from daemon.core.inputs import Input, Readings
from daemon.core.orders import Mark
from daemon.core.readings.trace import MINUTE
from daemon.shell.journal.packed_inputs import inputs_of
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.order_words import mark_word, word_of
from daemon.shell.library.records import CookEntry, reading
from daemon.shell.library.summary import utc_seconds
from daemon.shell.wording import rfc3339
from daemon.texts.composer import PLAIN
from drivers.reading import Fault, Quality, Reading

DOUBTED = "?"
GUARD = "'"
FORMULA_BEGINS = ("=", "+", "-", "@", "\t", "\r", GUARD)
"""A spreadsheet takes a cell that begins so for a formula and may run it (CWE-1236), so it gets GUARD in front; GUARD
itself is guarded too, so that `unguarded` gives back exactly what was written."""
MARK_COLUMNS = ("time", "mark", "by", "note")
"""Of the table of marks, which keeps what a cell of the other has no room for."""
ROWS_AT_ONCE = 5000
"""Rows of Parquet held before they are written."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the table: UTC s, cells by channel, mark or empty."""

    time: float
    cells: Mapping[str, str]
    mark: str = ""


class MissingExtra(Exception):
    """An optional part is not installed; the text names it."""


def guarded(text: str) -> str:
    """A word from outside (a channel's name, a note) as no spreadsheet takes it for a formula. Readings are numbers: they
    need no guard."""
    return GUARD + text if text.startswith(FORMULA_BEGINS) else text


def unguarded(cell: str) -> str:
    """What `guarded` was given."""
    return cell.removeprefix(GUARD)


# --- lines ---------------------------------------------------------------------------------------------


def kept_inputs(entry: CookEntry) -> Iterator[tuple[float, Input]]:
    """Every input of the cook with its engine time, oldest first."""
    end = float("inf") if entry.ended is None else entry.ended
    with reading(entry.journal) as db:
        rows = db.execute("SELECT time, kind, body FROM inputs WHERE seq >= ? ORDER BY seq", (entry.first_input,))
        for row in takewhile(lambda row: row[0] <= end, rows):
            yield from ((now, item) for now, item in inputs_of(*row) if now <= end)


def lines_of_readings(inputs: Iterable[tuple[float, Input]], wall_offset: float) -> Iterator[Line]:
    """A channel that speaks twice in one batch gets a second line. What a line cannot hold is left out: the amplifier's
    own temperature, and ms between measuring and hearing."""
    for now, item in inputs:
        time = now + wall_offset
        if (word := word_of(item, wall_offset)) is not None:
            yield Line(time, {}, word)
        elif isinstance(item, Readings):
            cells: dict[str, str] = {}
            for one in item.readings:
                if one.channel in cells:
                    yield Line(time, cells)
                    cells = {}
                cells[one.channel] = _cell(one)
            if cells:
                yield Line(time, cells)


def lines_of_minutes(cook: KeptCook) -> list[Line]:
    """Medians of what was believed, and the marks between them."""
    minutes = [
        Line(
            minute * MINUTE + cook.wall_offset,
            {channel: f"{values[at]:.3f}" for channel, values in cook.series.items() if not isnan(values[at])},
        )
        for at, minute in enumerate(cook.minutes)
    ]
    marks = [Line(utc_seconds(event["time"]), {}, word) for event in cook.events if (word := _event_word(event))]
    return sorted(minutes + marks, key=lambda line: line.time)


def _event_word(event: Mapping[str, Any]) -> str:
    """Of a mark or a spot reading; of any other event "". What was taken back is not among a kept cook's events."""
    done = event["at"] if event.get("at") not in (None, event["time"]) else ""
    when = f"@{done}" if done else ""
    if event["event"] == "mark":
        return mark_word(event["kind"], event["piece"], event.get("note", ""), event.get("pit", "")) + when
    return f"spot:{event['piece']}:{event['celsius']!r}{when}" if event["event"] == "spot" else ""


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


# --- files ---------------------------------------------------------------------------------------------


def write_csv(channels: Sequence[str], lines: Iterable[Line], out: TextIO) -> int:
    """Returns the number of readings."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["time", *map(guarded, channels), "mark"])
    readings = 0
    for line in lines:
        writer.writerow(
            [rfc3339(line.time), *(line.cells.get(channel, "") for channel in channels), guarded(line.mark)]
        )
        readings += len(line.cells)
    return readings


def minutes_csv(cook: KeptCook) -> str:
    """The table of a cook a minute a line, with the channels that were read."""
    out = io.StringIO()
    write_csv([channel.id for channel in cook.channels if channel.id in cook.series], lines_of_minutes(cook), out)
    return out.getvalue()


def write_marks(inputs: Iterable[tuple[float, Input]], wall_offset: float, out: TextIO) -> None:
    """Everything that people said, with who said it and, of a mark, its note."""
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(MARK_COLUMNS)
    for now, item in inputs:
        word = word_of(item, wall_offset)
        if word is not None:
            words = (word, getattr(item, "by", ""), item.note if isinstance(item, Mark) else "")
            writer.writerow([rfc3339(now + wall_offset), *map(guarded, words)])


def write_parquet(entry: CookEntry, file: Path) -> int:
    """The table with typed columns: time (ms, UTC), a float column a channel, a text column `CHANNEL.fault` where a probe
    failed or was doubted, mark. Returns the number of readings. Raises MissingExtra."""
    try:
        import pyarrow as pa
        import pyarrow.parquet as pq
    except ImportError as error:
        raise MissingExtra(PLAIN.words("command.cooks.no-parquet")) from error
    channels = [channel.id for channel in entry.channels]
    faulty = sorted(
        {channel for line in _lines(entry) for channel, cell in line.cells.items() if _split(cell)[1] is not None}
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

        for line in _lines(entry):
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


def _lines(entry: CookEntry) -> Iterator[Line]:
    return lines_of_readings(kept_inputs(entry), entry.wall_offset)
