"""What is taken back from the hub, when, and in which order. How a hub takes it is tried on a real one (tests/hub)."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from daemon.core.snapshot import Snapshot
from daemon.shell.hub import discovery, homie
from daemon.shell.hub.announcer import AWAY_AT_MOST, FORM, SETTLE, Announcer
from tests.shell.hub.hub_scenario import night

HUB = discovery.Hub("homeassistant", "pit", "The long pit", "homie/5/pit", "pitvigil/pit")
MAIN, LAMB = "homeassistant/device/pitvigil_pit/config", "homeassistant/device/pitvigil_pit/piece-lamb/config"
OF_0_1_0 = {
    "homie/5/pit/pit/temperature", MAIN, "#sensor/pit_temperature", "#sensor/watch_clock-set", "#button/piece-lamb_mark_off"
}  # fmt: skip
"""As version 0.1.0 remembered what it had announced: one device, keys without a device before them."""
OF_0_1_0_SINGLY = {"homeassistant/sensor/pitvigil_pit/pit_temperature/config"}


@dataclass
class Link:
    """Stands for the link to the broker. told and kept: (topic, payload), the newest last."""

    connected: bool = True
    waiting: int = 0
    told: list[tuple[str, str]] = field(default_factory=list)

    def tell(self, topic: str, payload: str, keep: bool = False) -> None:
        assert keep
        self.told.append((topic, payload))

    def retain(self, topic: str, payload: str, expires: int | None = None) -> None:
        self.told.append((topic, payload))

    def forget(self, topic: str) -> None:
        self.told.append((topic, ""))

    def of(self, topic: str) -> list[Any]:
        return [json.loads(payload) if payload else "" for t, payload in self.told if t == topic]


@dataclass
class Told:
    link: Link
    announcer: Announcer
    remembered: list[set[str]]
    now: float = 0.0


def announcing(left: set[str], mode: str = "device") -> Told:
    link, remembered = Link(), []

    def changed() -> None:
        remembered.append(told.announcer.remembered)

    told = Told(link, None, remembered)  # type: ignore[arg-type]
    told.announcer = Announcer(HUB, mode, link, left, changed, lambda: told.now)  # type: ignore[arg-type]
    return told


@pytest.fixture(scope="module")
def snapshot() -> Snapshot:
    return night(2)[2]


def test_a_first_run_announces_at_once_and_remembers_how(snapshot: Snapshot) -> None:
    told = announcing(set())
    told.announcer.offer(homie.nodes(snapshot))
    assert told.link.of(MAIN)[0]["components"]["pit_temperature"]["unique_id"]
    assert FORM in told.remembered[-1] and LAMB in told.remembered[-1]
    again = announcing(told.remembered[-1])
    again.announcer.offer(homie.nodes(snapshot))
    assert {t for t, payload in again.link.told if not payload} == set()


def test_what_an_older_release_left_goes_as_a_whole_before_anything_comes(snapshot: Snapshot) -> None:
    told = announcing(OF_0_1_0)
    told.announcer.offer(homie.nodes(snapshot))
    farewell, cleared = told.link.of(MAIN)
    assert farewell["components"] == {
        "pit_temperature": {"platform": "sensor"}, "watch_clock-set": {"platform": "sensor"},
        "piece-lamb_mark_off": {"platform": "button"},
    } and cleared == ""  # fmt: skip
    assert told.remembered == []  # a crash here begins anew
    told.now += SETTLE - 1
    told.announcer.work()
    assert len(told.link.told) == 2
    told.now += 2
    told.announcer.work()
    assert told.link.of(MAIN)[-1]["components"]["pit_temperature"]["unique_id"]
    assert "watch_clock-set" not in told.link.of(MAIN)[-1]["components"] and told.link.of(LAMB)
    assert FORM in told.remembered[-1]


def test_the_hub_s_time_to_forget_begins_when_the_broker_has_it(snapshot: Snapshot) -> None:
    told = announcing(OF_0_1_0)
    told.link.connected, told.link.waiting = False, 1
    for now in (0.0, 100.0):
        told.now = now
        told.announcer.offer(homie.nodes(snapshot))
        assert not any(json.loads(p)["components"].get("state") for t, p in told.link.told if p)
    told.link.connected, told.link.waiting = True, 0
    told.announcer.work()
    told.now += SETTLE
    told.announcer.work()
    assert told.link.of(MAIN)[-1]["components"]["state"]


def test_an_older_release_that_announced_singly_is_cleared_too(snapshot: Snapshot) -> None:
    told = announcing(OF_0_1_0_SINGLY, "per-entity")
    told.announcer.offer(homie.nodes(snapshot))
    (old,) = OF_0_1_0_SINGLY
    assert told.link.of(old) == [""]
    told.now += SETTLE
    told.announcer.work()
    told.now += SETTLE
    told.announcer.work()
    assert told.link.of(old)[-1]["unique_id"]


def test_a_hub_that_is_away_hears_of_what_went_once_it_is_back(snapshot: Snapshot) -> None:
    """It forgets only what it is told while it runs; what it finds gone at its start it keeps for ever."""
    told = announcing(set())
    told.announcer.offer(homie.nodes(snapshot))
    before = len(told.link.told)
    told.announcer.hub_is(False)
    less = replace(snapshot, pieces=tuple(p for p in snapshot.pieces if p.id != "lamb"))
    told.announcer.offer(homie.nodes(less))
    assert len(told.link.told) == before and LAMB in told.announcer.remembered
    told.announcer.hub_is(True)
    told.announcer.work()
    farewell, cleared = told.link.of(LAMB)[-2:]
    assert farewell["components"]["piece-lamb_stage"] == {"platform": "sensor"} and cleared == ""
    assert LAMB not in told.announcer.remembered


def test_a_hub_that_never_says_when_it_is_back_is_told_all_the_same(snapshot: Snapshot) -> None:
    told = announcing(set())
    told.announcer.hub_is(False)
    told.announcer.offer(homie.nodes(snapshot))
    assert told.link.told == []
    told.now += AWAY_AT_MOST
    told.announcer.hub_is(False)
    told.announcer.work()
    assert told.link.of(MAIN)
