"""Answers of SCPI instruments: comma-separated numbers with the standard's fill-in values."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

from drivers.base import Batch, Rejected
from drivers.codecs.plausible import faulted, measured
from drivers.reading import Fault, Measurement

INFINITY: Final = 9.9e37
"""SCPI-1999 volume 1, numeric data: 9.9E37 is infinity (an overload, an open input), 9.91E37 is not a number"""
NOT_A_NUMBER: Final = 9.91e37
_NR3: Final = re.compile(r"[+-]?[0-9]{1,20}(?:\.[0-9]{0,20})?(?:[eE][+-]?[0-9]{1,2})?", re.ASCII)


def decode_values(answer: bytes, channels: Sequence[int]) -> Batch:
    """One value a channel, in their order. An answer of another length or with a cell that is no number is refused
    whole: after a lost byte no cell can be trusted to be its channel's."""
    text = answer.decode("ascii", "replace").strip()
    cells = [cell.strip() for cell in text.split(",")]
    evidence = "".join(character if character.isprintable() else "." for character in text[:80])
    if len(cells) != len(channels):
        return Batch(rejected=(Rejected("wrong-columns", evidence),))
    if not all(_NR3.fullmatch(cell) for cell in cells):
        return Batch(rejected=(Rejected("not-a-number", evidence),))
    return Batch(tuple(_decode(str(channel), float(cell)) for channel, cell in zip(channels, cells, strict=True)))


def _decode(source: str, value: float) -> Measurement:
    if abs(value) >= NOT_A_NUMBER * 0.9999:
        return faulted(source, Fault.NOT_KNOWN)
    if abs(value) >= INFINITY * 0.9999:
        return faulted(source, Fault.OPEN_CIRCUIT)
    return measured(source, value)
