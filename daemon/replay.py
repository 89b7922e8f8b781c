"""A recorded cook, read as fast as it can be judged: CSV in, one JSON object a line out. Also a journal, for the same events.

CSV: `time` (RFC 3339) first, a column a channel in °C; empty = no sample, `open` or `short` = sensor fault; an optional
column `mark` with what the cook did: a word of MarkKind, or `word:piece`.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from math import isfinite
from pathlib import Path
from typing import TextIO

from config.loader import ConfigError, Problem, load_both
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event, ForecastWanted
from daemon.core.forecast import forecast
from daemon.core.inputs import Input, Mark, MarkKind, Readings, WallClock
from daemon.settings_from_files import watch_settings
from daemon.shell.journal import Journal
from daemon.shell.resume import replayed
from daemon.shell.wording import event_to_dict
from drivers.reading import Fault, Reading, on_grid

FAULT_WORDS = {"open": Fault.OPEN_CIRCUIT, "short": Fault.SHORT_CIRCUIT}
SHOWN_MISTAKES = 20
"""Lines of the log named one by one; the rest are counted."""
END_OF_LOG = 60.0
"""s of engine time after the last line, so that what it led to is still judged."""


@dataclass
class LogMistakes:
    """Lines and cells of a log that could not be used: counted, and the first named."""

    count: int = 0
    shown: list[str] = field(default_factory=list)

    def add(self, line: int, column: str, value: str, why: str) -> None:
        self.count += 1
        if len(self.shown) < SHOWN_MISTAKES:
            self.shown.append(f"line {line}, column {column!r} = {value[:40]!r}: {why}")


def read_log(file: TextIO, name: str, channels: Iterable[str], mistakes: LogMistakes) -> Iterator[tuple[float, Input]]:
    """Inputs of a recorded cook. Raises ConfigError when the header cannot be used; a bad cell is counted and skipped."""
    rows = csv.reader(file)
    header = [h.strip() for h in next(rows, [])]
    known = set(channels)
    if not header or header[0] != "time":
        raise ConfigError([Problem(name, "(header)", ",".join(header)[:60], "the first column must be `time`")])
    strange = [h for h in header[1:] if h != "mark" and h not in known]
    if strange:
        remedy = f"no channel of the rig has this id; the rig has: {', '.join(sorted(known))}"
        raise ConfigError([Problem(name, "(header)", repr(strange[0]), remedy)])
    columns = [(index, title) for index, title in enumerate(header) if index and title != "mark"]
    mark_column = header.index("mark") if "mark" in header else None
    last = float("-inf")
    for number, row in enumerate(rows, start=2):
        if not row:
            continue
        now = _time(row[0])
        if now is None:
            mistakes.add(number, "time", row[0], "not an RFC 3339 time with an offset")
            continue
        if now < last:
            mistakes.add(number, "time", row[0], "earlier than the line before; the line is left out")
            continue
        last = now
        readings = []
        for index, channel in columns:
            text = row[index].strip() if index < len(row) else ""
            if text:
                reading = _reading(channel, text, now)
                if reading is None:
                    mistakes.add(number, channel, text, "neither a number of °C nor `open` nor `short`")
                else:
                    readings.append(reading)
        if readings:
            yield now, Readings(tuple(readings))
        if mark_column is not None and mark_column < len(row) and row[mark_column].strip():
            mark = _mark(row[mark_column].strip())
            if mark is None:
                mistakes.add(number, "mark", row[mark_column], f"known: {', '.join(MarkKind)}")
            else:
                yield now, mark


def _time(text: str) -> float | None:
    """UTC seconds on whole milliseconds, or None."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return None if at.tzinfo is None else round(at.timestamp(), 3)


def _reading(channel: str, text: str, now: float) -> Reading | None:
    if text in FAULT_WORDS:
        return Reading(channel, None, now, FAULT_WORDS[text])
    try:
        celsius = float(text)
    except ValueError:
        return None
    return Reading(channel, on_grid(celsius), now) if isfinite(celsius) else None


def _mark(text: str) -> Mark | None:
    """ "log", or "wrapped:chuck" where it concerns one piece."""
    word, _, piece = text.partition(":")
    return Mark(MarkKind(word), piece or None) if word in set(MarkKind) else None


def with_forecasts(engine: Engine, inputs: Iterable[tuple[float, Input]]) -> Iterator[Event]:
    """Events of the inputs, with each forecast computed on the spot and put back in at the moment it was asked for."""
    last = 0.0

    def followed() -> Iterator[tuple[float, Input]]:
        nonlocal last
        for now, item in inputs:
            last = now
            yield now, item

    yield from _answered(engine, replayed(engine, followed()))
    yield from _answered(engine, replayed(engine, (), until=last + END_OF_LOG))


def _answered(engine: Engine, events: Iterable[Event]) -> Iterator[Event]:
    for event in events:
        if isinstance(event, ForecastWanted):
            yield from engine.handle(forecast(event.request), event.time)
        else:
            yield event


def replay_log(log: Path, rig_file: Path, cook_file: Path | None, out: TextIO) -> tuple[int, LogMistakes]:
    """Write every lasting event as a JSON line. Returns (readings judged, mistakes). Raises ConfigError, OSError."""
    rig, cook = load_both(rig_file, cook_file)
    engine = Engine(watch_settings(rig, cook))
    mistakes = LogMistakes()
    readings = 0

    def counted(inputs: Iterator[tuple[float, Input]]) -> Iterator[tuple[float, Input]]:
        nonlocal readings
        for now, item in inputs:
            if isinstance(item, Readings):
                readings += len(item.readings)
            yield now, item

    with log.open(newline="", encoding="utf-8") as file:
        inputs = read_log(file, str(log), (c.id for c in rig.channels), mistakes)
        for event in with_forecasts(engine, counted(inputs)):
            _write(event, engine.wall.offset, out)
    return readings, mistakes


def replay_journal(journal: Journal, rig_file: Path, cook_file: Path | None, out: TextIO) -> None:
    """The events of a live run once more, from its journal's inputs; forecasts are among those inputs."""
    rig, cook = load_both(rig_file, cook_file)
    first = next((item for _, item in journal.inputs() if isinstance(item, WallClock)), None)
    engine = Engine(watch_settings(rig, cook, first.offset if first else 0.0))
    for event in replayed(engine, journal.inputs(), until=journal.newest_event_time()):
        _write(event, engine.wall.offset, out)


def _write(event: Event, wall_offset: float, out: TextIO) -> None:
    if type(event) in EVENT_NAMES:
        out.write(json.dumps(event_to_dict(event, wall_offset), ensure_ascii=False) + "\n")
