"""The crew's page as HTML: no script, nothing to press that could change a pit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache, lru_cache
from importlib.resources import files

from daemon.core.alarms.figures import AlarmFigures
from daemon.core.said import said
from daemon.shell.fleet.overview import DAYS, UNREADABLE, UNSOUND, CookRow, PitRow, RingRow
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import row_of, table, table_of
from daemon.shell.report.markup import Child, Element, document, in_words, node, place
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.reader import UNKNOWN, Reader, duration, percent

EVERY = 15
"""s between looks of a browser"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
"""Sent as a header with every page."""


LONGEST = 200
"""Characters of an alarm's text."""
LARGEST = 1e9
"""Figure that is still one."""
PIT_HEADS = ("Pit", "State", "Alarms that stand", "Next due", "Last word")
LINES_KEPT = 20_000
"""Rows in words, of some 500 bytes, that are kept from one page to the next: of 10,000 pits, as two people read them."""
Cell = tuple[str, str]
"""Words and the class of their style, "" for none."""
SIDE_BY_SIDE = 6
"""Cooks that fit beside each other."""
FIGURES: tuple[tuple[str, str, Callable[[Reader, float], str]], ...] = (
    ("Meat on the pit", "cooking", lambda reader, value: duration(value)),
    ("Pit inside its band", "in_band", lambda reader, value: percent(value)),
    ("Swing of the pit, middle 90 %", "swing", lambda reader, value: reader.difference(value, 1)),
    ("Spread between places", "spread", lambda reader, value: reader.difference(value, 1)),
)
"""In words, key of `CookFigures`, how it is shown."""


def pits_page(rows: Sequence[PitRow], composer: Composer, crew: str = "") -> bytes:
    """composer: of whoever looks."""
    silent = sum(one.is_silent for one in rows)
    called = sum(any(not a["prompt"] for a in one.alarms) for one in rows)
    head = f"{len(rows)} pits: {called} with an alarm, {silent} silent"
    body = table_of(
        "The worst first. A silent pit's last word may not hold any more: its board, its line or its power is gone. "
        "Its own watch still calls its own people if it runs.",
        PIT_HEADS,
        [place()],
    )
    lines = "".join(_line(_named(one), _state(one), _alarms(one, composer), _due(one), _heard(one)) for one in rows)
    return _page(f"{crew or 'All'} pits", head, body, refresh=True, slot=lines)


@lru_cache(LINES_KEPT)
def _line(pit: str, *cells: Cell) -> str:
    """A pit's row in words. From one look to the next most are the same, and they are what a page of many pits costs."""
    shown = [node("span", words, class_=style) if style else words for words, style in cells]
    return in_words(row_of(PIT_HEADS, [pit, *shown]))


def cooks_page(rows: Sequence[CookRow], words: str, reader: Reader) -> bytes:
    """reader: whoever looks."""
    form = node(
        "form",
        node("label", "Search ", node("input", name="q", value=words, maxlength="200")),
        node("button", "Search"),
        method="get",
        action="/cooks",
    )
    body = table(
        f"{len(rows)} cooks, newest first",
        ("Cook", "Pit", f"Begun ({reader.zone})", "Took", "Compare"),
        [(one.name, one.pit, _day(one.started, reader), _took(one), _chosen(one)) for one in rows],
    )
    chosen = node(
        "form", node("button", f"Compare two to {SIDE_BY_SIDE} that are ticked"), body, method="get", action="/compare"
    )
    return _page("Cooks", "Of all pits", [form, chosen])


def compare_page(rows: Sequence[CookRow], reader: Reader) -> bytes:
    """One column a cook. reader: whoever looks."""
    if not rows:
        return _page("Cooks side by side", "None was ticked, or they are not there any more", [])
    lines: list[tuple[Child, ...]] = [
        ("Pit", *(one.pit for one in rows)),
        (f"Begun ({reader.zone})", *(_day(one.started, reader) for one in rows)),
        ("Took", *(_took(one) for one in rows)),
        *((words, *(_figure(one, key, shown, reader) for one in rows)) for words, key, shown in FIGURES),
    ]
    body = table("A figure that could not be worked out is left open", ("", *(one.name for one in rows)), lines)
    return _page("Cooks side by side", f"{len(rows)} cooks", [body])


def _chosen(one: CookRow) -> Child:
    return node("input", type="checkbox", name="c", value=f"{one.pit}/{one.id}", aria_label=f"{one.name}, {one.pit}")


