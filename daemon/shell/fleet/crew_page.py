"""The crew's page as HTML: no script, nothing to press that could change a pit."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from importlib.resources import files

from daemon.core.alarms.figures import AlarmFigures
from daemon.core.said import Text, said, say
from daemon.shell.fleet.overview import DAYS, UNREADABLE, UNSOUND, CookRow, PitRow, RingRow
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import Words, row_of, table, table_of
from daemon.shell.report.markup import Child, Element, document, in_words, node, place
from daemon.texts.composer import Composer
from daemon.texts.reader import UNKNOWN, Reader, duration, percent

EVERY = 15
"""s between looks of a browser"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
"""Sent as a header with every page."""


LONGEST = 200
"""Characters of an alarm's text."""
LARGEST = 1e9
"""Figure that is still one."""
PIT_HEADS = ("crew.pit", "crew.state", "crew.alarms", "crew.next-due", "crew.last-word")
LINES_KEPT = 20_000
"""Rows in words, of some 500 bytes, that are kept from one page to the next: of 10,000 pits, as two people read them."""
Cell = tuple[str, str]
"""Words and the class of their style, "" for none."""
SIDE_BY_SIDE = 6
"""Cooks that fit beside each other."""
FIGURES: tuple[tuple[str, str, Callable[[Reader, float], str]], ...] = (
    ("crew.cooks.cooking", "cooking", lambda reader, value: duration(value)),
    ("crew.cooks.in-band", "in_band", lambda reader, value: percent(value)),
    ("crew.cooks.swing", "swing", lambda reader, value: reader.difference(value, 1)),
    ("crew.cooks.spread", "spread", lambda reader, value: reader.difference(value, 1)),
)
"""Key of its name, key of `CookFigures`, how it is shown."""


def _words(composer: Composer) -> Words:
    """A browser breaks the lines, but never between a number and its unit."""
    return replace(composer, unbroken=True).words


def pits_page(rows: Sequence[PitRow], composer: Composer, crew: str = "") -> bytes:
    """composer: of whoever looks."""
    words = _words(composer)
    silent = sum(one.is_silent for one in rows)
    called = sum(any(not a["prompt"] for a in one.alarms) for one in rows)
    heads = tuple(words(key) for key in PIT_HEADS)
    body = table_of(words("crew.pits-caption"), heads, [place()])
    lines = "".join(
        _line(heads, _named(one), _state(one, words), _alarms(one, composer), _due(one, words), _heard(one, words))
        for one in rows
    )
    title = words("crew.of-crew", crew=crew) if crew else words("crew.all")
    head = words("crew.head", pits=len(rows), called=called, silent=silent)
    return _page(words, title, head, body, refresh=True, slot=lines)


@lru_cache(LINES_KEPT)
def _line(heads: tuple[str, ...], pit: str, *cells: Cell) -> str:
    """A pit's row in words. From one look to the next most are the same, and they are what a page of many pits costs."""
    shown = [node("span", words, class_=style) if style else words for words, style in cells]
    return in_words(row_of(heads, [pit, *shown]))


def cooks_page(rows: Sequence[CookRow], asked: str, composer: Composer) -> bytes:
    """asked: the words that were searched for. composer: of whoever looks."""
    words, reader = _words(composer), composer.reader
    search = words("crew.cooks.search")
    form = node(
        "form",
        node("label", f"{search} ", node("input", name="q", value=asked, maxlength="200")),
        node("button", search),
        method="get",
        action="/cooks",
    )
    heads = (
        words("crew.cooks.cook"), words("crew.pit"), words("crew.cooks.begun", zone=reader.zone), words("crew.cooks.took"),
        words("crew.cooks.compare"),
    )  # fmt: skip
    body = table(
        words("crew.cooks.caption", cooks=len(rows)),
        heads,
        [(one.name, one.pit, _day(one.started, reader), _took(one, words), _chosen(one, words)) for one in rows],
    )
    compare = node("button", words("crew.cooks.compare-ticked", most=SIDE_BY_SIDE))
    chosen = node("form", compare, body, method="get", action="/compare")
    return _page(words, words("crew.cooks.title"), words("crew.cooks.of-all"), [form, chosen])


def compare_page(rows: Sequence[CookRow], composer: Composer) -> bytes:
    """One column a cook. composer: of whoever looks."""
    words, reader = _words(composer), composer.reader
    title = words("crew.cooks.beside")
    if not rows:
        return _page(words, title, words("crew.cooks.none-ticked"), [])
    lines: list[tuple[Child, ...]] = [
        (words("crew.pit"), *(one.pit for one in rows)),
        (words("crew.cooks.begun", zone=reader.zone), *(_day(one.started, reader) for one in rows)),
        (words("crew.cooks.took"), *(_took(one, words) for one in rows)),
        *((words(name), *(_figure(one, key, shown, reader) for one in rows)) for name, key, shown in FIGURES),
    ]
    body = table(words("crew.cooks.left-open"), ("", *(one.name for one in rows)), lines)
    return _page(words, title, words("crew.cooks.count", cooks=len(rows)), [body])


def _chosen(one: CookRow, words: Words) -> Child:
    label = words("crew.cooks.tick", cook=one.name, pit=one.pit)
    return node("input", type="checkbox", name="c", value=f"{one.pit}/{one.id}", aria_label=label)


