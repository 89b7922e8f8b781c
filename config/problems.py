"""What is wrong with a file, as a value: file, key, value, remedy."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in one file. warning: the watch can start, but the cook should know."""

    file: str
    key: str
    value: str
    remedy: str
    warning: bool = False

    def __str__(self) -> str:
        kind = "warning" if self.warning else "error"
        value = f" = {self.value}" if self.value else ""
        return f"{self.file}: {kind}: {self.key}{value}: {self.remedy}"


class ConfigError(Exception):
    """The configuration cannot be used. `problems` holds all that is wrong with it."""

    def __init__(self, problems: list[Problem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


ITEMS = {"pieces": "piece", "channels": "channel", "devices": "device", "delivery": "delivery", "reminders": "reminder",
         "pits": "pit"}  # fmt: skip
"""Lists of a file, and what one of them is called."""
ORDINALS = {1: "st", 2: "nd", 3: "rd"}


def item(listed: str, number: int, name: str | None) -> str:
    """How one of a list is called: by its name, or by its place: "piece chuck", "the 1st piece". number: from 0."""
    word, place = ITEMS.get(listed, listed), number + 1
    if name:
        return f"{word} {name}"
    tenth = 10 <= place % 100 <= 20
    return f"the {place}{'th' if tenth else ORDINALS.get(place % 10, 'th')} {word}"


def named_items(problem: Problem, table: Mapping[str, object]) -> Problem:
    """The problem with an item of a list called by its name. table: the file as it was read."""
    listed, _, rest = problem.key.partition(".")
    number, _, key = rest.partition(".")
    items = table.get(listed)
    if listed not in ITEMS or not number.isdigit() or not isinstance(items, list):
        return problem
    one = items[int(number)] if int(number) < len(items) else None
    name = (
        next((one[k] for k in ("id", "name") if isinstance(one.get(k), str)), None) if isinstance(one, dict) else None
    )
    called = item(listed, int(number), name)
    return replace(problem, key=f"{called}, {key}" if key else called)
