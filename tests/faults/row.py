"""One line of the table of faults: what was done, what was measured, the bar, and the wrong build the injector catches."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path


class NotHere(Exception):
    """This fault cannot be made on this computer; the text says why."""


@dataclass(frozen=True, slots=True)
class Row:
    """met: the program keeps the bar. wrong: a build made wrong on purpose; caught: the same check failed on it."""

    fault: str
    measured: str
    figure: str
    bar: str
    met: bool
    wrong: str
    caught: bool

    def check(self) -> None:
        assert self.met, f"{self.fault}: {self.measured}: {self.figure}, bar {self.bar}"
        assert self.caught, f"{self.fault}: the injector does not catch: {self.wrong}"


Fault = Callable[[Path, bool], Awaitable[Row]]
"""A directory to work in and `full` (the figures of the table) or not (seconds, for every test run)."""
