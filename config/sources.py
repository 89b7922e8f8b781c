"""Names under which a device hands out its values, as far as the rig file says them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from difflib import get_close_matches

from config.problems import Remedy, remedy

FIRST_OF_CHIP = "1"
"""What a kernel's chip is called where the file names nothing else; as `IioDevice` has it."""


def sources_of(device: Mapping[str, object]) -> tuple[str, ...] | None:
    """device: a table of a rig file as it was read, so any of it may be of a wrong kind. None: the names come from the device
    itself, or cannot be told."""
    match device.get("kind"), device:
        case "serial-line", {"line": {"kind": "csv", "columns": list(columns), **line}}:
            return _names(column for column in columns if column not in ("", line.get("sequence")))
        case "serial-line", {"line": {"kind": "json" | "keyvalue", "fields": dict(fields)}} if fields:
            return _names(fields)
        case "modbus", {"sources": list(listed)}:
            return _names(one.get("source") if isinstance(one, dict) else None for one in listed)
        case "ble-gatt", {"characteristics": list(listed)}:
            return _names(one.get("source") if isinstance(one, dict) else None for one in listed)
        case "scpi", {"channel_list": list(numbers)}:
            return _names(str(number) if isinstance(number, int) else None for number in numbers)
        case "iio", _:
            return _names([device.get("source", FIRST_OF_CHIP)])
        case _:
            return None


def _names(found: Iterable[object]) -> tuple[str, ...] | None:
    """None where one of them is no name: that is said elsewhere, and which others there are is not known."""
    names = tuple(found)
    return tuple(n for n in names if isinstance(n, str)) if names and all(isinstance(n, str) for n in names) else None


def no_such_source(source: str, known: tuple[str, ...]) -> Remedy:
    """What is said of a name that the device does not have."""
    near = get_close_matches(source, known, 1) or [k for k in known if k.casefold() == source.casefold()]
    return remedy("file.no-source-but", near=near[0], known=known) if near else remedy("file.no-source", known=known)
