"""Reads the packs of early versions, so that an upgraded watch still knows its past. Nothing writes them any more."""

from __future__ import annotations

import json
import struct
import zlib

import numpy as np
from numpy.typing import NDArray

MILLISECONDS = 1000
ABSENT = -32768
"""The word that stands for "no value"; -1024 °C is below absolute zero, so it is free."""
_COLUMNS = (
    ("times", "<i8"),
    ("sizes", "<i4"),
    ("sources", "<i2"),
    ("values", "<i4"),
    ("colds", "<i4"),
    ("flags", "<i2"),
    ("lags", "<i8"),
)


class PackDamaged(Exception):
    """The bytes are not a pack: the row is skipped and reported, never guessed at."""


def columns(packed: bytes) -> tuple[list[str], dict[str, NDArray[np.int64]]]:
    """As `daemon.shell.reading_pack.columns`. Raises PackDamaged."""
    try:
        raw = zlib.decompress(packed)
        (length,) = struct.unpack_from("<I", raw)
        channels, counts = json.loads(raw[4 : 4 + length])
        at, stored = 4 + length, {}
        for (name, kind), count in zip(_COLUMNS, counts, strict=True):
            stored[name] = np.frombuffer(raw, kind, count, at).astype(np.int64)
            at += count * np.dtype(kind).itemsize
    except (zlib.error, struct.error, ValueError, IndexError, TypeError) as error:
        raise PackDamaged(str(error)) from error
    stored["times"] = np.cumsum(stored["times"])
    for source in range(len(channels)):
        own = stored["sources"] == source
        for name in ("values", "colds"):
            stored[name][own] = np.cumsum(stored[name][own])
    return channels, stored
