"""Files in, frozen models out, or every problem at once.

A Problem names the file, the key, the value and the remedy. Nothing here starts anything.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from config.cook import Cook
from config.plain_errors import plain_problems
from config.problems import ConfigError, Problem
from config.rig import Rig

Model = TypeVar("Model", bound=BaseModel)


def load_rig(path: Path) -> Rig:
    """Read and check a rig file by itself. Raises ConfigError."""
    rig = _load(path, Rig)
    _raise_if_any(list(_rig_problems(rig, str(path))))
    return rig


def load_cook(path: Path, rig: Rig) -> Cook:
    """Read a cook file and check it against its rig. Raises ConfigError."""
    cook = _load(path, Cook)
    _raise_if_any(list(_cook_problems(cook, rig, str(path))))
    return cook


def load_both(rig_path: Path, cook_path: Path | None) -> tuple[Rig, Cook | None]:
    """Both files, with the problems of both in one ConfigError."""
    problems: list[Problem] = []
    rig: Rig | None = None
    cook: Cook | None = None
    try:
        rig = load_rig(rig_path)
    except ConfigError as error:
        problems += error.problems
    if cook_path is not None:
        try:
            cook = load_cook(cook_path, rig) if rig else _load(cook_path, Cook)
        except ConfigError as error:
            problems += error.problems
    if problems or rig is None:
        raise ConfigError(problems)
    return rig, cook


def _raise_if_any(problems: list[Problem]) -> None:
    if problems:
        raise ConfigError(problems)


def _load(path: Path, model: type[Model]) -> Model:
    file = str(path)
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise ConfigError(
            [Problem(file, "(file)", "", "there is no such file; give the path of a TOML file")]
        ) from None
    except UnicodeDecodeError:
        raise ConfigError([Problem(file, "(file)", "", "not UTF-8 text; save it as UTF-8")]) from None
    except OSError as error:
        raise ConfigError([Problem(file, "(file)", "", f"cannot be read: {error.strerror}")]) from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError([Problem(file, "(syntax)", "", _syntax(error))]) from None
    try:
        return model.model_validate(table)
    except ValidationError as error:
        raise ConfigError(plain_problems(file, error.errors(include_url=False), table)) from None


def _syntax(error: tomllib.TOMLDecodeError) -> str:
    """Where the file stops being TOML. The parser's own words end with the place: "... (at line 3, column 5)"."""
    place = str(error).rpartition("(at ")[2].rstrip(")")
    return f"not TOML: look at {place}; is a quote, a bracket or an equals sign missing, or a key written twice?"


def _repeated(names: list[str]) -> set[str]:
    return {n for n in names if names.count(n) > 1}


def _rig_problems(rig: Rig, file: str) -> Iterator[Problem]:
    devices = [d.id for d in rig.devices]
    for name in sorted(_repeated(devices)):
        yield Problem(file, "devices.id", repr(name), "two devices have this id; each needs its own")
    ids = [c.id for c in rig.channels]
    for name in sorted(_repeated(ids)):
        yield Problem(file, "channels.id", repr(name), "two channels have this id; each needs its own")
    wires = [f"{c.device}/{c.source}" for c in rig.channels]
    for wire in sorted(_repeated(wires)):
        yield Problem(file, "channels.source", repr(wire), "two channels read the same source; one of them is wrong")
    for number, channel in enumerate(rig.channels):
        if channel.device not in devices:
            yield Problem(
                file,
                f"channels.{number}.device",
                repr(channel.device),
                f"no such device; [[devices]] has: {', '.join(devices)}",
            )
        if channel.pair is not None and channel.pair not in ids:
            yield Problem(file, f"channels.{number}.pair", repr(channel.pair), "no channel has this id")
    if not any(c.role == "pit" for c in rig.channels):
        yield Problem(file, "channels", "", 'no channel has role = "pit"; without one nobody watches the fire')
    names = [d.name for d in rig.delivery]
    for name in sorted(_repeated(names)):
        yield Problem(file, "delivery.name", repr(name), "two deliveries have this name; each needs its own")
    for number, delivery in enumerate(rig.delivery):
        if delivery.kind == "mqtt" and rig.broker is None:
            yield Problem(file, f"delivery.{number}.kind", "'mqtt'", "needs a [broker] section")


def _cook_problems(cook: Cook, rig: Rig, file: str) -> Iterator[Problem]:
    roles = {c.id: c.role for c in rig.channels}
    used = [p.channel for p in cook.pieces]
    for number, piece in enumerate(cook.pieces):
        role = roles.get(piece.channel)
        meat = [c for c, r in roles.items() if r == "meat"]
        if role != "meat":
            said = "no such channel" if role is None else f"that channel is a {role} channel"
            remedy = f"{said}; meat channels are: {', '.join(meat) or 'none'}"
            yield Problem(file, f"pieces.{number}.channel", repr(piece.channel), remedy)
    for name in sorted(_repeated(used)):
        yield Problem(file, "pieces.channel", repr(name), "two pieces use this channel; each needs its own probe")
    ids = [piece_id(p.id, p.name) for p in cook.pieces]
    for name in sorted(_repeated(ids)):
        yield Problem(file, "pieces.id", repr(name), "two pieces have this id; give each an id of its own")
    if cook.hold.channel is not None and roles.get(cook.hold.channel) != "hold":
        yield Problem(file, "hold.channel", repr(cook.hold.channel), 'needs a channel with role = "hold"')


def piece_id(given: str | None, name: str) -> str:
    """The id of a piece: given, or its name made fit for a topic."""
    if given:
        return given
    plain = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower()).strip("-")
    return "-".join(part for part in plain.split("-") if part)[:32] or "piece"
