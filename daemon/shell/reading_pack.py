"""A minute of readings in a few hundred bytes, and back without losing a bit.

Columns of small differences under zlib: a quiet channel costs well under one byte a reading. Exact, because a Reading
lies on the 1/32 °C grid and its times on whole milliseconds.
"""

from __future__ import annotations

import json
import struct
import sys
import zlib
from array import array
from collections.abc import Iterable, Iterator

from daemon.core.inputs import Readings
from drivers.reading import RESOLUTION_PER_C, Fault, Quality, Reading

MILLISECONDS = 1000
_FAULTS: tuple[Fault | None, ...] = (None, *Fault)
_QUALITIES = tuple(Quality)
_FAULT_CODE = {f: i for i, f in enumerate(_FAULTS)}
_QUALITY_CODE = {q: i for i, q in enumerate(_QUALITIES)}
ABSENT = -32768
"""The int16 that stands for "no value"; -1024 °C is below absolute zero, so it is free."""
_COLUMNS = (
    ("times", "q"),
    ("sizes", "i"),
    ("sources", "h"),
    ("values", "i"),
    ("colds", "i"),
    ("flags", "h"),
    ("lags", "q"),
)
"""Column names and array codes, in the order they are stored."""


class PackDamaged(Exception):
    """The bytes are not a pack: the row is skipped and reported, never guessed at."""


def _word(celsius: float | None) -> int:
    return ABSENT if celsius is None else round(celsius * RESOLUTION_PER_C)


def _celsius(word: int) -> float | None:
    return None if word == ABSENT else word / RESOLUTION_PER_C


def pack(batches: Iterable[tuple[float, Readings]]) -> bytes:
    """Engine times (s, whole ms) with their Readings, in order -> bytes."""
    columns = {name: array(code) for name, code in _COLUMNS}
    channels: dict[str, int] = {}
    last_value: dict[int, int] = {}
    last_cold: dict[int, int] = {}
    last_time = 0
    for time, batch in batches:
        stamp = round(time * MILLISECONDS)
        columns["times"].append(stamp - last_time)
        columns["sizes"].append(len(batch.readings))
        last_time = stamp
        for reading in batch.readings:
            source = channels.setdefault(reading.channel, len(channels))
            value, cold = _word(reading.celsius), _word(reading.cold_junction)
            columns["sources"].append(source)
            columns["values"].append(value - last_value.get(source, 0))
            columns["colds"].append(cold - last_cold.get(source, 0))
            columns["flags"].append(_FAULT_CODE[reading.fault] * len(_QUALITIES) + _QUALITY_CODE[reading.quality])
            columns["lags"].append(stamp - round(reading.measured_at * MILLISECONDS))
            last_value[source], last_cold[source] = value, cold
    header = json.dumps([list(channels), [len(columns[name]) for name, _ in _COLUMNS]]).encode()
    body = b"".join(_little(columns[name]).tobytes() for name, _ in _COLUMNS)
    return zlib.compress(struct.pack("<I", len(header)) + header + body, 9)


def columns(packed: bytes) -> tuple[list[str], dict[str, array[int]]]:
    """A pack's channels and columns as stored. Raises PackDamaged."""
    try:
        raw = zlib.decompress(packed)
        (length,) = struct.unpack_from("<I", raw)
        channels, counts = json.loads(raw[4 : 4 + length])
        at, stored = 4 + length, {}
        for (name, code), count in zip(_COLUMNS, counts, strict=True):
            column = array(code)
            column.frombytes(raw[at : at + count * column.itemsize])
            at += count * column.itemsize
            stored[name] = _little(column)
    except (zlib.error, struct.error, ValueError, IndexError, KeyError) as error:
        raise PackDamaged(str(error)) from error
    return channels, stored


def unpack(packed: bytes) -> Iterator[tuple[float, Readings]]:
    """The inverse of `pack`. Raises PackDamaged."""
    channels, stored = columns(packed)
    try:
        yield from _batches(channels, stored)
    except (ValueError, IndexError, KeyError) as error:
        raise PackDamaged(str(error)) from error


def _batches(channels: list[str], stored: dict[str, array[int]]) -> Iterator[tuple[float, Readings]]:
    last_value: dict[int, int] = {}
    last_cold: dict[int, int] = {}
    stamp = row = 0
    for delta, size in zip(stored["times"], stored["sizes"], strict=True):
        stamp += delta
        readings = []
        for _ in range(size):
            source = stored["sources"][row]
            value = last_value.get(source, 0) + stored["values"][row]
            cold = last_cold.get(source, 0) + stored["colds"][row]
            last_value[source], last_cold[source] = value, cold
            fault, quality = divmod(stored["flags"][row], len(_QUALITIES))
            readings.append(
                Reading(
                    channel=channels[source],
                    celsius=_celsius(value),
                    measured_at=(stamp - stored["lags"][row]) / MILLISECONDS,
                    fault=_FAULTS[fault],
                    quality=_QUALITIES[quality],
                    cold_junction=_celsius(cold),
                )
            )
            row += 1
        yield stamp / MILLISECONDS, Readings(tuple(readings))


def _little(column: array[int]) -> array[int]:
    """The file is little-endian wherever it was written."""
    if sys.byteorder == "big":
        column.byteswap()
    return column
