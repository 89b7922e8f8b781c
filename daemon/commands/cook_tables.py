"""Kept cooks as tables in a terminal: the list, two or more side by side, and their curves on one time axis."""

from __future__ import annotations

from collections.abc import Sequence
from string import ascii_uppercase

from rich import box
from rich.table import Table

from daemon.shell.library.rows import CookCurve, CookRow
from daemon.texts.composer import PLAIN
from daemon.texts.reader import UNKNOWN, Reader

HOUR = 3600.0
FIGURES = (
    "command.cooks.hours", "command.cooks.in-band", "command.cooks.swing", "command.cooks.spread", "command.cooks.wood",
    "command.cooks.yield",
)  # fmt: skip
"""Of a cook, in the order of the columns."""
LETTERS = ascii_uppercase
"""Names of the cooks side by side, in the order asked."""


def figures_table(rows: Sequence[tuple[str, str]]) -> Table:
    """The alarm figures, a line each."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False, show_header=False)
    table.add_column(style="bold")
    table.add_column()
    for row in rows:
        table.add_row(*row)
    return table


def list_table(rows: Sequence[CookRow], reader: Reader) -> Table:
    """In the order given, each with its id below its name."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column(_title("command.cooks.cook"), overflow="fold")
    for title in FIGURES:
        table.add_column(_title(title), justify="right", no_wrap=True)
    for row in rows:
        words = (row.name, row.id, row.pit, ", ".join(row.pieces), row.verdict)
        table.add_row("\n".join(word for word in words if word), *_figures(row, reader))
    return table


def side_by_side(curves: Sequence[CookCurve], reader: Reader) -> Table:
    """The figures of each cook, a column and a letter each."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("")
    for letter in LETTERS[: len(curves)]:
        table.add_column(letter, justify="right", overflow="fold")
    table.add_row(_title("command.cooks.cook"), *(c.cook.id for c in curves))
    table.add_row(_title("command.cooks.name"), *(c.cook.name for c in curves))
    table.add_row(_title("command.cooks.pit"), *(c.cook.pit for c in curves))
    table.add_row(_title("command.cooks.day"), *(f"{reader.local(c.cook.started):%Y-%m-%d}" for c in curves))
    for title, cells in zip(FIGURES, zip(*(_figures(c.cook, reader) for c in curves), strict=True), strict=True):
        table.add_row(_title(title), *cells)
    table.add_row(_title("command.cooks.verdict"), *(c.cook.verdict for c in curves))
    return table


def on_one_axis(curves: Sequence[CookCurve], reader: Reader) -> Table:
    """Pit and cores, a line an hour since each cook's start."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column(_title("command.cooks.hour"), justify="right")
    for letter, curve in zip(LETTERS, curves, strict=False):
        for title in (_title("command.cooks.pit"), *(name for name, _ in curve.cores)):
            table.add_column(PLAIN.words("command.cooks.of-letter", letter=letter, title=title), justify="right")
    longest = max((int(curve.time[-1] // HOUR) for curve in curves if curve.time), default=-1)
    for hour in range(longest + 1):
        cells = []
        for curve in curves:
            at = next((index for index, time in enumerate(curve.time) if time >= hour * HOUR), None)
            for values in (curve.pit, *(core for _, core in curve.cores)):
                cells.append(reader.temperature(None if at is None else values[at]))
        table.add_row(str(hour), *cells)
    return table


def _title(key: str) -> str:
    return PLAIN.catalogue[key]


def _figures(row: CookRow, reader: Reader) -> tuple[str, ...]:
    return (
        f"{row.duration / HOUR:.1f}",
        _share(row.in_band),
        reader.difference(row.swing),
        reader.difference(row.spread),
        UNKNOWN if row.wood is None else reader.mass(row.wood, 1),
        _share(row.yield_fraction),
    )


def _share(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.0%}"
