"""The report of a cook the library keeps, for the people of the newest rig."""

from __future__ import annotations

from daemon.shell.library.records import CookRecords
from daemon.shell.report.page import reader_of, report_html
from daemon.texts.reader import Reader


def kept_report(records: CookRecords, cook: str, pit: str = "", reader: Reader | None = None) -> bytes:
    """One self-contained HTML document, as of now. pit: an id or a name, "" = the first that had meat. reader: None = those
    people. Raises UnknownCook and UnknownPit."""
    return report_html(records.kept(cook).view(pit), reader or people(records))


def people(records: CookRecords) -> Reader:
    """Their units, zone and clock."""
    return reader_of(records.newest_rig())
