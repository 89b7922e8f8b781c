"""What the core says to people: a key of the catalogue of texts, and the numbers and names that go into it.

The sentence is made where it is shown (`daemon.texts`), in the reader's language, units and clock. A plain `str` is words from
elsewhere: a name, a device's own message, or what an earlier version wrote into a journal.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, cast


@dataclass(frozen=True, slots=True)
class Said:
    """key: of a template, such as "alarm.pit-falling.text". values: (placeholder, value) in the order given; °C, s, kg, m or a
    share of one, whichever its placeholder's kind says; None = not known; a pair of numbers = from, to."""

    key: str
    values: tuple[tuple[str, float | str | Said | tuple[float, float] | tuple[Said | str, ...] | None], ...] = ()


Text = Said | str
Value = float | str | None | Said | tuple[float, float] | tuple[Text, ...]


def say(key: str, **values: Value) -> Said:
    return Said(key, tuple(values.items()))


def plain(text: Text) -> object:
    """For a checkpoint: what JSON can hold, and `said` reads."""
    return (
        {"key": text.key, "values": [[name, _plain(value)] for name, value in text.values]}
        if isinstance(text, Said)
        else text
    )


def _plain(value: Value) -> object:
    return (
        [_plain(one) for one in value]
        if isinstance(value, tuple)
        else plain(value)
        if isinstance(value, Said)
        else value
    )


def said(plain: object) -> Text:
    """What `dataclasses.asdict` or JSON made of a `Said`, as one again; a `str` stays one."""
    if isinstance(plain, str | Said):
        return plain
    row = cast(dict[str, Any], plain)
    return Said(row["key"], tuple((name, _value(value)) for name, value in row["values"]))


def _value(plain: Any) -> Value:
    if isinstance(plain, dict):
        return said(plain)
    if isinstance(plain, list | tuple):
        return cast(Value, tuple(_value(one) for one in plain))
    return cast(Value, plain)
