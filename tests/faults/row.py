"""One line of the table of faults: what was done, what was measured, the bar, and the wrong build the injector catches."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path

import pytest


class NotHere(Exception):
    """This fault cannot be made on this computer; the text says why."""


LOADED = 10.0
"""A quick run stands among whatever else the machine does. There a bar of real time only tells a hang from none, and is so
many times wider; the table, made on a machine at rest, measures."""


def bar_here(seconds: float, full: bool) -> float:
    """A bar of real time, s, for the table (`full`) or for a quick run."""
    return seconds if full else LOADED * seconds


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


def cases(faults: tuple[Fault, ...], slow: tuple[Fault, ...] = ()) -> pytest.MarkDecorator:
    """Each fault quickly in every test run, save those that are slow even so; with its full numbers in the soak."""
    quick = [pytest.param(fault, False, id=fault.__name__) for fault in faults if fault not in slow]
    whole = [pytest.param(fault, True, id=f"{fault.__name__}-full", marks=pytest.mark.soak) for fault in faults]
    return pytest.mark.parametrize(("fault", "full"), quick + whole)


async def check(fault: Fault, full: bool, home: Path) -> None:
    """Make the fault; skip where it cannot be made."""
    try:
        row = await fault(home, full)
    except NotHere as reason:
        pytest.skip(str(reason))
    row.check()
