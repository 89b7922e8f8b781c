"""The commands on kept cooks: list and compare, export, import, replay and what-if. Each returns an exit code."""

from __future__ import annotations

import argparse
import contextlib
import json
import sqlite3
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from rich.console import Console

from config.config_error import ConfigError
from config.file_problems import of_file
from config.loader import load_both
from config.problems import Problem
from config.rig import USUAL_PIT
from config.units import fahrenheit_meant
from daemon.commands.cook_import import import_csv
from daemon.commands.cook_tables import figures_table, list_table, on_one_axis, side_by_side
from daemon.commands.log_unit import all_in_celsius, assumed
from daemon.commands.replay import LogMistakes, open_log, read_log, with_forecasts
from daemon.commands.what_if import (
    UNWATCHED,
    WATCHED,
    BadSetting,
    Judged,
    calls,
    changed,
    comparison,
    inputs_of_cook,
    settings_of,
)
from daemon.core.annunciation.annunciator import TEST_WAKE
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import EVENT_NAMES, Level, Notification
from daemon.core.settings import Band
from daemon.shell.journal.file import why_of
from daemon.shell.library.alarm_account import figures_of
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import UnknownCook
from daemon.shell.library.tables import (
    MissingExtra,
    kept_inputs,
    lines_of_readings,
    write_csv,
    write_marks,
    write_parquet,
)
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.of_kept import people
from daemon.shell.wording import event_to_dict
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.problems import in_a_line
from daemon.wiring.composers import composer_of
from daemon.wiring.settings_from_files import watch_settings
from daemon.wiring.state_directory import JOURNAL_FILE, state_directory

Say = Callable[[str], None]
BAD_CALL, DONE = 2, 0
LISTED = 500
MOST_SIDE_BY_SIDE = 6
AXIS_POINTS = 2000
"""A step a minute for a day and a half."""


def journal_of(state: Path | None, rig_file: Path | None) -> Path:
    """The journal of a state directory, of the rig's, or of the usual place. Raises ConfigError when there is none."""
    rig = load_both(rig_file, None)[0] if state is None and rig_file is not None else None
    return state_directory(rig, state) / JOURNAL_FILE


def _library(journal: Path) -> CookRecords:
    records = CookRecords(journal)
    if not records.journals():
        raise ConfigError([Problem(str(journal), "journal", "", PLAIN.words("command.cooks.no-journal"))])
    return records


def show_alarm_figures(options: argparse.Namespace, complain: Say) -> int:
    """Of the cooks that were named, or of all that are kept."""
    records, console = _library(journal_of(options.state, options.rig)), Console()
    with _said(complain) as failed:
        ids = options.cook_ids or [row.id for row in records.rows("", LISTED, watched=True)]
        entries = sorted((records.entry(cook) for cook in ids), key=lambda entry: entry.started)
        if not entries:
            console.print(PLAIN.words("command.cooks.none"))
            return DONE
        for entry in entries:
            if entry.imported:
                complain(PLAIN.words("command.cooks.no-watch", cook=entry.id))
        several = PLAIN.words("command.cooks.several", cooks=len(entries))
        console.print(several if len(entries) > 1 else entries[0].name)
        console.print(
            figures_table(figure_rows(figures_of([records.alarm_trail(entry.id) for entry in entries]), PLAIN.words))
        )
    return BAD_CALL if failed else DONE


def list_cooks(options: argparse.Namespace, complain: Say) -> int:
    records, console = _library(journal_of(options.state, options.rig)), Console()
    if options.compare is not None and not 1 < len(options.compare) <= MOST_SIDE_BY_SIDE:
        complain(PLAIN.words("command.call.compare", most=MOST_SIDE_BY_SIDE))
        return BAD_CALL
    with _said(complain) as failed:
        reader = _composer(records, options.rig).reader
        if options.compare is None:
            rows = records.rows(" ".join(options.search or ()), LISTED)
            console.print(
                list_table(rows, reader)
                if rows
                else PLAIN.words("command.cooks.none-such")
                if options.search
                else PLAIN.words("command.cooks.none")
            )
            return DONE
        curves = records.compare(options.compare, AXIS_POINTS)
        console.print(side_by_side(curves, reader))
        console.print(on_one_axis(curves, reader))
    return BAD_CALL if failed else DONE


@contextlib.contextmanager
def _said(complain: Say) -> Iterator[list[str]]:
    """Says in one line what a command stumbled over; the list is empty if it did not."""
    failed: list[str] = []
    try:
        yield failed
    except UnknownCook as error:
        failed.append(PLAIN.words("command.cooks.unknown", cook=str(error)))
    except (MissingExtra, BadSetting) as error:
        failed.append(str(error))
    except OSError as error:
        failed.append(in_a_line(of_file(error)))
    except sqlite3.Error as error:
        failed.append(PLAIN.words("command.cooks.unreadable", why=why_of(error)))
    for line in failed:
        complain(line)


def export_cook(options: argparse.Namespace, complain: Say) -> int:
    records = _library(journal_of(options.state, options.rig))
    with _said(complain) as failed:
        entry = records.entry(options.cook_id)
        if options.parquet is not None:
            try:
                readings = write_parquet(entry, options.parquet)
            except OSError as error:  # the package that writes it does not say which file
                raise OSError(error.errno, error.strerror, str(options.parquet)) from None
        else:
            with _written(options.csv) as out:
                channels = [channel.id for channel in entry.channels]
                readings = write_csv(channels, lines_of_readings(kept_inputs(entry), entry.wall_offset), out)
            if options.marks is not None:
                with _written(options.marks) as out:
                    write_marks(kept_inputs(entry), entry.wall_offset, out)
        complain(PLAIN.words("command.cooks.written", readings=readings))
    return BAD_CALL if failed else DONE


