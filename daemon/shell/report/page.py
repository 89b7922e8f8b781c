"""The report of a cook as one HTML file that asks nobody for anything: styles and drawings inside, no script, no link."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import replace
from importlib.resources import files
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from daemon.core.readings.trace import MINUTE
from daemon.shell.library.cook import KeptCook
from daemon.shell.report.blocks import words_for
from daemon.shell.report.findings import Findings, findings
from daemon.shell.report.markup import Element, document, node
from daemon.shell.report.plan_account import plan_rows
from daemon.shell.report.sections.fire import the_fire
from daemon.shell.report.sections.forecasts import of_forecasts
from daemon.shell.report.sections.people import of_people
from daemon.shell.report.sections.piece import of_piece
from daemon.shell.report.sections.plan import of_plan
from daemon.shell.report.sections.safety import of_safety
from daemon.shell.report.sections.whole import figures, next_time, notes_beside, whole_cook
from daemon.texts.composer import Composer
from daemon.texts.reader import CELSIUS, Reader

POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"
A_DAY = 86400.0


def report_html(cook: KeptCook, reader: Reader = CELSIUS) -> bytes:
    """The whole report. reader: whoever reads it, in the cook's own zone. A cook of a day takes a fraction of a second."""
    length = len(cook.minutes) * MINUTE
    reader = replace(reader, wall_offset=cook.wall_offset, weekday=length > A_DAY)
    composer = Composer(reader)
    found = findings(replace(cook, events=tuple(composer.spoken(event) for event in cook.events)))
    words = words_for(reader)
    title = words("report.title", name=cook.name, day=reader.day(found.start))
    body = node(
        "body",
        node("header", *_head(found, reader)),
        node("main", *_sections(found, reader)),
        node("footer", node("p", words("report.heat-caution")), node("p", words("report.made-by"))),
    )
    head = node(
        "head",
        node("meta", charset="utf-8"),
        node("meta", name="viewport", content="width=device-width, initial-scale=1"),
        node("meta", http_equiv="Content-Security-Policy", content=POLICY),
        node("meta", name="color-scheme", content="light dark"),
        node("title", title),
        node("style", files("daemon.shell.report").joinpath("report.css").read_text(encoding="utf-8")),
    )
    return document(node("html", head, body, lang="en"))


def reader_of(rig: str | None) -> Reader:
    """For the people in the text of a rig file; °C and UTC when it says nothing that can be used."""
    try:
        people = tomllib.loads(rig or "").get("people", {})
        zone = str(ZoneInfo(people.get("zone", "UTC")))
    except (tomllib.TOMLDecodeError, AttributeError, TypeError, ValueError, ZoneInfoNotFoundError, OSError):
        return CELSIUS
    return Reader(people.get("unit") == "F", zone, twelve=people.get("clock") == 12)


def _head(found: Findings, reader: Reader) -> Iterable[Element]:
    cook, words = found.cook, words_for(reader)
    pieces = (words("report.piece", name=p.settings.name, weight=p.settings.weight) for p in found.pieces)
    day, zone = reader.day(found.start), reader.zone
    yield node("h1", cook.name)
    if cook.ended is None:
        when = words("report.when-running", pit=cook.pit, day=day, start=found.start, end=found.end, zone=zone)
    else:
        when = words("report.when", pit=cook.pit, day=day, start=found.start, end=found.end, zone=zone)
    yield node("p", when)
    if found.pieces:
        yield node("p", ", ".join(pieces), class_="quiet")


def _sections(found: Findings, reader: Reader) -> Iterable[Element]:
    yield figures(found, reader)
    yield whole_cook(found, reader)
    yield next_time(found, reader)
    yield the_fire(found, reader)
    yield from (of_piece(piece, found, reader) for piece in found.pieces)
    if rows := plan_rows(found):
        yield of_plan(rows, reader)
    yield of_forecasts(found, reader)
    yield of_safety(found, reader)
    yield of_people(found, reader)
    yield notes_beside(found, reader)
