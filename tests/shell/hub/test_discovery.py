"""Discovery documents against the rules of the common open home-automation hub.

Source: its MQTT discovery as found by giving payloads to the hub's own package (cores 2024.3 and 2025.4), and its public
documentation of MQTT discovery, sensors, binary sensors, buttons, numbers, switches and events.
"""

from __future__ import annotations

import json
from collections import Counter
from typing import Any

import pytest

from daemon.core.snapshot import Snapshot
from daemon.shell.hub import discovery, homie
from daemon.shell.hub.discovery import Entity, Hub
from tests.shell.hub.hub_scenario import night

HUB = Hub("homeassistant", "pit", "The long pit", "homie/5/pit", "pitvigil/pit/event")
REQUIRED = {
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
    "button": {"command_topic"},
    "switch": {"command_topic"},
    "number": {"command_topic", "min", "max", "step"},
    "event": {"state_topic", "event_types"},
}
"""Per platform, besides unique_id."""
SENSOR_CLASSES = {"temperature", "timestamp", "enum", "duration"}
PROBLEM_CLASSES = {"problem", "opening", "connectivity", "sound"}


@pytest.fixture(scope="module")
def snapshot() -> Snapshot:
    return night()[2]


@pytest.fixture(scope="module")
def shown(snapshot: Snapshot) -> tuple[Entity, ...]:
    return discovery.entities(HUB, homie.nodes(snapshot))


def test_every_entity_has_what_its_platform_requires(shown: tuple[Entity, ...]) -> None:
    for entity in shown:
        assert REQUIRED[entity.platform] <= entity.settings.keys(), entity.key
        assert entity.settings["unique_id"] and entity.settings["name"]
        assert not {"object_id", "default_entity_id"} & entity.settings.keys()
    assert max(Counter(e.settings["unique_id"] for e in shown).values()) == 1
    assert max(Counter(e.key for e in shown).values()) == 1


def test_sensors(shown: tuple[Entity, ...]) -> None:
    for entity in shown:
        settings = entity.settings
        if entity.platform != "sensor":
            continue
        assert settings.get("device_class", "enum") in SENSOR_CLASSES
        assert ("options" in settings) == (settings.get("device_class") == "enum"), entity.key
        if settings.get("device_class") == "temperature":
            assert settings["unit_of_measurement"] == "°C" and settings["state_class"] == "measurement"
        if settings.get("device_class") in ("timestamp", "enum"):
            assert not {"state_class", "unit_of_measurement"} & settings.keys()
        assert isinstance(settings.get("suggested_display_precision", 0), int)
        assert settings["value_template"] == "{{ value if value else 'None' }}"  # an empty text would be ignored


def test_every_measured_value_runs_out(shown: tuple[Entity, ...]) -> None:
    """Three to five publish periods of 60 s."""
    for entity in shown:
        if entity.platform in ("sensor", "binary_sensor"):
            assert type(entity.settings["expire_after"]) is int
            assert 180 <= entity.settings["expire_after"] <= 300


def test_available_only_while_all_say_so(shown: tuple[Entity, ...], snapshot: Snapshot) -> None:
    live = {f"homie/5/pit/channel-{c.id}/live" for c in snapshot.channels}
    for entity in shown:
        assert entity.settings["availability_mode"] == "all"
        topics = [a["topic"] for a in entity.settings["availability"]]
        assert topics[0] == "homie/5/pit/$state"
        assert set(topics[1:]) <= live
        if "temperature" in entity.key and entity.key.startswith(("channel-", "piece-")):
            assert len(topics) == 2, entity.key
    by_key = {entity.key: entity for entity in shown}
    assert by_key["piece-chuck_temperature"].settings["availability"][1]["topic"] == "homie/5/pit/channel-chuck/live"


def test_the_topics_are_the_homie_ones(shown: tuple[Entity, ...], snapshot: Snapshot) -> None:
    parts = homie.nodes(snapshot)
    values = {f"homie/5/pit/{topic}" for topic in homie.values(snapshot, parts)}
    settable = {f"homie/5/pit/{n.id}/{p.id}/set" for n in parts for p in n.properties if p.settable}
    for entity in shown:
        if entity.platform == "event":
            assert entity.settings["state_topic"].startswith("pitvigil/pit/event/")
        elif "state_topic" in entity.settings:
            assert entity.settings["state_topic"] in values
        if "command_topic" in entity.settings:
            assert entity.settings["command_topic"] in settable
            assert not entity.settings.get("retain", False)
    ordered = {e.settings["command_topic"] for e in shown if "command_topic" in e.settings}
    assert ordered == settable


def test_what_a_hub_is_to_show_is_there(shown: tuple[Entity, ...]) -> None:
    keys = {entity.key for entity in shown}
    assert {
        "pit_temperature", "pit_rate", "pit_stage", "pit_spread", "pit_log-due", "watch_nap-until", "piece-lamb_tender",
        "piece-lamb_stage", "channel-pit-left_temperature", "alarms_runaway", "event_alarm", "pit_band-low",
        "watch_acknowledge_all", "watch_pause_900", "pit_mark_log", "pit_mark_lid-open", "piece-chuck_mark_wrapped",
    } <= keys  # fmt: skip


def test_a_difference_is_never_converted_like_a_temperature(shown: tuple[Entity, ...]) -> None:
    by_key = {entity.key: entity.settings for entity in shown}
    for key in ("pit_spread", "pit_rate", "piece-chuck_rate"):
        assert "device_class" not in by_key[key]


def test_the_document_of_the_whole_device(shown: tuple[Entity, ...]) -> None:
    document: dict[str, Any] = json.loads(json.dumps(discovery.device_document(HUB, shown)))
    assert document["origin"]["name"] and document["device"]["identifiers"]
    assert len(document["components"]) == len(shown)
    for component in document["components"].values():
        assert component["platform"] and component["unique_id"]


def test_what_is_no_more_is_named_with_nothing_but_its_platform(shown: tuple[Entity, ...]) -> None:
    gone = next(e for e in shown if e.key == "piece-lamb_stage")
    left = tuple(e for e in shown if e is not gone)
    components = discovery.device_document(HUB, left, frozenset({gone.mark}))["components"]
    assert components[gone.key] == {"platform": "sensor"}
    assert len(components) == len(shown)


def test_one_document_an_entity_for_older_hubs(shown: tuple[Entity, ...]) -> None:
    documents = discovery.entity_documents(HUB, shown)
    assert len(documents) == len(shown)
    for topic, document in documents.items():
        prefix, platform, node, key, config = topic.split("/")
        assert (prefix, node, config) == ("homeassistant", "pitvigil_pit", "config")
        assert platform in REQUIRED and "platform" not in document
        assert all(c.isalnum() or c in "-_" for c in key)  # what the hub takes as an object id
        assert document["device"] and document["origin"]["name"]
