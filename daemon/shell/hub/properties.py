"""One property of the Homie convention, a node of them, and how their values are written."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Generic, TypeVar

from daemon.core.said import Text
from daemon.core.snapshot import Snapshot
from daemon.shell.hub.pace import Pace
from daemon.shell.wording import rfc3339

NOTHING = "none"
"""A text that has nothing to say. Homie writes an empty text as one NUL byte, which hubs would show."""
TEXT_LIMIT = 255
"""Characters: hubs drop longer states."""

View = TypeVar("View")


class Datatype(StrEnum):
    INTEGER = "integer"
    FLOAT = "float"
    BOOLEAN = "boolean"
    STRING = "string"
    ENUM = "enum"
    DATETIME = "datetime"
    JSON = "json"


@dataclass(frozen=True, slots=True)
class Property(Generic[View]):
    """One property; its name is in the catalogue (`names`). value: its text, or None while unknown. pace: how often a change is
    told, None = at once."""

    id: str
    datatype: Datatype
    value: Callable[[View, Snapshot], Text | None]
    unit: str = ""
    format: str = ""
    settable: bool = False
    retained: bool = True
    pace: Pace | None = None

    def described(self) -> dict[str, Any]:
        """As it stands in the description, without its name: what equals the convention's default is left out."""
        body: dict[str, Any] = {"datatype": self.datatype.value}
        if self.unit:
            body["unit"] = self.unit
        if self.format:
            body["format"] = self.format
        if self.settable:
            body["settable"] = True
        if not self.retained:
            body["retained"] = False
        return body


def order(id_: str, datatype: Datatype, form: str = "", unit: str = "") -> Property[Any]:
    """A property that only takes orders: it has no state."""
    return Property(id_, datatype, never, unit=unit, format=form, settable=True, retained=False)


@dataclass(frozen=True, slots=True)
class Node(Generic[View]):
    """One part of a device with the view its values come from. name: "" = that of its type, in the catalogue."""

    id: str
    name: str
    type: str
    view: View
    properties: tuple[Property[View], ...]
    device: str = ""
    """id of the Homie device it is on; "" is the root, most often the only one."""
    key: str = ""
    """What tells it from every other node of the watch; "": its id does."""

    def values(self, snapshot: Snapshot) -> Iterator[tuple[str, Text | None]]:
        for prop in self.properties:
            if prop.retained:
                yield f"{self.id}/{prop.id}", prop.value(self.view, snapshot)


def number(value: float | None, digits: int = 1) -> str | None:
    """A Homie float; a value that is no number is no value."""
    if value is None or not abs(value) < 1e15:
        return None
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def truth(value: bool) -> str:
    return "true" if value else "false"


def text(value: Text) -> str:
    """value: made into words already (`Composer.spoken`)."""
    return f"{value}"[:TEXT_LIMIT] or NOTHING


def instant(value: float | None, snapshot: Snapshot) -> str | None:
    """To the whole second: a hub shows hours and minutes, cut off, and the wall clock is corrected by fractions of a second, so
    that 23:00 would be shown as 22:59."""
    return None if value is None else rfc3339(round(value + snapshot.wall_offset))


def identifier(words: str) -> str:
    """Fit for one level of a topic."""
    return re.sub(r"[^a-z0-9-]", "-", words.lower()) or "x"


def never(view: Any, snapshot: Snapshot) -> str | None:
    """A property that only takes orders or tells events has no state."""
    return None
