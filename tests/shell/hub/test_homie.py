"""The device against the text of the Homie convention 5.0.0 (github.com/homieiot/convention, convention.md; sections
named beside each rule). The rules below were written from that text, not from our table."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.alarms.table import AlarmView
from daemon.core.events import AlarmState
from daemon.core.forecast.standing import Standing
from daemon.core.inputs import LinkCounts
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.plan.duties import HoldWait, PlanView
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import StepKind
from daemon.core.settings import HoldSettings
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import homie, properties
from daemon.shell.wording import rfc3339
from drivers.reading import Quality
from tests.shell.hub.hub_scenario import NIGHT, WALL_OFFSET, night

ID = re.compile(r"[a-z0-9-]+")
"""Topic IDs."""
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
"""Property Attributes."""
UNITS = {
    "°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m", "m³", "ft", "m/s", "kn", "Pa",
    "psi", "ppm", "s", "min", "h", "lx", "K", "MK⁻¹", "#",
}  # fmt: skip
"""Units: the well-known ones; others are allowed."""
OWN_UNITS = {"°C/h"}
FLOAT = re.compile(r"-?[0-9]+(\.[0-9]+)?([eE]-?[0-9]+)?")
INTEGER = re.compile(r"-?[0-9]+")
RANGE = re.compile(r"(-?[0-9.]+)?:(-?[0-9.]+)?(:[0-9.]+)?")


@pytest.fixture(scope="module")
def snapshot() -> Snapshot:
    return night()[2]


def complaints(description: dict[str, Any], root: str = "") -> list[str]:
    """Where a description breaks the convention. root: id of the root device, of one that is a child."""
    found = []
    for field, kind in (("homie", str), ("version", int), ("name", str)):
        if not isinstance(description.get(field), kind):
            found.append(f"{field} is required (Device Attributes)")
    if not re.fullmatch(r"5\.[0-9]+", str(description.get("homie"))):
        found.append("homie is 5.x without the patch level (Device Attributes)")
    if not root and {"root", "parent"} & description.keys():
        found.append("a root device has neither root nor parent (Device hierarchy)")
    if root and (description.get("root"), description.get("parent", root)) != (root, root):
        found.append("a child names its root, and its parent unless that is the root (Device hierarchy)")
    if not all(ID.fullmatch(child) for child in description.get("children", [])):
        found.append("children are ids (Topic IDs)")
    for node_id, node in description.get("nodes", {}).items():
        if not ID.fullmatch(node_id):
            found.append(f"{node_id}: not an id (Topic IDs)")
        for id_, prop in node.get("properties", {}).items():
            where = f"{node_id}/{id_}"
            if not ID.fullmatch(id_):
                found.append(f"{where}: not an id (Topic IDs)")
            datatype, form = prop.get("datatype"), prop.get("format")
            if datatype not in DATATYPES:
                found.append(f"{where}: datatype {datatype} (Property Attributes)")
            if datatype == "enum" and (not form or "" in form.split(",")):
                found.append(f"{where}: an enum needs a format without empty values (Formats)")
            if datatype in ("integer", "float") and form is not None and not RANGE.fullmatch(form):
                found.append(f"{where}: format {form} (Formats)")
            if prop.get("unit", "°C") not in UNITS | OWN_UNITS:
                found.append(f"{where}: unit {prop['unit']} (Units)")
            if any(value is None for value in prop.values()):
                found.append(f"{where}: null (Property Attributes: nothing is nullable)")
    return found


def valid(prop: dict[str, Any], text: str) -> bool:
    """Is this payload one of its datatype? (Payloads)"""
    match prop["datatype"]:
        case "float":
            return FLOAT.fullmatch(text) is not None
        case "integer":
            return INTEGER.fullmatch(text) is not None and -(2**63) <= int(text) < 2**63
        case "boolean":
            return text in ("true", "false")
        case "enum":
            return text in prop["format"].split(",")
        case "datetime":
            return datetime.fromisoformat(text).tzinfo is not None
        case "json":  # array or object
            return isinstance(json.loads(text), list | dict)
        case "string":
            return text != "" and "\x00" not in text
    return False


def described(snapshot: Snapshot) -> dict[str, Any]:
    parts = homie.nodes(snapshot)
    made = homie.description("The long pit", 7, parts, homie.values(snapshot, parts))
    document: dict[str, Any] = json.loads(json.dumps(made))
    return document


def test_description_follows_the_convention(snapshot: Snapshot) -> None:
    assert complaints(described(snapshot)) == []


def test_the_rules_can_fail(snapshot: Snapshot) -> None:
    document = described(snapshot)
    document["homie"] = "5.0.0"
    document["nodes"]["Pit One"] = {"properties": {"x_y": {"datatype": "number", "unit": "degC"}}}
    del document["version"]
    assert len(complaints(document)) == 6


@pytest.mark.parametrize("blind", [False, True])
def test_a_ready_device_has_told_a_valid_value_of_every_retained_property(snapshot: Snapshot, blind: bool) -> None:
    """Device Lifecycle: whoever is `ready` has sent its description and the values. Payloads: no datatype has a word for
    "not known" (convention issue 284 asks for one), so what is not known is not described."""
    if blind:
        pit = replace(snapshot.pit, celsius=None, rate=None)
        channels = tuple(replace(c, celsius=None, rate=None) for c in snapshot.channels)
        snapshot = replace(snapshot, pit=pit, channels=channels)
    document, values = described(snapshot), homie.values(snapshot, homie.nodes(snapshot))
    retained = {
        f"{node}/{id_}"
        for node, body in document["nodes"].items()
        for id_, prop in body["properties"].items()
        if prop.get("retained", True)
    }
    assert {topic for topic, text in values.items() if text is not None} == retained
    assert ("pit/temperature" in retained) != blind
    for topic in retained:
        node, id_ = topic.split("/")
        assert valid(document["nodes"][node]["properties"][id_], values[topic] or ""), topic


def test_what_is_known_is_there(snapshot: Snapshot) -> None:
    values = homie.values(snapshot, homie.nodes(snapshot))
    assert snapshot.pit.celsius is not None and values["pit/temperature"] == f"{snapshot.pit.celsius:.1f}"
    assert values["channel-pit-left/live"] == "true"
    assert values["watch/cook"] == "Village-hall lunch"


def test_where_the_cook_stands_and_what_the_watch_asks_reach_the_hub(snapshot: Snapshot) -> None:
    unknown = homie.values(snapshot, homie.nodes(snapshot))
    assert (unknown["watch/serve-chance"], unknown["watch/ahead"]) == (None, None)
    assert unknown["pit/question"] == properties.NOTHING
    behind = replace(
        snapshot,
        serve_chance=0.284,
        standing=Standing(0.284, -1800.0, ()),
        pit=replace(snapshot.pit, question="Is the fire out?"),
    )
    values = homie.values(behind, homie.nodes(behind))
    assert (values["watch/serve-chance"], values["watch/ahead"]) == ("28", "-1800")
    assert values["pit/question"] == "Is the fire out?"


def test_a_full_hour_that_is_a_sum_of_floats_is_told_as_that_hour(snapshot: Snapshot) -> None:
    for lacks in (0.0, 1e-6, 0.0004, 0.3):
        served = replace(snapshot, serve_at=1795993200.0 - WALL_OFFSET - lacks)
        assert homie.values(served, homie.nodes(served))["watch/serve-at"] == "2026-11-29T23:00:00.000Z"
    assert rfc3339(1795993200.0 - 1e-6) == "2026-11-29T23:00:00.000Z"


def test_a_plan_says_where_what_is_ready_waits_how_long_and_how_many_it_feeds(snapshot: Snapshot) -> None:
    off = PlanStep(StepKind.OFF, "chuck", 1000.0, Interval(1000.0, 2000.0, 4000.0), done=False)
    plan = PlanView(
        9200.0, 0.0, True, 0.0, (off,), 0.9, 3600.0, 16, 11.2, HoldSettings(channel="cabinet"), guests=60, feeds=38,
        waits=(HoldWait("chuck", 3600.0),),
    )  # fmt: skip
    told = replace(snapshot, plan=plan)
    values = homie.values(told, homie.nodes(told))
    assert values["piece-chuck/plan-waits"] == "3600" and values["watch/plan-feeds"] == "38"
    assert values["watch/plan-hold"] == "Warmer: Food Code 3-501.16"
    boxed = replace(told, plan=replace(plan, hold=HoldSettings(), feeds=None))
    values = homie.values(boxed, homie.nodes(boxed))
    assert (
        values["watch/plan-hold"] == "Insulated box or warmer: Food Code 3-501.16"
        and values["watch/plan-feeds"] is None
    )


def test_a_channel_that_is_not_believed_has_no_value(snapshot: Snapshot) -> None:
    doubted = tuple(
        replace(c, quality=Quality.SUSPECT) if c.id == "pit-left" else replace(c, celsius=math.nan)
        for c in snapshot.channels
    )
    values = homie.values(snapshot, homie.nodes(replace(snapshot, channels=doubted)))
    assert values["channel-pit-left/temperature"] is None and values["channel-pit-left/live"] == "false"
    assert values["channel-cabinet/temperature"] is None and values["channel-cabinet/live"] == "false"
    assert all("nan" not in (text or "") for topic, text in values.items() if topic.endswith("temperature"))


def test_instants_are_utc_with_their_spread(snapshot: Snapshot) -> None:
    at = 1_796_010_000.0
    tender = Outlook(Goal.TENDER, "planned", Interval(at, at + 60, at + 120))
    other = Outlook(Goal.TENDER, "never-wrapped", Interval(at + 7e4, at + 7e4, at + 7e4))
    chuck = replace(snapshot.pieces[0], outlooks=(other, tender))
    values = homie.values(snapshot, homie.nodes(replace(snapshot, pieces=(chuck,))))
    ends = json.loads(values["piece-chuck/tender-range"] or "")
    times = [ends["earliest"], values["piece-chuck/tender"] or "", ends["latest"]]
    assert [datetime.fromisoformat(t).timestamp() - at - WALL_OFFSET for t in times] == [0, 60, 120]
    assert values["piece-chuck/wrap"] is None and values["piece-chuck/wrap-range"] == "{}"


def test_a_cook_runs_while_there_is_fire_or_meat_that_wants_it(snapshot: Snapshot) -> None:
    idle = replace(snapshot, pit=replace(snapshot.pit, stage="unlit"), pieces=())
    assert not homie.cook_runs(idle)
    assert homie.cook_runs(replace(idle, pit=replace(snapshot.pit, stage="in_band")))
    for stage, runs in (("waiting", False), ("cooking", True), ("hold", True), ("done", False)):
        assert homie.cook_runs(replace(idle, pieces=(replace(snapshot.pieces[0], stage=stage),))) == runs


def test_the_time_below_the_floor_is_told_only_off_the_fire(snapshot: Snapshot) -> None:
    piece = replace(snapshot.pieces[0], safety=replace(snapshot.pieces[0].safety, hold_left_seconds=3600.0))
    for stage, told in (("wrapped", None), ("cooking", None), ("rest", "3600"), ("hold", "3600")):
        values = homie.values(snapshot, homie.nodes(replace(snapshot, pieces=(replace(piece, stage=stage),))))
        assert values["piece-chuck/hold-left"] == told, stage


def test_an_alarm_that_waits_for_its_answer_is_the_worst_there_is(snapshot: Snapshot) -> None:
    told = replace(snapshot, alarms=(view("pit-high/pit", AlarmState.RETURNED_UNACKNOWLEDGED, False),))
    values = homie.values(told, homie.nodes(told))
    assert (values["watch/unacknowledged"], values["watch/worst"]) == ("1", "Do pit-high/pit")


def test_lost_lines_reach_the_hub() -> None:
    _, engine, _ = night()
    for lost in (0, 3, 5):
        engine.handle(LinkCounts("board", lost=lost, refused=9), NIGHT + 3600.0)
        engine.handle(LinkCounts("hold", lost=2), NIGHT + 3600.0)
        snapshot = engine.snapshot(NIGHT + 3600.0)
        assert homie.values(snapshot, homie.nodes(snapshot))["watch/lines-lost"] == str(lost + 2)


@given(st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True)))
def test_any_number_is_a_homie_float_or_nothing(value: float | None) -> None:
    """Float: no NaN, no Infinity, no empty text."""
    text = properties.number(value)
    assert text is None or FLOAT.fullmatch(text)
    assert text != "-0.0"
    if value is not None and math.isfinite(value) and abs(value) < 1e6:
        assert text is not None and abs(float(text) - value) <= 0.0500001


@given(st.text(max_size=400))
def test_any_text_is_valid_and_short_enough_for_a_hub(words: str) -> None:
    """Empty string values: "" would delete the topic. Hubs drop states over 255 characters."""
    assert 0 < len(properties.text(words)) <= 255


@given(st.text(max_size=60))
def test_any_alarm_key_makes_an_id(words: str) -> None:
    assert ID.fullmatch(properties.identifier(words))


def view(key: str, state: AlarmState, active: bool) -> AlarmView:
    rule, _, subject = key.partition("/")
    return AlarmView(key, rule, subject, state, active, 1, 0.0, 0.0, "medium", False, f"Do {key}", "because")


def test_alerts_and_problems(snapshot: Snapshot) -> None:
    """Alert topic: retained text under a valid id while the matter stands."""
    alarms = (
        view("runaway/pit", AlarmState.UNACKNOWLEDGED, True),
        view("meat-probe-lost/chuck", AlarmState.SHELVED, True),
        view("pit-falling/pit", AlarmState.SUPPRESSED, True),
        view("pit-high/pit", AlarmState.RETURNED_UNACKNOWLEDGED, False),
        view("fire-out/pit", AlarmState.LATCHED_ACKNOWLEDGED, False),
    )
    told = replace(snapshot, alarms=alarms)
    alerts = homie.alerts(told)
    assert set(alerts) == {"runaway--pit", "meat-probe-lost--chuck", "pit-high--pit", "fire-out--pit"}
    assert all(ID.fullmatch(key) for key in alerts)
    values = homie.values(told, homie.nodes(told))
    problems = {t.removeprefix("alarms/") for t, v in values.items() if t.startswith("alarms/") and v == "true"}
    assert problems == {"runaway", "meat-probe-lost", "fire-out"}
    assert values["watch/unacknowledged"] == "2" and values["watch/worst"] == "Do runaway/pit"
