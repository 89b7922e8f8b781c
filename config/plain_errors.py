"""A validation library's findings as problems in plain words: one a key, none of the library's own phrases."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import Any

from config.problems import ITEMS, Problem, Remedy, Unfit, double_brackets, quoted, remedy
from config.units import KG_PER_POUND, METRES_PER_FOOT, THICKNESSES, WEIGHTS, decimal_point, to_celsius

SHOWN = 60
"""Characters of a value that are shown."""

SAID_BY_KEY: Mapping[str, Remedy] = {
    "wrap": remedy("file.wrap", at=77.0),
    "tender": remedy("file.tender", low=92.0, high=97.0),
    "serve_at": remedy("file.date-and-time"),
    "calibration": remedy("file.calibration"),
}
"""Remedies for keys that can be written in several ways, by the last word of the key."""

SAID_BY_KIND: Mapping[str, str] = {
    "extra_forbidden": "file.unknown-key",
    "missing": "file.missing",
    "string_type": "file.text",
    "bool_type": "file.true-or-false",
    "bool_parsing": "file.true-or-false",
    "int_type": "file.whole-number",
    "int_parsing": "file.whole-number",
    "int_parsing_size": "file.smaller",
    "int_from_float": "file.no-decimals",
    "float_type": "file.number",
    "float_parsing": "file.number",
    "finite_number": "file.finite",
    "tuple_type": "file.list",
    "list_type": "file.list",
    "dict_type": "file.table",
    "model_type": "file.own-table",
    "model_attributes_type": "file.own-table",
    "date_type": "file.date",
    "date_parsing": "file.date",
    "date_from_datetime_parsing": "file.date",
    "date_from_datetime_inexact": "file.date-alone",
    "datetime_type": "file.date-and-time",
    "datetime_parsing": "file.date-and-time",
    "datetime_from_date_parsing": "file.date-and-time",
    "union_tag_not_found": "file.kind",
}
"""By the library's type of error, for those that need no figure."""

UNITS: Mapping[str, str] = {
    "weight": "unit.kilograms",
    "thickness": "unit.centimetres",
    "split": "unit.kilograms",
    "portion": "unit.kilograms",
    "altitude": "unit.metres",
    "rest_minutes": "unit.minutes",
    "lead_minutes": "unit.minutes",
    "low": "unit.celsius",
    "high": "unit.celsius",
    "at": "unit.celsius",
    "target": "unit.celsius",
    "fat_percent": "unit.percent",
    "hours_below_floor": "unit.hours",
    "minutes_ago": "unit.minutes",
    "every_minutes": "unit.minutes",
    "celsius": "unit.celsius",
    "tolerance": "unit.kelvins",
    "ambient": "unit.celsius",
    "wind": "unit.speed",
    "seconds": "unit.seconds",
}
"""What the number of a key is in, by the last word of the key."""


TAGS = ("union_tag_invalid", "union_tag_not_found")
"""The library's types of error for a table whose `kind` is wrong or not there; they name the table."""


def plain_problems(file: str, errors: Iterable[Mapping[str, Any]], given: object) -> list[Problem]:
    """errors: the library's list, each with type, loc, input and ctx. given: what was read, to name keys as they stand in
    it. At most one problem a key, in the order found."""
    found: dict[str, Problem] = {}
    for error in errors:
        key, written = _place(error, given)
        if _follows_from_others(error):
            continue
        if error["type"] in TAGS:
            key = f"{key}.kind"
        if key not in found:
            found[key] = Problem(file, key, _shown(error, written), _remedy(error, key, written))
    # of a value that may be one of several things, the table that was meant says what is wrong in it
    return [problem for key, problem in found.items() if not any(other.startswith(f"{key}.") for other in found)]


def _follows_from_others(error: Mapping[str, Any]) -> bool:
    """A list that only became too short because items of it are wrong: those are named by themselves."""
    given = error.get("input")
    least = (error.get("ctx") or {}).get("min_length", 0)
    return error["type"] == "too_short" and isinstance(given, Sequence) and len(given) >= least


def _place(error: Mapping[str, Any], given: object) -> tuple[str, object]:
    """The path as it stands in the file, and what is written there: names of models and of alternatives, which the library adds,
    are left out."""
    parts: list[str] = []
    here: object = given
    loc = tuple(error["loc"])
    named_kind = False  # of the table that `here` is: the library names it before the first key
    for number, part in enumerate(loc):
        last = number == len(loc) - 1
        if isinstance(here, Mapping) and not named_kind and not last and here.get("kind") == part:
            named_kind = True
            continue
        if _holds(here, part):
            here, named_kind = here[part], False  # type: ignore[index]
        elif not last or error["type"] not in ("missing", "extra_forbidden"):
            continue
        parts.append(str(part))
    return ".".join(parts), here


def _holds(here: object, part: object) -> bool:
    if isinstance(here, list | tuple):
        return isinstance(part, int) and 0 <= part < len(here)
    return isinstance(here, Mapping) and part in here


