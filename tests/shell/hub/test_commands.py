"""Orders from the broker: what is let through, what is not, and that nothing else can happen."""

from __future__ import annotations

import contextlib
import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core import inputs, orders
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.orders import Mark, MarkKind
from daemon.core.settings import Band
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import homie
from daemon.shell.hub.commands import AGAIN_WITHIN, CommandGate, Taken
from daemon.shell.hub.link import Incoming
from daemon.shell.hub.order_models import CommandRejected
from tests.shell.hub.hub_scenario import night

BASE, ROOT = "homie/5/pit", "pitvigil/pit"
ORDERS = f"{ROOT}/command"
NOW = 1_796_000_000.0
SNAPSHOT = night(2)[2]


class Times:
    def __init__(self) -> None:
        self.wall, self.ticks = NOW, 0.0


def gate(times: Times | None = None) -> CommandGate:
    times = times or Times()
    return CommandGate(BASE, ROOT, lambda: times.wall, lambda: times.ticks)


def after(seconds: float) -> str:
    return datetime.fromtimestamp(NOW + seconds, UTC).isoformat()


def order(topic: str = ORDERS, **body: Any) -> Incoming:
    return Incoming(topic, json.dumps({"id": "a1", "expires": after(60)} | body).encode(), False)


def set_to(target: str, value: str, retained: bool = False) -> Incoming:
    return Incoming(f"{BASE}/{target}/set", value.encode(), retained)


def rejected(message: Incoming, snapshot: Snapshot = SNAPSHOT) -> str:
    with pytest.raises(CommandRejected) as refusal:
        gate().take(message, snapshot)
    return str(refusal.value)


@pytest.mark.parametrize(
    ("body", "id_"),
    [
        ({"command": "wood", "splits": 20}, "a1"),
        ({"command": "mark", "kind": "sing"}, "a1"),
        ({"command": "sleep", "id": "a b"}, ""),
        ({"command": "sleep", "id": ["a1"]}, ""),
    ],
)
def test_the_answer_to_an_order_that_nobody_understands_names_it(body: dict[str, Any], id_: str) -> None:
    with pytest.raises(CommandRejected) as refusal:
        gate().take(order(**body), SNAPSHOT)
    assert refusal.value.id == id_


@pytest.mark.parametrize(
    ("target", "value", "command"),
    [
        ("watch/acknowledge", "*", orders.Acknowledge("*", "hub")),
        ("watch/acknowledge", "runaway/pit", orders.Acknowledge("runaway/pit", "hub")),
        ("watch/pause", "900", orders.PauseSound(900.0, "hub")),
        ("watch/asleep", "true", orders.GoToSleep("hub")),
        ("watch/asleep", "false", orders.GoodMorning("hub")),
        ("watch/test-wake", "go", orders.TestWake("hub")),
        ("pit/mark", "log", Mark(MarkKind.LOG, None, "hub")),
        ("piece-chuck/mark", "meat-on", Mark(MarkKind.MEAT_ON, "chuck", "hub")),
        ("pit/band-low", "110", orders.SetBand(Band(110.0, 135.0), "hub")),
        ("pit/band-high", "129.5", orders.SetBand(Band(107.0, 129.5), "hub")),
    ],
)
def test_a_property_is_set(target: str, value: str, command: inputs.Command) -> None:
    assert gate().take(set_to(target, value), SNAPSHOT) == Taken(command, "")


def test_what_can_hardly_be_meant_is_taken_when_it_is_set_once_more() -> None:
    times = Times()
    keeper, wrapped = gate(times), set_to("piece-chuck/mark", "wrapped")
    taken = Taken(Mark(MarkKind.WRAPPED, "chuck", "hub"), "")
    with pytest.raises(CommandRejected, match=r"has not gone on yet.*once more"):
        keeper.take(wrapped, SNAPSHOT)
    times.ticks = 30.0
    assert keeper.take(wrapped, SNAPSHOT) == taken
    with pytest.raises(CommandRejected):
        keeper.take(wrapped, SNAPSHOT)
    times.ticks = 30.0 + AGAIN_WITHIN + 1.0
    with pytest.raises(CommandRejected):
        keeper.take(wrapped, SNAPSHOT)
    with pytest.raises(CommandRejected):
        keeper.take(set_to("piece-lamb/mark", "wrapped"), SNAPSHOT)
    assert rejected(order(command="mark", kind="off", piece="lamb")).endswith('"sure": true)')
    assert rejected(order(command="spot", piece="lamb", celsius=119.0)).startswith("119")


