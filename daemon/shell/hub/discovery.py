"""What a home-automation hub must be told to show the Homie topics by itself (MQTT discovery of the common open hub).

One device for the watch with its pit, one for each piece of the cook; with several pits also one for each of them and one for
the cabinet. Either one document a device, or one an entity for hubs from before 2024.11. All point at the Homie topics. Three
things keep the hub honest:

- whatever the watch does not know has an empty value, which the hub shows as "unknown";
- whatever has not been said for four minutes runs out and is "unavailable";
- every time the hub comes (back) to the broker it says so, and from there on all is "unavailable" until the watch itself
  has spoken again. So what a broker kept through a power cut is never taken for a watch that lives.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from config.units import to_fahrenheit
from daemon.core.events import AlarmState, FireSign, Level
from daemon.core.orders import MarkKind
from daemon.core.settings import Role
from daemon.core.snapshot import ChannelView, PieceView
from daemon.shell.hub.duties import NO_PROBE
from daemon.shell.hub.homie import Lifecycle
from daemon.shell.hub.properties import Datatype, Node, Property
from daemon.shell.hub.shown import STATES, Shown, shown
from daemon.texts.composer import PLAIN, Composer

HEARTBEAT = 60
"""s between publications of everything, changed or not."""
EXPIRE_AFTER = 4 * HEARTBEAT
"""s: three lost heartbeats are forgiven."""
KNOWN = "{{ value if value else 'None' }}"
"""A cleared topic reaches the hub as an empty text, which it would ignore; `None` is its word for unknown."""
KNOWN_F = "{{ (value | float * 1.8) | round(1) if value else 'None' }}"
"""A difference or a rate, which the hub does not convert by itself, for people who read °F."""
KNOWN_MINUTES = "{{ (value | float / 60) | round(0) | int if value else 'None' }}"
"""Nobody reads seconds of an hour."""
UNITS_F = {"°C/h": "°F/h", "K": "°F"}
ALIVE = (
    f"{{{{ 'online' if value in ('{Lifecycle.INIT}', '{Lifecycle.READY}') "
    f"else 'offline' if value in ('{Lifecycle.DISCONNECTED}', '{Lifecycle.LOST}') else '' }}}}"
)
"""The hub knows two words of availability, Homie five. `init` is the watch describing itself anew: it lives."""
HUB_IS_UP, HUB_IS_DOWN = "online", "offline"
BORN = f"{{{{ 'offline' if value == '{HUB_IS_UP}' else '' }}}}"
"""The hub's own first word: what it heard before is hearsay, until the watch answers it."""
CONNECTED = "{{ 'online' if value else '' }}"
STATE = (
    "{{ " + " ".join(f"'{words}' if value == '{word}' else" for word, words in STATES.items()) + " 'None' }}"
)  # fmt: skip
PITVIGIL = "pitvigil"

_EVENTS: dict[str, tuple[tuple[str, ...], str]] = {
    "alarm": (tuple(AlarmState), "mdi:bell"),
    "fire": (tuple(FireSign), "mdi:fire"),
    "mark": (tuple(MarkKind), "mdi:gesture-tap"),
    "refused": (("refused",), "mdi:cancel"),
}


@dataclass(frozen=True, slots=True)
class Hub:
    """Where things are. pit: id of the first pit. base: Homie topic of the watch. root: beginning of its other topics. birth:
    where the hub says that it is up. announcing: names of the deliveries that speak on the broker. page: link to the page, or
    "". fahrenheit: people read °F. composer: makes the names."""

    prefix: str
    pit: str
    name: str
    base: str
    root: str
    birth: str = "homeassistant/status"
    announcing: tuple[str, ...] = ()
    page: str = ""
    fahrenheit: bool = False
    composer: Composer = PLAIN

    def topic(self, node: Node[Any]) -> str:
        """Where a node is: below the watch, or below another device of the same convention."""
        base = f"{self.base.rpartition('/')[0]}/{node.device}" if node.device else self.base
        return f"{base}/{node.id}"


