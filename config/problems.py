"""What is wrong with a file, as a value: file, key, value, remedy. The sentence is made where it is shown (`daemon.texts`), in
the reader's language and units."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

ITEMS = ("pieces", "channels", "devices", "delivery", "reminders", "pits")
"""Lists of a file whose items are called by their names."""
ITEM_WORDS = "problem.item."
"""Before one of them: the key of what one item is called."""


@dataclass(frozen=True, slots=True)
class Remedy:
    """What to do, or what is asked. key: of a sentence in the catalogue of texts. values: (placeholder, value); °C, kg, m, s,
    names, and another Remedy where a part of the sentence differs."""

    key: str
    values: tuple[tuple[str, Value], ...] = ()


Value = float | str | Remedy | tuple[float, float] | tuple[str, ...]


def remedy(key: str, **values: Value) -> Remedy:
    return Remedy(key, tuple(values.items()))


def double_brackets(listed: str) -> Remedy:
    """For a list of tables that was written as something else."""
    return remedy("file.double-brackets", listed=listed, item=remedy(ITEM_WORDS + listed))


def quoted(text: str) -> str:
    """As a file has it."""
    return json.dumps(text, ensure_ascii=False)


class Unfit(ValueError):
    """A value that can be read and cannot be used. `remedy` says what to write instead."""

    def __init__(self, key: str, **values: Value) -> None:
        super().__init__(key)
        self.remedy = remedy(key, **values)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in one file. key: its path ("pieces.0.weight"), "" = the file as a whole. value: as it is written, "" =
    not shown. remedy: a `str` is a sentence that was made already. name: what the item of a list is called that the key leads
    into. warning: the watch can start, but the cook should know."""

    file: str
    key: str
    value: str
    remedy: Remedy | str
    warning: bool = False
    name: str = ""


def item_of(key: str) -> tuple[str, int, str] | None:
    """(list, number from 0, the rest) of a key that leads into a list of a file: "pieces.0.weight"."""
    listed, _, rest = key.partition(".")
    number, _, inner = rest.partition(".")
    return (listed, int(number), inner) if listed in ITEMS and number.isdigit() else None


def named_items(problem: Problem, table: Mapping[str, object]) -> Problem:
    """The problem with the name of the item it is about. table: the file as it was read."""
    found = item_of(problem.key)
    items = None if found is None else table.get(found[0])
    if found is None or not isinstance(items, list) or found[1] >= len(items) or not isinstance(items[found[1]], dict):
        return problem
    one = items[found[1]]
    return replace(problem, name=next((one[k] for k in ("id", "name") if isinstance(one.get(k), str)), ""))
