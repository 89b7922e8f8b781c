"""The feed through outages of a real mosquitto: boot, kill -9, hours away, takeover, death, power cut."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from config.rig import Rig
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import link as broker
from daemon.shell.hub.link import BrokerLink, LinkTopics
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.shell.hub.hub_scenario import NIGHT, alarm
from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO, ROOT, Ear, PrivateBroker, plain_broker, retained_on
from tests.system.hub.mqtt_watch import ALARMS, BASE, HOUR, Catcher, at, watching

STANDS_BACK = 5.0
"""s, more or less a fifth: longer than a busy machine keeps this process waiting, so that it is seen to stand back."""
pytestmark = [pytest.mark.usefixtures("quick"), NEEDS_MOSQUITTO]

# --- outages ------------------------------------------------------------------------------------------------


async def test_no_broker_at_boot(evening: tuple[Rig, Snapshot], tmp_path: Path) -> None:
    private = plain_broker(tmp_path)
    async with watching(evening, at(private.port)) as watch:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await watch.until(lambda: len(watch.health) == 1)
        await asyncio.sleep(0.5)  # several attempts: one report
        assert watch.health == [(False, f"no connection to 127.0.0.1:{private.port}: Connection refused")]
        await private.start()
        try:
            async with Ear(private.port) as ear:
                await ear.hears(f"{BASE}/$state", "ready")
                await watch.until(lambda: watch.health[-1] == (True, ""))
                await watch.until(lambda: watch.feed.link.waiting == 0)
        finally:
            await watch.feed.stop()
            private.stop()


async def test_kill_of_the_broker_and_its_return(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    """kill -9 loses what the broker retained: all of it comes again, alarms in order, nothing else."""
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        await watch.until(lambda: watch.feed.link.connected)
        mosquitto.kill()
        await watch.until(lambda: not watch.feed.link.connected)
        for number in range(1, 31):
            watch.tell(watch.read(100.0 + number), alarm(number, watch.now))
        assert "did not take it" in await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
        # The ear may come after the feed: then it finds what is retained. What came in between is tested with a catcher.
        await mosquitto.start()
        async with Ear(mosquitto.port) as ear:
            await ear.until(lambda: f"{BASE}/$state" in {h.topic for h in ear.heard})
            await ear.hears(f"{BASE}/$state", "ready")
            await watch.until(lambda: watch.feed.link.waiting == 0)
            await watch.feed.link.deliver("marker", "now")
            await ear.hears("marker")
            assert set(ear.of(f"{BASE}/channel-pit-left/temperature")) == {"130.0"}
        kept = await retained_on(mosquitto.port)
        assert kept[f"{BASE}/pit/stage"] and f"{BASE}/$description" in kept
        assert kept["homeassistant/device/pitvigil_pit/config"]
        assert watch.health[-1] == (True, "")


async def test_eight_hours_without_a_broker(evening: tuple[Rig, Snapshot], tmp_path: Path) -> None:
    """8 h of virtual time, a reading every minute and an alarm every 4 min: bounded memory, then all alarms in order and the
    newest of every value, within 60 s."""
    private = plain_broker(tmp_path)
    async with watching(evening, at(private.port)) as watch:
        watch.tell(watch.read(121.0))
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        numbers = iter(range(1, 1000))
        for step in range(int(8 * HOUR / 60)):
            events = [watch.read(110.0 + step % 60 / 3)]
            if step % 4 == 0:
                events.append(alarm(next(numbers), watch.now))  # type: ignore[arg-type]
            watch.tell(*events, later=60.0)
            if step % 30 == 0:
                await asyncio.sleep(0)  # attempts go on meanwhile
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
        told = next(numbers) - 1
        assert told == 120 and watch.feed.link.waiting == told
        assert grown < 5e6, f"{grown / 1e6:.1f} MB"
        catcher = Catcher()
        port = await catcher.start(private.port)
        try:
            async with asyncio.timeout(PATIENCE):
                await catcher.until(lambda: len(catcher.of(ALARMS)) == told)
                await watch.until(lambda: watch.feed.link.waiting == 0)
        finally:
            await catcher.stop()
        assert port == private.port
        assert [json.loads(text)["occurrence"] for text in catcher.of(ALARMS)] == list(range(1, told + 1))
        assert len(catcher.of(f"{BASE}/channel-pit-left/temperature")) == 1
        assert not catcher.of(f"{BASE}/channel-pit-left/reading")


def test_the_oldest_events_go_when_there_are_too_many() -> None:
    link = BrokerLink(at(1), LinkTopics("s", "init", "ready", "off", "lost"))
    for number in range(broker.EVENTS_WAITING + 25):
        link.tell("event", str(number), keep=True)
        link.tell("other", str(number))
    assert link.waiting == broker.EVENTS_WAITING
    assert next(payload for _, payload in link._events.values()) == "25"


async def test_an_old_broker_is_spoken_to_in_its_words(evening: tuple[Rig, Snapshot]) -> None:
    """MQTT 3.1.1, 3.2.2.3: return code 1 is "unacceptable protocol version"."""
    catcher = Catcher(version=4)
    port = await catcher.start()
    try:
        async with watching(evening, at(port)) as watch:
            watch.tell(watch.read(121.0), alarm(1, NIGHT))
            await asyncio.wait_for(catcher.until(lambda: "ready" in catcher.of(f"{BASE}/$state")), PATIENCE)
            await watch.until(lambda: watch.feed.link.waiting == 0)
            assert catcher.levels == [5, 4]
            assert catcher.of(f"{BASE}/channel-pit-left/temperature") == ["121.0"]
            assert await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}") == ""
        assert catcher.of(f"{BASE}/$state")[-1] == "disconnected"
    finally:
        await catcher.stop()


async def test_a_connection_to_itself_is_no_broker(monkeypatch: pytest.MonkeyPatch) -> None:
    """RFC 9293, 3.5: an attempt that is given the very port it tries connects to itself. It must leave the port free."""
    port, said, attempts = free_port(), list[tuple[bool, str]](), list[str]()
    library = mqtt.Client.connect

    def connect(client: mqtt.Client, host: str, port: int, keepalive: int, properties: Any) -> Any:
        attempts.append(host)
        return library(client, host, port, keepalive, "127.0.0.1", port, properties=properties)

    monkeypatch.setattr(mqtt.Client, "connect", connect)
    link = BrokerLink(
        at(port), LinkTopics("s", "init", "ready", "off", "lost"), changed=lambda *words: said.append(words)
    )
    link.start()
    try:
        async with asyncio.timeout(PATIENCE):
            while len(attempts) < 4:
                await asyncio.sleep(0.01)
        assert said == [(False, f"no connection to 127.0.0.1:{port}: Connection refused")]
    finally:
        await link.stop()
    socket.create_server(("127.0.0.1", port)).close()


async def test_a_broker_that_does_not_answer(evening: tuple[Rig, Snapshot], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "ANSWER_WITHIN", 0.2)
    catcher = Catcher(silent=True)
    port = await catcher.start()
    try:
        async with watching(evening, at(port)) as watch:
            await watch.until(lambda: watch.health == [(False, "the broker does not answer")])
    finally:
        await catcher.stop()


async def test_takeover_by_the_same_name(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two clients with one name would push each other out for ever; ours stands back, says so, and returns."""
    monkeypatch.setattr(broker, "TAKEOVER_PAUSE", STANDS_BACK)
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        for _ in range(broker.DROPS_IN_A_ROW):
            await watch.until(lambda: watch.feed.link.connected)
            async with Ear(mosquitto.port, client_id="pitvigil-pit"):
                await watch.until(lambda: not watch.feed.link.connected)
        await watch.until(lambda: 'another client may use our name "pitvigil-pit"' in watch.trouble)
        await asyncio.sleep(0.3)
        assert not watch.feed.link.connected
        await watch.until(lambda: watch.feed.link.connected)
        await watch.feed.link.deliver("marker", "")
        assert (await retained_on(mosquitto.port))[f"{BASE}/$state"] == "ready"


