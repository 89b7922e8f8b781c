"""The building blocks of the report's page: a drawing in two widths, a key to it, a table that stacks on a phone."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from daemon.core.readings.trace import MINUTE
from daemon.shell.report.markup import Child, Element, node
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader

Words = Callable[..., str]
"""Makes the sentence of a key with its values."""


def words_for(reader: Reader) -> Words:
    """A browser breaks the lines, but never between a number and its unit."""
    return Composer(reader, unbroken=True).words


NARROW, WIDE = 336.0, 860.0
"""Widths of the two forms of every drawing, CSS pixels: a phone's and a page's. Only one is ever shown."""
STACKED_FROM = 3
"""Columns above which a table is stacked on a phone."""


def drawing(draw: Callable[[float], Element], caption: str) -> Element:
    """A figure in two widths, of which the style sheet shows one."""
    forms = [node("div", draw(width), class_=name) for name, width in (("narrow", NARROW), ("wide", WIDE))]
    return node("figure", forms, node("figcaption", caption))


def key(style: str, words: str, shape: str = "line") -> Element:
    if shape == "band":
        sample = node("rect", class_=style, x=0, y=0, width=26, height=12)
    else:
        sample = node("path", class_=style, d="M0 6L26 6")
    return node("li", node("svg", sample, class_="key", view_box="0 0 26 12", aria_hidden="true"), words)


def table(caption: str, heads: Sequence[str], rows: Sequence[Sequence[Child | float]]) -> Element:
    """The first cell of a row heads it. A head of empty words is left out. Where a table is too wide for a phone, the style
    sheet stacks its cells; the roles are spelt out because a browser forgets them then."""
    return table_of(caption, heads, [row_of(heads, row) for row in rows])


def row_of(heads: Sequence[str], row: Sequence[Child | float]) -> Element:
    """One row of a table with these heads."""
    cells = [
        node("td", _cell(value), role="cell", data_head=name) for name, value in zip(heads[1:], row[1:], strict=True)
    ]
    return node("tr", node("th", _cell(row[0]), scope="row", role="rowheader"), cells, role="row")


def table_of(caption: str, heads: Sequence[str], body: Sequence[Element]) -> Element:
    """A table of rows that are made already."""
    stacked = len(heads) > STACKED_FROM
    head = (
        node("tr", [node("th", h, scope="col", role="columnheader") for h in heads], role="row") if any(heads) else None
    )
    return node(
        "table",
        node("caption", caption),
        node("thead", head, role="rowgroup") if head is not None else None,
        node("tbody", body, role="rowgroup"),
        role="table",
        class_="stacked" if stacked else "plain",
    )


def _cell(value: Child | float) -> Child:
    return f"{value:g}" if isinstance(value, float) else value


def off_by(seconds: float, words: Words) -> str:
    """How far off a plan or a forecast was, in words. seconds: late, below 0 early."""
    if abs(seconds) < MINUTE / 2:
        return words("report.on-time")
    return words("report.late", by=seconds) if seconds > 0 else words("report.early", by=-seconds)


def yes_or_no(so: bool, words: Words) -> Element:
    """In the colour of good or bad."""
    return node("span", words("report.yes"), class_="good") if so else node("span", words("report.no"), class_="bad")
