"""A TOML file as a table, or why it is none."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

from config.file_problems import of_file
from config.hours import MINUTES_PER_HOUR, minute_of_day
from config.problems import Problem, Remedy, quoted, remedy
from config.units import decimal_point

Table = dict[str, Any]
"""A file as it was read."""

_PLACE = re.compile(r"\(at line (\d+), column \d+\)$")
_KEY = re.compile(r"([\w.-]+)\s*$")
_UNIT = r" ?°?[A-Za-z]+(?:/[A-Za-z]+)?"
_NO_SECONDS = re.compile(
    r"=\s*(?P<value>(?P<day>\d{4}-\d\d-\d\d)[T ]\s*(?P<time>\d{1,2}:\d\d(?:\s*[ap]\.?m\b\.?)?)(?![\d:]))", re.IGNORECASE
)
_COMMA = re.compile(r"=\s*(?P<value>-?\d+,\d+(?P<unit>" + _UNIT + r")?)(?=\s*(?:[,}]|$))")
_BARE_UNIT = re.compile(r"=\s*(?P<value>-?\d+(?:\.\d+)?" + _UNIT + r")(?=\s*(?:[,}]|$))")


def read_table(path: Path) -> tuple[Table | None, list[Problem]]:
    """What a mistake does not keep from being read goes on being read, so that the next one is found too."""
    file = str(path)
    try:
        lines = path.read_text(encoding="utf-8").split("\n")
    except UnicodeDecodeError:
        return None, [Problem(file, "", "", remedy("file.not-utf8"))]
    except OSError as error:
        return None, [of_file(error, file)]
    problems: list[Problem] = []
    while True:
        try:
            return tomllib.loads("\n".join(lines)), problems
        except tomllib.TOMLDecodeError as error:
            mended = _mended(lines, str(error), file)
            if mended is None:
                return None, [*problems, Problem(file, "", "", _syntax(str(error), lines))]
            problems.append(mended)


def _syntax(error: str, lines: list[str]) -> Remedy:
    """Where the file stops being TOML. The parser's own words end with the place: "... (at line 3, column 5)"."""
    place = _PLACE.search(error)
    if place and lines[int(place[1]) - 1].partition("#")[0].rstrip().endswith("{"):
        return remedy("file.table-on-lines", line=float(place[1]))
    return remedy("file.not-toml", place=error.rpartition("(at ")[2].rstrip(")"))


def _mended(lines: list[str], error: str, file: str) -> Problem | None:
    """The line that stops it, mended in place where what was meant can be seen."""
    place = _PLACE.search(error)
    number = int(place[1]) - 1 if place else len(lines)
    if number >= len(lines):
        return None
    for key, pattern, meaning in _MENDED:
        for written in pattern.finditer(lines[number].partition("#")[0]):
            meant = meaning(written)
            if meant is None:
                continue
            lines[number] = lines[number][: written.start("value")] + meant + lines[number][written.end("value") :]
            name = _KEY.search(lines[number][: written.start()])
            said = remedy(key, line=number + 1, meant=meant)
            return Problem(file, name[1] if name else "", written["value"], said)
    return None


def _with_seconds(written: re.Match[str]) -> str | None:
    minute = minute_of_day(written["time"])
    if minute is None:
        return None
    return f"{written['day']}T{minute // MINUTES_PER_HOUR:02}:{minute % MINUTES_PER_HOUR:02}:00"


def _with_point(written: re.Match[str]) -> str | None:
    meant = decimal_point(written["value"])
    return quoted(meant) if meant is not None and written["unit"] else meant


_MENDED: tuple[tuple[str, re.Pattern[str], Callable[[re.Match[str]], str | None]], ...] = (
    ("file.no-seconds", _NO_SECONDS, _with_seconds),
    ("file.comma-on-line", _COMMA, _with_point),
    ("file.unit-on-line", _BARE_UNIT, lambda written: quoted(written["value"])),
)
"""What stops TOML most often, and what was meant by it: a date and a time want their seconds, a decimal its point, a number with
a unit its quotes."""
