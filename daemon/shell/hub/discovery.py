"""What a home-automation hub must be told to show the Homie topics by itself (MQTT discovery of the common open hub).

Either one document for the whole device, or one for each entity for hubs from before 2024.11. Both point at the same
topics. Every entity is available only while the watch says so; what belongs to a probe also only while the probe is
believed; and every value runs out, so that a stale one is never shown as live.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, version
from typing import Any

from daemon.core.events import AlarmState, FireSign
from daemon.core.inputs import MarkKind
from daemon.core.snapshot import PieceView
from daemon.shell.hub.homie import Datatype, Lifecycle, Node, Property

HEARTBEAT = 60
"""s between publications of everything, changed or not."""
EXPIRE_AFTER = 4 * HEARTBEAT
"""s: three lost heartbeats are forgiven."""
KNOWN = "{{ value if value else 'None' }}"
"""A cleared topic reaches the hub as an empty text, which it would ignore; `None` is its word for unknown."""
ALIVE = f"{{{{ 'online' if value == '{Lifecycle.READY}' else 'offline' }}}}"
"""The hub knows two words of availability, Homie five."""

_EVENTS: dict[str, tuple[str, tuple[str, ...]]] = {
    "alarm": ("Alarm event", tuple(AlarmState)),
    "fire": ("Seen in the fire", tuple(FireSign)),
    "mark": ("Marked by the cook", tuple(MarkKind)),
}


@dataclass(frozen=True, slots=True)
class Hub:
    """Where things are. base: Homie topic of the device. events: beginning of the event topics."""

    prefix: str
    pit: str
    name: str
    base: str
    events: str


@dataclass(frozen=True, slots=True)
class Entity:
    """One thing in the hub: its platform ("sensor"), a key that never changes, and its settings."""

    platform: str
    key: str
    settings: dict[str, Any]

    @property
    def mark(self) -> str:
        """How it is remembered inside a device document. `#` can be in no topic that is published to."""
        return f"#{self.platform}/{self.key}"


def entities(hub: Hub, parts: tuple[Node[Any], ...]) -> tuple[Entity, ...]:
    found = [entity for node in parts for prop in node.properties for entity in _of(hub, node, prop)]
    for word, (name, types) in _EVENTS.items():
        settings = {"state_topic": f"{hub.events}/{word}", "event_types": list(types)}
        found.append(_entity(hub, "event", f"event_{word}", name, settings))
    return tuple(found)


def _of(hub: Hub, node: Node[Any], prop: Property[Any]) -> list[Entity]:
    topic, key = f"{hub.base}/{node.id}/{prop.id}", f"{node.id}_{prop.id}"
    name = prop.name if node.type in ("alarms", "watch") else f"{node.name} {prop.name[:1].lower()}{prop.name[1:]}"
    channel = _channel(node) if prop.channel else None
    if prop.press:
        return [
            _entity(hub, "button", f"{key}_{_slug(payload)}", label if node.type == "watch" else f"{node.name} {label}",
                    {"command_topic": f"{topic}/set", "payload_press": payload})
            for label, payload in prop.press
        ]  # fmt: skip
    if not prop.retained:
        return []
    settings: dict[str, Any] = {"state_topic": topic}
    if prop.hub_class:
        settings["device_class"] = prop.hub_class
    if prop.detail:
        settings |= {"entity_category": "diagnostic", "enabled_by_default": prop.datatype is Datatype.BOOLEAN}
    if prop.settable:
        settings["command_topic"] = f"{topic}/set"
        if prop.datatype is Datatype.BOOLEAN:
            on_off = {"payload_on": "true", "payload_off": "false", "state_on": "true", "state_off": "false"}
            return [_entity(hub, "switch", key, name, settings | on_off)]
        low, _, high = prop.format.partition(":")
        span = {"min": float(low), "max": float(high), "step": 1, "mode": "box", "unit_of_measurement": prop.unit}
        return [_entity(hub, "number", key, name, settings | span)]
    settings["expire_after"] = EXPIRE_AFTER
    if prop.datatype is Datatype.BOOLEAN:
        return [
            _entity(hub, "binary_sensor", key, name, settings | {"payload_on": "true", "payload_off": "false"}, channel)
        ]
    settings["value_template"] = KNOWN
    if prop.datatype is Datatype.ENUM:
        settings["options"] = prop.format.split(",")
    if prop.unit:
        settings |= {"unit_of_measurement": prop.unit, "state_class": "measurement"}
        settings["suggested_display_precision"] = 1 if prop.datatype is Datatype.FLOAT else 0
    return [_entity(hub, "sensor", key, name, settings, channel)]


def _channel(node: Node[Any]) -> str:
    """The channel a node's values stand and fall with."""
    return f"channel-{node.view.channel}" if isinstance(node.view, PieceView) else node.id


def _entity(
    hub: Hub, platform: str, key: str, name: str, settings: dict[str, Any], channel: str | None = None
) -> Entity:
    availability: list[dict[str, str]] = [{"topic": f"{hub.base}/$state", "value_template": ALIVE}]
    if channel is not None:
        availability.append(
            {
                "topic": f"{hub.base}/{channel}/live",
                "payload_available": "true",
                "payload_not_available": "false",
            }
        )
    common = {
        "name": name,
        "unique_id": f"pitvigil_{hub.pit}_{key}",
        "availability": availability,
        "availability_mode": "all",
    }
    return Entity(platform, key, common | settings)


def _slug(payload: str) -> str:
    return "all" if payload == "*" else payload


def _origin() -> dict[str, str]:
    try:
        return {"name": "pitvigil", "sw_version": version("pitvigil")}
    except PackageNotFoundError:
        return {"name": "pitvigil"}


def _device(hub: Hub) -> dict[str, Any]:
    return {"identifiers": [f"pitvigil_{hub.pit}"], "name": hub.name, "model": "Pit watch"}


def device_topic(hub: Hub) -> str:
    return f"{hub.prefix}/device/pitvigil_{hub.pit}/config"


def device_document(hub: Hub, shown: tuple[Entity, ...], removed: frozenset[str] = frozenset()) -> dict[str, Any]:
    """The document of the whole device. removed: marks of entities that are no more; a key with nothing but its
    platform tells the hub so."""
    gone = [mark.removeprefix("#").partition("/") for mark in sorted(removed)]
    components: dict[str, Any] = {key: {"platform": platform} for platform, _, key in gone}
    components |= {e.key: {"platform": e.platform} | e.settings for e in shown}
    return {"device": _device(hub), "origin": _origin(), "components": components}


def entity_documents(hub: Hub, shown: tuple[Entity, ...]) -> dict[str, dict[str, Any]]:
    """Topic -> document of one entity, for older hubs."""
    return {
        f"{hub.prefix}/{e.platform}/pitvigil_{hub.pit}/{e.key}/config": e.settings
        | {"device": _device(hub), "origin": _origin()}
        for e in shown
    }
