"""A validation library's findings as problems in plain words: one a key, none of the library's own phrases."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, time
from typing import Any

from config.problems import ITEMS, Problem

SHOWN = 60
"""Characters of a value that are shown."""

SAID_BY_KEY: Mapping[str, str] = {
    "wrap": 'write wrap = { material = "paper", at = 77 }, or wrap = false for never',
    "tender": "write two core temperatures, low then high: tender = [92, 97]",
    "serve_at": "write a local date and time without quotes: serve_at = 2026-11-29T12:30:00",
    "calibration": "run pitvigil calibrate: it prints this table",
}
"""Remedies for keys that can be written in several ways, by the last word of the key."""

IN_WORDS: Mapping[str, str] = {
    "extra_forbidden": "unknown key; remove it or mend its spelling",
    "missing": "this key is needed; add it",
    "string_type": 'write text in quotes: "like this"',
    "bool_type": "write true or false, without quotes",
    "bool_parsing": "write true or false, without quotes",
    "int_type": "write a whole number, without quotes",
    "int_parsing": "write a whole number, without quotes",
    "int_parsing_size": "write a smaller whole number",
    "int_from_float": "write a whole number, without a decimal point",
    "float_type": "write a number, without quotes",
    "float_parsing": "write a number, without quotes",
    "finite_number": "write an ordinary number",
    "tuple_type": 'write a list: ["first", "second"]',
    "list_type": 'write a list: ["first", "second"]',
    "dict_type": "write a table: { name = value }",
    "date_type": "write a date without quotes: 2026-11-29",
    "date_parsing": "write a date without quotes: 2026-11-29",
    "date_from_datetime_parsing": "write a date without quotes: 2026-11-29",
    "date_from_datetime_inexact": "write a date without a time of day: 2026-11-29",
    "datetime_type": "write a local date and time without quotes: 2026-11-29T12:30:00",
    "datetime_parsing": "write a local date and time without quotes: 2026-11-29T12:30:00",
    "datetime_from_date_parsing": "write a local date and time without quotes: 2026-11-29T12:30:00",
    "union_tag_not_found": 'say which kind it is: kind = "..."',
}
"""By the library's type of error, for those that need no figure."""

CALLED: Mapping[str, str] = {
    "minutes_ago": "how long ago",
    "celsius": "the temperature",
    "kind": "what was done",
    "what": "the mark",
    "said_at": "when it was said",
    "tolerance": "how far off the thermometer may be",
    "thermometer": "the name of the thermometer",
    "where": "the place in the piece",
    "piece": "the piece",
    "channel": "the probe",
    "splits": "the number of splits",
    "ambient": "the temperature outside",
    "wind": "the wind",
    "low": "the low end of the band",
    "high": "the high end of the band",
    "every_minutes": "from one reminder to the next",
    "by": "who says so",
    "at_night": "whether it may wake",
    "serve_at": "the serving time",
    "fat_percent": "the fat",
    "note": "the note",
    "seconds": "the time",
}
"""What a field of an order is called before people, by the last word of its key; others by that word itself."""


def in_a_sentence(problem: Problem) -> str:
    """As the page and the command line say it of an order: what is wrong, without a file."""
    last = next((part for part in reversed(problem.key.split(".")) if not part.isdigit()), problem.key)
    called = CALLED.get(last, last.replace("_", " "))
    value = f" ({problem.value})" if problem.value else ""
    return f"{called}{value}: {problem.remedy}"


UNITS: Mapping[str, str] = {
    "weight": " kg",
    "thickness": " cm",
    "split": " kg",
    "portion": " kg",
    "altitude": " m",
    "rest_minutes": " min",
    "lead_minutes": " min",
    "low": " °C",
    "high": " °C",
    "at": " °C",
    "target": " °C",
    "fat_percent": " %",
    "hours_below_floor": " h",
    "minutes_ago": " min",
    "every_minutes": " min",
    "celsius": " °C",
    "tolerance": " °C",
    "ambient": " °C",
    "wind": " m/s",
    "seconds": " s",
}
"""What the number of a key is in, by the last word of the key."""


