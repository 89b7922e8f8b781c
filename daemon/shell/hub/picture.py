"""The picture of the watch on the broker: descriptions, values and alerts of its devices, and nothing of what is no more."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from daemon.core.snapshot import Snapshot
from daemon.shell.hub import discovery, homie
from daemon.shell.hub.announcer import Announcer
from daemon.shell.hub.homie import Hottest, Lifecycle
from daemon.shell.hub.link import BrokerLink
from daemon.shell.hub.pace import Pace, Pacer
from daemon.shell.hub.places import Place, places
from daemon.shell.hub.properties import Node
from daemon.texts.composer import Composer

DESCRIBED_EVERY = 30.0
"""s between descriptions that differ only in what is known: a probe with a loose plug must not have it sent all the time."""


@dataclass(slots=True)
class _Described:
    """What was told last of one device."""

    shape: tuple[Any, ...] = ()
    known: frozenset[str] = frozenset()
    at: float = float("-inf")
    version: int = 0


class Picture:
    """name: of the watch. base: its Homie topic. left: Homie topics that may be on the broker from earlier runs. changed: called
    when `topics` has changed. wall: UTC, s. hottest: see `homie.nodes`.
    composer: of those who read it."""

    def __init__(
        self,
        name: str,
        base: str,
        link: BrokerLink,
        announcer: Announcer,
        left: set[str],
        changed: Callable[[], None],
        wall: Callable[[], float],
        hottest: Hottest,
        composer: Composer,
    ) -> None:
        self._name, self._base, self._link, self._announcer = name, base, link, announcer
        self._domain, _, self._id = base.rpartition("/")
        self._changed, self._wall, self._hottest, self._composer = changed, wall, hottest, composer
        self._told: dict[str, _Described] = {"": _Described()}
        """By device; "" is the root."""
        self._topics = left
        self._alerts: set[str] = set()
        self._paces: dict[str, Pace | None] = {}
        self._pacer = Pacer()
        self._nodes: dict[str, str] = {}

    @property
    def topics(self) -> set[str]:
        """What may be on the broker."""
        return self._topics | self._alerts

    @property
    def bases(self) -> tuple[str, ...]:
        """Topics of the devices, the root's first."""
        return tuple(self._base_of(device) for device in self._told)

    def topic(self, node: str) -> str:
        """Where a node is, of those that only one device has."""
        return self._nodes.get(node, f"{self._base}/{node}")

    def show(self, topic: str, value: str | None, now: float) -> None:
        """A property's value, at its pace."""
        self.retain(topic, self._pacer.paced(topic, value or "", self._paces.get(topic), now))

    def retain(self, topic: str, payload: str) -> None:
        self._link.retain(topic, payload, discovery.EXPIRE_AFTER)

    def publish(self, snapshot: Snapshot, now: float, refused: str) -> None:
        """Everything there is. refused: the last order that was not carried out, in words."""
        parts, children = homie.nodes(snapshot, self._hottest), places(snapshot)
        values: dict[str, str | None] = {}
        described, reshaped = [], False
        for device in ("", *(place.id for place in children)):
            own = tuple(node for node in parts if node.device == device)
            known_of = homie.values(snapshot, own, self._composer) | ({} if device else {"watch/refused": refused})
            before = self._told.setdefault(device, _Described())
            shape = tuple((node.id, node.name, *((p.id, p.format) for p in node.properties)) for node in own)
            known = frozenset(topic for topic, value in known_of.items() if value is not None)
            values |= {f"{self._base_of(device)}/{topic}": value for topic, value in known_of.items()}
            if shape != before.shape or (known != before.known and now - before.at >= DESCRIBED_EVERY):
                reshaped |= shape != before.shape
                version = max(before.version + 1, int(self._wall()))
                self._told[device] = _Described(shape, known, now, version)
                described.append(device)
                self._describe(device, children, own, known_of, version)
        if reshaped:
            self._paces = {f"{self._topic_of(n)}/{p.id}": p.pace for n in parts for p in n.properties}
            self._nodes = {n.id: self._topic_of(n) for n in parts}
            self._reshape(parts, values)
        else:
            self._announcer.work()
        for topic, value in values.items():
            self.show(topic, value, now)
        self._publish_alerts(snapshot)
        for device in reversed(described):  # the root is ready when all of it is
            self._ready(device, True)

    def goodbye(self) -> None:
        """The children go with the watch; its own last word is the link's."""
        for device in self._told:
            if device:
                self._link.retain(f"{self._base_of(device)}/$state", Lifecycle.DISCONNECTED)

    def _base_of(self, device: str) -> str:
        return f"{self._domain}/{device}" if device else self._base

    def _topic_of(self, node: Node[Any]) -> str:
        return f"{self._base_of(node.device)}/{node.id}"

    def _ready(self, device: str, ready: bool) -> None:
        """A child has a word of its own, which counts while the root is ready; the root's is also the last will's."""
        if device:
            word = Lifecycle.READY if ready else Lifecycle.INIT
            self._link.retain(f"{self._base_of(device)}/$state", word)
        else:
            self._link.ready(ready)

    def _describe(
        self, device: str, children: tuple[Place, ...], parts: tuple[Node[Any], ...], values: dict[str, str | None],
        version: int,
    ) -> None:  # fmt: skip
        """Outside `ready`: what is described then has a value, or takes orders."""
        self._ready(device, False)
        place = next((p for p in children if p.id == device), None)
        family: dict[str, Any] | None
        if place is None:
            family = {"children": [p.id for p in children]} if children else None
            document = homie.description(self._name, version, parts, values, family=family, composer=self._composer)
        else:
            family = {"root": self._id, "parent": self._id}
            name = place.name or self._composer.words("hub.cabinet-name")
            document = homie.description(name, version, parts, values, place.kind, family, self._composer)
        body = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
        self._link.retain(f"{self._base_of(device)}/$description", body)

    def _reshape(self, parts: tuple[Node[Any], ...], values: dict[str, str | None]) -> None:
        """Nodes came, went or were renamed: clean up what is no more."""
        # `$state` too: a device that is no more ceases to exist by clearing it, and it goes first.
        topics = {*values, *(f"{base}/{word}" for base in self.bases for word in ("$description", "$state"))}
        gone = sorted(self._topics - topics - self._alerts, key=lambda topic: (not topic.endswith("/$state"), topic))
        self._pacer.forget(set(gone))
        for topic in gone:
            self._link.forget(topic)
        self._topics = topics
        self._announcer.offer(parts)
        self._changed()

    def _publish_alerts(self, snapshot: Snapshot) -> None:
        alerts = {
            f"{self._base_of(device)}/$alert/{key}": words
            for device in self._told
            for key, words in homie.alerts(snapshot, device).items()
        }
        for topic in self._alerts - alerts.keys():
            self._link.forget(topic)
        for topic, words in alerts.items():
            self.retain(topic, words)
        changed, self._alerts = alerts.keys() != self._alerts, set(alerts)
        if changed:
            self._changed()