@pytest.mark.parametrize(
    ("target", "value"),
    [
        ("watch/pause", "901"), ("watch/pause", "0"), ("watch/pause", "-5"), ("watch/pause", "nan"),
        ("watch/pause", "1e999"), ("watch/pause", "9" * 41),
        ("watch/asleep", "TRUE"), ("watch/acknowledge", ""), ("watch/acknowledge", "x" * 81),
        ("watch/acknowledge", "x"), ("watch/acknowledge", "\x00" * 9), ("watch/acknowledge", "runaway/\u202epit"),
        ("pit/mark", "wrapped"), ("piece-chuck/mark", "log"), ("piece-pork/mark", "wrapped"), ("pit/band-low", "200"),
        ("pit/band-high", "inf"), ("pit/band-high", "400"), ("pit/band-low", "131"), ("pit/temperature", "100"),
        ("alarms/runaway", "false"), ("watch/unacknowledged", "0"), ("pit/mark", "log "), ("a", "b"),
    ],
)  # fmt: skip
def test_a_property_is_not_set(target: str, value: str) -> None:
    assert rejected(set_to(target, value))


@pytest.mark.parametrize(
    ("body", "command"),
    [
        ({"command": "acknowledge", "alarm": "*"}, orders.Acknowledge("*", "hub")),
        ({"command": "pause", "seconds": 300.0, "by": "Ann"}, orders.PauseSound(300.0, "Ann")),
        (
            {"command": "shelve", "alarm": "pit-high/pit", "seconds": 600.0, "reason": "windy"},
            orders.Shelve("pit-high/pit", 600.0, "windy", "hub"),
        ),
        ({"command": "unshelve", "alarm": "pit-high/pit"}, orders.Unshelve("pit-high/pit", "hub")),
        ({"command": "mark", "kind": "off", "piece": "lamb", "sure": True}, Mark(MarkKind.OFF, "lamb", "hub")),
        ({"command": "band", "low": 110.0, "high": 140.0}, orders.SetBand(Band(110.0, 140.0), "hub")),
        ({"command": "ask-wrap", "piece": "chuck", "celsius": 70}, orders.AskWrap("chuck", 70.0, "hub")),
        ({"command": "ask-wrap", "piece": "chuck", "celsius": None}, orders.AskWrap("chuck", None, "hub")),
        ({"command": "sleep"}, orders.GoToSleep("hub")),
        ({"command": "morning"}, orders.GoodMorning("hub")),
        ({"command": "test-wake"}, orders.TestWake("hub")),
    ],
)
def test_an_order_is_taken(body: dict[str, Any], command: inputs.Command) -> None:
    assert gate().take(order(**body), SNAPSHOT) == Taken(command, "a1")


@pytest.mark.parametrize(
    "body",
    [
        {"command": "pause", "seconds": 900.1},
        {"command": "pause", "seconds": float("nan")},
        {"command": "pause", "seconds": "300"},
        {"command": "pause"},
        {"command": "acknowledge", "alarm": "*", "more": 1},
        {"command": "out-of-service", "alarm": "pit-high/pit", "out": True, "reason": "x"},
        {"command": "end-cook"},
        {"command": "start-cook"},
        {"command": "mark", "kind": "off", "piece": "pork"},
        {"command": "mark", "kind": "eaten"},
        {"command": "ask-wrap", "piece": "pork", "celsius": 70.0},
        {"command": "ask-wrap", "piece": "chuck", "celsius": 20.0},
        {"command": "ask-wrap", "piece": "chuck", "celsius": float("nan")},
        {"command": "ask-wrap", "piece": "chuck"},
        {"command": "band", "low": 40.0, "high": 400.0},
        {"command": "shelve", "alarm": "pit-high/pit", "seconds": 7201.0, "reason": "x"},
        {"command": "shelve", "alarm": "pit-high/pit", "seconds": 60.0, "reason": ""},
        {"command": "sleep", "id": ""},
        {"command": "sleep", "id": "a b"},
        {"command": "sleep", "expires": after(-1)},
        {"command": "sleep", "expires": after(301)},
        {"command": "sleep", "expires": "2026-11-30T03:00:00"},
        {"command": "sleep", "expires": "soon"},
    ],
)
def test_an_order_is_not_taken(body: dict[str, Any]) -> None:
    assert rejected(order(**body))


