"""Discovery documents against the rules of the common open home-automation hub.

Source: its MQTT discovery as found by giving payloads to the hub's own package (cores 2024.3, 2024.12 and 2025.4), and its
public documentation of MQTT discovery, sensors, binary sensors, buttons, numbers, switches and events. tests/hub tries
the same on a whole hub.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from typing import Any

import pytest

from daemon.core.snapshot import Snapshot
from daemon.shell.hub import discovery, duties, homie
from daemon.shell.hub.discovery import Device, Entity, Hub
from tests.shell.hub.hub_scenario import night

HUB = Hub("homeassistant", "pit", "The long pit", "homie/5/pit", "pitvigil/pit", announcing=("bedroom",))
REQUIRED = {
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
    "button": {"command_topic"},
    "switch": {"command_topic"},
    "number": {"command_topic", "min", "max", "step"},
    "select": {"command_topic", "options"},
    "notify": {"command_topic"},
    "event": {"state_topic", "event_types"},
}
"""Per platform, besides unique_id."""
SENSOR_CLASSES = {"temperature", "timestamp", "enum", "duration"}
PROBLEM_CLASSES = {"problem", "opening", "connectivity", "sound", "running", "battery", "safety"}


@pytest.fixture(scope="module")
def snapshot() -> Snapshot:
    return night()[2]


@pytest.fixture(scope="module")
def found(snapshot: Snapshot) -> tuple[Device, ...]:
    return discovery.devices(HUB, homie.nodes(snapshot))


@pytest.fixture(scope="module")
def shown(found: tuple[Device, ...]) -> tuple[Entity, ...]:
    return tuple(entity for device in found for entity in device.entities)


def test_every_entity_has_what_its_platform_requires(shown: tuple[Entity, ...]) -> None:
    for entity in shown:
        assert REQUIRED[entity.platform] <= entity.settings.keys(), entity.key
        assert entity.settings["unique_id"]
        assert not {"object_id", "default_entity_id", "enabled_by_default"} & entity.settings.keys()
    assert max(Counter(e.settings["unique_id"] for e in shown).values()) == 1
    assert max(Counter(e.key for e in shown).values()) == 1


def test_sensors(shown: tuple[Entity, ...]) -> None:
    for entity in shown:
        settings = entity.settings
        if entity.platform == "binary_sensor":
            assert settings["device_class"] in PROBLEM_CLASSES, entity.key
        if entity.platform != "sensor":
            continue
        assert settings.get("device_class", "enum") in SENSOR_CLASSES
        assert ("options" in settings) == (settings.get("device_class") == "enum"), entity.key
        if settings.get("device_class") == "temperature":
            assert settings["unit_of_measurement"] == "°C" and settings["state_class"] == "measurement"
        if settings.get("device_class") in ("timestamp", "enum"):
            assert not {"state_class", "unit_of_measurement"} & settings.keys()
        assert isinstance(settings.get("suggested_display_precision", 0), int)
        if entity.key != "state":  # an empty text would be ignored
            assert settings["value_template"].endswith(" if value else 'None' }}")
        assert settings.get("unit_of_measurement") != "s"


def test_every_measured_value_runs_out(shown: tuple[Entity, ...]) -> None:
    """Three to five publish periods of 60 s."""
    for entity in shown:
        if entity.platform in ("sensor", "binary_sensor"):
            assert type(entity.settings["expire_after"]) is int
            assert 180 <= entity.settings["expire_after"] <= 300


def test_all_is_available_from_the_watch_s_own_word_on(shown: tuple[Entity, ...]) -> None:
    """By the newest word on either topic: the watch's life, or the hub's birth, which ends what was heard before."""
    for entity in shown:
        assert entity.settings["availability_mode"] == "latest"
        assert [a["topic"] for a in entity.settings["availability"]] == ["homie/5/pit/$state", "homeassistant/status"]


def test_the_topics_are_the_homie_ones(shown: tuple[Entity, ...], snapshot: Snapshot) -> None:
    parts = homie.nodes(snapshot)
    values = {f"homie/5/pit/{topic}" for topic in homie.values(snapshot, parts)} | {"homie/5/pit/$state"}
    settable = {f"homie/5/pit/{n.id}/{p.id}/set" for n in parts for p in n.properties if p.settable}
    for entity in shown:
        settings = entity.settings
        if entity.platform == "event":
            assert settings["state_topic"].startswith(("pitvigil/pit/event/", "pitvigil/pit/announce/"))
        elif "state_topic" in settings:
            assert settings["state_topic"] in values
        assert settings.get("json_attributes_topic", "homie/5/pit/$state") in values
        if "command_topic" in settings:
            assert settings["command_topic"] in settable
            assert not settings.get("retain", False)
    ordered = {e.settings["command_topic"] for e in shown if "command_topic" in e.settings}
    assert ordered == settable


def test_what_a_hub_is_to_show_is_there(shown: tuple[Entity, ...]) -> None:
    keys = {entity.key for entity in shown}
    assert {
        "pit_temperature", "pit_rate", "pit_stage", "pit_spread", "pit_log-due", "watch_nap-until", "piece-lamb_tender",
        "piece-lamb_stage", "channel-pit-left_temperature", "alarms_runaway", "event_alarm", "pit_band-low", "state",
        "watch_acknowledge_all", "watch_pause_900", "pit_mark_log", "pit_mark_lid-open", "piece-chuck_mark_wrapped",
        "piece-chuck_mark_serve", "watch_refused", "event_refused", "announce_bedroom", "watch_cook-runs",
    } <= keys  # fmt: skip


def test_a_probe_is_chosen_by_its_name(snapshot: Snapshot) -> None:
    """The hub's select takes an option of its list, and "none" in any letters for unknown."""
    names = {"chuck": "none", "lamb": 'Lamb "left" {{ x }}'}
    channels = tuple(replace(c, name=names.get(c.id, c.name)) for c in snapshot.channels)
    shown = discovery.devices(HUB, homie.nodes(replace(snapshot, channels=channels)))
    choice = next(e.settings for device in shown for e in device.entities if e.key == "piece-chuck_probe")
    assert choice["options"] == ["No probe", "none (chuck)", 'Lamb "left" {{ x }}']
    shown_as, asked_as = (  # a literal of the template language is one of JSON here; tests/hub renders it
        json.loads(choice[name].partition("{{ ")[2].rpartition(end)[0])
        for name, end in (("value_template", ".get(value, 'None') }}"), ("command_template", "[value] }}"))
    )
    assert shown_as == dict(zip(("none", "chuck", "lamb"), choice["options"], strict=True))
    assert asked_as == {label: word for word, label in shown_as.items()}


