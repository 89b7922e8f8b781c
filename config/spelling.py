"""Which key is meant by one that no table has."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import replace
from difflib import get_close_matches
from typing import Any, get_args

from pydantic import BaseModel

from config.problems import Problem, remedy

UNKNOWN = remedy("file.unknown-key")
ALIKE = 0.65
"""How alike a known key must be to be named, 0 to 1: "lead_mins" is `lead_minutes`. Ours, no source."""


def spelt_right(problem: Problem, model: type[BaseModel]) -> Problem:
    """The problem; of an unknown key, with the key of the same table that is spelt most alike, if there is one."""
    if problem.remedy != UNKNOWN:
        return problem
    *path, written = problem.key.split(".")
    meant = key_meant(written, keys_at(model, path))
    return replace(problem, remedy=remedy("file.key-meant", meant=meant)) if meant else problem


def key_meant(written: str, known: Collection[str]) -> str:
    """The one most alike, "" if none is."""
    near = get_close_matches(written.casefold().replace("-", "_"), known, 1, ALIKE)
    return near[0] if near else ""


def keys_at(model: type[BaseModel], path: Collection[str]) -> set[str]:
    """The keys of the table at this path of a file ("pit", "band"); of all that may stand there, if there are several."""
    tables = [model]
    for part in path:
        if not part.isdigit():
            fields = (table.model_fields.get(part) for table in tables)
            tables = [inner for field in fields if field is not None for inner in _models(field.annotation)]
    return {field.alias or name for table in tables for name, field in table.model_fields.items()}


def _models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models(argument)