@dataclass(frozen=True, slots=True)
class Entity:
    """One thing in the hub: its platform ("sensor"), a key that never changes, and its settings."""

    platform: str
    key: str
    settings: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Device:
    """What the hub keeps together. id: "" for the watch itself, else its own below the watch's. via: id of the device it
    hangs on."""

    id: str
    name: str
    model: str
    entities: tuple[Entity, ...]
    via: str = ""

    def marks(self) -> set[str]:
        """How its entities are remembered. `#` can be in no topic that is published to."""
        return {f"#{self.id}/{e.platform}/{e.key}" for e in self.entities}


def devices(hub: Hub, parts: tuple[Node[Any], ...]) -> tuple[Device, ...]:
    """The watch first, then those of several pits and of the cabinet, then a device for each piece. A meat channel in a piece
    shows its temperature there only."""
    words = hub.composer.words
    taken = {f"channel-{node.view.channel}" for node in parts if node.type == "piece"}
    labels = {"probe": _labels(parts, "channel", {NO_PROBE: words("hub.no-probe")}), "pit": _labels(parts, "pit", {})}
    common: list[Entity] = [_state(hub)]
    places = {
        node.device: Device(node.device, words("hub.cabinet-name"), words("hub.cabinet-model"), ())
        for node in parts
        if node.device
    }
    pit = words("hub.pit-model")
    places |= {n.device: Device(f"pit-{n.device}", n.name, pit, ()) for n in parts if n.device and n.type == "pit"}
    pieces = []
    for node in parts:
        found = [
            entity
            for prop in node.properties
            if not (node.id in taken and prop.id == "temperature")
            if (look := shown(node, prop.id, hub.composer)) is not None
            for entity in _of(hub, node, prop, look, labels)
        ]
        if isinstance(node.view, PieceView):
            via = places[node.device].id if node.device else ""
            model = node.view.cut.replace("-", " ").capitalize()
            pieces.append(Device(node.id, node.name, model, tuple(found), via))
        elif node.device and not _moves(node):
            place = places[node.device]
            places[node.device] = replace(place, entities=(*place.entities, *found))
        else:
            common += found
    common += [
        _event(hub, f"event_{word}", words(f"hub.event.{word}"), f"{hub.root}/event/{word}", types, icon)
        for word, (types, icon) in _EVENTS.items()
    ]
    for number, name in enumerate(hub.announcing):
        called = words("hub.announcement-of", name=name) if number else words("hub.announcement")
        topic = f"{hub.root}/announce/{name}"
        common.append(_event(hub, f"announce_{name}", called, topic, tuple(Level), "mdi:bullhorn"))
    return (Device("", hub.name, words("hub.watch-model"), tuple(common)), *places.values(), *pieces)


def _moves(node: Node[Any]) -> bool:
    """A meat probe goes along with its piece. It stays on the watch's device: no entity can change its own."""
    return isinstance(node.view, ChannelView) and node.view.role is Role.MEAT


def _labels(parts: tuple[Node[Any], ...], kind: str, labels: dict[str, str]) -> dict[str, str]:
    """What a family reads for the words of a choice: probes and pits by their names. `None` is the hub's word for unknown."""
    for node in parts:
        if node.type == kind:
            unfit = node.name in labels.values() or node.name.lower() == "none"
            labels[node.view.id] = f"{node.name} ({node.view.id})" if unfit else node.name
    return labels


