"""Whether an object of the event file has the shape that `wording.event_to_dict` gives it: each value of the type its field has.

A damaged character may leave good JSON with a number where a word was. Whoever reads the journal later asks for fields by name
and must not meet that.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import MISSING, dataclass, fields, is_dataclass
from datetime import datetime
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from daemon.core.events import EVENT_NAMES
from daemon.core.outlook import FanPoint
from daemon.core.said import Said
from daemon.shell.wording import INSTANTS

Check = Callable[[Any], bool]


@dataclass(frozen=True, slots=True)
class _Shape:
    needed: frozenset[str]
    """Keys that every release has written."""
    checks: dict[str, Check]


def event_fits(event: dict[str, Any]) -> bool:
    """An event of a word that this release does not know needs a time only."""
    shape = _shapes().get(event["event"])
    return _instant(event["time"]) and (shape is None or _fits(event, shape))


@cache
def _shapes() -> dict[str, _Shape]:
    return {name: _shape(kind) for kind, name in EVENT_NAMES.items()}


def _shape(kind: type[Any]) -> _Shape:
    hints = get_type_hints(kind)
    needed = (f.name for f in fields(kind) if f.default is MISSING and f.default_factory is MISSING)
    return _Shape(frozenset(needed), {name: _check(name, hint) for name, hint in hints.items()})


def _fits(plain: Any, shape: _Shape) -> bool:
    return (
        isinstance(plain, dict)
        and shape.needed <= plain.keys()
        and all(check(plain[name]) for name, check in shape.checks.items() if name in plain)
    )


def _check(name: str, hint: Any) -> Check:
    """As `wording` writes a field of this name and type."""
    if get_origin(hint) in (Union, UnionType):
        each = [_check(name, one) for one in get_args(hint)]
        return lambda value: any(check(value) for check in each)
    if get_origin(hint) is tuple:
        one = _check("", get_args(hint)[0])
        return lambda value: isinstance(value, list) and all(map(one, value))
    if hint is Said:
        return _said
    if hint is FanPoint:
        return lambda value: (
            isinstance(value, list) and len(value) == 4 and _instant(value[0]) and all(map(_number, value[1:]))
        )
    if is_dataclass(hint) and isinstance(hint, type):
        shape = _shape(hint)
        if all(kind is float for kind in get_type_hints(hint).values()):  # an interval: instants under their own names
            shape = _Shape(shape.needed, dict.fromkeys(shape.checks, _instant))
        return lambda value: _fits(value, shape)
    if isinstance(hint, type) and issubclass(hint, Enum):
        words = {one.value for one in hint}
        return lambda value: isinstance(value, str) and value in words
    if hint is float:
        return _instant if name in INSTANTS else _number
    plain: type = {NoneType: NoneType, bool: bool, int: int}.get(hint, str)
    return lambda value: type(value) is plain


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _instant(value: Any) -> bool:
    try:
        return datetime.fromisoformat(value).tzinfo is not None
    except (TypeError, ValueError):
        return False


def _said(value: Any) -> bool:
    """Key and values of a text; a value is a number, a word, nothing, a text, or several of these."""
    return (
        isinstance(value, dict)
        and value.keys() == {"key", "values"}
        and isinstance(value["key"], str)
        and isinstance(value["values"], list)
        and all(isinstance(p, list) and len(p) == 2 and isinstance(p[0], str) and _value(p[1]) for p in value["values"])
    )


def _value(value: Any) -> bool:
    if isinstance(value, list):
        return all(map(_value, value))
    return _said(value) if isinstance(value, dict) else True
