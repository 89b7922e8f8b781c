"""`pitvigil report` and `pitvigil demo-report`: files made from kept cooks."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from daemon.commands.demo_files import START, write_demo_files
from daemon.commands.demo_night import DemoNight
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookNotes, UnknownCook
from daemon.shell.report.drawer import Drawer, NotDrawn
from daemon.shell.report.of_kept import kept_report, people
from daemon.shell.report.sheet import cook_sheet
from daemon.wiring.watch import JOURNAL_FILE

DEMO_NOTES = CookNotes(verdict="Simulated: nobody ate it.", weather="Simulated: clear and still, a cold night")


class ReportRefused(Exception):
    """Why there is no report, in words whoever asked can act on."""


def make_report(state: Path, cook: str | None, html: Path | None, png: Path | None, say: Callable[[str], None]) -> None:
    """Write the report of one kept cook, the newest when none is named. Raises ReportRefused, OSError."""
    journal = state / JOURNAL_FILE
    if not journal.exists():
        raise ReportRefused(f"{state}: no {JOURNAL_FILE} here; --state is the directory the watch keeps its journal in")
    records = CookRecords(journal)
    named = cook if cook is not None else _newest(records)
    try:
        if html is not None:
            html.write_bytes(kept_report(records, named))
            say(f"{html}: report of {named}")
        if png is not None:
            kept = records.kept(named)
            png.write_bytes(asyncio.run(Drawer().draw(cook_sheet(kept, people(records)))))
            say(f"{png}: curves of {named}")
    except UnknownCook:
        known = ", ".join(row.id for row in records.rows("", 10)) or "none"
        raise ReportRefused(f"no cook {named!r} is kept in {state}; the newest are: {known}") from None
    except NotDrawn as error:
        raise ReportRefused(str(error)) from None


def _newest(records: CookRecords) -> str:
    rows = records.rows("", 1)
    if not rows:
        raise ReportRefused("no cook is kept here yet")
    return rows[0].id


def demo_report(directory: Path, hours: float | None, say: Callable[[str], None]) -> None:
    """Simulate the demo's night, or so many hours of it, into `directory` and report on it. Raises ReportRefused, OSError."""
    state = directory / "state"
    if (state / JOURNAL_FILE).exists():
        raise ReportRefused(f"{directory}: a demo was made here before; name another directory")
    state.mkdir(parents=True, exist_ok=True)
    say("a night in the pit, simulated at full speed; a few minutes ...")
    with closing(Journal(state / JOURNAL_FILE)) as journal:
        night = DemoNight(journal, *write_demo_files(directory), START)
        night.run(hours, lambda done, of: say(f"  {done:.0f} of {of:.0f} hours simulated"))
        wood = round(night.wood(), 1)
    records = CookRecords(state / JOURNAL_FILE)
    cook = _newest(records)
    records.amend(cook, CookNotes(DEMO_NOTES.verdict, DEMO_NOTES.weather, wood=wood))
    make_report(state, cook, directory / "report.html", None, say)
    try:
        make_report(state, cook, None, directory / "curves.png", say)
    except ReportRefused as error:
        say(f"no chart: {error}")
