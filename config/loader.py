"""Files in, frozen models out, or every problem at once.

A Problem names the file, the key, the value and the remedy. Nothing here starts anything.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from config.config_error import ConfigError
from config.cook import Cook, PlanSection
from config.crew import Crew
from config.hours import minute_of_day
from config.kinds import KINDS, kind_meant
from config.parts import Files, readable_people
from config.plain_errors import plain_problems
from config.problems import Problem, Remedy, double_brackets, item_of, named_items, quoted, remedy
from config.rig import LONGEST_PIT_NAME, OF_THE_WATCH, PeopleSection, Rig, with_first_pit
from config.sources import no_such_source, sources_of
from config.spelling import spelt_right
from config.toml_file import Table, read_table

Model = TypeVar("Model", bound=BaseModel)


def load_rig(path: Path) -> Rig:
    """Read and check a rig file by itself. Raises ConfigError."""
    return load_both(path, None)[0]


def load_crew(path: Path) -> Crew:
    """How a centre tells its crew. Raises ConfigError."""
    table, problems = read_table(path)
    crew, wrong = _checked(table, Crew, str(path))
    problems += wrong
    if crew is not None and len({one.name for one in crew.delivery}) < len(crew.delivery):
        problems.append(Problem(str(path), "delivery", "", remedy("file.same-delivery")))
    if problems or crew is None:
        raise ConfigError(problems)
    return crew


def load_both(rig_path: Path, cook_path: Path | None) -> tuple[Rig, Cook | None]:
    """Both files. Raises ConfigError with the problems of both, all at once."""
    read = read_both(rig_path, cook_path)
    if read.problems or read.rig is None:
        raise read.error()
    return read.rig, read.cook


@dataclass(frozen=True, slots=True)
class ReadFiles:
    """rig, cook: None where the file cannot be used, or none is named. problems: of both files."""

    rig: Rig | None
    cook: Cook | None
    problems: tuple[Problem, ...]
    files: Files | None = None
    """What was read of both, so that questions can be asked also where it cannot be used."""
    people: PeopleSection | None = None
    """Who reads it: also of a rig file that cannot be used, if that part of it can."""

    def doubts(self, now: float) -> list[Problem]:
        """What is asked about all that can be read. now: UTC, s."""
        return [] if self.files is None else list(self.files.doubts(now))

    def error(self) -> ConfigError:
        return ConfigError(list(self.problems), self.people)


def read_both(rig_path: Path, cook_path: Path | None) -> ReadFiles:
    """What can be used of both files, and every problem. What one part of a file says of another is checked also where a third
    part is wrong."""
    rig_table, problems = read_table(rig_path)
    if rig_table is not None and isinstance(rig_table.get("pits"), dict) and "pit" not in rig_table:
        problems.append(Problem(str(rig_path), "pits", "", double_brackets("pits")))
        rig_table = {**rig_table, "pits": [rig_table["pits"]]}
    rig, wrong = _checked(None if rig_table is None else with_first_pit(rig_table), Rig, str(rig_path))
    problems += [_of_pits(problem, rig_table or {}) for problem in wrong]
    if rig_table is not None:
        problems += _new(_rig_problems(rig_table, str(rig_path)), problems)
    cook: Cook | None = None
    table: Table | None = None
    if cook_path is not None:
        table, unread = read_table(cook_path)
        cook, wrong = _checked(table, Cook, str(cook_path))
        problems += unread + wrong
        if table is not None and rig_table is not None:
            problems += _new(_cook_problems(table, rig_table, str(cook_path)), problems)
        problems = [named_items(p, table or {}) if p.file == str(cook_path) else p for p in problems]
    named = tuple(named_items(p, rig_table or {}) if p.file == str(rig_path) else p for p in problems)
    files = Files(str(rig_path), rig_table, str(cook_path), table, named)
    return ReadFiles(rig, cook, named, files, readable_people(rig_table or {}))


def _new(found: Iterator[Problem], problems: list[Problem]) -> list[Problem]:
    """One problem a key is enough."""
    known = {(p.file, p.key) for p in problems}
    return [p for p in found if (p.file, p.key) not in known]


def _checked(table: Table | None, model: type[Model], file: str) -> tuple[Model | None, list[Problem]]:
    if table is None:
        return None, []
    try:
        return model.model_validate(table), []
    except ValidationError as error:
        problems = _problems(error, table, model, file)
        return None, [*problems, *_of_kinds_meant(table, model, file, problems)]


def weather_problems(ambient: float | None, wind: float) -> list[Problem]:
    """What no plan can be made for, by the bounds of a cook file's `[plan]`."""
    given: Table = {"ambient": ambient, "wind": wind}
    return _checked(given, PlanSection, "")[1]


def _problems(error: ValidationError, table: Table, model: type[BaseModel], file: str) -> list[Problem]:
    return [spelt_right(problem, model) for problem in plain_problems(file, error.errors(include_url=False), table)]


