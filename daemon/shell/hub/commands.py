"""Orders from the broker: Homie `/set` topics and one JSON command topic. Each is checked here and again by the core.

Who may send is the broker's access list. What may be sent is this table: nothing in it ends a cook, takes an alarm out
of service, shelves a safety alarm, or pauses longer than 15 min, and the band can only be moved as far as the runaway
alarm, which hangs on it, still means something.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.inputs import (
    Acknowledge,
    AskWrap,
    Command,
    GoodMorning,
    GoToSleep,
    Mark,
    MarkKind,
    PauseSound,
    SetBand,
    Shelve,
    TestWake,
    Unshelve,
)
from daemon.core.settings import Band
from daemon.core.snapshot import Snapshot
from daemon.shell.hub.homie import PAUSE_LIMIT, PIECE_MARKS, PIT_MARKS
from daemon.shell.hub.link import Incoming

SIZE_LIMIT = 1024
"""Bytes of one order."""
BURST, PER_SECOND = 10.0, 1.0
"""Orders taken at once, and how fast that allowance comes back."""
LONGEST_LIFE = 300.0
"""s: an order may not be made valid for longer, so that its id need not be remembered for longer."""
IDS_KEPT = 1000
"""At PER_SECOND more cannot come within LONGEST_LIFE."""
SHELVE_LIMIT = 2 * 3600.0
"""s. The core caps it again by its own settings."""
HOTTEST_BAND = 180.0
"""°C: highest band edge an order from the broker may set, unless the rig's own is higher. Common practice, no source."""
COOLEST_BAND, NARROWEST_BAND = 40.0, 5.0
"""°C, as in the rig file."""

_SAFETY = frozenset(rule.id for rule in ALARM_RULES if rule.safety)


class CommandRejected(Exception):
    """The order is not carried out; the text says why. id: of the order, if it could be read. again: the same has just
    been said, so an answer to each would only help whoever floods us."""

    def __init__(self, reason: str, id_: str = "", again: bool = False) -> None:
        super().__init__(reason)
        self.id, self.again = id_, again


