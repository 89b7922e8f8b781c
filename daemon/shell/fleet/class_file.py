"""What the centre told of pits that are built like this one, as a file: `pitvigil ship` writes it, the watch reads it.

The watch takes nothing from a centre that is not numbers of this form; the core passes over figures that no pit can have.
"""

from __future__ import annotations

import json
from dataclasses import astuple
from pathlib import Path
from typing import Final

from daemon.core.pit_profile import ClassFigure
from daemon.shell.state.regular_file import read_regular
from daemon.shell.state.whole_file import write_whole

NAME: Final = "fleet/class.json"
"""In the state directory: a directory of its own, for the shipper may write nowhere else. Of the first pit."""
LONGEST: Final = 4096
"""Bytes; six figures take some 300."""


def file_of(pit: str = "") -> str:
    """In the state directory: what was told of this pit's class; "" is the first."""
    return f"fleet/class-{pit}.json" if pit else NAME


def write_figures(path: Path, figures: tuple[ClassFigure, ...]) -> None:
    """In place of what was told before. Raises OSError."""
    path.parent.mkdir(mode=0o700, exist_ok=True)
    write_whole(path, json.dumps([astuple(one) for one in figures]))


def read_figures(path: Path) -> tuple[ClassFigure, ...]:
    """() where nothing was told. Raises OSError, or ValueError for what is no such file."""
    try:
        told = read_regular(path, LONGEST + 1)
    except FileNotFoundError:
        return ()
    if len(told) > LONGEST:
        raise ValueError("it is too long")
    try:
        rows = json.loads(told)
    except RecursionError as error:
        raise ValueError("it is nested too deeply") from error
    if not isinstance(rows, list):
        raise ValueError("it holds no list")
    return tuple(_figure(row) for row in rows)


def _figure(row: object) -> ClassFigure:
    match row:
        case [str(figure), int() | float() as middle, int() | float() as fires]:
            return ClassFigure(figure, float(middle), float(fires))
        case _:
            raise ValueError(f"it holds {str(row)[:80]!r}")
