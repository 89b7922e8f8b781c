"""Text lines from a microcontroller: bytes to measurements, and raw register words behind a CRC.

What these formats can and cannot see: a line with a checksum is refused whole when one bit is wrong. A line
*without* one can lose or change a digit ("121.1" to "21.1") and still be a number; nothing here can see that.
Use `checksum`, or `kind = "words"`, wherever a wrong number could let someone sleep on.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from config.devices import LineFormat
from drivers.base import Batch, DeviceMisconfigured, Rejected
from drivers.codecs import thermocouple
from drivers.codecs.amplifier_words import CHIPS, ChipValue, ImpossibleWord
from drivers.codecs.crc import crc16_modbus, xor8
from drivers.codecs.line_count import LineCount, count_in
from drivers.codecs.plausible import faulted, measured, number_of
from drivers.reading import Fault, Measurement

LONGEST_LINE: Final = 4096
"""bytes; 64 channels with long names in JSON take about 1,500"""

_NUMBER: Final = re.compile(r"([+-]?[0-9]{1,12}(?:\.[0-9]{0,12})?(?:[eE][+-]?[0-9]{1,3})?)\s?(?:°?([CF]))?", re.ASCII)
_NO_VALUE: Final = frozenset({"", "nan", "+nan", "-nan", "inf", "+inf", "-inf", "null", "none", "ovf", "open"})
_HEX: Final = re.compile(r"[0-9A-Fa-f]+", re.ASCII)
_WORD_SEPARATOR: Final = ","


class BadFrame(ValueError):
    """The whole line is refused. args: a fixed word for counting, and evidence."""

    def __init__(self, reason: str, detail: str = "") -> None:
        super().__init__(reason, detail)
        self.rejected = Rejected(reason, printable(detail))


def printable(text: str) -> str:
    """At most 80 printable characters of `text`, the rest as dots."""
    return "".join(character if character.isprintable() else "." for character in text[:80])


# From bytes to lines ----------------------------------------------------------------------------------------------


@dataclass(slots=True)
class LineSplitter:
    """Cuts a byte stream at CR and LF; never holds more than LONGEST_LINE bytes.

    joined_midway: True drops the first, possibly beheaded line, for on a line without a checksum "121.1" cut to
    "21.1" is a number. What is left without its line end (an unplugged cable) is never handed out.
    """

    joined_midway: bool = True
    _held: bytearray = field(default_factory=bytearray)
    _skipping: bool = False

    @property
    def held(self) -> int:
        """Bytes waiting for their line end."""
        return len(self._held)

    def feed(self, data: bytes) -> tuple[list[bytes], list[Rejected]]:
        """Complete, non-empty lines without their ends, and one Rejected for each endless line."""
        lines: list[bytes] = []
        refused: list[Rejected] = []
        pieces = data.replace(b"\r", b"\n").split(b"\n")
        for index, piece in enumerate(pieces):
            if index:
                self._end_line(lines)
            if self._skipping:
                continue
            self._held += piece
            if len(self._held) > LONGEST_LINE:
                refused.append(Rejected("endless-line", printable(self._held[:80].decode("latin-1"))))
                self._held.clear()
                self._skipping = True
        return lines, refused

    def _end_line(self, lines: list[bytes]) -> None:
        if self.joined_midway:
            self.joined_midway = False
        elif self._held and not self._skipping:
            lines.append(bytes(self._held))
        self._held.clear()
        self._skipping = False


# From a line to measurements --------------------------------------------------------------------------------------


class LineDecoder:
    """Decodes the lines of one device.

    line: the format. channel_types: thermocouple letter of the probe at each source that names one (the default is
    the chip's own type). linearise: correct MAX31855 and MAX6675 words; the other chips linearise themselves for
    the type their firmware set, and their values are taken as they are. Raises DeviceMisconfigured for a MAX31855
    of a type that is not made. count: of the lines that carry a number.
    """

    def __init__(self, line: LineFormat, channel_types: Mapping[str, str], linearise: bool = True) -> None:
        self._line = line
        self.count = LineCount()
        self._types = dict(channel_types)
        self._linearise = linearise
        if linearise and line.chip == "max31855" and line.thermocouple not in thermocouple.SENSITIVITY_MAX31855:
            raise DeviceMisconfigured("device.no-such-chip", letter=line.thermocouple)
        self._decode_text: Callable[[str], Batch] = {
            "json": self._json,
            "csv": self._csv,
            "keyvalue": self._keyvalue,
            "words": self._words,
        }[line.kind]

    @property
    def checked(self) -> bool:
        """Every line carries a checksum, so that a damaged one is always told from a whole one."""
        return self._line.kind == "words" or self._line.checksum != "none"

    def decode(self, line: bytes) -> Batch:
        """One line without its line end. Never raises: what cannot be read is in `Batch.rejected`."""
        lost, restarts = self.count.lost, self.count.restarts
        try:
            batch = self._decode_text(self._unwrapped(line))
        except BadFrame as refused:
            batch = Batch(rejected=(refused.rejected,))
        return replace(batch, lost=self.count.lost - lost, restarts=self.count.restarts - restarts)

    def _unwrapped(self, line: bytes) -> str:
        """The text of the line, its checksum checked and taken off (word lines check their own)."""
        try:
            text = line.decode("utf-8")
        except UnicodeDecodeError:
            raise BadFrame("not-text", line.decode("latin-1")) from None
        if not all(character.isprintable() or character == "\t" for character in text):
            raise BadFrame("not-text", text)
        if self._line.kind == "words" or self._line.checksum == "crc16":
            separator = _WORD_SEPARATOR if self._line.kind == "words" else self._line.separator
            return _checked(text, separator, 4, crc16_modbus)
        if self._line.checksum == "xor8":
            return _checked(text, "*", 2, xor8)
        return text

    def _json(self, text: str) -> Batch:
        try:
            found = json.loads(
                text,
                object_pairs_hook=_object,
                parse_constant=lambda _: None,  # NaN and infinities: no value, as null
                parse_float=_number,
                parse_int=_number,  # no limit on digits to trip over
            )
        except BadFrame:
            raise
        except (ValueError, RecursionError):
            raise BadFrame("not-json", text) from None
        if not isinstance(found, dict):
            raise BadFrame("not-json", text)
        self._count(found)
        if self._line.fields:
            picked = {source: _at_path(found, path) for source, path in self._line.fields.items()}
        else:
            picked = {key: value for key, value in found.items() if value is None or type(value) is float}
        return self._fields({source: value for source, value in picked.items() if value is not _ABSENT})

    def _csv(self, text: str) -> Batch:
        cells = [cell.strip() for cell in text.split(self._line.separator)]
        columns = self._line.columns or tuple(str(number) for number in range(1, len(cells) + 1))
        if len(cells) != len(columns):
            raise BadFrame("wrong-columns", text)
        found = {source: cell for source, cell in zip(columns, cells, strict=True) if source}
        self._count(found)
        batch = self._fields(found)
        if batch.rejected:  # a cell that is no number makes its neighbours doubtful too: the line is damaged
            raise BadFrame(batch.rejected[0].reason, text)
        return batch

    def _keyvalue(self, text: str) -> Batch:
        found: dict[str, str] = {}
        for part in text.split(self._line.separator):
            name, equals, value = part.strip().partition("=")
            if not equals or not name.strip() or name.strip() in found:
                raise BadFrame("not-keyvalue", text)
            found[name.strip()] = value.strip()
        self._count(found)
        if self._line.fields:
            return self._fields({source: found[name] for source, name in self._line.fields.items() if name in found})
        return self._fields(found)

    def _words(self, text: str) -> Batch:
        parts = [part.strip() for part in text.split(_WORD_SEPARATOR)]
        number = count_in(parts[-1])
        if number is not None:
            self.count.note(number)
            del parts[-1]
        if len(parts) % 2 or not all(parts):
            raise BadFrame("wrong-columns", text)
        if len(set(parts[::2])) != len(parts) // 2:
            raise BadFrame("duplicate-source", text)
        chip = CHIPS[self._line.chip]
        measurements: list[Measurement] = []
        refused: list[Rejected] = []
        for source, digits in zip(parts[::2], parts[1::2], strict=True):
            if len(digits) != chip.hex_digits or not _HEX.fullmatch(digits):
                raise BadFrame("not-a-word", text)
            try:
                measurements.append(self._true(source, chip.decode(int(digits, 16))))
            except ImpossibleWord as error:
                refused.append(Rejected("impossible-word", printable(f"{source} {digits}: {error}")))
        return Batch(tuple(measurements), tuple(refused))

    def _count(self, found: dict[str, Any]) -> None:
        """Takes the field that numbers the lines, if the format has one, out of `found`."""
        if self._line.sequence not in found:
            return
        value = found.pop(self._line.sequence)
        try:
            self.count.note(int(value))
        except (TypeError, ValueError):
            raise BadFrame("not-a-count", f"{self._line.sequence}={value}") from None

    def _true(self, source: str, shown: ChipValue) -> Measurement:
        """The measurement behind what the chip shows: linearised if the chip is not, and for the probe's own type."""
        if shown.celsius is None:
            return faulted(source, shown.fault or Fault.NOT_KNOWN, shown.cold_junction)
        celsius = shown.celsius
        if self._linearise and self._line.chip in ("max31855", "max6675"):
            cold = thermocouple.ASSUMED_COLD_JUNCTION if shown.cold_junction is None else shown.cold_junction
            letter = self._types.get(source, self._line.thermocouple)
            try:
                celsius = thermocouple.corrected(letter, celsius, cold, self._sensitivity())
            except thermocouple.OutOfRange:
                return faulted(source, Fault.OUT_OF_RANGE, shown.cold_junction)
        return measured(source, celsius, shown.cold_junction, shown.quality)

    def _sensitivity(self) -> float:
        if self._line.chip == "max6675":
            return thermocouple.SENSITIVITY_MAX6675
        return thermocouple.SENSITIVITY_MAX31855[self._line.thermocouple]

    def _fields(self, found: Mapping[str, float | str | None]) -> Batch:
        measurements: list[Measurement] = []
        refused: list[Rejected] = []
        for source, value in found.items():
            try:
                measurements.append(self._field(source, value))
            except BadFrame as bad:
                refused.append(bad.rejected)
        return Batch(tuple(measurements), tuple(refused))

    def _field(self, source: str, value: float | str | None) -> Measurement:
        unit = self._line.unit
        if isinstance(value, str):
            match = _NUMBER.fullmatch(value)
            if match is None:
                if value.lower() in _NO_VALUE:
                    return faulted(source, Fault.NOT_KNOWN)
                raise BadFrame("not-a-number", f"{source}={value}")
            if match[2] and match[2] != unit:
                raise BadFrame("other-unit", f"{source}={value}")
            value = _number(match[1])
        if value is None:
            return faulted(source, Fault.NOT_KNOWN)
        if type(value) is not float:
            raise BadFrame("not-a-number", f"{source}={value}")
        return measured(source, (value - 32.0) / 1.8 if unit == "F" else value)


_ABSENT: Final[Any] = object()


def _number(text: str) -> float:
    """As `number_of`. Raises BadFrame."""
    try:
        return number_of(text)
    except ValueError:
        raise BadFrame("not-a-number", text) from None


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object; two values under one name are a damaged line, not a choice."""
    found = dict(pairs)
    if len(found) != len(pairs):
        raise BadFrame("duplicate-source", ",".join(name for name, _ in pairs))
    return found


def _at_path(found: Mapping[str, Any], path: str) -> Any:
    """The value under a name, or under a dotted path of names; _ABSENT if it is not there."""
    if path in found:
        return found[path]
    here: Any = found
    for name in path.split("."):
        if not isinstance(here, dict) or name not in here:
            return _ABSENT
        here = here[name]
    return here


def _checked(text: str, separator: str, digits: int, checksum: Callable[[bytes], int]) -> str:
    """`text` without its checksum. Raises BadFrame when it is missing or wrong."""
    body, found, tail = text.rpartition(separator)
    tail = tail.strip()
    if not found or len(tail) != digits or not _HEX.fullmatch(tail):
        raise BadFrame("no-checksum", text)
    if int(tail, 16) != checksum(body.encode()):
        raise BadFrame("crc", text)
    return body


# For simulators and firmware authors ------------------------------------------------------------------------------


def checked_line(body: str, separator: str = _WORD_SEPARATOR) -> bytes:
    """`body` with its CRC-16/MODBUS and a line end, as firmware must send it."""
    return f"{body}{separator}{crc16_modbus(body.encode()):04X}\n".encode()


def word_line(source: str, word: int, chip: str = "max31855") -> bytes:
    """One `source,HEX,CRC` line of a register word of `chip`."""
    return checked_line(f"{source},{word:0{CHIPS[chip].hex_digits}X}")


def words_line(words: Mapping[str, int], chip: str = "max31855") -> bytes:
    """One line with several `source,HEX` pairs before its CRC."""
    digits = CHIPS[chip].hex_digits
    return checked_line(",".join(f"{source},{word:0{digits}X}" for source, word in words.items()))