def _of_kinds_meant(table: Table, model: type[BaseModel], file: str, problems: list[Problem]) -> Iterator[Problem]:
    """What else is wrong with devices and deliveries of a kind that is none, taken as of the kind that is meant."""
    meant = {listed: list(_items(table, listed)) for listed in KINDS if isinstance(table.get(listed), list)}
    mended: list[str] = []
    for problem in problems:
        listed, number, key = item_of(problem.key) or ("", 0, "")
        if key == "kind" and listed in meant and (kind := kind_meant(listed, meant[listed][number])) is not None:
            meant[listed][number] = {**meant[listed][number], "kind": kind}
            mended.append(f"{listed}.{number}.")
    if not mended:
        return
    try:
        model.model_validate(table | meant)
    except ValidationError as error:
        for problem in _problems(error, table | meant, model, file):
            if problem.key.startswith(tuple(mended)):
                yield problem


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
        yield Problem(file, "devices.id", quoted(name), remedy("file.same-id"))
    for name in _repeated(ids):
        yield Problem(file, "channels.id", quoted(name), remedy("file.same-id"))
    wires = [f"{c['device']}/{c['source']}" for c in channels if _text(c, "device") and _text(c, "source")]
    for wire in _repeated(wires):
        yield Problem(file, "channels.source", quoted(wire), remedy("file.same-source"))
    sources = {id_: sources_of(one) for one in _items(rig, "devices") if (id_ := _text(one, "id")) is not None}
    for number, channel in enumerate(channels):
        device, pair = _text(channel, "device"), _text(channel, "pair")
        if device is not None and device not in devices:
            there = remedy("file.no-device", known=tuple(devices))
            yield Problem(file, f"channels.{number}.device", quoted(device), there)
        source, known = _text(channel, "source"), sources.get(device or "")
        if source is not None and known is not None and source not in known:
            yield Problem(file, f"channels.{number}.source", quoted(source), no_such_source(source, known))
        if pair is not None and pair not in ids:
            yield Problem(file, f"channels.{number}.pair", quoted(pair), remedy("file.no-channel"))
    if channels and "pit" not in _texts(channels, "role"):
        yield Problem(file, "channels", "", remedy("file.no-pit-channel"))
    yield from _pit_problems(rig, channels, file)
    yield from _no_night(_table_of(rig, "people"), file)
    for name in _repeated(_texts(delivery, "name")):
        yield Problem(file, "delivery.name", quoted(name), remedy("file.same-delivery"))
    for number, one in enumerate(delivery):
        if one.get("kind") == "mqtt" and "broker" not in rig:
            yield Problem(file, f"delivery.{number}.kind", '"mqtt"', remedy("file.no-broker"))


def _no_night(people: Table, file: str) -> Iterator[Problem]:
    """Quiet hours that end when they begin, one of the two as it is where nothing is written."""
    usual = {key: PeopleSection.model_fields[key].default for key in ("quiet_from", "quiet_until")}
    given = {key: minute_of_day(text) if (text := _text(people, key)) else usual[key] for key in usual}
    if given["quiet_from"] is not None and given["quiet_from"] == given["quiet_until"]:
        key = next(key for key in ("quiet_until", "quiet_from") if key in people)
        yield Problem(file, f"people.{key}", quoted(people[key]), remedy("file.no-night"))


ID_OF = dict(zip(OF_THE_WATCH, ("file.id-of-watch", "file.id-of-cabinet"), strict=True))
"""What is said of a pit that is called like one of them."""
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
        yield Problem(file, "other_pits", "", remedy("file.unknown-key"))
    if "pit" in rig and "pits" in rig:
        yield Problem(file, "pits", "", remedy("file.pit-and-pits"))
        return
    if "pits" in rig and not isinstance(rig["pits"], list):
        yield Problem(file, "pits", "", double_brackets("pits"))
        return
    several = len(pits) > 1
    ids = [_text(pit, "id") or "pit" for pit in pits]
    for name in _repeated(ids):
        yield Problem(file, "pits.id", quoted(name), remedy("file.same-id"))
    for name in _repeated([_text(pit, "name") or "Pit" for pit in pits]):
        yield Problem(file, "pits.name", quoted(name), remedy("file.same-pit-name"))
    for number, pit in enumerate(pits if several else []):
        called = _text(pit, "name") or "Pit"
        if len(called) > LONGEST_PIT_NAME:
            shorter = remedy("file.long-pit-name", most=LONGEST_PIT_NAME)
            yield Problem(file, f"pits.{number}.name", quoted(called), shorter)
        if number and ids[number] == "pit":
            yield Problem(file, f"pits.{number}.id", '"pit"', remedy("file.first-pit-id"))
        taken = next(
            (end for end in OF_THE_WATCH if ids[number].removesuffix(end) in ids and ids[number].endswith(end)), ""
        )
        if taken:
            yield Problem(file, f"pits.{number}.id", quoted(ids[number]), remedy(ID_OF[taken]))
        if number and pit.get("altitude", pits[0].get("altitude", 0)) != pits[0].get("altitude", 0):
            yield Problem(file, f"pits.{number}.altitude", repr(pit["altitude"]), remedy("file.one-altitude"))
        if not any(_text(c, "role") == "pit" and c.get("pit") == ids[number] for c in channels):
            yield Problem(file, f"pits.{number}", "", remedy("file.unwatched-pit", pit=ids[number]))
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
            yield Problem(file, f"channels.{number}.pit", "", remedy("file.which-pit", known=tuple(ids)))
        elif pit is not None and pit not in ids:
            yield Problem(file, f"channels.{number}.pit", quoted(pit), remedy("file.no-pit", known=tuple(ids)))
        elif pit is not None and role in BELONG_TO_NONE:
            yield Problem(file, f"channels.{number}.pit", quoted(pit), remedy("file.of-no-pit", role=role or ""))
        if role == "pit" and pair in pits and pits[pair] != pit:
            yield Problem(file, f"channels.{number}.pair", quoted(pair), remedy("file.pair-of-other-pit"))


