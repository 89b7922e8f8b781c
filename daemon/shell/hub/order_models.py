"""The JSON orders a broker may bring, one model each. Unknown keys are errors; texts and numbers have bounds."""

from __future__ import annotations

import json
import re
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from config.cook import PieceSection, ReminderSection
from config.plain_errors import plain_problems
from config.problems import Unfit
from config.units import Apart, Celsius, MetresPerSecond
from daemon.core import orders
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.orders import MarkKind
from daemon.core.plan.duties import MOST_SPLITS
from daemon.core.said import Text, say
from daemon.shell.changed_piece import PieceChanges
from daemon.shell.hub.duties import LAST
from daemon.shell.hub.homie import PAUSE_LIMIT
from daemon.texts.composer import PLAIN
from daemon.texts.problems import of_json

ID = r"^[A-Za-z0-9._:-]{1,64}$"
SHELVE_LIMIT = 2 * 3600.0
"""s. The core caps it again by its own settings."""

SAFETY = frozenset(rule.id for rule in ALARM_RULES if rule.safety)


class CommandRejected(Exception):
    """The order is not carried out; the text says why. id: of the order, if it could be read. again: the same has just
    been said, so an answer to each would only help whoever floods us."""

    def __init__(self, text: Text, id_: str = "", again: bool = False) -> None:
        super().__init__(PLAIN.say(text))
        self.text, self.id, self.again = text, id_, again


class Order(BaseModel):
    """Every JSON order. id: never used before. expires: RFC 3339 with a zone; late orders are not carried out."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)
    id: str | None = Field(default=None, pattern=ID)
    expires: str | None = Field(default=None, max_length=40)
    by: str = Field(default="hub", min_length=1, max_length=40)

    @field_validator("expires")
    @classmethod
    def zoned(cls, value: str | None) -> str | None:
        if value is None:
            return None
        try:
            zone = datetime.fromisoformat(value).tzinfo
        except ValueError:
            zone = None
        if zone is None:
            raise Unfit("order.zoned")
        return value


Key = Annotated[str, Field(min_length=1, max_length=80)]
Piece = Annotated[str, Field(min_length=1, max_length=80)]
"""Its id, or its name."""
Pit = Annotated[str, Field(max_length=80)]
"""Its id, or its name; "" = the first, or the only one."""
Ago = Annotated[float, Field(ge=0, le=orders.BACK_DATED_AT_MOST / 60.0)]


class Acknowledge(Order):
    command: Literal["acknowledge"]
    alarm: Key


class Pause(Order):
    command: Literal["pause"]
    seconds: float = Field(gt=0, le=PAUSE_LIMIT)


class Shelve(Order):
    command: Literal["shelve"]
    alarm: Key
    seconds: float = Field(gt=0, le=SHELVE_LIMIT)
    reason: str = Field(min_length=1, max_length=120)

    @field_validator("alarm")
    @classmethod
    def not_safety(cls, value: str) -> str:
        if value.partition("/")[0] in SAFETY:
            raise Unfit("order.guards-safety")
        return value


class Unshelve(Order):
    command: Literal["unshelve"]
    alarm: Key


class Mark(Order):
    command: Literal["mark"]
    kind: Literal[tuple(kind.value for kind in MarkKind)]  # type: ignore[valid-type]
    piece: Piece | None = None
    pit: Pit = ""
    note: str = Field(default="", max_length=200)
    minutes_ago: Ago = 0.0
    sure: bool = False


class TakeBack(Order):
    command: Literal["take-back"]
    what: Literal[(LAST, orders.SPOT, *(kind.value for kind in MarkKind))] = LAST  # type: ignore[valid-type]
    piece: Piece | None = None
    pit: Pit = ""


class Spot(Order):
    """celsius: a number of °C, or text with its unit."""

    command: Literal["spot"]
    piece: Piece
    celsius: Annotated[Celsius, Field(ge=orders.SPOT_COLDEST, le=orders.SPOT_HOTTEST)]
    where: str = Field(default="", max_length=80)
    thermometer: str = Field(default="", max_length=80)
    tolerance: Apart = Field(default=1.0, ge=0.1, le=10)
    minutes_ago: Ago = 0.0
    sure: bool = False


class OfPiece(Order):
    command: Literal["choose-spot", "remove-piece"]
    piece: Piece
    sure: bool = False


class AddPiece(Order):
    """piece: as a cook file names it. sure: what can hardly be meant is meant."""

    command: Literal["add-piece"]
    piece: PieceSection
    sure: bool = False


class ChangePiece(Order, PieceChanges):
    """What changes of a piece, by the keys of a cook file; what is left out stays."""

    command: Literal["change-piece"]
    piece: Piece
    sure: bool = False


class MoveProbe(Order):
    """channel: null = none, and the piece goes on without."""

    command: Literal["move-probe"]
    piece: Piece
    channel: Key | None


class MovePiece(Order):
    """The piece is cooked on another pit from now on, with its probe."""

    command: Literal["move-piece"]
    piece: Piece
    pit: Annotated[str, Field(min_length=1, max_length=80)]


class Band(Order):
    command: Literal["band"]
    low: float
    high: float
    pit: Pit = ""


class AskWrap(Order):
    """celsius: null = no longer."""

    command: Literal["ask-wrap"]
    piece: Piece
    celsius: Annotated[float, Field(ge=30, le=100)] | None


class KeepPlan(Order):
    command: Literal["keep-plan"]
    ambient: Annotated[Celsius, Field(ge=-50, le=60)] | None = None
    wind: MetresPerSecond = Field(default=0.0, ge=0, le=40)
    wake: bool = True


class AddReminder(Order):
    """reminder: as a cook file names it."""

    command: Literal["add-reminder"]
    reminder: ReminderSection


class OfReminder(Order):
    command: Literal["remove-reminder", "reminder-done"]
    reminder: Key


class Wood(Order):
    command: Literal["count-wood"]
    splits: int = Field(ge=0, le=MOST_SPLITS)


class Plain(Order):
    command: Literal["sleep", "morning", "test-wake", "drop-plan"]


_ORDER: TypeAdapter[Any] = TypeAdapter(
    Annotated[
        Acknowledge | Pause | Shelve | Unshelve | Mark | TakeBack | Spot | OfPiece | AddPiece | ChangePiece
        | MoveProbe | MovePiece | Band | AskWrap | KeepPlan | AddReminder | OfReminder | Wood | Plain,
        Field(discriminator="command"),
    ]
)  # fmt: skip


def read(text: str) -> Any:
    """One of the orders above. Raises CommandRejected."""
    try:
        return _ORDER.validate_json(text)
    except ValidationError as error:
        raise CommandRejected(_words(error, text), _id_in(text)) from None


def _id_in(text: str) -> str:
    """The id of an order that cannot be taken, so that whoever sent it knows which one it was; "" where it has none."""
    try:
        body = json.loads(text)
    except (ValueError, RecursionError):
        return ""
    id_ = body.get("id") if isinstance(body, dict) else None
    return id_ if isinstance(id_, str) and re.fullmatch(ID, id_) else ""


def _words(error: ValidationError, text: str) -> Text:
    """The first thing that is wrong, as a family can read it."""
    errors = error.errors(include_url=False)
    if errors[0]["type"] == "json_invalid" or not text.lstrip().startswith("{"):
        return say("order.json")
    found = next(iter(plain_problems("order", errors, json.loads(text))), None)
    if found is None:
        return say("order.unreadable")
    return of_json(found)
