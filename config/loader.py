"""Files in, frozen models out, or every problem at once.

A Problem names the file, the key, the value and the remedy. Nothing here starts anything.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from config.cook import Cook
from config.crew import Crew
from config.doubts import doubts_of_parts
from config.plain_errors import plain_problems
from config.problems import ConfigError, Problem, named_items
from config.rig import Rig

Model = TypeVar("Model", bound=BaseModel)
Table = dict[str, Any]
"""A file as it was read."""


def load_rig(path: Path) -> Rig:
    """Read and check a rig file by itself. Raises ConfigError."""
    return load_both(path, None)[0]


def load_crew(path: Path) -> Crew:
    """How a centre tells its crew. Raises ConfigError."""
    table, problems = _table(path)
    crew, wrong = _checked(table, Crew, str(path))
    problems += wrong
    if crew is not None and len({one.name for one in crew.delivery}) < len(crew.delivery):
        problems.append(Problem(str(path), "delivery", "", "two have one name; give each its own"))
    if problems or crew is None:
        raise ConfigError(problems)
    return crew


def load_both(rig_path: Path, cook_path: Path | None) -> tuple[Rig, Cook | None]:
    """Both files. Raises ConfigError with the problems of both, all at once."""
    read = read_both(rig_path, cook_path)
    if read.problems or read.rig is None:
        raise ConfigError(list(read.problems))
    return read.rig, read.cook


@dataclass(frozen=True, slots=True)
class ReadFiles:
    """rig, cook: None where the file cannot be used, or none is named. problems: of both files."""

    rig: Rig | None
    cook: Cook | None
    problems: tuple[Problem, ...]
    doubts: tuple[Problem, ...] = ()
    """What is asked about the parts of a cook file that cannot be used as a whole."""


def read_both(rig_path: Path, cook_path: Path | None) -> ReadFiles:
    """What can be used of both files, and every problem. What one part of a file says of another is checked also where a third
    part is wrong."""
    rig_table, problems = _table(rig_path)
    rig, wrong = _checked(rig_table, Rig, str(rig_path))
    problems += wrong
    if rig_table is not None:
        problems += _new(_rig_problems(rig_table, str(rig_path)), problems)
    cook: Cook | None = None
    doubts: tuple[Problem, ...] = ()
    if cook_path is not None:
        table, unread = _table(cook_path)
        cook, wrong = _checked(table, Cook, str(cook_path))
        problems += unread + wrong
        if table is not None and wrong:
            doubts = tuple(doubts_of_parts(table, str(cook_path)))
        if table is not None and rig_table is not None:
            problems += _new(_cook_problems(table, rig_table, str(cook_path)), problems)
        problems = [named_items(p, table or {}) if p.file == str(cook_path) else p for p in problems]
    return ReadFiles(
        rig, cook, tuple(named_items(p, rig_table or {}) if p.file == str(rig_path) else p for p in problems), doubts
    )


def _new(found: Iterator[Problem], problems: list[Problem]) -> list[Problem]:
    """One problem a key is enough."""
    known = {(p.file, p.key) for p in problems}
    return [p for p in found if (p.file, p.key) not in known]


def _table(path: Path) -> tuple[Table | None, list[Problem]]:
    file = str(path)
    try:
        return tomllib.loads(path.read_text(encoding="utf-8")), []
    except FileNotFoundError:
        return None, [Problem(file, "(file)", "", "there is no such file; give the path of a TOML file")]
    except UnicodeDecodeError:
        return None, [Problem(file, "(file)", "", "not UTF-8 text; save it as UTF-8")]
    except OSError as error:
        return None, [Problem(file, "(file)", "", f"cannot be read: {error.strerror}")]
    except tomllib.TOMLDecodeError as error:
        return None, [Problem(file, "(syntax)", "", _syntax(error))]


def _checked(table: Table | None, model: type[Model], file: str) -> tuple[Model | None, list[Problem]]:
    if table is None:
        return None, []
    try:
        return model.model_validate(table), []
    except ValidationError as error:
        return None, plain_problems(file, error.errors(include_url=False), table)


def _syntax(error: tomllib.TOMLDecodeError) -> str:
    """Where the file stops being TOML. The parser's own words end with the place: "... (at line 3, column 5)"."""
    place = str(error).rpartition("(at ")[2].rstrip(")")
    return f"not TOML: look at {place}; is a quote, a bracket or an equals sign missing, or a key written twice?"


def _repeated(names: list[str]) -> list[str]:
    return sorted({n for n in names if names.count(n) > 1})


