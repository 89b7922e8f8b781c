"""Orders from the broker: Homie `/set` topics and JSON orders. Each is checked here and again by the core.

Who may send is the broker's access list; one who has a topic of orders to himself has an allowance to himself, so nobody's
flood keeps another from answering an alarm. What may be sent is the table in `order_models`, and a settable property is one of
them in short: nothing in it ends a cook, takes an alarm out of service, shelves a safety alarm, or pauses longer than 15 min,
and the band can only be moved as far as the runaway alarm, which hangs on it, still means something.
"""

from __future__ import annotations

import math
import re
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime

from config.units import to_fahrenheit
from daemon.core.annunciation.test_call import TEST_WAKE
from daemon.core.mark_doubts import doubt
from daemon.core.orders import (
    SPOT_COLDEST,
    SPOT_HOTTEST,
    Acknowledge,
    ChooseSpot,
    CountWood,
    GoodMorning,
    GoToSleep,
    KeepPlan,
    Mark,
    MarkKind,
    PauseSound,
    SetBand,
    SpotReading,
    TestWake,
)
from daemon.core.plan.duties import MOST_SPLITS
from daemon.core.said import say
from daemon.core.settings import Band
from daemon.core.snapshot import PitView, Snapshot
from daemon.shell.hub import orders
from daemon.shell.hub.duties import (
    DROP,
    GO,
    KEEP,
    NO_PROBE,
    PIECE_MARKS,
    PIT_MARKS,
)
from daemon.shell.hub.homie import HOTTEST_BAND, PAUSE_LIMIT, Hottest, band_limits, highest, nodes
from daemon.shell.hub.link import Incoming
from daemon.shell.hub.order_models import CommandRejected, Order, read
from daemon.shell.hub.orders import Makers, Meaning, PlanWanted, Wanted

SIZE_LIMIT = 1024
"""Bytes of one order."""
BURST, PER_SECOND = 10.0, 1.0
"""Orders taken at once, and how fast that allowance comes back."""
LONGEST_LIFE = 300.0
"""s: an order may not be made valid for longer, so that its id need not be remembered for longer."""
IDS_KEPT = 1000
"""At PER_SECOND more cannot come within LONGEST_LIFE."""
USERS_KEPT = 50
"""Allowances kept apart; whoever comes beyond shares one."""
AGAIN_WITHIN = 60.0
"""s in which a property that was asked about is set once more by whoever means it. Ours, no source."""
HUB = "hub"
"""Who sends on `/set` and on the common topic of orders."""
RETAINED = "/"
"""Whose allowance retained orders use up, however many lie on the broker: nobody else's. No user has this name in a topic."""
NUMBER_LENGTH = 40
"""Characters of a number, which is plenty."""
ORDER = "watch/order"
"""The settable property that takes a JSON order. Like every other it is now or never, so it needs neither id nor expiry."""


_COMMAND = re.compile(r'"command"\s*:\s*"([a-z-]{1,24})"')


@dataclass(frozen=True, slots=True)
class Taken:
    """An order let through. id: its own, "" for `/set`."""

    command: Wanted
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
            raise CommandRejected(say("order.too-many"), again=again)
        self._flooded = False
        self._left -= 1


