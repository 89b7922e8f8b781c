"""Readings in about a byte each, and back without losing a bit.

Small differences, channel by channel, their low bytes apart from their high bytes, compressed. Exact, because a Reading
lies on the 1/32 °C grid and its times on whole milliseconds.
"""

from __future__ import annotations

import json
import lzma
import struct
import zlib
from collections.abc import Iterable, Iterator
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from daemon.core.inputs import Readings
from drivers.reading import RESOLUTION_PER_C, Fault, Quality, Reading

Longs = NDArray[np.int64]
FORM, TIGHT = b"\x02", b"\x03"
"""First byte of a pack: under zlib, or, a tenth shorter and ten times slower to make, under LZMA."""
MILLISECONDS = 1000
ABSENT = -32768
"""The word that stands for "no value"; -1024 °C is below absolute zero, so it is free."""
LZMA_WINDOW = 1 << 20
"""Bytes; LZMA takes about ten times as much memory while it packs."""
_NOISE = [{"id": lzma.FILTER_LZMA2, "preset": 6, "dict_size": LZMA_WINDOW, "lc": 0, "lp": 0, "pb": 0}]
"""Noise has no neighbourhood: no bits of the byte before, none of the position."""
_FAULTS: tuple[Fault | None, ...] = (None, *Fault)
_QUALITIES = tuple(Quality)
_FAULT_CODE = {f: i for i, f in enumerate(_FAULTS)}
_QUALITY_CODE = {q: i for i, q in enumerate(_QUALITIES)}
_BATCH_COLUMNS = ("times", "sizes")
_READING_COLUMNS = ("sources", "lags", "values", "colds", "flags")
_BY_CHANNEL = ("values", "colds", "flags")
"""Columns kept channel after channel: a channel resembles itself more than its neighbours."""
_BYTES = 8


class PackDamaged(Exception):
    """The bytes are not a pack: the row is skipped and reported, never guessed at."""


def pack(batches: Iterable[tuple[float, Readings]]) -> bytes:
    """Engine times (s, whole ms) with their Readings, in order -> bytes."""
    stored: dict[str, list[int]] = {name: [] for name in (*_BATCH_COLUMNS, *_READING_COLUMNS)}
    channels: dict[str, int] = {}
    for time, batch in batches:
        stamp = round(time * MILLISECONDS)
        stored["times"].append(stamp)
        stored["sizes"].append(len(batch.readings))
        for reading in batch.readings:
            stored["sources"].append(channels.setdefault(reading.channel, len(channels)))
            stored["lags"].append(stamp - round(reading.measured_at * MILLISECONDS))
            stored["values"].append(_word(reading.celsius))
            stored["colds"].append(_word(reading.cold_junction))
            stored["flags"].append(_FAULT_CODE[reading.fault] * len(_QUALITIES) + _QUALITY_CODE[reading.quality])
    return packed_columns(list(channels), {name: np.array(values, np.int64) for name, values in stored.items()})


def packed_columns(channels: list[str], stored: dict[str, Longs], tight: bool = False) -> bytes:
    """Columns as `columns` gives them -> bytes."""
    order = np.argsort(stored["sources"], kind="stable")
    planes, widths = [], []
    for name in (*_BATCH_COLUMNS, *_READING_COLUMNS):
        column = stored[name][order] if name in _BY_CHANNEL else stored[name]
        steps = np.diff(column, prepend=0)
        folded = ((steps << 1) ^ (steps >> 63)).astype("<u8")  # small either way: 0, -1, 1, -2 ... are 0, 1, 2, 3 ...
        width = (int(folded.max(initial=0)).bit_length() + 7) // 8
        planes.append(folded.view(np.uint8).reshape(-1, _BYTES).T[:width].tobytes())
        widths.append(width)
    header = json.dumps([channels, len(stored["times"]), len(stored["sources"]), widths]).encode()
    raw = struct.pack("<I", len(header)) + header + b"".join(planes)
    if tight:
        return TIGHT + lzma.compress(raw, lzma.FORMAT_XZ, lzma.CHECK_CRC32, filters=_NOISE)
    deflate = zlib.compressobj(9, strategy=zlib.Z_FILTERED)  # made for small values with noise, which these are
    return FORM + deflate.compress(raw) + deflate.flush()


