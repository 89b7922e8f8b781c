"""Orders of a cook that changes while it runs: cores read by hand, pieces, probes, the plan, reminders, marks made earlier or
taken back. Each is short on its own Homie property, or JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest

from config.loader import load_both
from daemon.core import orders
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmView
from daemon.core.events import AlarmState
from daemon.core.orders import SPOT, Mark, MarkKind
from daemon.core.planned import From, ReminderSettings
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import discovery, homie
from daemon.shell.hub.commands import CommandGate
from daemon.shell.hub.link import Incoming
from daemon.shell.hub.order_models import CommandRejected
from daemon.shell.hub.orders import Makers, PlanWanted, Wanted
from daemon.wiring.settings_from_files import cook_settings, reminder_settings
from tests.shell.hub.hub_scenario import NIGHT, WALL_OFFSET, rig_and_engine
from tests.shell.hub.test_homie import view
from tests.system.hub.mqtt_broker import ROOT as FOLDER

BASE, ROOT = "homie/5/pit", "pitvigil/pit"
NOW = 1_796_000_000.0
RIG = load_both(FOLDER / "config/examples/rig.toml", FOLDER / "config/examples/cook.toml")[0]
MAKERS = Makers(lambda cook: cook_settings(cook, RIG, 0.0), lambda own: reminder_settings(own, "UTC", 0.0))


def told() -> Snapshot:
    """A wrap and a reading were told of the chuck roll, a log of the pit, and there is a reminder."""
    _, engine = rig_and_engine()
    said: tuple[orders.Order, ...] = (
        Mark(MarkKind.MEAT_ON, "chuck"),
        Mark(MarkKind.LOG),
        orders.SpotReading("chuck", 63.4),
        Mark(MarkKind.WRAPPED, "chuck"),
        orders.AddReminder(ReminderSettings("spritz", "Spritz", 2700.0, From.ON), "cook"),
    )
    for minute, item in enumerate(said):
        engine.handle(item, NIGHT + 60.0 * minute)
    return engine.snapshot(NIGHT + 600.0)


SNAPSHOT = told()


def gate(makers: Makers | None = MAKERS) -> CommandGate:
    return CommandGate(BASE, ROOT, lambda: NOW, lambda: 0.0, makers=makers)


def set_to(target: str, value: str, snapshot: Snapshot = SNAPSHOT) -> Wanted:
    return gate().take(Incoming(f"{BASE}/{target}/set", value.encode(), False), snapshot).command


def ordered(snapshot: Snapshot = SNAPSHOT, makers: Makers | None = MAKERS, **body: Any) -> Wanted:
    """As JSON with id and expiry, which is what the property for JSON takes without."""
    soon = datetime.fromtimestamp(NOW + 60, UTC).isoformat()
    long = Incoming(f"{ROOT}/command", json.dumps({"id": "a", "expires": soon} | body).encode(), False)
    short = Incoming(f"{BASE}/watch/order/set", json.dumps(body).encode(), False)
    taken = [gate(makers).take(message, snapshot).command for message in (long, short)]
    assert taken[0] == taken[1]
    return taken[0]


def said_at(what: str) -> float:
    return next(m.said_at for m in SNAPSHOT.marks if m.what == what)


@pytest.mark.parametrize(
    ("target", "value", "command"),
    [
        ("piece-chuck/spot", "63.44", orders.SpotReading("chuck", 63.4, by="hub")),
        ("piece-chuck/probe", "lamb", orders.MoveProbe("chuck", "lamb", "hub")),
        ("piece-chuck/probe", "LAMB shoulder", orders.MoveProbe("chuck", "lamb", "hub")),
        ("piece-chuck/probe", "none", orders.MoveProbe("chuck", None, "hub")),
        ("piece-chuck/handheld", "go", orders.ChooseSpot("chuck", "hub")),
        ("piece-chuck/take-back", "last", orders.TakeBack("wrapped", "chuck", said_at("wrapped"), "hub")),
        ("piece-chuck/take-back", "spot", orders.TakeBack("spot", "chuck", said_at(SPOT), "hub")),
        ("pit/take-back", "last", orders.TakeBack("log", None, said_at("log"), "hub")),
        ("pit/wood", "40", orders.CountWood(40, "hub")),
        ("watch/plan", "keep", PlanWanted("hub")),
        ("watch/plan", "drop", orders.KeepPlan(None, "hub")),
        ("reminder-spritz/done", "go", orders.ReminderDone("spritz", "hub")),
    ],
)
def test_a_property_is_set(target: str, value: str, command: Wanted) -> None:
    assert set_to(target, value) == command


@pytest.mark.parametrize(
    ("target", "value"),
    [
        ("piece-chuck/spot", "121"), ("piece-chuck/spot", "nan"), ("piece-chuck/spot", "1e999"), ("piece-chuck/spot", ""),
        ("piece-chuck/probe", "pit-left"), ("piece-chuck/probe", ""), ("piece-chuck/probe", "nobody"),
        ("piece-pork/spot", "60"), ("piece-chuck/take-back", "serve"), ("piece-lamb/take-back", "last"),
        ("piece-chuck/take-back", "x" * 500), ("pit/take-back", "wrapped"), ("pit/wood", "-1"), ("pit/wood", "2.5"),
        ("pit/wood", "1e300"), ("watch/plan", "maybe"), ("reminder-mop/done", "go"), ("reminder-spritz/done", "yes"),
        ("piece-chuck/spot-read", "60"), ("watch/order", "[]"), ("watch/order", "{}"), ("watch/order", "null"),
    ],
)  # fmt: skip
def test_a_property_is_not_set(target: str, value: str) -> None:
    with pytest.raises(CommandRejected):
        set_to(target, value)


@pytest.mark.parametrize(
    ("body", "command"),
    [
        (
            {"command": "spot", "piece": "chuck", "celsius": "145 F", "where": "thick end", "minutes_ago": 5},
            orders.SpotReading("chuck", (145.0 - 32.0) / 1.8, "thick end", "", 1.0, "hub", NIGHT + 300.0),
        ),
        ({"command": "choose-spot", "piece": "lamb"}, orders.ChooseSpot("lamb", "hub")),
        (
            {"command": "mark", "kind": "log", "minutes_ago": 9.5},
            Mark(MarkKind.LOG, None, "hub", at=NIGHT + 30.0),
        ),
        (
            {"command": "take-back", "what": "spot", "piece": "Chuck roll"},
            orders.TakeBack("spot", "chuck", said_at(SPOT), "hub"),
        ),
        ({"command": "take-back"}, orders.TakeBack("log", None, said_at("log"), "hub")),
        ({"command": "remove-piece", "piece": "lamb"}, orders.RemovePiece("lamb", "hub")),
        ({"command": "move-probe", "piece": "lamb", "channel": None}, orders.MoveProbe("lamb", None, "hub")),
        ({"command": "keep-plan", "ambient": "41 F", "wind": 3}, PlanWanted("hub", 5.0, 3.0, True)),
        ({"command": "drop-plan"}, orders.KeepPlan(None, "hub")),
        (
            {
                "command": "add-reminder",
                "reminder": {"text": "Mop", "every_minutes": 30, "after": "on", "piece": "lamb"},
            },
            orders.AddReminder(ReminderSettings("mop", "Mop", 1800.0, From.ON, piece="lamb"), "hub"),
        ),
        ({"command": "remove-reminder", "reminder": "Spritz"}, orders.RemoveReminder("spritz", "hub")),
        ({"command": "reminder-done", "reminder": "grease-tray"}, orders.ReminderDone("grease-tray", "hub")),
        ({"command": "count-wood", "splits": 12}, orders.CountWood(12, "hub")),
    ],
)
def test_an_order_is_taken(body: dict[str, Any], command: Wanted) -> None:
    assert ordered(**body) == command


def test_a_piece_joins_and_is_meant_otherwise() -> None:
    joins = ordered(command="add-piece", piece={"name": "Meat loaf", "cut": "meat-loaf", "weight": 1.2})
    assert isinstance(joins, orders.AddPiece)
    assert (joins.piece.id, joins.piece.channel, joins.piece.weight) == ("meat-loaf", None, 1.2)
    changed = ordered(command="change-piece", piece="chuck", weight=6.1)
    before = next(p.ordered for p in SNAPSHOT.pieces if p.id == "chuck")
    assert isinstance(changed, orders.ChangePiece) and before is not None
    assert changed.piece.weight == 6.1
    assert replace(changed.piece, weight=before.weight, thickness=before.thickness) == before
    with_the_rest = ordered(command="change-piece", piece="chuck", serve_at=False)
    assert isinstance(with_the_rest, orders.ChangePiece) and with_the_rest.piece.serve_at is None


LOAF = {"name": "Meat loaf", "cut": "meat-loaf", "weight": 1.2}


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"command": "spot", "piece": "chuck", "celsius": 400}, "celsius 400: must be at most 120"),
        ({"command": "spot", "piece": "chuck", "celsius": float("nan")}, "ordinary number"),
        ({"command": "spot", "piece": "chuck"}, "celsius"),
        ({"command": "spot", "piece": "pork", "celsius": 60}, "no such piece"),
        ({"command": "mark", "kind": "log", "minutes_ago": 721}, "720"),
        ({"command": "mark", "kind": "log", "minutes_ago": -1}, "0"),
        ({"command": "mark", "kind": "off", "piece": "chuck", "minutes_ago": 30}, "the meat went on 20 min after that"),
        ({"command": "take-back", "what": "damper"}, "no such mark"),
        ({"command": "add-piece", "piece": LOAF | {"weight": 12.0}}, "sure"),
        ({"command": "add-piece", "piece": LOAF | {"weight": float("inf")}}, "ordinary number"),
        ({"command": "add-piece", "piece": LOAF | {"cut": "dragon"}}, "no such cut"),
        ({"command": "add-piece", "piece": LOAF | {"channel": "pit-left"}}, "no meat channel"),
        ({"command": "add-piece", "piece": LOAF | {"channel": "chuck"}}, "move it first"),
        ({"command": "add-piece", "piece": LOAF | {"id": "chuck"}}, "another name"),
        ({"command": "add-piece", "piece": "loaf"}, "table"),
        ({"command": "change-piece", "piece": "chuck", "target": 400.0}, "99"),
        ({"command": "change-piece", "piece": "chuck", "weight": 70.0}, "sure"),
        ({"command": "move-probe", "piece": "chuck", "channel": "outside"}, "no meat channel"),
        ({"command": "move-probe", "piece": "chuck"}, "channel"),
        ({"command": "keep-plan", "wind": 400}, "40"),
        ({"command": "add-reminder", "reminder": {"text": "Mop"}}, "from when it counts"),
        ({"command": "add-reminder", "reminder": {"text": "Mop", "after": "on", "piece": "pork"}}, "no such piece"),
        ({"command": "remove-reminder", "reminder": "grease-tray"}, "no such reminder"),
        ({"command": "count-wood", "splits": 2.5}, "whole number"),
        ({"command": "count-wood", "splits": True}, "whole number"),
        ({"command": "end-cook"}, "no such kind; choose one of"),
    ],
)
def test_an_order_is_refused_with_its_reason(body: dict[str, Any], words: str) -> None:
    with pytest.raises(CommandRejected, match=words):
        ordered(**body)


def test_sure_takes_what_can_hardly_be_meant() -> None:
    assert isinstance(ordered(command="add-piece", piece=LOAF | {"weight": 12.0}, sure=True), orders.AddPiece)


def test_a_watch_without_its_files_takes_no_pieces() -> None:
    with pytest.raises(CommandRejected, match="from the broker"):
        ordered(makers=None, command="add-piece", piece=LOAF)
    with pytest.raises(CommandRejected, match="from the broker"):
        ordered(makers=None, command="add-reminder", reminder={"text": "Mop", "after": "on"})


@pytest.mark.parametrize("rule", [rule.id for rule in ALARM_RULES if rule.safety])
@pytest.mark.parametrize(
    "state", [AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED]
)
def test_no_order_takes_away_the_piece_or_probe_of_a_safety_alarm(rule: str, state: AlarmState) -> None:
    alarm: AlarmView = view(f"{rule}/chuck", state, state is not AlarmState.RETURNED_UNACKNOWLEDGED)
    stands = replace(SNAPSHOT, alarms=(alarm,))
    for body in (
        {"command": "remove-piece", "piece": "chuck"},
        {"command": "move-probe", "piece": "chuck", "channel": None},
        {"command": "move-probe", "piece": "lamb", "channel": "chuck"},  # which would take it out of the chuck roll
        {"command": "change-piece", "piece": "chuck", "cut": "lamb-shoulder", "sure": True},
    ):
        with pytest.raises(CommandRejected, match="safety alarm"):
            ordered(stands, **body)
    with pytest.raises(CommandRejected, match="safety alarm"):
        set_to("piece-chuck/probe", "none", stands)
    assert ordered(stands, command="remove-piece", piece="lamb")


def test_a_name_that_two_pieces_have_names_neither() -> None:
    twins = replace(SNAPSHOT, pieces=tuple(replace(p, name="Shank") for p in SNAPSHOT.pieces))
    with pytest.raises(CommandRejected, match="no such piece"):
        ordered(twins, command="spot", piece="Shank", celsius=60)


def test_what_was_said_is_shown_beside_the_button_that_takes_it_back() -> None:
    values = homie.values(SNAPSHOT, homie.nodes(SNAPSHOT))
    assert (values["piece-chuck/said"], values["piece-lamb/said"], values["pit/said"]) == ("wrapped", "none", "log")
    assert (values["piece-chuck/spot-read"], values["piece-lamb/spot-read"]) == ("63.4", None)
    assert (values["piece-chuck/probe"], values["reminder-spritz/is-due"]) == ("chuck", "false")
    due = datetime.fromisoformat(values["reminder-spritz/due"] or "").timestamp()
    assert due == NIGHT + 2700.0 + WALL_OFFSET  # 45 min after it went on


def test_a_reminder_is_an_hour_and_a_button() -> None:
    hub = discovery.Hub("homeassistant", "pit", "The long pit", BASE, ROOT)
    names = {e.settings["name"] for d in discovery.devices(hub, homie.nodes(SNAPSHOT)) for e in d.entities}
    assert {"Spritz: due at", "Spritz: done"} <= names


def test_a_refusal_says_in_a_word_what_was_ordered() -> None:
    heavy = json.dumps({"sure": False, "command": "add-piece", "piece": LOAF}).encode()
    for topic, payload, words in (
        (f"{BASE}/watch/order/set", heavy, "add-piece"),
        (f"{ROOT}/orders/ann", heavy, "add-piece of ann"),
        (f"{ROOT}/command", b"\xff{", "order"),
        (f"{BASE}/pit/wood/set", b"-1", "pit/wood -1"),
    ):
        assert gate().words(Incoming(topic, payload, False)) == words
