"""The crew's page as HTML: no script, nothing to press that could change a pit."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from importlib.resources import files

from daemon.core.alarms.figures import AlarmFigures
from daemon.core.said import said
from daemon.shell.fleet.overview import DAYS, CookRow, PitRow
from daemon.shell.report.alarm_lines import figure_rows
from daemon.shell.report.blocks import table
from daemon.shell.report.markup import Child, Element, document, node
from daemon.texts.composer import Composer
from daemon.texts.reader import UNKNOWN, duration

EVERY = 15
"""s between looks of a browser"""
POLICY = "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
"""Sent as a header with every page."""


def pits_page(rows: Sequence[PitRow], crew: str = "") -> bytes:
    silent = sum(one.is_silent for one in rows)
    called = sum(any(not a["prompt"] for a in one.alarms) for one in rows)
    head = f"{len(rows)} pits: {called} with an alarm, {silent} silent"
    body = table(
        "The worst first. A silent pit's last word may not hold any more: its board, its line or its power is gone. "
        "Its own watch still calls its own people if it runs.",
        ("Pit", "State", "Alarms that stand", "Last word"),
        [(_named(one), _state(one), _alarms(one), _heard(one)) for one in rows],
    )
    return _page(f"{crew or 'All'} pits", head, body, refresh=True)


def cooks_page(rows: Sequence[CookRow], words: str) -> bytes:
    form = node(
        "form",
        node("label", "Search ", node("input", name="q", value=words, maxlength="200")),
        node("button", "Search"),
        method="get",
        action="/cooks",
    )
    body = table(
        f"{len(rows)} cooks, newest first",
        ("Cook", "Pit", "Begun (UTC)", "Took"),
        [(one.name, one.pit, _day(one.started), _took(one)) for one in rows],
    )
    return _page("Cooks", "Of all pits", [form, body])


def figures_page(rows: Sequence[tuple[str, AlarmFigures]]) -> bytes:
    tables = [table(name, ("", ""), figure_rows(found)) for name, found in rows]
    return _page("Alarm figures", f"Of the last {DAYS:.0f} days", tables or [node("p", "No alarm was told yet.")])


def trouble_page(text: str) -> bytes:
    return _page("No picture", "The database does not answer", [node("p", text)], refresh=True)


def _page(title: str, told: str, body: Child | Sequence[Element], refresh: bool = False) -> bytes:
    links = (("/", "Pits"), ("/cooks", "Cooks"), ("/alarms", "Alarm figures"))
    head = node(
        "head",
        node("meta", charset="utf-8"),
        node("meta", name="viewport", content="width=device-width, initial-scale=1"),
        node("meta", http_equiv="refresh", content=str(EVERY)) if refresh else None,
        node("meta", name="color-scheme", content="light dark"),
        node("title", title),
        node("style", files("daemon.shell.report").joinpath("report.css").read_text(encoding="utf-8")),
    )
    menu = node("nav", node("p", [[node("a", words, href=where), " "] for where, words in links]), aria_label="Pages")
    page = node("body", node("header", menu, node("h1", title), node("p", told)), node("main", node("section", body)))
    return document(node("html", head, page, lang="en"))


def _named(one: PitRow) -> Child:
    return (
        f"{one.pit} ({', '.join(word for word in (one.crew, one.kind) if word)})" if one.crew or one.kind else one.pit
    )


def _state(one: PitRow) -> Child:
    words = ", ".join(word for word in (one.stage, one.cook) if word) or UNKNOWN
    return node("span", f"was: {words}", class_="quiet") if one.is_silent else words


def _alarms(one: PitRow) -> Child:
    if not one.alarms:
        return UNKNOWN if one.is_silent else "none"
    first, more = one.alarms[0], len(one.alarms) - 1
    answered = "" if "unacknowledged" in first["after"] else " (answered)"
    text = f"{Composer().say(said(first['text']))}{answered}" + (f", and {more} more" if more else "")
    return node("span", text, class_="quiet" if first["prompt"] else "bad")


def _heard(one: PitRow) -> Child:
    if one.silent is None:
        return node("span", "never", class_="bad")
    return node("span", f"{duration(one.silent)} ago", class_="bad" if one.is_silent else "good")


def _day(utc: float) -> str:
    return f"{datetime.fromtimestamp(utc, UTC):%Y-%m-%d %H:%M}"


def _took(one: CookRow) -> str:
    return "still going on" if one.ended is None else duration(one.ended - one.started)