def _of(hub: Hub, node: Node[Any], prop: Property[Any], look: Shown, labels: dict[str, dict[str, str]]) -> list[Entity]:
    topic, key = f"{hub.topic(node)}/{prop.id}", f"{node.key or node.id}_{prop.id}"
    settings: dict[str, Any] = {}
    if look.icon:
        settings["icon"] = look.icon
    if look.category:
        settings["entity_category"] = look.category
    if look.press:
        return [
            _entity(hub, "button", f"{key}_{'all' if payload == '*' else payload}", label,
                    settings | {"command_topic": f"{topic}/set", "payload_press": payload})
            for label, payload in zip(look.labels, look.press, strict=True)
        ]  # fmt: skip
    if prop.datatype is Datatype.JSON:  # a text for us: the hub's way to send one is to "notify" somebody
        return [_entity(hub, "notify", key, look.name, settings | {"command_topic": f"{topic}/set"})]
    settings["state_topic"] = f"{hub.topic(node)}/{look.state}" if look.state else topic
    if look.kind:
        settings["device_class"] = look.kind
    if prop.settable:
        settings["command_topic"] = f"{topic}/set"
        if prop.datatype is Datatype.BOOLEAN:
            on_off = {"payload_on": "true", "payload_off": "false", "state_on": "true", "state_off": "false"}
            return [_entity(hub, "switch", key, look.name, settings | on_off)]
        if prop.datatype is Datatype.ENUM:
            return [_entity(hub, "select", key, look.name, settings | _choice(prop, labels[prop.id]))]
        return [_entity(hub, "number", key, look.name, settings | _span(prop, look, hub.fahrenheit))]
    return [_shown(hub, node, prop, look, key, settings)]


def _shown(hub: Hub, node: Node[Any], prop: Property[Any], look: Shown, key: str, settings: dict[str, Any]) -> Entity:
    """What only shows a state: a sensor."""
    settings["expire_after"] = EXPIRE_AFTER
    if prop.datatype is Datatype.BOOLEAN:
        settings |= {"payload_on": "true", "payload_off": "false"}
        if node.type == "channel":  # why it is not believed, beside it
            settings |= {"json_attributes_topic": f"{hub.topic(node)}/doubts",
                         "json_attributes_template": "{{ {'doubts': value} | tojson }}"}  # fmt: skip
        return _entity(hub, "binary_sensor", key, look.name, settings)
    settings["value_template"] = KNOWN
    if look.ends:
        settings["json_attributes_topic"] = f"{hub.topic(node)}/{look.ends}"
        settings["json_attributes_template"] = "{{ value if value else '{}' }}"
    if prop.datatype is Datatype.ENUM:
        settings["options"] = prop.format.split(",")
    if prop.unit:
        settings |= {"unit_of_measurement": prop.unit, "state_class": "measurement"}
        settings["suggested_display_precision"] = 1 if prop.datatype is Datatype.FLOAT else 0
        if prop.unit == "s":
            settings |= {"unit_of_measurement": "min", "value_template": KNOWN_MINUTES}
        if hub.fahrenheit and prop.unit in UNITS_F:
            settings |= {"unit_of_measurement": UNITS_F[prop.unit], "value_template": KNOWN_F}
    return _entity(hub, "sensor", key, look.name, settings)


def _choice(prop: Property[Any], labels: dict[str, str]) -> dict[str, Any]:
    """A choice by its names, where the topics carry ids."""
    shown = {word: labels.get(word, word) for word in prop.format.split(",")}
    asked = {label: word for word, label in shown.items()}
    return {
        "options": list(asked),
        "value_template": f"{{{{ {json.dumps(shown, ensure_ascii=False)}.get(value, 'None') }}}}",
        "command_template": f"{{{{ {json.dumps(asked, ensure_ascii=False)}[value] }}}}",
    }


def _span(prop: Property[Any], look: Shown, fahrenheit: bool) -> dict[str, Any]:
    """Limits and unit of a number. For people who read °F it is in °F from the start: the hub converts by itself, but
    versions up to 2024.12 compare what they have converted with what they have not."""
    least, most = (float(end) for end in prop.format.split(":"))
    span: dict[str, Any] = {"min": least, "max": most, "step": look.step, "mode": "box", "value_template": KNOWN}
    if prop.unit:
        span["unit_of_measurement"] = prop.unit
    if not fahrenheit or prop.unit != "°C":
        return span
    return span | {
        "min": round(to_fahrenheit(least), 1),
        "max": round(to_fahrenheit(most), 1),
        "unit_of_measurement": "°F",
        "value_template": "{{ (value | float * 1.8 + 32) | round(1) if value else 'None' }}",
        "command_template": "{{ ((value | float - 32) / 1.8) | round(4) }}",
    }