def _written(file: Path) -> TextIO:
    return file.open("w", encoding="utf-8", newline="")


def import_cook(options: argparse.Namespace, say: Say, complain: Say) -> int:
    journal = journal_of(options.state, options.rig)
    band = Band(*options.band)
    if not band.low < band.high:
        complain(PLAIN.words("command.call.band"))
        return BAD_CALL
    if options.unit != "C" and fahrenheit_meant(band.high, USUAL_PIT):
        key = "command.call.band-unit-too" if options.unit else "command.call.band-unit"
        complain(PLAIN.words(key, low=band.low, high=band.high))
        return BAD_CALL
    with _said(complain) as failed:
        found = import_csv(
            options.log,
            journal,
            options.name,
            options.pit,
            options.rig,
            options.cook,
            options.marks,
            band,
            options.unit,
        )
        tell_log(options.log, options.unit, found.mistakes, complain)
        if options.marks is not None:
            tell_mistakes(options.marks, found.mark_mistakes, complain)
        say(PLAIN.words("command.cooks.kept", readings=found.readings, cook=found.id))
    return BAD_CALL if failed else DONE


def tell_log(log: Path, unit: str, mistakes: LogMistakes, complain: Say) -> None:
    """What could not be used of a recorded cook, and in which unit it was taken where nobody said so."""
    tell_mistakes(log, mistakes, complain)
    if told := assumed(str(log), unit):
        complain(told)


def tell_mistakes(file: Path, mistakes: LogMistakes, complain: Say) -> None:
    for line in mistakes.said:
        complain(line)
    for line in mistakes.shown:
        complain(PLAIN.words("command.log.of-file", file=str(file), line=line))
    if mistakes.count:
        if mistakes.count == 1:
            complain(PLAIN.words("command.log.unused-one", file=str(file)))
        else:
            complain(PLAIN.words("command.log.unused", file=str(file), cells=mistakes.count))


# --- replay ----------------------------------------------------------------------------------------------


def replay_kept(options: argparse.Namespace, complain: Say) -> int:
    """Judge a kept cook once more and write its events."""
    with _said(complain) as failed:
        records = _library(options.journal / JOURNAL_FILE)
        entry = records.entry(options.cook)
        engine = Engine(settings_of(entry, options.rig))
        composer = _composer(records, options.rig).at(entry.wall_offset)
        with contextlib.ExitStack() as stack:
            out = stack.enter_context(_written(options.events)) if options.events else sys.stdout
            for event in replayed(engine, inputs_of_cook(entry)):
                if type(event) in EVENT_NAMES:
                    out.write(
                        json.dumps(event_to_dict(composer.spoken(event), engine.wall.offset), ensure_ascii=False) + "\n"
                    )
    return BAD_CALL if failed else DONE


@dataclass(frozen=True, slots=True)
class _Question:
    """A night that can be judged again and again."""

    judged: Judged
    composer: Composer
    run: Callable[[Judged], list[Notification]]
    told: int | None = None
    """Calls that were really made; None where no watch is known to have made any."""


def _composer(records: CookRecords, rig_file: Path | None) -> Composer:
    """For the people of that rig, or of the newest one the library knows."""
    if rig_file is not None:
        return composer_of(load_both(rig_file, None)[0])
    return Composer(people(records))


def ask_what_if(options: argparse.Namespace, complain: Say) -> int:
    """Print what would have woken the cook by the settings of then, and by the changed ones."""
    with _said(complain) as failed:
        asked = _kept_night(options) if options.journal else _recorded_night(options, complain)
        now = changed(asked.judged, options.set)
        then = asked.run(asked.judged)
        heads = WATCHED if asked.told is not None else UNWATCHED
        Console().print(comparison(then, asked.run(now), asked.composer, heads))
        if asked.told is None:
            Console().print(asked.composer.words("command.what-if.no-watch"))
        Console().print(asked.composer.words("command.what-if.same-deeds"))
        if asked.told is not None and asked.told != len(then):
            complain(PLAIN.words("command.what-if.otherwise", calls=asked.told))
    return BAD_CALL if failed else DONE


def _kept_night(options: argparse.Namespace) -> _Question:
    records = _library(options.journal / JOURNAL_FILE)
    entry = records.entry(options.cook)
    told = None
    if not entry.imported:
        told = sum(
            e["event"] == "notification" and e["level"] == Level.WAKE and e["alarm"] != TEST_WAKE
            for e in records.kept(options.cook).events
        )
    return _Question(
        Judged(settings_of(entry, options.rig)),
        _composer(records, options.rig).at(entry.wall_offset),
        lambda judged: calls(judged, inputs_of_cook(entry)),
        told,
    )


def _recorded_night(options: argparse.Namespace, complain: Say) -> _Question:
    rig, cook = load_both(options.rig, Path(options.cook) if options.cook else None)
    mistakes = LogMistakes()
    with open_log(options.log) as file:
        inputs = list(read_log(file, str(options.log), (c.id for c in rig.channels), mistakes))
    inputs = all_in_celsius(inputs, options.unit, watch_settings(rig, cook).channels, str(options.log))
    tell_log(options.log, options.unit, mistakes, complain)
    return _Question(
        Judged(watch_settings(rig, cook)), composer_of(rig), lambda judged: calls(judged, inputs, with_forecasts)
    )
