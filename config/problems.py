"""What is wrong with a file, as a value: file, key, value, remedy."""

from __future__ import annotations

from dataclasses import dataclass


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