def _cook_pits(cook: Table, rig: Table, pieces: list[Table], file: str) -> Iterator[Problem]:
    """Which pit is meant, in a rig with several."""
    pits = pit_ids(rig)
    known = pits or [_text(_table_of(rig, "pit"), "id") or "pit"]
    for number, piece in enumerate(pieces):
        pit = _text(piece, "pit")
        if pit is not None and pit not in known:
            yield Problem(file, f"pieces.{number}.pit", quoted(pit), remedy("file.no-pit", known=tuple(known)))
        elif pit is None and len(pits) > 1 and _text(piece, "channel") is None:
            yield Problem(file, f"pieces.{number}.pit", "", remedy("file.piece-of-which-pit", known=tuple(pits)))
        id_ = piece_id(_text(piece, "id"), _text(piece, "name") or "")
        if id_ in pits[1:]:
            yield Problem(file, f"pieces.{number}.id", quoted(id_), remedy("file.piece-like-pit"))
    for pit in _table_of(cook, "bands"):
        if pit not in pits[1:]:
            right = remedy("file.first-band") if pit in known else remedy("file.no-pit", known=tuple(known))
            yield Problem(file, f"bands.{pit}", "", right)


def _cook_problems(cook: Table, rig: Table, file: str) -> Iterator[Problem]:
    channels, pieces = _items(rig, "channels"), _items(cook, "pieces")
    roles = {id_: c.get("role") for c in channels if (id_ := _text(c, "id")) is not None}
    meat = [c for c, role in roles.items() if role == "meat"]
    for number, piece in enumerate(pieces):
        channel = _text(piece, "channel")
        if channel is not None and channel not in meat:
            role = roles.get(channel)
            yield Problem(file, f"pieces.{number}.channel", quoted(channel), _meat_channel(role, tuple(meat)))
    yield from _cook_pits(cook, rig, pieces, file)
    for name in _repeated(_texts(pieces, "channel")):
        yield Problem(file, "pieces.channel", quoted(name), remedy("file.same-probe"))
    ids = [piece_id(_text(p, "id"), called) for p in pieces if (called := _text(p, "name")) is not None]
    for name in _repeated(ids):
        yield Problem(file, "pieces.id", quoted(name), remedy("file.same-id"))
    hold = cook.get("hold")
    cabinet = _text(hold, "channel") if isinstance(hold, dict) else None
    if cabinet is not None and roles.get(cabinet) != "hold":
        yield Problem(file, "hold.channel", quoted(cabinet), remedy("file.no-hold-channel"))
    reminders = _items(cook, "reminders")
    for number, reminder in enumerate(reminders):
        about = _text(reminder, "piece")
        if about is not None and about not in ids:
            there = remedy("file.no-piece", known=tuple(ids))
            yield Problem(file, f"reminders.{number}.piece", quoted(about), there)
    named = [piece_id(_text(r, "id"), text) for r in reminders if (text := _text(r, "text")) is not None]
    for name in _repeated(named):
        yield Problem(file, "reminders.id", quoted(name), remedy("file.same-id"))


def _meat_channel(role: object, meat: tuple[str, ...]) -> Remedy:
    """What is said of a piece's channel that is no meat channel. role: its role, None = there is no such channel."""
    if not meat:
        return remedy("file.no-meat-channels")
    if isinstance(role, str):
        return remedy("file.other-role", role=role, known=meat)
    return remedy("file.no-meat-channel", known=meat)


def piece_id(given: str | None, name: str) -> str:
    """The id of a piece: given, or its name made fit for a topic."""
    if given:
        return given
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower()).strip("-")
    return "-".join(part for part in plain.split("-") if part)[:32] or "piece"
