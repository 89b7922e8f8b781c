"""Files in, frozen models out, or every problem at once.

A Problem names the file, the key, the value and the remedy. Nothing here starts anything.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from config.cook import Cook
from config.crew import Crew
from config.doubts import doubts_of_parts
from config.plain_errors import plain_problems
from config.problems import ConfigError, Problem, named_items
from config.rig import LONGEST_PIT_NAME, OF_THE_WATCH, Rig, with_first_pit

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
    if rig_table is not None and isinstance(rig_table.get("pits"), dict) and "pit" not in rig_table:
        problems.append(Problem(str(rig_path), "pits", "", "write [[pits]], in double brackets, once for each pit"))
        rig_table = {**rig_table, "pits": [rig_table["pits"]]}
    rig, wrong = _checked(None if rig_table is None else with_first_pit(rig_table), Rig, str(rig_path))
    problems += [_of_pits(problem, rig_table or {}) for problem in wrong]
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


def _of_pits(problem: Problem, table: Table) -> Problem:
    """As the file has it, where `[[pits]]` was read as a first pit and others."""
    listed, _, rest = problem.key.partition(".")
    if "pits" not in table or "pit" in table:
        return problem
    if listed == "pit":
        return replace(problem, key=f"pits.0.{rest}" if rest else "pits")
    number, _, key = rest.partition(".")
    if listed != "other_pits" or not number.isdigit():
        return problem
    return replace(problem, key=f"pits.{int(number) + 1}" + (f".{key}" if key else ""))


def _syntax(error: tomllib.TOMLDecodeError) -> str:
    """Where the file stops being TOML. The parser's own words end with the place: "... (at line 3, column 5)"."""
    place = str(error).rpartition("(at ")[2].rstrip(")")
    return f"not TOML: look at {place}; is a quote, a bracket or an equals sign missing, or a key written twice?"


def _repeated(names: list[str]) -> list[str]:
    return sorted({n for n in names if names.count(n) > 1})


# What follows reads a table as it was written, so any of it may be of a wrong kind: that is said elsewhere.


def _items(table: Table, key: str) -> list[Table]:
    """Of a single table, `[devices]` for `[[devices]]`, that one: nothing follows from it but its own problem."""
    items = table.get(key)
    items = [items] if isinstance(items, dict) else items
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
    yield from _pit_problems(rig, channels, file)
    for name in _repeated(_texts(delivery, "name")):
        yield Problem(file, "delivery.name", repr(name), "two deliveries have this name; each needs its own")
    for number, one in enumerate(delivery):
        if one.get("kind") == "mqtt" and "broker" not in rig:
            yield Problem(file, f"delivery.{number}.kind", "'mqtt'", "needs a [broker] section")


BELONG_TO_A_PIT = ("pit", "meat")
BELONG_TO_NONE = ("ambient", "hold", "spot")
"""Roles of channels that do, and that do not."""


def pit_ids(rig: Table) -> list[str]:
    """Of a rig with several pits, the first's first; of one with `[pit]` none."""
    return [] if "pit" in rig else _texts(_items(rig, "pits"), "id")