def _state(hub: Hub) -> Entity:
    """Whether the watch lives, in a word: the one thing that can also say why it is silent."""
    topic = f"{hub.base}/$state"
    settings = {
        "state_topic": topic, "value_template": STATE, "device_class": "enum", "options": sorted(set(STATES.values())),
        "expire_after": EXPIRE_AFTER, "icon": "mdi:eye-outline",
    }  # fmt: skip
    entity = _entity(hub, "sensor", "state", hub.composer.words("hub.state"), settings)
    heard = {"topic": topic, "value_template": CONNECTED}
    return Entity("sensor", "state", entity.settings | {"availability": [heard, _birth(hub)]})


def _event(hub: Hub, key: str, name: str, topic: str, types: tuple[str, ...], icon: str) -> Entity:
    settings = {"state_topic": topic, "event_types": list(types), "icon": icon, "qos": 1}
    return _entity(hub, "event", key, name, settings)


def _entity(hub: Hub, platform: str, key: str, name: str, settings: dict[str, Any]) -> Entity:
    common = {
        "name": name or None,
        "unique_id": f"pitvigil_{hub.pit}_{key}",
        "availability": [{"topic": f"{hub.base}/$state", "value_template": ALIVE}, _birth(hub)],
        "availability_mode": "latest",
    }
    return Entity(platform, key, common | settings)


def _birth(hub: Hub) -> dict[str, str]:
    return {"topic": hub.birth, "value_template": BORN}


# --- documents ---------------------------------------------------------------------------------------------


def _version() -> dict[str, str]:
    try:
        return {"sw_version": version(PITVIGIL)}
    except PackageNotFoundError:
        return {}


def _card(hub: Hub, device: Device) -> dict[str, Any]:
    """The device as the hub files it."""
    own = f"pitvigil_{hub.pit}"
    card: dict[str, Any] = {
        "identifiers": [f"{own}_{device.id}" if device.id else own],
        "name": device.name,
        "model": device.model,
        "manufacturer": PITVIGIL,
    }
    if device.id:
        card["via_device"] = f"{own}_{device.via}" if device.via else own
    if hub.page:
        card["configuration_url"] = hub.page
    return card | _version()


def device_topic(hub: Hub, device: str) -> str:
    return f"{hub.prefix}/device/pitvigil_{hub.pit}/{device + '/' if device else ''}config"


def device_document(hub: Hub, device: Device, removed: frozenset[str] = frozenset()) -> dict[str, Any]:
    """The document of one device. removed: marks of its entities that are no more; a key with nothing but its platform
    tells the hub so."""
    gone = [mark.removeprefix("#").split("/") for mark in sorted(removed)]
    components: dict[str, Any] = {key: {"platform": platform} for id_, platform, key in gone if id_ == device.id}
    components |= {e.key: {"platform": e.platform} | e.settings for e in device.entities}
    return {"device": _card(hub, device), "origin": {"name": PITVIGIL} | _version(), "components": components}


def devices_of(marks: set[str]) -> set[str]:
    return {mark[1:].partition("/")[0] for mark in marks if mark.startswith("#")}


def farewell(hub: Hub, device: str, marks: set[str]) -> dict[str, Any]:
    """The document of a device that is no more, by the marks of its entities: hubs up to 2024.12 take an empty one for
    nothing at all."""
    gone = frozenset(mark for mark in marks if mark.startswith(f"#{device}/"))
    return device_document(hub, Device(device, device, "", ()), gone)


def entity_documents(hub: Hub, device: Device) -> dict[str, dict[str, Any]]:
    """Topic -> document of one entity, for older hubs."""
    return {
        f"{hub.prefix}/{e.platform}/pitvigil_{hub.pit}/{e.key}/config": e.settings
        | {"device": _card(hub, device), "origin": {"name": PITVIGIL} | _version()}
        for e in device.entities
    }
