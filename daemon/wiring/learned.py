"""What simulated worlds taught ahead of time, read from the tables in daemon/data and handed to the core.

A table begins with lines `# key: value` that say how it was made (command, seed, worlds, version), then names its columns. A
generator writes it with `write_table`; nobody edits it by hand.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path

from daemon.core.pit.exit_library import FEATURES
from daemon.core.settings import Learned

FIRES = "fires.csv"
FIRES_COLUMNS = (*FEATURES, "minutes left")
VERSION = 1
"""Of the tables' meaning; one of another version is refused rather than misread."""
PROVENANCE = ("made by", "seed", "worlds", "version")


class TableRefused(Exception):
    """A table is not what this version of the program reads; the text names the file."""


@dataclass(frozen=True, slots=True)
class Table:
    """about: the first line. provenance: by the keys of PROVENANCE."""

    about: str
    provenance: Mapping[str, str]
    columns: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...] = field(repr=False)


@cache
def learned() -> Learned:
    """Everything in daemon/data. Raises TableRefused, OSError."""
    return Learned(fires=read_table(FIRES, FIRES_COLUMNS).rows)


def read_table(name: str, columns: Sequence[str]) -> Table:
    """A table of daemon/data. Raises TableRefused, OSError."""
    about, provenance, lines = "", dict[str, str](), []
    for line in files("daemon.data").joinpath(name).read_text(encoding="utf-8").splitlines():
        key, colon, value = line.removeprefix("# ").partition(": ")
        if not line.startswith("#"):
            lines.append(line)
        elif colon and key in PROVENANCE:
            provenance[key] = value
        else:
            about = line.removeprefix("# ")
    header, *rows = csv.reader(lines)
    if provenance.get("version") != str(VERSION) or tuple(header) != tuple(columns):
        raise TableRefused(f"{name}: made for another version of the program; install the two together")
    return Table(about, provenance, tuple(header), tuple(tuple(map(float, row)) for row in rows))


def write_table(
    path: Path, about: str, provenance: Mapping[str, str], columns: Sequence[str], rows: Iterable[Sequence[float]]
) -> None:
    """Numbers are written with four figures: nothing learned from simulated worlds is known better."""
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {about}\n")
        file.writelines(f"# {key}: {provenance[key]}\n" for key in PROVENANCE)
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows([f"{value:.4g}" for value in row] for row in rows)
