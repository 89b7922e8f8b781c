"""What the hub has been told of us, kept in step with what there is: documents appear, change and go with nothing left behind.

A hub forgets a thing only when it hears, while it runs, that the thing is gone. So nothing is taken back while the hub is
known to be away, and what an older release left is taken back first and as a whole: the hub then forgets hidden entities too.
So are devices between which an entity moves, when a rig gets or loses a pit: one id on two devices at once is refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

from daemon.shell.hub import discovery
from daemon.shell.hub.link import BrokerLink
from daemon.shell.hub.properties import Node

FORM = "#2"
"""Remembered beside topics and marks: the form of what was announced. Version 0.1.0 remembered none."""
SETTLE = 5.0
"""s a hub is given to forget before it is told anew. It took less than two on a busy machine."""
AWAY_AT_MOST = 900.0
"""s for which a hub that said goodbye is waited for; one that does not say when it is back must be told all the same."""


class Announcer:
    """mode: how the hub is told, as in the rig file. left: topics and marks of earlier runs. link: not yet started.
    changed: called when `remembered` has changed. ticks: s that only go forward."""

    def __init__(
        self,
        hub: discovery.Hub,
        mode: str,
        link: BrokerLink,
        left: set[str],
        changed: Callable[[], None],
        ticks: Callable[[], float],
    ) -> None:
        self._hub, self._mode, self._link, self._changed, self._ticks = hub, mode, link, changed, ticks
        known = {m for m in left if m.startswith(("#", f"{hub.prefix}/"))}
        self._old = bool(known) and FORM not in left
        # Marks from before there was a device a piece have no device before the slash.
        self._announced = {m.replace("#", "#/") if m.count("/") == 1 and m[0] == "#" else m for m in known - {FORM}}
        self._removed: frozenset[str] = frozenset()
        self._wanted: tuple[discovery.Device, ...] | None = None
        self._told_leaving = False
        self._settled: float | None = None
        self._away_since: float | None = None

    @property
    def remembered(self) -> set[str]:
        return self._announced if self._old else self._announced | {FORM}

    def hub_is(self, here: bool) -> None:
        """The hub said so itself."""
        if here:
            self._away_since = None
        elif self._away_since is None:  # said again and again it is away no longer than said once
            self._away_since = self._ticks()

    def offer(self, parts: tuple[Node[Any], ...]) -> None:
        """What there is now. The hub hears of it as soon as it may."""
        self._wanted = discovery.devices(self._hub, parts) if self._mode != "none" else ()
        self.work()

    def work(self) -> None:
        """Whatever waits and may go on."""
        if self._wanted is None or self._away():
            return
        leaving = self._leaving(self._wanted)
        if (self._old or leaving) and not self._are_gone(leaving):
            return
        shown, self._wanted = self._wanted, None
        marks = {mark for device in shown for mark in device.marks()} if self._mode == "device" else set()
        for device in sorted(discovery.devices_of(self._announced) - discovery.devices_of(marks)) if marks else ():
            self._take_back(device)
        self._removed = (self._removed | {mark for mark in self._announced if mark.startswith("#")}) - marks
        documents = self._documents(shown)
        for topic in sorted(t for t in self._announced - documents.keys() if not t.startswith("#")):
            self._link.forget(topic)
        for topic, document in documents.items():
            self._link.retain(topic, _json(document))
        self._announced = marks | documents.keys()
        self._changed()

    def _away(self) -> bool:
        return self._away_since is not None and self._ticks() - self._away_since < AWAY_AT_MOST

    def _leaving(self, wanted: tuple[discovery.Device, ...]) -> set[str]:
        """Devices that are taken back as a whole: all of an older release, and those that lose an entity to another or gain one,
        so that all their ids are those of a first installation."""
        if self._old:
            return discovery.devices_of(self._announced)
        own = {mark.partition("/")[2]: mark for device in wanted for mark in device.marks()}
        before = {mark.partition("/")[2]: mark for mark in self._announced if mark.startswith("#")}
        moved = {entity for entity in own.keys() & before.keys() if own[entity] != before[entity]}
        gain, lose = (discovery.devices_of({marks[entity] for entity in moved}) for marks in (own, before))
        return lose | (gain & discovery.devices_of(set(before.values())))

    def _are_gone(self, devices: set[str]) -> bool:
        """They are taken back, and a running hub has had the time to forget them."""
        topics = {discovery.device_topic(self._hub, device) for device in devices}
        cleared = {t for t in self._announced if not t.startswith("#") and (self._old or t in topics)}
        if not self._told_leaving:
            self._told_leaving = True
            for device in sorted(devices):
                self._take_back(device)
            for topic in sorted(cleared):
                self._link.forget(topic)
        if not self._link.connected or self._link.waiting:
            self._settled = None
            return False
        self._settled = self._ticks() if self._settled is None else self._settled
        if self._ticks() - self._settled < SETTLE:
            return False
        self._announced -= cleared | {m for m in self._announced if discovery.devices_of({m}) & devices}
        self._old, self._told_leaving, self._settled = False, False, None
        return True

    def _take_back(self, device: str) -> None:
        document = discovery.farewell(self._hub, device, self._announced)
        self._link.tell(discovery.device_topic(self._hub, device), _json(document), keep=True)

    def _documents(self, shown: tuple[discovery.Device, ...]) -> dict[str, dict[str, Any]]:
        """By topic."""
        if self._mode == "device":
            return {
                discovery.device_topic(self._hub, d.id): discovery.device_document(self._hub, d, self._removed)
                for d in shown
            }
        found = [discovery.entity_documents(self._hub, device) for device in shown]
        return {topic: document for documents in found for topic, document in documents.items()}


def _json(body: dict[str, Any]) -> str:
    return json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