def _figure(one: CookRow, key: str, shown: Callable[[Reader, float], str], reader: Reader) -> str:
    value = one.figures.get(key) if isinstance(one.figures, dict) else None
    return shown(reader, value) if isinstance(value, int | float) and abs(value) < LARGEST else UNKNOWN


def figures_page(rows: Sequence[tuple[str, AlarmFigures]]) -> bytes:
    tables = [table(name, ("", ""), figure_rows(found, PLAIN.words)) for name, found in rows]
    return _page("Alarm figures", f"Of the last {DAYS:.0f} days", tables or [node("p", "No alarm was told yet.")])


def rings_page(rows: Sequence[RingRow]) -> bytes:
    body = table(
        "A ring may take the release when nothing is missing in those before it. Each crew takes it on its own boards "
        "(install.sh --in-turn); nothing is sent to a pit from here.",
        ("Ring", "Pits", "Heard since", "Have it", "Cooking with it", "Missing before the next ring"),
        [(str(r.ring), str(r.pits), str(r.counted), str(r.taken), duration(3600 * r.hours), "; ".join(r.missing) or "nothing")
         for r in rows],
    )  # fmt: skip
    return _page("Upgrades by rings", f"{len(rows)} rings", body if rows else node("p", "No release is on offer."))


def trouble_page(text: str) -> bytes:
    return _page("No picture", "The database does not answer", [node("p", text)], refresh=True)


def _page(title: str, told: str, body: Child | Sequence[Element], refresh: bool = False, slot: str = "") -> bytes:
    links = (("/", "Pits"), ("/cooks", "Cooks"), ("/alarms", "Alarm figures"), ("/rings", "Upgrades"))
    read = (("?unit=C", "°C"), ("?unit=F", "°F"), ("?clock=24", "24 h"), ("?clock=12", "12 h"))
    head = node(
        "head",
        node("meta", charset="utf-8"),
        node("meta", name="viewport", content="width=device-width, initial-scale=1"),
        node("meta", http_equiv="refresh", content=str(EVERY)) if refresh else None,
        node("meta", name="color-scheme", content="light dark"),
        node("title", title),
        node("style", _style()),
    )
    menu = node(
        "nav", node("p", [[node("a", words, href=where), " "] for where, words in (*links, *read)]), aria_label="Pages"
    )
    page = node("body", node("header", menu, node("h1", title), node("p", told)), node("main", node("section", body)))
    return document(node("html", head, page, lang="en"), slot)


@cache
def _style() -> str:
    return files("daemon.shell.report").joinpath("report.css").read_text(encoding="utf-8")


def _named(one: PitRow) -> str:
    more = ", ".join(word for word in (one.name, one.crew, one.kind) if word)
    return f"{one.pit} ({more})" if more else one.pit


def _state(one: PitRow) -> Cell:
    words = ", ".join(word for word in (one.stage.replace("-", " "), one.cook) if word) or UNKNOWN
    return (f"was: {words}", "quiet") if one.is_silent else (words, "")


def _alarms(one: PitRow, composer: Composer) -> Cell:
    if not one.alarms:
        return UNKNOWN if one.is_silent else "none", ""
    first, more = one.alarms[0], len(one.alarms) - 1
    answered = "" if "unacknowledged" in first["after"] else " (answered)"
    try:
        what = composer.say(said(first["text"]))[:LONGEST]
    except UNSOUND:  # of a release that says what this one does not know, or of no pit at all
        what = UNREADABLE
    return f"{what}{answered}" + (f", and {more} more" if more else ""), "quiet" if first["prompt"] else "bad"


def _due(one: PitRow) -> Cell:
    if one.due is None:
        return UNKNOWN, ""
    what, ahead = one.due
    words = f"{what}: about {duration(ahead)}" if ahead > 0 else f"{what}: now"
    return words, "quiet" if one.is_silent else ""


def _heard(one: PitRow) -> Cell:
    if one.silent is None:
        return "never", "bad"
    return f"{duration(one.silent)} ago", "bad" if one.is_silent else "good"


def _day(utc: float, reader: Reader) -> str:
    return f"{reader.local(utc):%Y-%m-%d} {reader.hour(utc)}"


def _took(one: CookRow) -> str:
    return "still going on" if one.ended is None else duration(one.ended - one.started)
