"""A recorded cook, read as fast as it can be judged: CSV in, one JSON object a line out. Also a journal, for the same events.

CSV: `time` (RFC 3339) first, a column a channel in °C; empty = no sample, a word of Fault (`open`, `short`) = sensor fault,
`?` behind a number = the device itself doubts it; an optional column `mark` with what the cook said, see
`daemon.shell.library.order_words`.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import TextIO

from config.config_error import ConfigError
from config.cook import Cook
from config.loader import load_both
from config.problems import Problem
from config.rig import Rig
from daemon.commands.log_unit import ask_unit, in_celsius
from daemon.commands.row_pace import at_their_pace
from daemon.core.drive import Step, replayed, steps
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event, ForecastWanted, SamplesJudged
from daemon.core.forecast.outlooks import Forecaster
from daemon.core.forecast.plan import Running
from daemon.core.inputs import Input, Readings, WallClock
from daemon.core.orders import KeepPlan
from daemon.core.pit_profile import PitProfile
from daemon.core.said import Text, say
from daemon.shell.journal.journal import Journal
from daemon.shell.library.order_words import KNOWN, said_in
from daemon.shell.library.tables import DOUBTED, unguarded
from daemon.shell.wording import event_to_dict
from daemon.texts.composer import PLAIN, Composer
from daemon.wiring.composers import composer_of
from daemon.wiring.planning import AMBIENT, Weather, made_plan
from daemon.wiring.settings_from_files import watch_settings
from drivers.codecs.plausible import number_of
from drivers.reading import Fault, Quality, Reading, on_grid

_new_reading = tuple.__new__
"""A third of what the name of the tuple costs."""
FAULT_WORDS = {fault.value: fault for fault in Fault}
HOTTEST = 1000.0
"""°C, either way: beyond this no probe of this trade reads, and a journal could not hold it exactly."""
SHOWN_MISTAKES = 20
"""Lines of the log named one by one; the rest are counted."""
TEXTS_KEPT = 8192
"""Cells whose meaning is remembered: a night at 1/32 °C has fewer, and each stands there thousands of times."""
END_OF_LOG = 60.0
"""s of engine time after the last line, so that what it led to is still judged."""


@dataclass
class LogMistakes:
    """Lines and cells of a log that could not be used: counted, and the first named. said: of the log as a whole."""

    count: int = 0
    shown: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def add(self, line: int, column: str, value: str, why: Text, told: bool = True) -> None:
        """told: False = one more of a run of which the first has been told."""
        self.count += 1
        if told and len(self.shown) < SHOWN_MISTAKES:
            self.shown.append(PLAIN.words("command.log.line", line=line, column=column, value=value[:40], why=why))


def open_log(log: Path) -> TextIO:
    """Also with the mark that spreadsheets put first, and with bytes that are no UTF-8 (the cell they stand in is named)."""
    return log.open(newline="", encoding="utf-8-sig", errors="replace")


LINES_THAT_TELL = 5000
"""Lines from which the pace of a log is told."""
MOST_COLUMNS = 512
"""Of a recorded cook: far more than probes fit into a pit, and few enough to be judged in time."""


def log_header(rows: Iterator[list[str]], name: str, channels: Iterable[str] | None) -> list[str]:
    """The first line of a log, checked. channels: ids of the rig, None = any. Raises ConfigError."""
    header = [unguarded(h.strip()) for h in next(rows, [])]
    if len(header) == 1 and header[0].startswith("time;"):
        raise ConfigError([Problem(name, "(header)", header[0][:60], PLAIN.words("command.log.semicolons"))])
    if not header:
        raise ConfigError([Problem(name, "", "", PLAIN.words("command.log.empty"))])
    if header[0] != "time":
        raise ConfigError([Problem(name, "(header)", ",".join(header)[:60], PLAIN.words("command.log.time-first"))])
    if len(header) > MOST_COLUMNS:
        remedy = PLAIN.words("command.log.columns", most=MOST_COLUMNS)
        raise ConfigError([Problem(name, "(header)", f"{len(header)} columns", remedy)])
    twice = [title for title, times in Counter(header).items() if times > 1]
    if twice:
        raise ConfigError([Problem(name, "(header)", repr(twice[0]), PLAIN.words("command.log.twice"))])
    known = set(header[1:]) if channels is None else set(channels)
    strange = [h for h in header[1:] if h != "mark" and h not in known]
    if strange:
        remedy = PLAIN.words("command.log.no-channel", known=tuple(sorted(known)))
        raise ConfigError([Problem(name, "(header)", repr(strange[0]), remedy)])
    return header


def read_log(
    file: TextIO, name: str, channels: Iterable[str] | None, mistakes: LogMistakes
) -> Iterator[tuple[float, Input]]:
    """Inputs of a recorded cook. Raises ConfigError when the header cannot be used; a bad cell is counted and skipped."""
    rows = csv.reader(file)
    header = log_header(rows, name, channels)
    columns = [(index, title) for index, title in enumerate(header) if index and title != "mark"]
    mark_column = header.index("mark") if "mark" in header else None
    last, back = float("-inf"), False
    for number, row in csv_lines(rows, mistakes):
        for extra in row[len(header) :]:
            if extra.strip():
                mistakes.add(number, "(none)", extra, PLAIN.words("command.log.beyond"))
        now = utc_of(row[0])
        if now is None:
            mistakes.add(number, "time", row[0], PLAIN.words("command.log.no-time"))
            continue
        if now < last:
            mistakes.add(number, "time", row[0], PLAIN.words("command.log.earlier"), told=not back)
            back = True
            continue
        last, back = now, False
        readings, cells = [], len(row)
        for index, channel in columns:
            if index >= cells:
                break
            text = row[index]
            if text:
                value = _value(text)
                if value is not None:
                    celsius, fault, quality = value
                    readings.append(_new_reading(Reading, (channel, celsius, now, fault, quality, None)))
                elif not text.isspace():
                    mistakes.add(number, channel, text.strip(), NOT_A_READING)
        if readings:
            yield now, Readings(tuple(readings))
        if mark_column is not None and mark_column < len(row) and row[mark_column].strip():
            said = said_in(unguarded(row[mark_column]).strip())
            if said is None:
                mistakes.add(number, "mark", row[mark_column], PLAIN.words("command.log.no-mark", known=KNOWN))
            else:
                yield now, said


def reading_times(log: Path) -> dict[str, list[float]]:
    """UTC, s, by channel, of the readings in the first lines of a log: it is written at one pace."""
    with open_log(log) as file:
        rows = csv.reader(file)
        header = [unguarded(title.strip()) for title in next(rows, [])]
        times: dict[str, list[float]] = {title: [] for title in header[1:] if title != "mark"}
        for _, row in islice(csv_lines(rows, LogMistakes()), LINES_THAT_TELL):
            now = utc_of(row[0])
            for title, cell in zip(header[1:], row[1:], strict=False):
                if now is not None and title in times and cell.strip() and now > (times[title] or [0.0])[-1]:
                    times[title].append(now)
    return times


def csv_lines(rows: Iterator[list[str]], mistakes: LogMistakes) -> Iterator[tuple[int, list[str]]]:
    """Line numbers and cells of what is not empty; a line that is no CSV is counted."""
    number = 1
    while True:
        number += 1
        try:
            row = next(rows, None)
        except csv.Error as error:
            mistakes.add(number, "(all)", "", str(error))
            continue
        if row is None:
            return
        if row:
            yield number, row


NOT_A_READING = say("command.log.no-reading", most=HOTTEST, words=tuple(FAULT_WORDS))


def utc_of(text: str) -> float | None:
    """UTC seconds on whole milliseconds, or None."""
    try:
        at = datetime.fromisoformat(text.strip())
    except ValueError:
        return None
    return None if at.tzinfo is None else round(at.timestamp(), 3)


@lru_cache(maxsize=TEXTS_KEPT)
def _value(text: str) -> tuple[float | None, Fault | None, Quality] | None:
    """What one cell says: (°C, fault, quality), or None."""
    text = text.strip()
    if text in FAULT_WORDS:
        return None, FAULT_WORDS[text], Quality.GOOD
    quality = Quality.SUSPECT if text.endswith(DOUBTED) else Quality.GOOD
    try:
        celsius = number_of(text.removesuffix(DOUBTED))
    except ValueError:
        return None
    return (on_grid(celsius), None, quality) if abs(celsius) <= HOTTEST else None


def with_forecasts(engine: Engine, inputs: Iterable[tuple[float, Input]]) -> Iterator[Event]:
    """Events of the inputs, with each forecast computed on the spot and put back in at the moment it was asked for."""
    last, forecaster = 0.0, Forecaster()
    for now, item in inputs:
        last = now
        yield from _answered(engine, steps(engine, now, item), forecaster)
    yield from _answered(engine, steps(engine, last + END_OF_LOG), forecaster)


def _answered(engine: Engine, taken: Iterable[Step], forecaster: Forecaster) -> Iterator[Event]:
    for _, _, events in taken:
        for event in events:
            if isinstance(event, ForecastWanted):
                yield from engine.handle(forecaster(event.request), event.time)
            else:
                yield event


def with_plan(inputs: Iterator[tuple[float, Input]], rig: Rig, cook: Cook | None) -> Iterator[tuple[float, Input]]:
    """A cook file that asks for it has its plan kept from the first line on, as the watch does."""
    if cook is not None and cook.plan is not None and cook.serve_at is not None:
        for now, item in islice(inputs, 1):
            yield now, item
            weather = Weather(AMBIENT if cook.plan.ambient is None else cook.plan.ambient, cook.plan.wind)
            made = made_plan(
                rig,
                watch_settings(rig, cook),
                "cook file",
                weather,
                PitProfile(),
                now,
                cook.plan.wake,
                running=Running(now, {}, {}),
            )
            yield now, KeepPlan(made.kept, "cook file")
    yield from inputs


def replay_log(
    log: Path, rig_file: Path, cook_file: Path | None, out: TextIO, unit: str = ""
) -> tuple[int, LogMistakes]:
    """Write every lasting event as a JSON line. unit: as `import_csv` takes it. Returns (readings judged, mistakes). Raises
    ConfigError, OSError."""
    rig, cook = load_both(rig_file, cook_file)
    settings, mistakes = watch_settings(rig, cook), LogMistakes()
    channels, mistakes.said = at_their_pace(settings.channels, reading_times(log), str(log))
    engine, composer = Engine(replace(settings, channels=channels)), composer_of(rig)
    ids = [c.id for c in rig.channels]
    if not unit:
        with open_log(log) as file:
            first = islice(read_log(file, str(log), ids, LogMistakes()), LINES_THAT_TELL)
            ask_unit(first, settings.channels, str(log))
    readings = 0
    with open_log(log) as file:
        inputs = in_celsius(read_log(file, str(log), ids, mistakes), unit)
        for event in with_forecasts(engine, with_plan(inputs, rig, cook)):
            if isinstance(event, SamplesJudged):
                readings += len(event.samples)
            else:
                _write(event, composer, engine.wall.offset, out)
    return readings, mistakes


def replay_journal(journal: Journal, rig_file: Path, cook_file: Path | None, out: TextIO) -> None:
    """The events of a live run once more, from its journal's inputs; forecasts are among those inputs."""
    rig, cook = load_both(rig_file, cook_file)
    first = next((item for _, item in journal.inputs() if isinstance(item, WallClock)), None)
    engine = Engine(watch_settings(rig, cook, first.offset if first else 0.0))
    composer = composer_of(rig)
    for event in replayed(engine, journal.inputs(), until=journal.newest_event_time()):
        _write(event, composer, engine.wall.offset, out)


def _write(event: Event, composer: Composer, wall_offset: float, out: TextIO) -> None:
    if type(event) in EVENT_NAMES:
        spoken = composer.at(wall_offset).spoken(event)
        out.write(json.dumps(event_to_dict(spoken, wall_offset), ensure_ascii=False) + "\n")
