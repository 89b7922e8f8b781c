"""Orders from the broker: Homie `/set` topics and JSON orders. Each is checked here and again by the core.

Who may send is the broker's access list; one who has a topic of orders to himself has an allowance to himself, so nobody's
flood keeps another from answering an alarm. What may be sent is this table: nothing in it ends a cook, takes an alarm out
of service, shelves a safety alarm, or pauses longer than 15 min, and the band can only be moved as far as the runaway
alarm, which hangs on it, still means something.
"""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError, field_validator

from config.units import to_fahrenheit
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
from daemon.shell.hub.homie import HOTTEST_BAND, PAUSE_LIMIT, PIECE_MARKS, PIT_MARKS, band_limits
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
USERS_KEPT = 50
"""Allowances kept apart; whoever comes beyond shares one."""
HUB = "hub"
"""Who sends on `/set` and on the common topic of orders."""
NUMBER_LENGTH = 40
"""Characters of a number, which is plenty."""

_SAFETY = frozenset(rule.id for rule in ALARM_RULES if rule.safety)


class CommandRejected(Exception):
    """The order is not carried out; the text says why. id: of the order, if it could be read. again: the same has just
    been said, so an answer to each would only help whoever floods us."""

    def __init__(self, reason: str, id_: str = "", again: bool = False) -> None:
        super().__init__(reason)
        self.id, self.again = id_, again


@dataclass(frozen=True, slots=True)
class Taken:
    """An order let through. id: its own, "" for `/set`."""

    command: Command
    id: str


