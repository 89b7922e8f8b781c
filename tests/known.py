"""A value that a test needs, said to be there: fails where it is not, and tells the type checker so."""

from __future__ import annotations

from typing import TypeVar

Value = TypeVar("Value")


def known(value: Value | None) -> Value:
    assert value is not None
    return value
