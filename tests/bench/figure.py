"""One measured figure beside its target: what every bench hands to the summary."""

from __future__ import annotations

from typing import NamedTuple


class Figure(NamedTuple):
    """name: what was measured, with its unit; value: NaN when there was nothing to measure; target: in words; met."""

    name: str
    value: float
    target: str
    met: bool