# What follows reads a table as it was written, so any of it may be of a wrong kind: that is said elsewhere.


def _items(table: Table, key: str) -> list[Table]:
    items = table.get(key)
    return [item if isinstance(item, dict) else {} for item in items] if isinstance(items, list) else []


def _text(table: Table, key: str) -> str | None:
    value = table.get(key)
    return value if isinstance(value, str) else None


def _texts(items: list[Table], key: str) -> list[str]:
    return [value for item in items if (value := _text(item, key)) is not None]


def _rig_problems(rig: Table, file: str) -> Iterator[Problem]:
    channels, delivery = _items(rig, "channels"), _items(rig, "delivery")
    devices, ids = _texts(_items(rig, "devices"), "id"), _texts(channels, "id")
    for name in _repeated(devices):
        yield Problem(file, "devices.id", repr(name), "two devices have this id; each needs its own")
    for name in _repeated(ids):
        yield Problem(file, "channels.id", repr(name), "two channels have this id; each needs its own")
    wires = [f"{c['device']}/{c['source']}" for c in channels if _text(c, "device") and _text(c, "source")]
    for wire in _repeated(wires):
        yield Problem(file, "channels.source", repr(wire), "two channels read the same source; one of them is wrong")
    for number, channel in enumerate(channels):
        device, pair = _text(channel, "device"), _text(channel, "pair")
        if device is not None and device not in devices:
            remedy = f"no such device; [[devices]] has: {', '.join(devices)}"
            yield Problem(file, f"channels.{number}.device", repr(device), remedy)
        if pair is not None and pair not in ids:
            yield Problem(file, f"channels.{number}.pair", repr(pair), "no channel has this id")
    if channels and "pit" not in _texts(channels, "role"):
        yield Problem(file, "channels", "", 'no channel has role = "pit"; without one nobody watches the fire')
    for name in _repeated(_texts(delivery, "name")):
        yield Problem(file, "delivery.name", repr(name), "two deliveries have this name; each needs its own")
    for number, one in enumerate(delivery):
        if one.get("kind") == "mqtt" and "broker" not in rig:
            yield Problem(file, f"delivery.{number}.kind", "'mqtt'", "needs a [broker] section")


def _cook_problems(cook: Table, rig: Table, file: str) -> Iterator[Problem]:
    channels, pieces = _items(rig, "channels"), _items(cook, "pieces")
    roles = {id_: c.get("role") for c in channels if (id_ := _text(c, "id")) is not None}
    meat = [c for c, role in roles.items() if role == "meat"]
    for number, piece in enumerate(pieces):
        channel = _text(piece, "channel")
        if channel is not None and channel not in meat:
            role = roles.get(channel)
            said = f"that channel is a {role} channel" if channel in roles else "no such channel"
            remedy = f"{said}; meat channels are: {', '.join(meat) or 'none'}; without a probe leave the key out"
            yield Problem(file, f"pieces.{number}.channel", repr(channel), remedy)
    for name in _repeated(_texts(pieces, "channel")):
        yield Problem(
            file, "pieces.channel", repr(name), "two pieces use this channel; each needs its own probe, or none"
        )
    ids = [piece_id(_text(p, "id"), called) for p in pieces if (called := _text(p, "name")) is not None]
    for name in _repeated(ids):
        yield Problem(file, "pieces.id", repr(name), "two pieces have this id; give each an id of its own")
    hold = cook.get("hold")
    cabinet = _text(hold, "channel") if isinstance(hold, dict) else None
    if cabinet is not None and roles.get(cabinet) != "hold":
        yield Problem(file, "hold.channel", repr(cabinet), 'needs a channel with role = "hold"')
    reminders = _items(cook, "reminders")
    for number, reminder in enumerate(reminders):
        about = _text(reminder, "piece")
        if about is not None and about not in ids:
            remedy = f"no piece has this id; the cook has: {', '.join(ids)}"
            yield Problem(file, f"reminders.{number}.piece", repr(about), remedy)
    named = [piece_id(_text(r, "id"), text) for r in reminders if (text := _text(r, "text")) is not None]
    for name in _repeated(named):
        yield Problem(file, "reminders.id", repr(name), "two reminders have this id; give each an id of its own")


def piece_id(given: str | None, name: str) -> str:
    """The id of a piece: given, or its name made fit for a topic."""
    if given:
        return given
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower()).strip("-")
    return "-".join(part for part in plain.split("-") if part)[:32] or "piece"