@pytest.mark.parametrize("rule", [rule.id for rule in ALARM_RULES if rule.safety])
def test_no_order_shelves_a_safety_alarm(rule: str) -> None:
    body: dict[str, Any] = {"command": "shelve", "alarm": f"{rule}/pit", "seconds": 60.0, "reason": "quiet"}
    assert "safety" in rejected(order(**body))


def test_a_retained_order_is_dropped() -> None:
    assert "retained" in rejected(set_to("pit/mark", "log", retained=True))


def test_many_retained_orders_are_said_once_and_cost_nobody_his_own() -> None:
    keeper, said = gate(), 0
    for _ in range(500):
        with pytest.raises(CommandRejected) as refusal:
            keeper.take(set_to("pit/mark", "log", retained=True), SNAPSHOT)
        said += not refusal.value.again
    assert said <= 11
    assert keeper.take(set_to("pit/mark", "log"), SNAPSHOT)


def test_a_large_order_is_dropped() -> None:
    assert "1024" in rejected(order(command="mark", kind="log", note="x" * 1024))
    assert "UTF-8" in rejected(Incoming(ORDERS, b"\xff\xfe", False))


def test_an_order_is_carried_out_once() -> None:
    times = Times()
    keeper = gate(times)
    keeper.take(order(command="sleep"), SNAPSHOT)
    with pytest.raises(CommandRejected, match="this id") as refusal:
        keeper.take(order(command="morning"), SNAPSHOT)
    assert refusal.value.id == "a1"
    times.wall += 301  # by now the first order has run out whatever it said
    assert keeper.take(order(command="morning", expires=after(310)), SNAPSHOT).id == "a1"


def test_without_a_clock_old_orders_cannot_be_told_but_buttons_work() -> None:
    lost = replace(SNAPSHOT, clock_trusted=False)
    assert "time" in rejected(order(command="sleep"), lost)
    assert gate().take(set_to("watch/acknowledge", "*"), lost).command == orders.Acknowledge("*", "hub")


def test_a_flood_is_held_back_and_said_once() -> None:
    times = Times()
    keeper = gate(times)
    results = []
    for _ in range(40):
        times.ticks += 0.1
        try:
            keeper.take(set_to("pit/mark", "log"), SNAPSHOT)
            results.append("taken")
        except CommandRejected as refusal:
            results.append("again" if refusal.again else "said")
    assert results.count("taken") == 13  # 10 at once, then one a second over 4 s less the first refill
    assert 1 <= results.count("said") <= 4
    times.ticks += 60
    assert keeper.take(set_to("pit/mark", "log"), SNAPSHOT)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_any_finite_number_is_a_number(value: float) -> None:
    """However a program writes it: refused only for its size, and never for its shape."""
    try:
        command = gate().take(set_to("pit/band-low", repr(value)), SNAPSHOT).command
    except CommandRejected as refusal:
        assert "low edge" in str(refusal) and not 40 <= round(value, 1) <= 130
    else:
        assert isinstance(command, orders.SetBand) and abs(command.band.low - value) <= 0.0500001


def test_a_hub_in_fahrenheit_sets_the_band() -> None:
    """225 °F as such a hub sends it; (225 - 32) / 1.8 by the definition of the degree Fahrenheit."""
    command = gate().take(set_to("pit/band-low", "107.22222222222221"), SNAPSHOT).command
    assert command == orders.SetBand(Band(107.2, 135.0), "hub")


def test_a_refusal_says_its_limits_as_people_read_them() -> None:
    keeper = CommandGate(BASE, ROOT, lambda: NOW, lambda: 0.0, fahrenheit=True)
    with pytest.raises(CommandRejected, match=r"112 and 180 °C \(233.6 and 356 °F\)"):
        keeper.take(set_to("pit/band-high", "300"), SNAPSHOT)


@pytest.mark.parametrize(
    ("low", "high", "said"),
    [
        (20.0, 30.0, "the low edge of this band lies between 40 and 175 °C"),
        (400.0, 500.0, "the high edge of this band lies between 45 and 180 °C"),
        (110.0, 112.0, "the low edge of this band lies between 40 and 107 °C"),
    ],
)
def test_the_limits_of_one_edge_are_told_where_the_other_leaves_room(low: float, high: float, said: str) -> None:
    assert rejected(order(command="band", low=low, high=high)).endswith(said)


