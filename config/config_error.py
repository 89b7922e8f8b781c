"""What is raised for files that cannot be used: all that is wrong with them at once, and who reads it."""

from __future__ import annotations

from config.problems import Problem
from config.rig import PeopleSection


class ConfigError(Exception):
    """The configuration cannot be used. `problems` holds all that is wrong with it; people: who reads it, where the rig file
    says so."""

    def __init__(self, problems: list[Problem], people: PeopleSection | None = None) -> None:
        super().__init__("\n".join(f"{p.file}: {p.key}: {p.remedy}" for p in problems))
        self.problems, self.people = problems, people