def plain_problems(file: str, errors: Iterable[Mapping[str, Any]], given: object) -> list[Problem]:
    """errors: the library's list, each with type, loc, input and ctx. given: what was read, to name keys as they stand in
    it. At most one problem a key, in the order found."""
    found: dict[str, Problem] = {}
    for error in errors:
        key = _key(error, given)
        if _follows_from_others(error):
            continue
        if key not in found:
            found[key] = Problem(file, key or "(whole file)", _shown(error), _remedy(error, key))
    return list(found.values())


def _follows_from_others(error: Mapping[str, Any]) -> bool:
    """A list that only became too short because items of it are wrong: those are named by themselves."""
    given = error.get("input")
    least = (error.get("ctx") or {}).get("min_length", 0)
    return error["type"] == "too_short" and isinstance(given, Sequence) and len(given) >= least


def _key(error: Mapping[str, Any], given: object) -> str:
    """The path as it stands in the file: names of models and of alternatives, which the library adds, are left out."""
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
    return ".".join(parts)


def _holds(here: object, part: object) -> bool:
    if isinstance(here, list | tuple):
        return isinstance(part, int) and 0 <= part < len(here)
    return isinstance(here, Mapping) and part in here


def _shown(error: Mapping[str, Any]) -> str:
    value = error.get("input")
    if error["type"] == "missing" or isinstance(value, Mapping | list | tuple):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    shown = f'"{value}"' if isinstance(value, str) else repr(value)
    return shown if len(shown) <= SHOWN else f"{shown[:SHOWN]}..."


def _remedy(error: Mapping[str, Any], key: str) -> str:
    kind, context = error["type"], error.get("ctx") or {}
    last = key.rpartition(".")[2]
    if kind == "value_error":
        return str(context.get("error", "cannot be used"))
    if last in SAID_BY_KEY and kind not in ("extra_forbidden", "missing"):
        return SAID_BY_KEY[last]
    if key in ITEMS and kind in ("tuple_type", "list_type"):
        return f"write [[{key}]], in double brackets, once for each {ITEMS[key]}"
    return IN_WORDS.get(kind) or next(
        _with_figures(kind, context, last, error.get("input")), "cannot be used here; see the example files"
    )


OTHER_UNITS = {" °C": ("°F is", "F"), " kg": ("pounds are", "lb"), " cm": ("inches are", "in")}
"""What may be meant by a number that is too high for its unit, and how it is written."""


def _if_other_unit(given: object, unit: str) -> str:
    if unit not in OTHER_UNITS or not isinstance(given, int | float) or isinstance(given, bool):
        return ""
    words, sign = OTHER_UNITS[unit]
    return f'; if {words} meant, write "{given:g} {sign}"'


def _with_figures(kind: str, context: Mapping[str, Any], last: str, given: object) -> Iterator[str]:
    unit = UNITS.get(last, "")
    match kind:
        case "greater_than":
            yield f"must be more than {context['gt']:g}{unit}"
        case "greater_than_equal":
            yield f"must be at least {context['ge']:g}{unit}"
        case "less_than":
            yield f"must be less than {context['lt']:g}{unit}"
        case "less_than_equal":
            yield f"must be at most {context['le']:g}{unit}{_if_other_unit(given, unit)}"
        case "literal_error" | "enum":
            yield f"choose one of: {context['expected'].replace(chr(39), chr(34))}"
        case "union_tag_invalid":
            yield f"no such kind; choose one of: {context['expected_tags'].replace(chr(39), chr(34))}"
        case "too_short":
            yield f"at least {context['min_length']} needed here"
        case "too_long":
            yield f"at most {context['max_length']} allowed here"
        case "string_too_short":
            yield "must not be empty" if context["min_length"] == 1 else f"at least {context['min_length']} characters"
        case "string_too_long":
            yield f"at most {context['max_length']} characters"
        case "string_pattern_mismatch":
            yield _PATTERNS.get(context["pattern"], "characters that are not allowed here")
        case "model_type" | "model_attributes_type":
            yield "write a table of its own, or { name = value } on one line"
        case _:
            return


_PATTERNS: Mapping[str, str] = {
    r"^[a-z0-9][a-z0-9-]{0,31}$": "use lower-case letters, digits and hyphens, at most 32",
    r"^https?://": 'write the whole address: "https://..."',
}