def _figure(one: CookRow, key: str, shown: Callable[[Reader, float], str], reader: Reader) -> str:
    value = one.figures.get(key) if isinstance(one.figures, dict) else None
    return shown(reader, value) if isinstance(value, int | float) and abs(value) < LARGEST else UNKNOWN


def figures_page(rows: Sequence[tuple[str, str, AlarmFigures]], composer: Composer) -> bytes:
    """rows: (what it is of, its name, figures), as `overview.alarm_figures`. composer: of whoever looks."""
    words = _words(composer)
    tables = [table(words(OF[of], name=name), ("", ""), figure_rows(found, words)) for of, name, found in rows]
    told = words("crew.figures.of-days", days=DAYS)
    return _page(words, words("crew.menu.alarms"), told, tables or [node("p", words("crew.figures.none"))])


OF = {"pit": "crew.figures.pit", "crew": "crew.figures.crew"}
RING_HEADS = (
    "crew.rings.ring", "crew.rings.pits", "crew.rings.counted", "crew.rings.taken", "crew.rings.hours", "crew.rings.missing",
)  # fmt: skip


def rings_page(rows: Sequence[RingRow], composer: Composer) -> bytes:
    """composer: of whoever looks."""
    words = _words(composer)
    body = table(
        words("crew.rings.caption"),
        tuple(words(key) for key in RING_HEADS),
        [(str(r.ring), str(r.pits), str(r.counted), str(r.taken), duration(3600 * r.hours),
          "; ".join(r.missing) or words("crew.rings.nothing"))
         for r in rows],
    )  # fmt: skip
    told = words("crew.rings.count", rings=len(rows))
    return _page(words, words("crew.rings.title"), told, body if rows else node("p", words("crew.rings.none")))


def trouble_page(composer: Composer) -> bytes:
    """The database does not answer. composer: of whoever looks."""
    words = _words(composer)
    body = node("p", words("crew.nothing-known"))
    return _page(words, words("crew.trouble"), words("crew.no-database"), [body], refresh=True)


LINKS = (
    ("/", "crew.menu.pits"),
    ("/cooks", "crew.menu.cooks"),
    ("/alarms", "crew.menu.alarms"),
    ("/rings", "crew.menu.rings"),
)
CHOSEN = (("?unit=C", "crew.menu.celsius"), ("?unit=F", "crew.menu.fahrenheit"), ("?clock=24", "crew.menu.day"),
          ("?clock=12", "crew.menu.half-day"))  # fmt: skip


def _page(
    words: Words, title: str, told: str, body: Child | Sequence[Element], refresh: bool = False, slot: str = ""
) -> bytes:
    head = node(
        "head",
        node("meta", charset="utf-8"),
        node("meta", name="viewport", content="width=device-width, initial-scale=1"),
        node("meta", http_equiv="refresh", content=str(EVERY)) if refresh else None,
        node("meta", name="color-scheme", content="light dark"),
        node("title", title),
        node("style", _style()),
    )
    links = node("p", [[node("a", words(key), href=where), " "] for where, key in (*LINKS, *CHOSEN)])
    menu = node("nav", links, aria_label=words("crew.menu.label"))
    page = node("body", node("header", menu, node("h1", title), node("p", told)), node("main", node("section", body)))
    return document(node("html", head, page, lang="en"), slot)


@cache
def _style() -> str:
    return files("daemon.shell.report").joinpath("report.css").read_text(encoding="utf-8")


def _named(one: PitRow) -> str:
    more = ", ".join(word for word in (one.name, one.crew, one.kind) if word)
    return f"{one.pit} ({more})" if more else one.pit


def _state(one: PitRow, words: Words) -> Cell:
    state: Text = UNKNOWN
    if one.stage == UNREADABLE:
        state = say("crew.unreadable")
    elif one.stage:
        state = (
            say("crew.doing-for", stage=one.stage, cook=one.cook) if one.cook else say("crew.doing", stage=one.stage)
        )
    elif one.cook:
        state = one.cook
    return (words("crew.was", state=state), "quiet") if one.is_silent else (words("crew.is", state=state), "")


def _alarms(one: PitRow, composer: Composer) -> Cell:
    if not one.alarms:
        return (UNKNOWN if one.is_silent else composer.words("crew.none")), ""
    first, more = one.alarms[0], len(one.alarms) - 1
    try:
        told: Text = composer.say(said(first["text"]))[:LONGEST]
    except UNSOUND:  # of a release that says what this one does not know, or of no pit at all
        told = say("crew.unreadable")
    if "unacknowledged" not in first["after"]:
        told = say("crew.answered", alarm=told)
    if more:
        told = say("crew.more", alarm=told, more=more)
    return composer.say(told), "quiet" if first["prompt"] else "bad"


def _due(one: PitRow, words: Words) -> Cell:
    if one.due is None:
        return UNKNOWN, ""
    what, ahead = one.due
    told = words("crew.due-in", what=what, time=ahead) if ahead > 0 else words("crew.due-now", what=what)
    return told, "quiet" if one.is_silent else ""


def _heard(one: PitRow, words: Words) -> Cell:
    if one.silent is None:
        return words("crew.never"), "bad"
    return words("crew.ago", time=one.silent), "bad" if one.is_silent else "good"


def _day(utc: float, reader: Reader) -> str:
    return f"{reader.local(utc):%Y-%m-%d} {reader.hour(utc)}"


def _took(one: CookRow, words: Words) -> str:
    return words("crew.cooks.running") if one.ended is None else duration(one.ended - one.started)
