"""A TOML file as a table, or why it is none."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from config.file_problems import of_file
from config.hours import MINUTES_PER_HOUR, minute_of_day
from config.problems import Problem, Remedy, remedy

Table = dict[str, Any]
"""A file as it was read."""

_PLACE = re.compile(r"\(at line (\d+), column \d+\)$")
_KEY = re.compile(r"\s*([\w.-]+)\s*=")
_NO_SECONDS = re.compile(r"=\s*((\d{4}-\d\d-\d\d)[T ]\s*(\d{1,2}:\d\d(?:\s*[ap]\.?m\b\.?)?)(?![\d:]))", re.IGNORECASE)


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
            mended = _with_seconds(lines, str(error), file)
            if mended is None:
                return None, [*problems, Problem(file, "", "", _syntax(str(error)))]
            problems.append(mended)


def _syntax(error: str) -> Remedy:
    """Where the file stops being TOML. The parser's own words end with the place: "... (at line 3, column 5)"."""
    return remedy("file.not-toml", place=error.rpartition("(at ")[2].rstrip(")"))


def _with_seconds(lines: list[str], error: str, file: str) -> Problem | None:
    """The line that stops it, mended in place if it has a date and a time without its seconds, which TOML wants."""
    place = _PLACE.search(error)
    number = int(place[1]) - 1 if place else len(lines)
    written = _NO_SECONDS.search(lines[number].partition("#")[0]) if number < len(lines) else None
    minute = minute_of_day(written[3]) if written else None
    if written is None or minute is None:
        return None
    meant = f"{written[2]}T{minute // MINUTES_PER_HOUR:02}:{minute % MINUTES_PER_HOUR:02}:00"
    lines[number] = lines[number].replace(written[1], meant, 1)
    key = _KEY.match(lines[number])
    return Problem(file, key[1] if key else "", written[1], remedy("file.no-seconds", line=number + 1, meant=meant))