async def test_a_broker_that_names_the_takeover(evening: tuple[Rig, Snapshot], monkeypatch: pytest.MonkeyPatch) -> None:
    """MQTT 5.0, 3.14.2.1: DISCONNECT with reason code 142, Session taken over."""
    monkeypatch.setattr(broker, "TAKEOVER_PAUSE", STANDS_BACK)
    catcher = Catcher()
    port = await catcher.start()
    try:
        async with watching(evening, at(port)) as watch:
            await watch.until(lambda: watch.feed.link.connected)
            catcher.send(b"\xe0\x02\x8e\x00")
            await watch.until(lambda: "Session taken over" in watch.trouble)
            assert 'our name "pitvigil-pit"' in watch.trouble
            await asyncio.sleep(0.3)
            assert len(catcher.levels) == 1
            await watch.until(lambda: watch.feed.link.connected)
    finally:
        await catcher.stop()


DYING = """
import asyncio, sys
from daemon.shell.hub.link import *
async def main():
    link = BrokerLink(BrokerSettings("127.0.0.1", int(sys.argv[1]), "mortal"), LinkTopics("s", "init", "ready", "off", "lost"))
    link.retain("value", "121.0", expires=6)
    link.ready(True)
    link.start()
    await asyncio.sleep(60)
asyncio.run(main())
"""


async def test_the_will_of_a_killed_watch(mosquitto: PrivateBroker) -> None:
    async with Ear(mosquitto.port) as ear:
        process = subprocess.Popen([sys.executable, "-c", DYING, str(mosquitto.port)], cwd=ROOT, env=os.environ.copy())
        try:
            await ear.hears("s", "ready", within=PATIENCE)
        finally:
            process.send_signal(signal.SIGKILL)
            process.wait()
        await ear.hears("s", "lost")
    assert (await retained_on(mosquitto.port))["s"] == "lost"


async def test_a_power_cut_that_takes_the_broker_along(tmp_path: Path) -> None:
    """Nobody is left to send the will: `ready` stays, and only values that run out tell that nobody watches."""
    store = f"allow_anonymous true\npersistence true\npersistence_location {tmp_path}/\nautosave_interval 1\n"
    private = plain_broker(tmp_path, store)
    await private.start()
    process = subprocess.Popen([sys.executable, "-c", DYING, str(private.port)], cwd=ROOT, env=os.environ.copy())
    try:
        async with asyncio.timeout(PATIENCE):
            while not _holds(tmp_path / "mosquitto.db", b"121.0", b"ready"):
                await asyncio.sleep(0.05)
    finally:
        process.send_signal(signal.SIGKILL)
        private.kill()
        process.wait()
    await private.start()
    try:
        assert (await retained_on(private.port))["s"] == "ready"
        async with asyncio.timeout(PATIENCE):
            while await retained_on(private.port) != {"s": "ready"}:
                await asyncio.sleep(0.2)
    finally:
        private.stop()


def _holds(file: Path, *words: bytes) -> bool:
    return file.exists() and all(word in file.read_bytes() for word in words)
