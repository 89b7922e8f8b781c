"""What a person calls something: by its id, or by its name where only one has it."""

from __future__ import annotations

from collections.abc import Mapping


def id_called(called: str, names: Mapping[str, str]) -> str | None:
    """The id; None: nothing is called so, or several are. names: by id; their case does not count."""
    if called in names:
        return called
    named = [id_ for id_, name in names.items() if name.casefold() == called.casefold()]
    return named[0] if len(named) == 1 else None
