"""Rows of the table of inputs, back to inputs: plain ones, packs of readings, and bundles.

A bundle holds hours of readings in one pack, and the forecasts that arrived among them, each in its place. It is what
tidying makes of minute packs; nothing is lost.
"""

from __future__ import annotations

import json
import lzma
import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from daemon.core.inputs import Input
from daemon.shell.journal.reading_pack import LZMA_WINDOW, PackDamaged, columns, merged, pack, unpack
from daemon.shell.wording import input_from_json

READINGS, BUNDLE = "Readings", "Bundle"
"""The kinds of rows that are not one JSON input."""
BUNDLED = (READINGS, "ForecastArrived")
"""Kinds a bundle may hold: those that come by the thousand. Everything else stays a row that can be asked for by kind."""
_TEXT = [{"id": lzma.FILTER_LZMA2, "preset": 6, "dict_size": LZMA_WINDOW}]


@dataclass(frozen=True, slots=True)
class Placed:
    """A plain input inside a bundle. before: batches of readings that came before it."""

    before: int
    time: float
    kind: str
    body: str


def bundle(rows: Sequence[tuple[float, str, bytes]]) -> bytes:
    """(time, kind, body) of consecutive rows of BUNDLED kinds -> the body of one row. Raises PackDamaged."""
    packs, placed, batches = [], [], 0
    for time, kind, body in rows:
        if kind == READINGS:
            packs.append(body)
            batches += len(columns(body)[1]["times"])
        else:
            placed.append([batches, time, kind, body.decode()])
    readings = merged(packs) if packs else pack(())
    text = json.dumps(placed, ensure_ascii=False, separators=(",", ":")).encode()
    others = lzma.compress(text, lzma.FORMAT_XZ, lzma.CHECK_CRC32, filters=_TEXT)
    return struct.pack("<I", len(readings)) + readings + others


def packs_in(rows: Iterable[tuple[float, str, bytes]]) -> Iterator[bytes]:
    """The packs of readings in rows (time, kind, body) of any kind; a damaged bundle is passed over."""
    for _, kind, body in rows:
        if kind == READINGS:
            yield body
        elif kind == BUNDLE:
            try:
                yield _parts(body)[0]
            except PackDamaged:
                continue


def placed_in(body: bytes) -> list[Placed]:
    """The plain inputs of a bundle. Raises PackDamaged."""
    try:
        return [Placed(*row) for row in json.loads(lzma.decompress(_parts(body)[1], lzma.FORMAT_XZ))]
    except (lzma.LZMAError, ValueError, TypeError) as error:
        raise PackDamaged(str(error)) from error


def inputs_of(time: float, kind: str, body: bytes) -> Iterator[tuple[float, Input]]:
    """The inputs of a row, in order. What is damaged is passed over."""
    try:
        if kind == READINGS:
            yield from list(unpack(body))
        elif kind == BUNDLE:
            yield from list(_unbundled(body))
        else:
            yield time, input_from_json(kind, body)
    except (KeyError, ValueError, PackDamaged):
        return


def readable(time: float, kind: str, body: bytes) -> bool:
    """Something can be had from this row. Readings know their own times: a row whose own differs is no row of theirs."""
    first = next(inputs_of(time, kind, body), None)
    return first is not None and (kind != READINGS or abs(first[0] - time) < 1.0)


def _parts(body: bytes) -> tuple[bytes, bytes]:
    try:
        (length,) = struct.unpack_from("<I", body)
    except struct.error as error:
        raise PackDamaged(str(error)) from error
    return body[4 : 4 + length], body[4 + length :]


def _unbundled(body: bytes) -> Iterator[tuple[float, Input]]:
    placed = placed_in(body)
    following = 0
    for number, batch in enumerate(unpack(_parts(body)[0])):
        while following < len(placed) and placed[following].before <= number:
            yield placed[following].time, input_from_json(placed[following].kind, placed[following].body.encode())
            following += 1
        yield batch
    for late in placed[following:]:
        yield late.time, input_from_json(late.kind, late.body.encode())