def _shown(error: Mapping[str, Any], written: object) -> str:
    value = written if _has_unit(error, written) else error.get("input")
    if error["type"] in TAGS:
        value = value.get("kind") if isinstance(value, Mapping) else None
    if error["type"] == "missing" or value is None or isinstance(value, Mapping):
        return ""
    if isinstance(value, list | tuple):
        return _row(value)
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, str):
        shown = quoted(value)
    else:
        shown = f"{value:.10g}" if isinstance(value, float) else repr(value)
    return shown if len(shown) <= SHOWN else f"{shown[:SHOWN]}..."


def _row(values: Sequence[object]) -> str:
    """A list of numbers and texts, as a file has it; of a longer or another one nothing is shown."""
    if not all(isinstance(value, int | float | str) and not isinstance(value, bool) for value in values):
        return ""
    shown = ", ".join(quoted(value) if isinstance(value, str) else f"{value:.10g}" for value in values)
    return f"[{shown}]" if len(shown) <= SHOWN else ""


def _has_unit(error: Mapping[str, Any], written: object) -> bool:
    """The number that is wrong was written with its unit, as "74 F"."""
    return isinstance(written, str) and isinstance(error.get("input"), float)


def _remedy(error: Mapping[str, Any], key: str, written: object) -> Remedy:
    kind, context = error["type"], error.get("ctx") or {}
    last = key.rpartition(".")[2]
    if kind == "value_error":
        unfit = context.get("error")
        return unfit.remedy if isinstance(unfit, Unfit) else remedy("file.unusable")
    if last in SAID_BY_KEY and kind not in ("extra_forbidden", "missing"):
        return SAID_BY_KEY[last]
    if key in ITEMS and kind in ("tuple_type", "list_type"):
        return double_brackets(key)
    if kind in ("float_parsing", "int_parsing") and (meant := decimal_point(error.get("input"))):
        return remedy("file.decimal-point", meant=meant)
    if kind in SAID_BY_KIND:
        return remedy(SAID_BY_KIND[kind])
    number = None if _has_unit(error, written) else error.get("input")  # with its unit said, no other one is meant
    return _with_figures(kind, context, last, number) or remedy("file.unusable")


@dataclass(frozen=True, slots=True)
class OtherUnit:
    """What may be meant by a number that is too high for the unit of its key. said: the remedy that asks about it. into: the
    unit of the key."""

    said: str
    into: Callable[[float], float]


OTHER_UNITS: Mapping[str, tuple[OtherUnit, ...]] = {
    "unit.celsius": (OtherUnit("file.at-most-or-fahrenheit", to_celsius),),
    "unit.kilograms": (
        OtherUnit("file.at-most-or-pounds", lambda pounds: pounds * KG_PER_POUND),
        OtherUnit("file.at-most-or-grams", lambda grams: grams * WEIGHTS["g"]),
    ),
    "unit.centimetres": (
        OtherUnit("file.at-most-or-inches", lambda inches: inches * THICKNESSES["in"]),
        OtherUnit("file.at-most-or-millimetres", lambda millimetres: millimetres * THICKNESSES["mm"]),
    ),
    "unit.metres": (OtherUnit("file.at-most-or-feet", lambda feet: feet * METRES_PER_FOOT),),
}
"""The larger unit first: asked about is the first that fits."""


def _at_most(most: float, unit: str, given: object) -> Remedy:
    limit = remedy(unit, number=most)
    if isinstance(given, int | float) and not isinstance(given, bool):
        for other in OTHER_UNITS.get(unit, ()):
            if other.into(given) <= most:
                return remedy(other.said, limit=limit, given=float(given), converted=other.into(given))
    return remedy("file.at-most", limit=limit)


def _with_figures(kind: str, context: Mapping[str, Any], last: str, given: object) -> Remedy | None:
    unit = UNITS.get(last, "unit.none")
    match kind:
        case "greater_than":
            return remedy("file.more-than", limit=remedy(unit, number=context["gt"]))
        case "greater_than_equal":
            return remedy("file.at-least", limit=remedy(unit, number=context["ge"]))
        case "less_than":
            return remedy("file.less-than", limit=remedy(unit, number=context["lt"]))
        case "less_than_equal":
            return _at_most(context["le"], unit, given)
        case "literal_error" | "enum":
            return remedy("file.one-of", known=_choices(context["expected"]))
        case "union_tag_invalid":
            return remedy("file.no-such-kind", known=_choices(context["expected_tags"]))
        case "too_short":
            return remedy("file.items-least", least=context["min_length"])
        case "too_long":
            return remedy("file.items-most", most=context["max_length"])
        case "string_too_short" if context["min_length"] == 1:
            return remedy("file.empty")
        case "string_too_short":
            return remedy("file.letters-least", least=context["min_length"])
        case "string_too_long":
            return remedy("file.letters-most", most=context["max_length"])
        case "string_pattern_mismatch":
            return remedy(_PATTERNS.get(context["pattern"], "file.letters"))
        case _:
            return None


def _choices(known: str) -> str:
    """The library's list of choices, as a file writes them."""
    return known.replace("'", '"').replace(" or ", ", ")


_PATTERNS: Mapping[str, str] = {
    r"^[a-z0-9][a-z0-9-]{0,31}$": "file.id",
    r"^https?://": "file.address",
}