def columns(packed: bytes) -> tuple[list[str], dict[str, Longs]]:
    """A pack's channels and columns: times (engine ms) and sizes of the batches; sources, lags (ms), values and colds
    (1/32 °C, ABSENT for none) and flags of the readings, in the order they came. Raises PackDamaged."""
    if not packed.startswith((FORM, TIGHT)):
        raise PackDamaged("it begins with no form that is known")
    try:
        raw = zlib.decompress(packed[1:]) if packed.startswith(FORM) else lzma.decompress(packed[1:], lzma.FORMAT_XZ)
        (length,) = struct.unpack_from("<I", raw)
        channels, batches, readings, widths = json.loads(raw[4 : 4 + length])
        at, stored = 4 + length, {}
        for name, width in zip((*_BATCH_COLUMNS, *_READING_COLUMNS), widths, strict=True):
            count = batches if name in _BATCH_COLUMNS else readings
            planes = np.zeros((count, _BYTES), np.uint8)
            planes[:, :width] = np.frombuffer(raw, np.uint8, count * width, at).reshape(width, count).T
            folded = planes.reshape(-1).view("<u8")
            stored[name] = np.cumsum((folded >> 1).astype(np.int64) ^ -(folded & 1).astype(np.int64))
            at += count * width
        order = np.argsort(stored["sources"], kind="stable")
        for name in _BY_CHANNEL:
            column = np.empty_like(stored[name])
            column[order] = stored[name]
            stored[name] = column
    except (zlib.error, lzma.LZMAError, struct.error, ValueError, IndexError, TypeError) as error:
        raise PackDamaged(str(error)) from error
    return channels, stored


def merged(packs: Iterable[bytes]) -> bytes:
    """One tight pack of all their readings in the same order. Raises PackDamaged."""
    known: dict[str, int] = {}
    parts: dict[str, list[Longs]] = {name: [] for name in (*_BATCH_COLUMNS, *_READING_COLUMNS)}
    for packed in packs:
        channels, stored = columns(packed)
        sources = np.array([known.setdefault(channel, len(known)) for channel in channels], np.int64)
        if len(stored["sources"]):
            stored["sources"] = sources[stored["sources"]]
        for name, part in parts.items():
            part.append(stored[name])
    return packed_columns(list(known), {name: np.concatenate(part) for name, part in parts.items()}, tight=True)


def unpack(packed: bytes) -> Iterator[tuple[float, Readings]]:
    """The inverse of `pack`. Raises PackDamaged."""
    channels, stored = columns(packed)
    try:
        yield from _batches(channels, {name: column.tolist() for name, column in stored.items()})
    except (ValueError, IndexError) as error:
        raise PackDamaged(str(error)) from error


def _batches(channels: list[str], stored: dict[str, list[int]]) -> Iterator[tuple[float, Readings]]:
    rows = zip(*(stored[name] for name in _READING_COLUMNS), strict=True)
    for stamp, size in zip(stored["times"], stored["sizes"], strict=True):
        readings = []
        for source, lag, value, cold, flag in islice(rows, size):
            fault, quality = divmod(flag, len(_QUALITIES))
            readings.append(
                Reading(
                    channel=channels[source],
                    celsius=_celsius(value),
                    measured_at=(stamp - lag) / MILLISECONDS,
                    fault=_FAULTS[fault],
                    quality=_QUALITIES[quality],
                    cold_junction=_celsius(cold),
                )
            )
        yield stamp / MILLISECONDS, Readings(tuple(readings))


def _word(celsius: float | None) -> int:
    return ABSENT if celsius is None else round(celsius * RESOLUTION_PER_C)


def _celsius(word: int) -> float | None:
    return None if word == ABSENT else word / RESOLUTION_PER_C