class CommandGate:
    """Lets orders through. base: Homie topic of the device. root: beginning of the other topics.

    wall: UTC, s. ticks: s that only go forward. hottest: the rig's own high band edge, °C, or that of each pit by its id.
    fahrenheit: people read °F. makers: None = pieces and reminders are not taken. places: Homie ids of the other devices, in a
    watch over several pits.
    """

    def __init__(
        self,
        base: str,
        root: str,
        wall: Callable[[], float],
        ticks: Callable[[], float],
        hottest: Hottest = HOTTEST_BAND,
        fahrenheit: bool = False,
        makers: Makers | None = None,
        places: tuple[str, ...] = (),
    ) -> None:
        domain = base.rpartition("/")[0]
        self._bases = {f"{base}/": ""} | {f"{domain}/{place}/": place for place in places}
        self._base, self._common, self._wall, self._ticks = base + "/", f"{root}/command", wall, ticks
        self._orders, self._answers = f"{root}/orders/", f"{root}/answers/"
        self._fahrenheit = fahrenheit
        self.hottest = hottest
        self._meaning = Meaning(self._band, makers)
        self._allowances: dict[str, _Allowance] = {}
        self._ids: OrderedDict[str, float] = OrderedDict()
        self._doubted: tuple[str, str, float] = ("", "", -math.inf)
        """The topic, the value and the ticks of the newest property that was asked about."""

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
        """An order in a few words: what it asks for, or the property and what it was to be set to."""
        payload = message.payload[:NUMBER_LENGTH].decode("utf-8", errors="replace")
        device, target = self._target(message.topic)
        if target and (device, target) != ("", ORDER):
            return f"{device}/{target} {payload}" if device else f"{target} {payload}"
        user = self._user(message.topic)
        named = _COMMAND.search(message.payload[:SIZE_LIMIT].decode("utf-8", errors="replace"))
        word = named[1] if named else "order"
        return word if user == HUB else f"{word} of {user}"

    def take(self, message: Incoming, snapshot: Snapshot) -> Taken:
        """Raises CommandRejected."""
        if message.retained:
            self._allowance(RETAINED).spend(self._ticks())
            raise CommandRejected(say("order.retained"))
        user = self._user(message.topic)
        self._allowance(user).spend(self._ticks())
        if len(message.payload) > SIZE_LIMIT:
            raise CommandRejected(say("order.size", most=SIZE_LIMIT))
        try:
            text = message.payload.decode("utf-8")
        except UnicodeDecodeError:
            raise CommandRejected(say("order.text")) from None
        device, target = self._target(message.topic)
        if not target:
            return self._json(text, snapshot, user)
        if (device, target) == ("", ORDER):
            return Taken(self._short(text, snapshot), "")
        if snapshot.pits:
            self._no_stranger(device, target, snapshot)
        wanted = self._set(target, text, snapshot, device)
        self._meant(message.topic, text, wanted, snapshot)
        return Taken(wanted, "")

    def _meant(self, topic: str, text: str, wanted: Wanted, snapshot: Snapshot) -> None:
        """What can hardly be meant is taken when it is pressed or set once more. Raises CommandRejected the first time."""
        why, now = doubt(wanted, snapshot), self._ticks()
        before, self._doubted = self._doubted, ("", "", -math.inf)
        if why and not (before[:2] == (topic, text) and now - before[2] <= AGAIN_WITHIN):
            self._doubted = (topic, text, now)
            pressed = isinstance(wanted, Mark)  # a mark is a button in the hub, everything else has a value
            again = say("again.press", within=AGAIN_WITHIN) if pressed else say("again.set", within=AGAIN_WITHIN)
            raise CommandRejected(say("again.asked", doubt=why, again=again))

    def _target(self, topic: str) -> tuple[str, str]:
        """The device and the property a `/set` topic means; "" for no property: it is another topic."""
        for base, device in self._bases.items():
            if topic.startswith(base):
                return device, topic.removeprefix(base).removesuffix("/set")
        return "", ""

    def _no_stranger(self, device: str, target: str, snapshot: Snapshot) -> None:
        """Raises CommandRejected for an order to a device that has no such node: it is never carried out on another."""
        node = target.partition("/")[0]
        homes = [n.device for n in nodes(snapshot) if n.id == node]
        if homes and device not in homes:
            watch = self._base.rpartition("/")[0].rpartition("/")[2]
            on = tuple(home or watch for home in homes)
            raise CommandRejected(say("order.stranger", device=device or watch, node=node, on=on))

    def _user(self, topic: str) -> str:
        return topic.removeprefix(self._orders) if topic.startswith(self._orders) else HUB

    def _allowance(self, user: str) -> _Allowance:
        if user not in self._allowances and len(self._allowances) >= USERS_KEPT:
            user = ""
        return self._allowances.setdefault(user, _Allowance(self._ticks()))

    # --- JSON ------------------------------------------------------------------------------------------------

    def _json(self, text: str, snapshot: Snapshot, user: str) -> Taken:
        order = read(text)
        self._fresh(order, snapshot)
        if user != HUB:  # the broker knows who that is; what the order says of itself anybody may write
            order = order.model_copy(update={"by": user[:40]})
        try:
            return Taken(self._meaning.of(order, snapshot), order.id)
        except CommandRejected as refusal:
            raise CommandRejected(refusal.text, order.id) from None

    def _short(self, text: str, snapshot: Snapshot) -> Wanted:
        order = read(text)
        if order.id is not None or order.expires is not None:
            self._fresh(order, snapshot)
        return self._meaning.of(order, snapshot)

    def _fresh(self, order: Order, snapshot: Snapshot) -> None:
        """An order is carried out once, and only while it is young. Both need a clock that has been set."""
        now, id_ = self._wall(), order.id or ""
        if order.id is None or order.expires is None:
            raise CommandRejected(say("order.id-and-expires"), id_)
        if not snapshot.clock_trusted:
            raise CommandRejected(say("order.no-clock"), id_)
        expires = datetime.fromisoformat(order.expires).timestamp()
        if expires <= now:
            raise CommandRejected(say("order.expired"), id_)
        if expires > now + LONGEST_LIFE:
            raise CommandRejected(say("order.longest-life", most=LONGEST_LIFE), id_)
        while self._ids and (len(self._ids) >= IDS_KEPT or next(iter(self._ids.values())) <= now):
            self._ids.popitem(last=False)
        if id_ in self._ids:
            raise CommandRejected(say("order.carried-out"), id_)
        self._ids[id_] = now + LONGEST_LIFE

    # --- Homie /set ------------------------------------------------------------------------------------------

    def _set(self, target: str, text: str, snapshot: Snapshot, device: str) -> Wanted:
        """target: node/property. device: where that is; "" is the watch, with a single pit the only one."""
        node, _, prop = target.partition("/")
        if node.startswith("piece-"):
            return self._set_piece(orders.known(node.removeprefix("piece-"), snapshot), prop, text, snapshot)
        if node == "pit":
            return self._set_pit(orders.known_pit(device, snapshot), prop, text, snapshot)
        match node, prop:
            case "watch", "acknowledge" if len(text) <= 80 and _is_alarm(text):
                return Acknowledge(text, HUB)
            case "watch", "pause":
                seconds = _number(text)
                if not 0 < seconds <= PAUSE_LIMIT:
                    raise CommandRejected(say("order.pause", most=PAUSE_LIMIT))
                return PauseSound(seconds, HUB)
            case "watch", "asleep" if text in ("true", "false"):
                return GoToSleep(HUB) if text == "true" else GoodMorning(HUB)
            case "watch", "test-wake" if text == GO:
                return TestWake(HUB)
            case "watch", "plan" if text in (KEEP, DROP):
                return PlanWanted(HUB) if text == KEEP else KeepPlan(None, HUB)
            case "watch", "wood" if snapshot.pits:
                return _wood(text)
            case _, "done" if node.startswith("reminder-") and text == GO:
                return orders.of_reminder("reminder-done", node.removeprefix("reminder-"), snapshot, HUB)
        raise CommandRejected(say("order.not-that", what=target))

    def _set_pit(self, pit: PitView, prop: str, text: str, snapshot: Snapshot) -> Wanted:
        name = orders.core_name(pit, snapshot)
        match prop:
            case "band-low":
                return self._band(_number(text), pit.band.high, pit, HUB, name)
            case "band-high":
                return self._band(pit.band.low, _number(text), pit, HUB, name)
            case "mark" if text in PIT_MARKS:
                return Mark(MarkKind(text), None, HUB, pit=name)
            case "take-back":
                return orders.take_back(text, None, snapshot, HUB, name)
            case "wood" if not snapshot.pits:
                return _wood(text)
        raise CommandRejected(say("order.not-that", what=f"pit/{prop}"))

    def _set_piece(self, piece: str, prop: str, text: str, snapshot: Snapshot) -> Wanted:
        match prop:
            case "mark" if text in PIECE_MARKS:
                return orders.mark(MarkKind(text), piece, snapshot, HUB)
            case "take-back":
                return orders.take_back(text, piece, snapshot, HUB)
            case "spot":
                celsius = round(_number(text), DIGITS)
                if not SPOT_COLDEST <= celsius <= SPOT_HOTTEST:
                    raise CommandRejected(say("refused.core", possible=(SPOT_COLDEST, SPOT_HOTTEST)))
                return SpotReading(piece, celsius, by=HUB)
            case "probe":
                return orders.move_probe(piece, None if text == NO_PROBE else text, snapshot, HUB)
            case "pit" if snapshot.pits:
                return orders.move_piece(piece, text, snapshot, HUB)
            case "handheld" if text == GO:
                return ChooseSpot(piece, HUB)
        raise CommandRejected(say("order.not-that-of-piece", what=prop))

    def _band(self, low: float, high: float, pit: PitView, by: str, name: str = "") -> SetBand:
        """Kept are the limits that are announced, for either edge with the other where it will be."""
        band, now = Band(round(low, DIGITS), round(high, DIGITS)), pit.band
        low_limits, high_limits = band_limits(band, highest(self.hottest, pit.id))
        edges = [("low", band.low, low_limits, now.low), ("high", band.high, high_limits, now.high)]
        for edge, value, (least, most), _ in sorted(edges, key=lambda one: one[1] == one[3]):  # what moves first
            if not least <= value <= most:
                limits = say("order.limits", least=f"{least:g}", most=f"{most:g}", unit="°C")
                if self._fahrenheit:  # an order is in °C, whoever reads the answer
                    least, most = to_fahrenheit(least), to_fahrenheit(most)
                    also = say("order.limits", least=f"{least:g}", most=f"{most:g}", unit="°F")
                    limits = say("order.limits-both", limits=limits, also=also)
                key = "order.low-edge" if edge == "low" else "order.high-edge"
                raise CommandRejected(say(key, limits=limits))
        return SetBand(band, by, name)


def _wood(text: str) -> CountWood:
    splits = _number(text)
    if not 0 <= splits <= MOST_SPLITS or splits != round(splits):
        raise CommandRejected(say("order.splits", most=MOST_SPLITS))
    return CountWood(round(splits), HUB)


DIGITS = 1
"""Of a temperature, °C: finer than any probe."""


def _number(text: str) -> float:
    """Any finite number, as people and programs write them; °F arrive as a long tail of digits."""
    try:
        value = float(text) if len(text) <= NUMBER_LENGTH else math.nan
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise CommandRejected(say("order.number"))
    return value


def _is_alarm(text: str) -> bool:
    """All alarms, one by its key or its message's id, or the test wake: rubbish is nobody's word that he is up."""
    return text.isprintable() and (text == "*" or "/" in text or text.startswith(TEST_WAKE))