class _Allowance:
    """Orders that may come at once, filled up again with time."""

    def __init__(self, now: float) -> None:
        self._left, self._at, self._flooded = BURST, now, False

    def spend(self, now: float) -> None:
        """Raises CommandRejected."""
        self._left = min(BURST, self._left + (now - self._at) * PER_SECOND)
        self._at = now
        if self._left < 1:
            again, self._flooded = self._flooded, True
            raise CommandRejected("too many orders", again=again)
        self._flooded = False
        self._left -= 1


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
    """Lets orders through. base: Homie topic of the device. root: beginning of the other topics.

    wall: UTC, s. ticks: s that only go forward. hottest: the rig's own high band edge, °C.
    fahrenheit: people read °F.
    """

    def __init__(
        self,
        base: str,
        root: str,
        wall: Callable[[], float],
        ticks: Callable[[], float],
        hottest: float = HOTTEST_BAND,
        fahrenheit: bool = False,
    ) -> None:
        self._base, self._common, self._wall, self._ticks = base + "/", f"{root}/command", wall, ticks
        self._orders, self._answers = f"{root}/orders/", f"{root}/answers/"
        self._fahrenheit = fahrenheit
        self.hottest = max(HOTTEST_BAND, hottest)
        self._allowances: dict[str, _Allowance] = {}
        self._ids: OrderedDict[str, float] = OrderedDict()

    @property
    def heard(self) -> tuple[str, ...]:
        """Topics of JSON orders: the common one, and one a user."""
        return self._common, self._orders + "+"

    def answers(self, topic: str) -> str:
        """Where the answer to an order goes; "" where none is given."""
        if topic == self._common:
            return f"{self._common}/result"
        return self._answers + topic.removeprefix(self._orders) if topic.startswith(self._orders) else ""

    def words(self, message: Incoming) -> str:
        """An order in a few words."""
        payload = message.payload[:NUMBER_LENGTH].decode("utf-8", errors="replace")
        target = message.topic.removeprefix(self._base).removesuffix("/set")
        return (
            f"{target} {payload}" if message.topic.startswith(self._base) else f"order of {self._user(message.topic)}"
        )

    def take(self, message: Incoming, snapshot: Snapshot) -> Taken:
        """Raises CommandRejected."""
        if message.retained:
            raise CommandRejected("a retained order is never carried out: it would be again at every start")
        user = self._user(message.topic)
        self._allowance(user).spend(self._ticks())
        if len(message.payload) > SIZE_LIMIT:
            raise CommandRejected(f"an order has at most {SIZE_LIMIT} bytes")
        try:
            text = message.payload.decode("utf-8")
        except UnicodeDecodeError:
            raise CommandRejected("an order is UTF-8 text") from None
        if not message.topic.startswith(self._base):
            return self._json(text, snapshot, user)
        return Taken(self._set(message.topic.removeprefix(self._base).removesuffix("/set"), text, snapshot), "")

    def _user(self, topic: str) -> str:
        return topic.removeprefix(self._orders) if topic.startswith(self._orders) else HUB

    def _allowance(self, user: str) -> _Allowance:
        if user not in self._allowances and len(self._allowances) >= USERS_KEPT:
            user = ""
        return self._allowances.setdefault(user, _Allowance(self._ticks()))

    # --- JSON ------------------------------------------------------------------------------------------------

    def _json(self, text: str, snapshot: Snapshot, user: str) -> Taken:
        try:
            order = _ORDER.validate_json(text)
        except ValidationError as error:
            first = error.errors(include_url=False, include_context=False, include_input=False)[0]
            where = ".".join(str(part) for part in first["loc"])
            raise CommandRejected(f"{where}: {first['msg']}" if where else str(first["msg"])) from None
        self._fresh(order, snapshot)
        if user != HUB:  # the broker knows who that is; what the order says of itself anybody may write
            order = order.model_copy(update={"by": user[:40]})
        try:
            return Taken(self._meaning(order, snapshot), order.id)
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
                return self._band(order.low, order.high, snapshot, order.by)
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
                return Acknowledge(text, HUB)
            case "watch", "pause":
                seconds = _number(text)
                if not 0 < seconds <= PAUSE_LIMIT:
                    raise CommandRejected(f"a pause lasts from 1 to {PAUSE_LIMIT} s")
                return PauseSound(seconds, HUB)
            case "watch", "asleep" if text in ("true", "false"):
                return GoToSleep("hub") if text == "true" else GoodMorning(HUB)
            case "watch", "test-wake" if text == "go":
                return TestWake(HUB)
            case "pit", "band-low":
                return self._band(_number(text), snapshot.pit.band.high, snapshot, HUB)
            case "pit", "band-high":
                return self._band(snapshot.pit.band.low, _number(text), snapshot, HUB)
            case "pit", "mark" if text in PIT_MARKS:
                return Mark(MarkKind(text), None, HUB)
            case _, "mark" if node.startswith("piece-") and text in PIECE_MARKS:
                return self._mark(MarkKind(text), node.removeprefix("piece-"), snapshot, HUB)
        raise CommandRejected(f"{target} cannot be set to that")

    def _mark(self, kind: MarkKind, piece: str | None, snapshot: Snapshot, by: str, note: str = "") -> Mark:
        return Mark(kind, None if piece is None else self._known(piece, snapshot), by, note)

    def _known(self, piece: str, snapshot: Snapshot) -> str:
        if piece not in {p.id for p in snapshot.pieces}:
            raise CommandRejected("no such piece in this cook")
        return piece

    def _band(self, low: float, high: float, snapshot: Snapshot, by: str) -> SetBand:
        """Kept are the limits that are announced, for either edge with the other where it will be."""
        band, now = Band(round(low, DIGITS), round(high, DIGITS)), snapshot.pit.band
        low_limits, high_limits = band_limits(band, self.hottest)
        edges = [("low", band.low, low_limits, now.low), ("high", band.high, high_limits, now.high)]
        for name, value, (least, most), _ in sorted(edges, key=lambda edge: edge[1] == edge[3]):  # what moves first
            if not least <= value <= most:
                in_f = f" ({to_fahrenheit(least):g} and {to_fahrenheit(most):g} °F)" if self._fahrenheit else ""
                raise CommandRejected(f"the {name} edge of this band lies between {least:g} and {most:g} °C{in_f}")
        return SetBand(band, by)


DIGITS = 1
"""Of a temperature, °C: finer than any probe."""


def _number(text: str) -> float:
    """Any finite number, as people and programs write them; °F arrive as a long tail of digits."""
    try:
        value = float(text) if len(text) <= NUMBER_LENGTH else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CommandRejected("a number is needed")
    return value