class _Order(BaseModel):
    """Every JSON order. id: never used before. expires: RFC 3339 with a zone; late orders are not carried out."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, strict=True)
    id: str = Field(pattern=r"^[A-Za-z0-9._:-]{1,64}$")
    expires: str = Field(max_length=40)
    by: str = Field(default="hub", min_length=1, max_length=40)

    @field_validator("expires")
    @classmethod
    def zoned(cls, value: str) -> str:
        if datetime.fromisoformat(value).tzinfo is None:
            raise ValueError("a time zone is needed")
        return value


Key = Annotated[str, Field(min_length=1, max_length=80)]


class _Acknowledge(_Order):
    command: Literal["acknowledge"]
    alarm: Key


class _Pause(_Order):
    command: Literal["pause"]
    seconds: float = Field(gt=0, le=PAUSE_LIMIT)


class _Shelve(_Order):
    command: Literal["shelve"]
    alarm: Key
    seconds: float = Field(gt=0, le=SHELVE_LIMIT)
    reason: str = Field(min_length=1, max_length=120)

    @field_validator("alarm")
    @classmethod
    def not_safety(cls, value: str) -> str:
        if value.partition("/")[0] in _SAFETY:
            raise ValueError("it guards safety and cannot be shelved")
        return value


class _Unshelve(_Order):
    command: Literal["unshelve"]
    alarm: Key


class _Mark(_Order):
    command: Literal["mark"]
    kind: Literal[tuple(kind.value for kind in MarkKind)]  # type: ignore[valid-type]
    piece: str | None = Field(default=None, max_length=40)
    note: str = Field(default="", max_length=200)


class _Band(_Order):
    command: Literal["band"]
    low: float
    high: float


class _AskWrap(_Order):
    """celsius: null = no longer."""

    command: Literal["ask-wrap"]
    piece: str = Field(max_length=40)
    celsius: Annotated[float, Field(ge=30, le=100)] | None


class _Plain(_Order):
    command: Literal["sleep", "morning", "test-wake"]


_ORDER: TypeAdapter[Any] = TypeAdapter(
    Annotated[
        _Acknowledge | _Pause | _Shelve | _Unshelve | _Mark | _Band | _AskWrap | _Plain, Field(discriminator="command")
    ]
)  # fmt: skip


class CommandGate:
    """Lets orders through. base: Homie topic of the device. command_topic: where JSON orders come.

    wall: UTC, s. ticks: s that only go forward. hottest: the rig's own high band edge, °C.
    """

    def __init__(
        self,
        base: str,
        command_topic: str,
        wall: Callable[[], float],
        ticks: Callable[[], float],
        hottest: float = HOTTEST_BAND,
    ) -> None:
        self._base, self._command_topic, self._wall, self._ticks = base + "/", command_topic, wall, ticks
        self._hottest = max(HOTTEST_BAND, hottest)
        self._allowance, self._refilled_at = BURST, ticks()
        self._flooded = False
        self._ids: OrderedDict[str, float] = OrderedDict()

    def take(self, message: Incoming, snapshot: Snapshot) -> tuple[Command, str]:
        """The command and the order's id ("" for `/set`). Raises CommandRejected."""
        if message.retained:
            raise CommandRejected("a retained order is never carried out: it would be again at every start")
        self._spend()
        if len(message.payload) > SIZE_LIMIT:
            raise CommandRejected(f"an order has at most {SIZE_LIMIT} bytes")
        try:
            text = message.payload.decode("utf-8")
        except UnicodeDecodeError:
            raise CommandRejected("an order is UTF-8 text") from None
        if message.topic == self._command_topic:
            return self._json(text, snapshot)
        return self._set(message.topic.removeprefix(self._base).removesuffix("/set"), text, snapshot), ""

    def _spend(self) -> None:
        now = self._ticks()
        self._allowance = min(BURST, self._allowance + (now - self._refilled_at) * PER_SECOND)
        self._refilled_at = now
        if self._allowance < 1:
            again, self._flooded = self._flooded, True
            raise CommandRejected("too many orders", again=again)
        self._flooded = False
        self._allowance -= 1

    # --- JSON ------------------------------------------------------------------------------------------------

    def _json(self, text: str, snapshot: Snapshot) -> tuple[Command, str]:
        try:
            order = _ORDER.validate_json(text)
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise CommandRejected(f"{where}: {first['msg']}" if where else str(first["msg"])) from None
        self._fresh(order, snapshot)
        try:
            return self._meaning(order, snapshot), order.id
        except CommandRejected as refusal:
            raise CommandRejected(str(refusal), order.id) from None

    def _fresh(self, order: _Order, snapshot: Snapshot) -> None:
        """An order is carried out once, and only while it is young. Both need a clock that has been set."""
        now = self._wall()
        if not snapshot.clock_trusted:
            raise CommandRejected("the watch does not know the time yet, so it cannot tell old orders", order.id)
        expires = datetime.fromisoformat(order.expires).timestamp()
        if expires <= now:
            raise CommandRejected("the order has expired", order.id)
        if expires > now + LONGEST_LIFE:
            raise CommandRejected(f"an order may be valid for at most {LONGEST_LIFE:.0f} s", order.id)
        while self._ids and (len(self._ids) >= IDS_KEPT or next(iter(self._ids.values())) <= now):
            self._ids.popitem(last=False)
        if order.id in self._ids:
            raise CommandRejected("an order with this id has been carried out", order.id)
        self._ids[order.id] = now + LONGEST_LIFE

    def _meaning(self, order: Any, snapshot: Snapshot) -> Command:
        match order:
            case _Acknowledge():
                return Acknowledge(order.alarm, order.by)
            case _Pause():
                return PauseSound(order.seconds, order.by)
            case _Shelve():
                return Shelve(order.alarm, order.seconds, order.reason, order.by)
            case _Unshelve():
                return Unshelve(order.alarm, order.by)
            case _Mark():
                return self._mark(MarkKind(order.kind), order.piece, snapshot, order.by, order.note)
            case _Band():
                return self._band(order.low, order.high, order.by)
            case _AskWrap():
                return AskWrap(self._known(order.piece, snapshot), order.celsius, order.by)
            case _Plain(command="sleep"):
                return GoToSleep(order.by)
            case _Plain(command="morning"):
                return GoodMorning(order.by)
            case _:
                return TestWake(order.by)

    # --- Homie /set ------------------------------------------------------------------------------------------

    def _set(self, target: str, text: str, snapshot: Snapshot) -> Command:
        """target: node/property."""
        node, _, prop = target.partition("/")
        match node, prop:
            case "watch", "acknowledge" if 0 < len(text) <= 80:
                return Acknowledge(text, "hub")
            case "watch", "pause":
                seconds = _number(text)
                if not 0 < seconds <= PAUSE_LIMIT:
                    raise CommandRejected(f"a pause lasts from 1 to {PAUSE_LIMIT} s")
                return PauseSound(seconds, "hub")
            case "watch", "asleep" if text in ("true", "false"):
                return GoToSleep("hub") if text == "true" else GoodMorning("hub")
            case "watch", "test-wake" if text == "go":
                return TestWake("hub")
            case "pit", "band-low":
                return self._band(_number(text), snapshot.pit.band.high, "hub")
            case "pit", "band-high":
                return self._band(snapshot.pit.band.low, _number(text), "hub")
            case "pit", "mark" if text in PIT_MARKS:
                return Mark(MarkKind(text), None, "hub")
            case _, "mark" if node.startswith("piece-") and text in PIECE_MARKS:
                return self._mark(MarkKind(text), node.removeprefix("piece-"), snapshot, "hub")
        raise CommandRejected(f"{target} cannot be set to that")

    def _mark(self, kind: MarkKind, piece: str | None, snapshot: Snapshot, by: str, note: str = "") -> Mark:
        return Mark(kind, None if piece is None else self._known(piece, snapshot), by, note)

    def _known(self, piece: str, snapshot: Snapshot) -> str:
        if piece not in {p.id for p in snapshot.pieces}:
            raise CommandRejected("no such piece in this cook")
        return piece

    def _band(self, low: float, high: float, by: str) -> SetBand:
        if not (low >= COOLEST_BAND and low + NARROWEST_BAND <= high <= self._hottest):
            raise CommandRejected(
                f"over the broker a band lies between {COOLEST_BAND:.0f} and {self._hottest:.0f} °C "
                f"and is at least {NARROWEST_BAND:.0f} °C wide"
            )
        return SetBand(Band(low, high), by)


_NUMBER = re.compile(r"-?\d{1,6}(\.\d{1,6})?")


def _number(text: str) -> float:
    """A Homie float, without the exponents nobody sends."""
    if _NUMBER.fullmatch(text) is None:
        raise CommandRejected("a plain number is needed")
    return float(text)
