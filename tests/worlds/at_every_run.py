"""Which worlds are tried at every run: the program is not made of them, so the others are left to the long tests."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from _pytest.mark import ParameterSet

FIRE = "zones"
MEAT = ("compartments", "heat-clock")


def each(names: Iterable[str], *always: str) -> list[ParameterSet]:
    """Parameters of a test: `always` at every run, the others in the long tests."""
    return [pytest.param(name, marks=() if name in always else pytest.mark.soak) for name in names]