def test_a_number_is_unknown_until_something_was_read(found: tuple[Device, ...]) -> None:
    spot = next(e.settings for device in found for e in device.entities if e.key == "piece-chuck_spot")
    assert spot["state_topic"] == "homie/5/pit/piece-chuck/spot-read"
    assert spot["command_topic"] == "homie/5/pit/piece-chuck/spot/set"
    assert spot["value_template"] == discovery.KNOWN and (spot["min"], spot["max"]) == (-20.0, 120.0)


def test_every_mark_has_its_button(shown: tuple[Entity, ...]) -> None:
    pressed = {e.settings["payload_press"] for e in shown if e.key.startswith(("piece-chuck_mark", "pit_mark"))}
    assert pressed == {*duties.PIT_MARKS, *duties.PIECE_MARKS}


def test_a_device_for_the_watch_and_one_for_each_piece(found: tuple[Device, ...], snapshot: Snapshot) -> None:
    assert [device.name for device in found] == ["The long pit", *(p.name for p in snapshot.pieces)]
    cards = [discovery.device_document(HUB, device)["device"] for device in found]
    assert "via_device" not in cards[0] and {c["via_device"] for c in cards[1:]} == set(cards[0]["identifiers"])
    assert len({c["identifiers"][0] for c in cards}) == len(cards)
    assert cards[0]["manufacturer"] == "pitvigil" and cards[0]["sw_version"]


def test_one_temperature_a_piece_and_it_bears_the_piece_s_name(found: tuple[Device, ...]) -> None:
    temperatures = {
        entity.key: entity.settings["name"]
        for device in found
        for entity in device.entities
        if entity.settings.get("device_class") == "temperature" and entity.platform == "sensor"
    }
    assert temperatures["piece-chuck_temperature"] is None and temperatures["pit_temperature"] is None
    assert "channel-chuck_temperature" not in temperatures and "channel-outside_temperature" in temperatures


def test_a_meat_probe_that_is_in_no_piece_shows_by_itself(snapshot: Snapshot) -> None:
    idle = discovery.devices(HUB, homie.nodes(replace(snapshot, pieces=())))
    assert len(idle) == 1
    assert "channel-chuck_temperature" in {entity.key for entity in idle[0].entities}


def test_what_is_not_planned_is_not_shown(found: tuple[Device, ...], snapshot: Snapshot) -> None:
    for device, piece in zip(found[1:], snapshot.pieces, strict=True):
        keys = {entity.key.removeprefix(f"{device.id}_") for entity in device.entities}
        planned = {"wrap": piece.wrap_at, "tender": piece.tender_low, "target": piece.target}
        assert {goal for goal in planned if goal in keys} == {goal for goal, at in planned.items() if at is not None}