def test_the_limits_announced_are_the_limits_kept() -> None:
    keeper = gate()
    pit = next(node for node in homie.nodes(SNAPSHOT, keeper.hottest) if node.id == "pit")
    formats = {prop.id: prop.format for prop in pit.properties if prop.id.startswith("band-")}
    for edge, form in formats.items():
        least, most = (float(end) for end in form.split(":"))
        for value, taken in ((least, True), (most, True), (least - 0.1, False), (most + 0.1, False)):
            message = set_to(f"pit/{edge}", f"{value:.1f}")
            if taken:
                assert gate().take(message, SNAPSHOT)
            else:
                assert f"{least:g} and {most:g}" in rejected(message)


def test_the_flood_of_one_leaves_another_his_orders() -> None:
    keeper = gate()
    for number in range(30):
        with contextlib.suppress(CommandRejected):
            keeper.take(order(f"{ROOT}/orders/tablet", command="sleep", id=f"t{number}"), SNAPSHOT)
    with pytest.raises(CommandRejected, match="too many"):
        keeper.take(order(f"{ROOT}/orders/tablet", command="sleep", id="last"), SNAPSHOT)
    assert keeper.take(order(f"{ROOT}/orders/ann", command="acknowledge", alarm="*"), SNAPSHOT).command.by == "ann"
    assert keeper.take(set_to("watch/acknowledge", "*"), SNAPSHOT)


def test_who_the_broker_says_it_is_counts_not_who_the_order_says() -> None:
    taken = gate().take(order(f"{ROOT}/orders/tablet", command="sleep", by="Ann"), SNAPSHOT)
    assert taken.command == orders.GoToSleep("tablet")
    assert gate().answers(f"{ROOT}/orders/tablet") == f"{ROOT}/answers/tablet"
    assert gate().answers(ORDERS) == f"{ORDERS}/result" and not gate().answers(f"{BASE}/pit/mark/set")


def test_many_names_do_not_make_many_allowances() -> None:
    keeper, taken = gate(), 0
    for number in range(1000):
        with contextlib.suppress(CommandRejected):
            keeper.take(order(f"{ROOT}/orders/u{number}", command="sleep", id=f"t{number}"), SNAPSHOT)
            taken += 1
    assert taken <= 60  # one each for the first fifty, then ten for all the others


PIECE = {"name": "Meat loaf", "cut": "meat-loaf", "weight": 1.2}
SOME = st.one_of(
    st.text(max_size=30), st.floats(), st.integers(), st.booleans(), st.none(),
    st.sampled_from(("runaway/pit", "*", "chuck", "lamb", "spot", "log", PIECE, [], {}, {"text": "Mop", "after": "on"})),
)  # fmt: skip
EVERY = (
    "pause", "shelve", "band", "mark", "acknowledge", "take-back", "spot", "choose-spot", "add-piece", "change-piece",
    "remove-piece", "move-probe", "keep-plan", "add-reminder", "remove-reminder", "reminder-done", "count-wood",
)  # fmt: skip
KEYS = (
    "alarm", "seconds", "low", "high", "kind", "piece", "reason", "by", "celsius", "what", "channel", "splits", "reminder",
    "minutes_ago", "weight", "cut", "target", "wrap", "tender", "ambient", "wind", "sure", "where", "tolerance",
)  # fmt: skip
AIMS = (
    "watch/pause", "pit/band-high", "watch/acknowledge", "watch/order", "watch/plan", "pit/wood", "pit/take-back",
    "piece-chuck/spot", "piece-chuck/probe", "piece-chuck/take-back", "reminder-x/done", "piece-/mark", "/", "a", "pit",
)  # fmt: skip


@given(
    st.one_of(
        st.binary(max_size=200),
        st.fixed_dictionaries(
            {"command": st.sampled_from((*EVERY, "out-of-service", "end-cook"))},
            optional=dict.fromkeys(KEYS, SOME),
        ).map(lambda body: json.dumps({"id": "z", "expires": after(30)} | body).encode()),
    ),
    st.sampled_from((ORDERS, *(f"{BASE}/{aim}/set" for aim in AIMS))),
)
def test_whatever_comes_the_watch_stays_awake(payload: bytes, topic: str) -> None:
    try:
        command = gate().take(Incoming(topic, payload, False), SNAPSHOT).command
    except CommandRejected:
        return
    assert not isinstance(command, orders.OutOfService | orders.EndCook | orders.StartCook)
    if isinstance(command, orders.PauseSound):
        assert 0 < command.seconds <= 900
    if isinstance(command, orders.SetBand):
        assert command.band.high <= 180
    if isinstance(command, orders.SpotReading):
        assert -20 <= command.celsius <= 120
    if isinstance(command, orders.CountWood):
        assert 0 <= command.splits <= 2000