def _pit_problems(rig: Table, channels: list[Table], file: str) -> Iterator[Problem]:
    """What several pits ask of each other and of the channels."""
    pits = _items(rig, "pits")
    if "other_pits" in rig:
        yield Problem(file, "other_pits", "", "unknown key; remove it or mend its spelling")
    if "pit" in rig and "pits" in rig:
        yield Problem(file, "pits", "", "there is a [pit] too; name it as the first of [[pits]], or remove these")
        return
    if "pits" in rig and not isinstance(rig["pits"], list):
        yield Problem(file, "pits", "", "write [[pits]] once for each pit")
        return
    several = len(pits) > 1
    ids = [_text(pit, "id") or "pit" for pit in pits]
    for name in _repeated(ids):
        yield Problem(file, "pits.id", repr(name), "two pits have this id; each needs its own")
    for name in _repeated([_text(pit, "name") or "Pit" for pit in pits]):
        yield Problem(file, "pits.name", repr(name), "two pits have this name; nobody could tell their messages apart")
    for number, pit in enumerate(pits if several else []):
        called = _text(pit, "name") or "Pit"
        if len(called) > LONGEST_PIT_NAME:
            remedy = f"at most {LONGEST_PIT_NAME} letters, so that one message has room for two pits"
            yield Problem(file, f"pits.{number}.name", repr(called), remedy)
        if number and ids[number] == "pit":
            yield Problem(
                file, f"pits.{number}.id", "'pit'", "only the first may be called so; give it an id of its own"
            )
        taken = next(
            (end for end in OF_THE_WATCH if ids[number].removesuffix(end) in ids and ids[number].endswith(end)), ""
        )
        if taken:
            remedy = f"the broker's device of the {taken[1:]} is called so; give the pit another id"
            yield Problem(file, f"pits.{number}.id", repr(ids[number]), remedy)
        if number and pit.get("altitude", pits[0].get("altitude", 0)) != pits[0].get("altitude", 0):
            yield Problem(file, f"pits.{number}.altitude", repr(pit["altitude"]), "one watch stands at one altitude")
        if not any(_text(c, "role") == "pit" and c.get("pit") == ids[number] for c in channels):
            remedy = f'no channel has role = "pit" and pit = "{ids[number]}"; without one nobody watches that fire'
            yield Problem(file, f"pits.{number}", "", remedy)
    yield from _channel_pits(channels, ids if pits else [_text(_table_of(rig, "pit"), "id") or "pit"], file)


def _table_of(table: Table, key: str) -> Table:
    value = table.get(key)
    return value if isinstance(value, dict) else {}


def _channel_pits(channels: list[Table], ids: list[str], file: str) -> Iterator[Problem]:
    """ids: of all pits."""
    pits = {id_: _text(c, "pit") for c in channels if (id_ := _text(c, "id")) is not None}
    for number, channel in enumerate(channels):
        role, pit, pair = _text(channel, "role"), _text(channel, "pit"), _text(channel, "pair")
        if role in BELONG_TO_A_PIT and pit is None and len(ids) > 1:
            yield Problem(
                file, f"channels.{number}.pit", "", f"which pit does it belong to? They are: {', '.join(ids)}"
            )
        elif pit is not None and pit not in ids:
            yield Problem(file, f"channels.{number}.pit", repr(pit), f"no pit has this id; they are: {', '.join(ids)}")
        elif pit is not None and role in BELONG_TO_NONE:
            yield Problem(
                file, f"channels.{number}.pit", repr(pit), f"a channel of role {role} belongs to no pit; leave it out"
            )
        if role == "pit" and pair in pits and pits[pair] != pit:
            yield Problem(file, f"channels.{number}.pair", repr(pair), "that channel belongs to another pit")


def _cook_pits(cook: Table, rig: Table, pieces: list[Table], file: str) -> Iterator[Problem]:
    """Which pit is meant, in a rig with several."""
    pits = pit_ids(rig)
    known = pits or [_text(_table_of(rig, "pit"), "id") or "pit"]
    for number, piece in enumerate(pieces):
        pit = _text(piece, "pit")
        if pit is not None and pit not in known:
            yield Problem(file, f"pieces.{number}.pit", repr(pit), f"no pit has this id; they are: {', '.join(known)}")
        elif pit is None and len(pits) > 1 and _text(piece, "channel") is None:
            remedy = f"no probe says which pit it is cooked on; name it: {', '.join(pits)}"
            yield Problem(file, f"pieces.{number}.pit", "", remedy)
        id_ = piece_id(_text(piece, "id"), _text(piece, "name") or "")
        if id_ in pits[1:]:
            yield Problem(file, f"pieces.{number}.id", repr(id_), "a pit has this id; give the piece another")
    for pit in _table_of(cook, "bands"):
        if pit not in pits[1:]:
            remedy = (
                "the first pit's is `band`" if pit in known else f"no pit has this id; they are: {', '.join(known)}"
            )
            yield Problem(file, f"bands.{pit}", "", remedy)


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
    yield from _cook_pits(cook, rig, pieces, file)
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
