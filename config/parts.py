"""What can be read of files that cannot be used as a whole, and what is asked about it: one mistake hides no question."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import TypeVar

from pydantic import BaseModel, ValidationError

from config.cook import Cook, PieceSection, ReminderSection, StockSection
from config.doubts import doubts
from config.problems import Problem, Remedy, item_of, named_items
from config.rig import MOST_PITS, ChannelSection, PeopleSection, PitSection, Rig, WoodSection, with_first_pit
from config.toml_file import Table

Model = TypeVar("Model", bound=BaseModel)

ANY_NAME: Mapping[str, object] = {"name": "?"}
ANY_BAND: Mapping[str, object] = {"band": {"low": 107, "high": 135}}
ANY_PIECE: Mapping[str, object] = {"name": "?", "cut": "target-only", "weight": 1}
ANY_DEVICE: Mapping[str, object] = {"kind": "iio", "id": "any"}
ANY_CHANNEL: Mapping[str, object] = {"id": "any", "role": "pit", "device": "any", "source": "1"}
"""They stand for what is needed and cannot be read; nothing is asked about any of them."""
LISTS: tuple[tuple[str, type[BaseModel], Mapping[str, object]], ...] = (
    ("pieces", PieceSection, ANY_NAME),
    ("reminders", ReminderSection, {"text": "?"}),
)
"""Of a cook file: what an item of each is."""
OF_TIMES, OF_PLACES = ("ask.past", "ask.days-away"), ("ask.place",)
"""Questions that need the zone, and all channels."""


@dataclass(frozen=True, slots=True)
class Files:
    """rig, cook: as they were read, None = not at all. problems: all that is wrong with them."""

    rig_file: str
    rig: Table | None
    cook_file: str
    cook: Table | None
    problems: Sequence[Problem]

    def doubts(self, now: float) -> Iterator[Problem]:
        """now: UTC, s."""
        rig, numbers = _rig(self.rig or {}), _numbers(self.cook or {})
        cook = None if self.cook is None else _cook(self.cook, numbers)
        for doubt in doubts(rig, cook, self.rig_file, self.cook_file, now):
            if doubt.file == self.rig_file and self.rig is not None:
                own = named_items(doubt, self.rig)
            elif doubt.file == self.cook_file and self.cook is not None:
                own = named_items(replace(doubt, key=_renumbered(doubt.key, numbers)), self.cook)
            else:
                continue
            if not self._open(own):
                yield own

    def _open(self, doubt: Problem) -> bool:
        """What it asks cannot be asked before a mistake is mended."""
        wrong = [problem.key for problem in self.problems if problem.file == doubt.file]
        if any(key == doubt.key or key.startswith(f"{doubt.key}.") for key in wrong):
            return True
        asked = doubt.remedy.key if isinstance(doubt.remedy, Remedy) else ""
        of_rig = [problem.key for problem in self.problems if problem.file == self.rig_file]
        if asked in OF_TIMES:
            return self.rig is None or "people.zone" in of_rig
        return asked in OF_PLACES and (self.rig is None or any(key.startswith("channels") for key in of_rig))


def readable(model: type[Model], given: object, needed: Mapping[str, object] | None = None) -> Model | None:
    """given: as it was read. Keys that are wrong are left out; needed: what then stands in the place of those that must be
    there."""
    if not isinstance(given, dict):
        return None
    try:
        return model.model_validate(given)
    except ValidationError as error:
        wrong = {found["loc"][0] for found in error.errors(include_url=False) if found["loc"]}
        with suppress(ValidationError):
            return model.model_validate({**(needed or {}), **{key: given[key] for key in given if key not in wrong}})
    return None


def readable_people(rig: Table) -> PeopleSection | None:
    return readable(PeopleSection, rig.get("people", {}))


def _rig(table: Table) -> Rig:
    flat = with_first_pit(table)
    others = [readable(PitSection, pit, ANY_BAND) or ANY_BAND for pit in _listed(flat, "other_pits")[: MOST_PITS - 1]]
    channels = [found for one in _listed(flat, "channels") if (found := readable(ChannelSection, one)) is not None]
    return Rig.model_validate(
        {
            "pit": readable(PitSection, flat.get("pit"), ANY_BAND) or ANY_BAND,
            "other_pits": others,
            "people": readable_people(flat) or {},
            "wood": readable(WoodSection, flat.get("wood")) or {},
            "channels": channels or [ANY_CHANNEL],
            "devices": [ANY_DEVICE],
        }
    )


def _numbers(cook: Table) -> dict[str, list[int]]:
    """Which items of a cook's lists can be read."""
    return {
        listed: [n for n, one in enumerate(_listed(cook, listed)) if readable(model, one, needed) is not None]
        for listed, model, needed in LISTS
    }


def _cook(table: Table, numbers: Mapping[str, Sequence[int]]) -> Cook | None:
    read = {
        listed: [readable(model, _listed(table, listed)[n], needed) for n in numbers[listed]]
        for listed, model, needed in LISTS
    }
    wood: StockSection | dict[str, object] = readable(StockSection, table.get("wood")) or {}
    return readable(Cook, {**table, **read, "wood": wood, "pieces": read["pieces"] or [ANY_PIECE]}, ANY_NAME)


def _listed(table: Mapping[str, object], key: str) -> list[object]:
    value = table.get(key)
    return value if isinstance(value, list) else []


def _renumbered(key: str, numbers: Mapping[str, Sequence[int]]) -> str:
    """As the file counts, of a key that counts what can be read."""
    found = item_of(key)
    if found is None or found[0] not in numbers or found[1] >= len(numbers[found[0]]):
        return key
    return f"{found[0]}.{numbers[found[0]][found[1]]}.{found[2]}"
