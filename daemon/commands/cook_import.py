"""Cooks brought into the library from tables: CSV as `pitvigil replay` reads it.

A cook that is brought in gets a journal of its own beside the watch's, judged anew from its readings and marks: the running
watch is not disturbed, and everything that can be asked of a kept cook can be asked of it.
"""

from __future__ import annotations

import csv
import json
import sqlite3
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import closing
from dataclasses import asdict, dataclass, replace
from datetime import UTC
from pathlib import Path
from typing import TextIO

from config.config_error import ConfigError
from config.loader import load_both
from config.problems import Problem
from daemon.commands.log_unit import all_in_celsius
from daemon.commands.replay import (
    END_OF_LOG,
    LogMistakes,
    csv_lines,
    log_header,
    open_log,
    read_log,
    reading_times,
    utc_of,
)
from daemon.commands.row_pace import at_their_pace
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Event
from daemon.core.inputs import Input, Readings, Resumed
from daemon.core.orders import Mark
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
from daemon.shell.library.archive import free_id, row_of_cook
from daemon.shell.library.compaction import compact
from daemon.shell.library.order_words import KNOWN, Said, said_in, word_of
from daemon.shell.library.records import IMPORTED, CookRecords
from daemon.shell.library.summary import figures
from daemon.shell.library.tables import MARK_COLUMNS, unguarded
from daemon.shell.wording import event_to_dict
from daemon.texts.composer import PLAIN
from daemon.texts.problems import in_a_line
from daemon.wiring.learned import learned
from daemon.wiring.settings_from_files import watch_settings

ROLE_BY_NAME = (
    ("pit", Role.PIT), ("grate", Role.PIT), ("outside", Role.AMBIENT), ("ambient", Role.AMBIENT),
    ("cabinet", Role.HOLD), ("hold", Role.HOLD),
)  # fmt: skip
"""How a column's name begins, and what it then measures; any other is meat."""
USUAL_BAND = Band(107.0, 135.0)
SLOWEST_CHANNEL = 300.0
"""s without a reading after which an imported channel counts as silent: logs of other origin are often slow."""
INPUTS_AT_ONCE = 5000
"""Inputs judged between two commits."""


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
    unit: str = "",
) -> Imported:
    """Bring a recorded cook into the library of this journal. Raises ConfigError and OSError. rig_file, cook_file: what is
    known of its probes and pieces; without them a column's name says what it measures, and each meat probe is a piece.
    unit: "C" or "F", of every column; "" is °C, and is asked about where that can hardly be meant."""
    with open_log(log) as file:
        header = log_header(csv.reader(file), str(log), None)
    settings = _settings(header, name, pit, rig_file, cook_file, band)
    mistakes, mark_mistakes = LogMistakes(), LogMistakes()
    channels, mistakes.said = at_their_pace(settings.channels, reading_times(log), str(log))
    settings = replace(settings, channels=channels)
    with open_log(log) as file:
        inputs = list(read_log(file, str(log), [c.id for c in settings.channels], mistakes))
    settings = _logged(settings, header)
    inputs = all_in_celsius(inputs, unit, settings.channels, str(log))
    if marks_file is not None:
        with open_log(marks_file) as file:
            inputs = _with_marks(inputs, list(_read_marks(file, str(marks_file), mark_mistakes)))
    if not inputs:
        remedy = PLAIN.words("command.log.nothing")
        if mistakes.shown:
            remedy = PLAIN.words("command.log.nothing-for", first=mistakes.shown[0])
        raise ConfigError([Problem(str(log), "(rows)", "", remedy)])
    rows = CookRecords(journal).rows("", sys.maxsize)
    taken = {row.id for row in rows}
    again = [row.id for row in rows if row.name == settings.cook.name and row.started == inputs[0][0]]
    if again:
        remedy = PLAIN.words("command.log.again", cooks=tuple(again))
        mistakes.said.append(in_a_line(Problem(str(log), "time", "", remedy, warning=True)))
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
    return WatchSettings(
        "pit", pit, channels, replace(told, id=key_of(name), name=name), announcing, boiling, learned()
    )


def _logged(settings: WatchSettings, header: list[str]) -> WatchSettings:
    """Only with what the table has a column of: a probe that was never written down is no probe that failed."""
    cook, hold = settings.cook, settings.cook.hold
    pieces = tuple(piece if piece.channel in header else replace(piece, channel=None) for piece in cook.pieces)
    hold = hold if hold.channel in header else replace(hold, channel=None)
    channels = tuple(channel for channel in settings.channels if channel.id in header)
    return replace(settings, channels=channels, cook=replace(cook, pieces=pieces, hold=hold))


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


def _read_marks(file: TextIO, name: str, mistakes: LogMistakes) -> Iterator[tuple[float, Said]]:
    rows = csv.reader(file)
    header = [h.strip() for h in next(rows, [])]
    if header[:2] != list(MARK_COLUMNS[:2]) or set(header) - set(MARK_COLUMNS):
        remedy = PLAIN.words("command.log.mark-columns", known=tuple(MARK_COLUMNS))
        raise ConfigError([Problem(name, "(header)", ",".join(header)[:60], remedy)])
    for number, row in csv_lines(rows, mistakes):
        cells = dict(zip(header, row, strict=False))
        now, said = utc_of(cells["time"]), said_in(unguarded(cells.get("mark", "")).strip())
        if now is None:
            mistakes.add(number, "time", cells["time"], PLAIN.words("command.log.no-time"))
        elif said is None:
            mistakes.add(number, "mark", cells.get("mark", ""), PLAIN.words("command.log.no-mark", known=KNOWN))
        else:
            by, note = unguarded(cells.get("by", "")), unguarded(cells.get("note", ""))
            said = replace(said, by=by or said.by)
            yield now, replace(said, note=note or said.note) if isinstance(said, Mark) else said


def _with_marks(inputs: list[tuple[float, Input]], marks: list[tuple[float, Said]]) -> list[tuple[float, Input]]:
    """The second file knows more of a word that stands in both; what only it has is put in its place in time."""
    fuller = {(now, _plain_word(said)): said for now, said in marks}
    merged: list[tuple[float, Input]] = []
    for now, item in inputs:
        word = _plain_word(item)
        merged.append((now, item if word is None else fuller.pop((now, word), item)))
    merged += [(now, said) for (now, _), said in fuller.items()]
    return sorted(merged, key=lambda row: row[0])  # stable: what came together stays in its order


def _plain_word(item: Input) -> str | None:
    """Without what only one of two files may say of a mark: in what a piece was wrapped."""
    return word_of(replace(item, note=""), 0.0) if isinstance(item, Mark) else word_of(item, 0.0)


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
            if number % INPUTS_AT_ONCE == 0:
                journal.commit(now)
        keep(replayed(engine, (), until=last))
        journal.take_checkpoint(last, engine.dump())  # all before it may be tidied
        journal.commit(last)
    compact(file)
    worked_out = json.dumps(asdict(figures(CookRecords(file).kept(id_).view())))
    with closing(sqlite3.connect(file)) as db:
        db.execute("UPDATE kept_cooks SET figures = ?", (worked_out,))
        db.execute("DELETE FROM checkpoints")
        db.commit()
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("VACUUM")
