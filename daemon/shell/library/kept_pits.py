"""Which pits a kept cook had, in a watch over several: their names and bands, from the rig file of that start."""

from __future__ import annotations

import sqlite3
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from config.rig import PitSection
from daemon.core.settings import Band, ChannelSettings, CookSettings
from daemon.shell.library.worked import Worked
from daemon.texts.composer import PLAIN


@dataclass(frozen=True, slots=True)
class KeptPit:
    """key: as the core calls it, "" the first. band: at the start of the cook; bands: those that were set while it ran, each with
    its engine time."""

    key: str
    id: str
    name: str
    band: Band
    bands: tuple[tuple[float, Band], ...] = ()


class UnknownPit(ValueError):
    """No pit of that cook is called so; the text says which there are."""


def pit_called(word: str, pits: tuple[KeptPit, ...], only: str) -> str:
    """The core's name of a pit by its id or its name. only: the name of the one there is, where `pits` is empty. Raises
    UnknownPit."""
    if not pits and word == only:
        return ""
    found = [pit.key for pit in pits if word == pit.id] or [p.key for p in pits if word.casefold() == p.name.casefold()]
    if not found:
        known = tuple(pit.id for pit in pits) or (only,)
        raise UnknownPit(PLAIN.words("command.cooks.unknown-pit", pit=word, known=known))
    return found[0]


def kept_pits(
    db: sqlite3.Connection, first_input: int, first: str, channels: tuple[ChannelSettings, ...], settings: CookSettings,
    became: Worked,
) -> tuple[KeptPit, ...]:  # fmt: skip
    """The first pit first; none where there was only one. first: its name. first_input: seq of the input that started the
    cook."""
    keys = list(dict.fromkeys(channel.pit for channel in channels if channel.pit))
    if not keys:
        return ()
    said = _of_the_rig(db, first_input)
    own = next((id_ for id_, pit in said.items() if pit.name == first and id_ not in keys), "pit")
    bands = dict(settings.bands)
    others = tuple(
        KeptPit(
            key, key, said[key].name if key in said else key,
            bands.get(key, _band(said[key]) if key in said else settings.band), became.other_bands.get(key, ()),
        )
        for key in keys
    )  # fmt: skip
    return (KeptPit("", own, first, settings.band, became.bands), *others)


def _of_the_rig(db: sqlite3.Connection, first_input: int) -> Mapping[str, PitSection]:
    """By id; none where the text of that start says nothing that can be used."""
    row = db.execute("SELECT rig FROM starts WHERE input <= ? ORDER BY input DESC LIMIT 1", (first_input,)).fetchone()
    try:
        tables: Any = tomllib.loads(row[0]).get("pits", []) if row else []
        pits = [PitSection.model_validate(table) for table in tables]
    except (tomllib.TOMLDecodeError, ValidationError, TypeError):
        return {}
    return {pit.id: pit for pit in pits}


def _band(pit: PitSection) -> Band:
    return Band(pit.band.low, pit.band.high)
