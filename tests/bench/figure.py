"""One measured figure beside its target: what every bench hands to the summary."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

NO_TARGET = "-"


class Figure(NamedTuple):
    """name: what was measured, with its unit; value: NaN when there was nothing to measure; target: in words; met.
    beside: what naive methods reach on the same data, or how many there were."""

    name: str
    value: float
    target: str
    met: bool
    beside: str = ""


def show(title: str, figures: Iterable[Figure]) -> None:
    """Print a block of figures, each with its verdict."""
    print(title)
    for f in figures:
        verdict = "" if f.target == NO_TARGET else ("met" if f.met else "MISSED")
        print(f"  {f.name:<58} {f.value:9.3f}   target {f.target:<12} {verdict:<7} {f.beside}")
