"""What people said, as a word in a cell of a table: the `mark` column of a recorded cook.

    log                          a mark; of one piece `off:chuck`; with what it was wrapped in `wrapped:chuck:foil`; of a
                                 pit beside the first `log:/drum`
    take-back:wrapped:chuck      the newest such mark was wrong
    spot:loaf:63.4               a core read by hand, °C; with more `spot:{"piece": "loaf", "celsius": 63.4, "where": "end"}`
    choose-spot:loaf             the handheld probe reads this piece
    move-probe:loaf:probe-2      another probe reads it; `move-probe:loaf` none
    add-piece:{...}              a piece as the core is told of it: °C, kg, m; change-piece:{...} likewise
    remove-piece:loaf
    move-piece:loaf:drum         it is cooked on another pit; `move-piece:loaf` on the first
    change-cook:{...}            the whole cook; serving times in UTC, s
    band:107:135                 °C; of a pit beside the first `band:107:135:drum`
    keep-plan:{...}              a plan as the core keeps it, its times in UTC, s; `drop-plan` none
    remind:{...}                 a reminder as the core keeps it; remove-reminder:spritz; reminder-done:spritz
    wood:12                      splits at hand

Behind any of them `@2026-11-28T17:40:00Z`: when it was done, if earlier than said; of take-back: when that was said.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from functools import cache
from typing import Any

from pydantic import TypeAdapter, ValidationError

from daemon.core.inputs import Input
from daemon.core.marks import OF_THE_PIT
from daemon.core.orders import (
    SPOT,
    AddPiece,
    AddReminder,
    ChangeCook,
    ChangePiece,
    ChooseSpot,
    CountWood,
    KeepPlan,
    Mark,
    MarkKind,
    MovePiece,
    MoveProbe,
    ReminderDone,
    RemovePiece,
    RemoveReminder,
    SetBand,
    SpotReading,
    TakeBack,
)
from daemon.core.planned import KeptPlan, ReminderSettings, shifted
from daemon.core.settings import Band, CookSettings, PieceSettings, Wrap, cook_shifted, piece_shifted
from daemon.shell.wording import rfc3339

Said = (
    Mark | TakeBack | SpotReading | ChooseSpot | MoveProbe | MovePiece | AddPiece | ChangePiece | RemovePiece | ChangeCook
    | SetBand | KeepPlan | AddReminder | RemoveReminder | ReminderDone | CountWood
)  # fmt: skip
"""The inputs that have a word."""
BY = "cook"
KNOWN = ", ".join((*MarkKind, "take-back", SPOT, "choose-spot", "move-probe", "move-piece", "add-piece", "change-piece",
                   "remove-piece", "change-cook", "band", "keep-plan", "drop-plan", "remind", "remove-reminder", "reminder-done",
                   "wood"))  # fmt: skip
_AT = re.compile(r"@(\d{4}-\d\d-\d\d[T ][0-9:.+\-]+(?:Z|z)?)$")


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    """Made when first used: few watches read or write words of plans and pieces."""
    return TypeAdapter(kind)


def word_of(item: Input, wall_offset: float) -> str | None:
    """The word of an input, None where it has none. wall_offset: UTC minus engine time, s."""
    match item:
        case Mark(kind=kind, piece=piece, note=note, at=at, pit=pit):
            return mark_word(kind, piece, note, pit) + _when(at, wall_offset)
        case TakeBack(what=what, piece=piece, said_at=at, pit=pit):
            return _joined("take-back", what, piece or _slashed(pit)) + _when(at, wall_offset)
        case SpotReading(at=at):
            plain = replace(item, by=BY, at=None)
            short = SpotReading(item.piece, item.celsius)
            text = f"{item.piece}:{item.celsius!r}" if plain == short else _json(SpotReading, plain)
            return f"{SPOT}:{text}" + _when(at, wall_offset)
        case ChooseSpot(piece=piece):
            return f"choose-spot:{piece}"
        case MoveProbe(piece=piece, channel=channel):
            return _joined("move-probe", piece, channel)
        case MovePiece(piece=piece, pit=pit):
            return _joined("move-piece", piece, pit)
        case AddPiece(piece=own):
            return f"add-piece:{_json(PieceSettings, piece_shifted(own, wall_offset))}"
        case ChangePiece(piece=own):
            return f"change-piece:{_json(PieceSettings, piece_shifted(own, wall_offset))}"
        case RemovePiece(piece=piece):
            return f"remove-piece:{piece}"
        case ChangeCook(cook=cook):
            reminders = tuple(_in_utc(own, wall_offset) for own in cook.reminders)
            utc = replace(cook_shifted(cook, wall_offset), reminders=reminders)
            return f"change-cook:{_json(CookSettings, utc)}"
        case SetBand(band=band, pit=pit):
            return _joined("band", repr(band.low), repr(band.high), pit)
        case _:
            return _duty_word(item, wall_offset)


def _duty_word(item: Input, wall_offset: float) -> str | None:
    """Of the plan, the reminders and the wood."""
    match item:
        case KeepPlan(plan=plan):
            return "drop-plan" if plan is None else f"keep-plan:{_json(KeptPlan, shifted(plan, wall_offset))}"
        case AddReminder(reminder=own):
            return f"remind:{_json(ReminderSettings, _in_utc(own, wall_offset))}"
        case RemoveReminder(reminder=id_):
            return f"remove-reminder:{id_}"
        case ReminderDone(reminder=id_):
            return f"reminder-done:{id_}"
        case CountWood(splits=splits):
            return f"wood:{splits}"
        case _:
            return None


def said_in(cell: str) -> Said | None:
    """The inverse, on a watch whose engine time is UTC; None for what is no such word."""
    found = _AT.search(cell)
    at = None
    if found is not None:
        try:
            when = datetime.fromisoformat(found[1])
        except ValueError:
            return None
        if when.tzinfo is None:
            return None
        at, cell = round(when.timestamp(), 3), cell[: found.start()]
    word, _, rest = cell.partition(":")
    try:
        return _read(word.strip().lower(), rest, at)  # people write these by hand: "Log"
    except (ValidationError, ValueError):
        return None


def mark_word(kind: str, piece: str | None, note: str, pit: str = "") -> str:
    """A mark: "log", "log:/drum" of a pit beside the first, "wrapped:chuck" of one piece, "wrapped:chuck:foil" with what it was
    wrapped in."""
    material = note if kind == MarkKind.WRAPPED and note in set(Wrap) else ""
    return _joined(kind, piece or _slashed(pit), material)


def _read(word: str, rest: str, at: float | None) -> Said | None:
    parts = rest.split(":") if rest else []
    if word in set(MarkKind):
        return _mark(MarkKind(word), parts, at)
    if at is not None and word not in ("take-back", SPOT):
        return None
    readers: dict[str, Callable[[], Said | None]] = {
        "take-back": lambda: _take_back(parts, at),
        SPOT: lambda: _spot(rest, parts, at),
        "choose-spot": lambda: ChooseSpot(parts[0], BY) if len(parts) == 1 else None,
        "move-probe": lambda: MoveProbe(parts[0], (parts[1:] or [""])[0] or None, BY) if len(parts) in (1, 2) else None,
        "move-piece": lambda: MovePiece(parts[0], (parts[1:] or [""])[0], BY) if len(parts) in (1, 2) else None,
        "add-piece": lambda: AddPiece(_adapter(PieceSettings).validate_json(rest), BY),
        "change-piece": lambda: ChangePiece(_adapter(PieceSettings).validate_json(rest), BY),
        "remove-piece": lambda: RemovePiece(parts[0], BY) if len(parts) == 1 else None,
        "change-cook": lambda: ChangeCook(_adapter(CookSettings).validate_json(rest), BY),
        "band": lambda: (
            SetBand(Band(float(parts[0]), float(parts[1])), BY, *parts[2:]) if len(parts) in (2, 3) else None
        ),
        "keep-plan": lambda: KeepPlan(_adapter(KeptPlan).validate_json(rest), BY),
        "drop-plan": lambda: KeepPlan(None, BY) if not parts else None,
        "remind": lambda: AddReminder(_adapter(ReminderSettings).validate_json(rest), BY),
        "remove-reminder": lambda: RemoveReminder(parts[0], BY) if len(parts) == 1 else None,
        "reminder-done": lambda: ReminderDone(parts[0], BY) if len(parts) == 1 else None,
        "wood": lambda: CountWood(int(parts[0]), BY) if len(parts) == 1 else None,
    }
    reader = readers.get(word)
    return None if reader is None else reader()


def _mark(kind: MarkKind, parts: list[str], at: float | None) -> Mark | None:
    piece, material, *more = [*parts, "", ""]
    if any(more) or (material and (kind is not MarkKind.WRAPPED or material not in set(Wrap))):
        return None
    if piece.startswith("/"):
        return Mark(kind, at=at, pit=piece[1:]) if kind in OF_THE_PIT else None
    return Mark(kind, piece or None, note=material, at=at)


def _take_back(parts: list[str], at: float | None) -> TakeBack | None:
    if not 1 <= len(parts) <= 2 or parts[0] not in {*MarkKind, SPOT}:
        return None
    of = (parts[1:] or [""])[0]
    return TakeBack(parts[0], None, at, pit=of[1:]) if of.startswith("/") else TakeBack(parts[0], of or None, at)


def _spot(rest: str, parts: list[str], at: float | None) -> SpotReading | None:
    if rest.startswith("{"):
        spot: SpotReading = _adapter(SpotReading).validate_json(rest)
        return replace(spot, at=at)
    return SpotReading(parts[0], float(parts[1]), at=at) if len(parts) == 2 else None


def _in_utc(own: ReminderSettings, wall_offset: float) -> ReminderSettings:
    return own if own.at is None else replace(own, at=own.at + wall_offset)


def _joined(*parts: str | None) -> str:
    return ":".join(part or "" for part in parts).rstrip(":")


def _slashed(pit: str) -> str:
    """A pit where a piece may stand: no piece has a slash in its id."""
    return f"/{pit}" if pit else ""


def _when(at: float | None, wall_offset: float) -> str:
    return "" if at is None else "@" + rfc3339(at + wall_offset)


def _json(kind: Any, value: object) -> str:
    return _adapter(kind).dump_json(value, exclude_defaults=True).decode()
