"""`pitvigil report` and `pitvigil demo-report`: files made from kept cooks."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from daemon.commands.demo.files import START, write_demo_files
from daemon.commands.demo.night import DemoNight
from daemon.shell.journal.journal import Journal
from daemon.shell.library.kept_pits import UnknownPit
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookNotes, UnknownCook
from daemon.shell.report.of_kept import kept_report, people
from daemon.shell.report.picture.drawer import Drawer, NotDrawn
from daemon.shell.report.picture.sheet import cook_sheet
from daemon.texts.composer import PLAIN
from daemon.texts.reader import Reader
from daemon.wiring.state_directory import JOURNAL_FILE


class ReportRefused(Exception):
    """Why there is no report, in words whoever asked can act on."""


def make_report(
    state: Path,
    cook: str | None,
    html: Path | None,
    png: Path | None,
    say: Callable[[str], None],
    pit: str = "",
    reader: Reader | None = None,
) -> None:
    """Write the report of one kept cook, the newest when none is named. pit: of several, by id or name; "" = the first that had
    meat. reader: None = the people of the newest rig. Raises ReportRefused, OSError."""
    records = CookRecords(state / JOURNAL_FILE)
    if not records.journals():
        raise ReportRefused(PLAIN.words("command.report.no-journal", state=str(state)))
    reader = reader or people(records)
    named = cook if cook is not None else _newest(records)
    try:
        if html is not None:
            html.write_bytes(kept_report(records, named, pit, reader))
            say(PLAIN.words("command.report.made", file=str(html), cook=_called(records, named, pit)))
        if png is not None:
            kept = records.kept(named).view(pit)
            png.write_bytes(asyncio.run(Drawer().draw(cook_sheet(kept, reader))))
            say(PLAIN.words("command.report.drawn", file=str(png), cook=_called(records, named, pit)))
    except UnknownPit as error:
        raise ReportRefused(str(error)) from None
    except UnknownCook:
        known = tuple(row.id for row in records.rows("", 10)) or (PLAIN.words("command.report.none"),)
        raise ReportRefused(PLAIN.words("command.report.unknown", cook=named, state=str(state), known=known)) from None
    except NotDrawn as error:
        raise ReportRefused(str(error)) from None


def _called(records: CookRecords, cook: str, pit: str) -> str:
    """With the pit, and how to see the others, where there were several."""
    whole = records.kept(cook)
    view = whole.view(pit)
    if not whole.pits:
        return cook
    others = ", ".join(one.id for one in whole.pits if one.key in whole.pits_with_meat and one.key != view.viewed)
    if not others:
        return PLAIN.words("command.report.of-pit", cook=cook, pit=view.pit)
    return PLAIN.words("command.report.other-pits", cook=cook, pit=view.pit, others=others)


def _newest(records: CookRecords) -> str:
    rows = records.rows("", 1)
    if not rows:
        raise ReportRefused(PLAIN.words("command.cooks.none-here"))
    return rows[0].id


def demo_report(directory: Path, hours: float | None, say: Callable[[str], None]) -> None:
    """Simulate the demo's night, or so many hours of it, into `directory` and report on it. Raises ReportRefused, OSError."""
    state = directory / "state"
    if (state / JOURNAL_FILE).exists():
        raise ReportRefused(PLAIN.words("command.report.made-before", directory=str(directory)))
    state.mkdir(parents=True, exist_ok=True)
    say(PLAIN.words("command.report.begins"))
    with closing(Journal(state / JOURNAL_FILE)) as journal:
        night = DemoNight(journal, *write_demo_files(directory), START)
        night.run(hours, lambda done, of: say(PLAIN.words("command.report.progress", done=done, all=of)))
        wood = round(night.wood(), 1)
    records = CookRecords(state / JOURNAL_FILE)
    cook = _newest(records)
    words = PLAIN.words
    records.amend(
        cook, CookNotes(words("command.report.demo-verdict"), words("command.report.demo-weather"), wood=wood)
    )
    make_report(state, cook, directory / "report.html", None, say)
    try:
        make_report(state, cook, None, directory / "curves.png", say)
    except ReportRefused as error:
        say(PLAIN.words("command.report.no-chart", why=str(error)))