def test_names_say_one_thing_and_no_two_the_same(found: tuple[Device, ...]) -> None:
    for device in found:
        names = [entity.settings["name"] for entity in device.entities]
        assert max(Counter((e.platform, e.settings["name"]) for e in device.entities).values()) == 1
        assert all(device.name not in name for name in names if name)
        assert all(name == name.strip() and name[0].isupper() for name in names if name)


def test_what_speaks_of_the_watch_itself_is_filed_apart(shown: tuple[Entity, ...]) -> None:
    filed = {e.key: e.settings.get("entity_category") for e in shown}
    for key in ("alarms_watch-disk", "alarms_watch-broker", "alarms_watch-clock", "alarms_calibration-old",
                "alarms_device-lost", "alarms_battery-low", "alarms_watch-channel-down", "watch_test-wake_go",
                "watch_test-wake-state"):  # fmt: skip
        assert filed[key] == "diagnostic", key
    assert filed["pit_band-low"] == filed["pit_band-high"] == "config"
    assert filed["pit_temperature"] is None and filed["alarms_runaway"] is None
    assert {e.key: e.settings.get("device_class") for e in shown}["alarms_battery-low"] == "battery"


def test_the_page_is_linked_where_others_can_reach_it(found: tuple[Device, ...]) -> None:
    reachable = replace(HUB, page="http://pit.local:8734")
    assert discovery.device_document(reachable, found[0])["device"]["configuration_url"] == "http://pit.local:8734"
    assert "configuration_url" not in discovery.device_document(HUB, found[0])["device"]


def test_a_difference_is_never_converted_like_a_temperature(shown: tuple[Entity, ...]) -> None:
    by_key = {entity.key: entity.settings for entity in shown}
    for key in ("pit_spread", "pit_rate", "piece-chuck_rate"):
        assert "device_class" not in by_key[key]


def test_people_who_read_fahrenheit_read_differences_in_it(snapshot: Snapshot) -> None:
    shown = discovery.devices(replace(HUB, fahrenheit=True), homie.nodes(snapshot))
    units = {e.key: e.settings.get("unit_of_measurement") for device in shown for e in device.entities}
    assert (units["pit_rate"], units["pit_spread"], units["piece-chuck_rate"]) == ("°F/h", "°F", "°F/h")
    assert units["pit_temperature"] == "°C"  # the hub converts what it knows as a temperature
    assert units["pit_band-low"] == "°F"
    low = next(e.settings for device in shown for e in device.entities if e.key == "pit_band-low")
    assert (low["min"], low["max"]) == (104.0, 266.0)  # 40 °C, 130 °C: °F = 1.8 °C + 32 by definition


def test_the_document_of_each_device(found: tuple[Device, ...]) -> None:
    for device in found:
        document: dict[str, Any] = json.loads(json.dumps(discovery.device_document(HUB, device)))
        assert document["origin"]["name"] and document["device"]["identifiers"]
        assert len(document["components"]) == len(device.entities)
        for component in document["components"].values():
            assert component["platform"] and component["unique_id"]
        topic = discovery.device_topic(HUB, device.id)
        assert topic.startswith("homeassistant/device/pitvigil_pit/") and topic.endswith("config")
    assert len({discovery.device_topic(HUB, device.id) for device in found}) == len(found)


def test_what_is_no_more_is_named_with_nothing_but_its_platform(found: tuple[Device, ...]) -> None:
    watch = found[0]
    gone = next(e for e in watch.entities if e.key == "channel-outside_temperature")
    left = replace(watch, entities=tuple(e for e in watch.entities if e is not gone))
    removed = frozenset(watch.marks() - left.marks()) | found[1].marks()
    components = discovery.device_document(HUB, left, removed)["components"]
    assert components[gone.key] == {"platform": "sensor"}
    assert len(components) == len(watch.entities)


def test_one_document_an_entity_for_older_hubs(found: tuple[Device, ...], shown: tuple[Entity, ...]) -> None:
    documents = {t: d for device in found for t, d in discovery.entity_documents(HUB, device).items()}
    assert len(documents) == len(shown)
    for topic, document in documents.items():
        prefix, platform, node, key, config = topic.split("/")
        assert (prefix, node, config) == ("homeassistant", "pitvigil_pit", "config")
        assert platform in REQUIRED and "platform" not in document
        assert all(c.isalnum() or c in "-_" for c in key)  # what the hub takes as an object id
        assert document["device"] and document["origin"]["name"]
