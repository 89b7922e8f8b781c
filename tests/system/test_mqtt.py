"""The feed on a real mosquitto: who may connect, what arrives in which order, and what outages do."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import ssl
import subprocess
import sys
import tracemalloc
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import cast

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from config.rig import BrokerSection, Rig
from daemon.core.engine import Engine
from daemon.core.events import Sample, SamplesJudged
from daemon.core.inputs import Acknowledge, Health, Input, Mark, MarkKind
from daemon.core.snapshot import Snapshot
from daemon.shell import broker, discovery, feed
from daemon.shell.broker import BrokerLink, BrokerSettings, LinkTopics, tls_context
from daemon.shell.feed import HubFeed
from drivers.reading import Fault, Quality
from tests.shell.hub_scenario import NIGHT, WALL_OFFSET, Still, alarm, night
from tests.system.mqtt_broker import MAKE_BROKER, ROOT, Ear, PrivateBroker, as_us, free_ports, plain_broker, retained_on

BASE = "homie/5/pit"
ALARMS = "pitvigil/pit/event/alarm"
HOUR = 3600.0


@pytest.fixture(scope="module")
def evening() -> tuple[Rig, Snapshot]:
    rig, _, snapshot = night()
    return rig, snapshot


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts come quickly; nothing else differs from the night."""
    monkeypatch.setattr(broker, "FIRST_PAUSE", 0.05)
    monkeypatch.setattr(broker, "LONGEST_PAUSE", 0.2)


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[PrivateBroker]:
    private = plain_broker(tmp_path)
    await private.start()
    yield private
    private.stop()


@dataclass
class Watch:
    """A feed with what it posted and remembered."""

    feed: HubFeed
    still: Still
    posted: list[Input]
    remembered: list[set[str]] = field(default_factory=list)
    now: float = NIGHT

    @property
    def engine(self) -> Engine:
        return cast(Engine, self.still)

    def tell(self, *events: object, later: float = 1.0) -> None:
        self.now += later
        self.feed.on_events(events, self.engine, self.now)  # type: ignore[arg-type]

    def read(self, celsius: float, channel: str = "pit-left", quality: Quality = Quality.GOOD) -> SamplesJudged:
        self.still.heat(channel, celsius)
        return SamplesJudged(self.now, (Sample(channel, celsius, quality, self.now),))

    @property
    def health(self) -> list[tuple[bool, str]]:
        return [(item.ok, item.detail) for item in self.posted if isinstance(item, Health)]

    async def until(self, holds: Callable[[], bool], within: float = 8.0) -> None:
        async with asyncio.timeout(within):
            while not holds():
                await asyncio.sleep(0.01)

    async def settled(self, ear: Ear) -> None:
        """All said so far has been heard; the ear is emptied. A marker comes after whatever was sent before it."""
        await self.until(lambda: self.feed.link.connected)
        assert await self.feed.link.deliver("marker", str(self.now))
        await ear.hears("marker", str(self.now))
        ear.heard.clear()


@contextlib.asynccontextmanager
async def watching(
    evening: tuple[Rig, Snapshot], settings: BrokerSettings, announced: set[str] | None = None,
    section: BrokerSection | None = None,
) -> AsyncIterator[Watch]:  # fmt: skip
    rig, snapshot = evening
    if section is not None:
        rig = rig.model_copy(update={"broker": section})
    posted: list[Input] = []
    remembered: list[set[str]] = []
    hub_feed = HubFeed(rig, settings, posted.append, announced or set(), remembered.append, lambda: WALL_OFFSET)
    watch = Watch(hub_feed, Still(snapshot), posted, remembered)
    hub_feed.start()
    try:
        yield watch
    finally:
        await hub_feed.stop()


def at(port: int, **more: object) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, "pitvigil-pit", **more)  # type: ignore[arg-type]


# --- order, values, words -----------------------------------------------------------------------------------


async def test_the_order_of_homie(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    """init, description, values, ready (Homie 5.0.0, Device Lifecycle); the states are retained, nothing is NaN."""
    async with Ear(mosquitto.port, (f"{BASE}/#", "homeassistant/#")) as ear:
        async with watching(evening, at(mosquitto.port)) as watch:
            watch.tell(watch.read(121.4))
            await ear.hears(f"{BASE}/$state", "ready")
            topics = [h.topic for h in ear.heard]
            first = {topic: topics.index(topic) for topic in topics}
            ready = ear.heard.index(await ear.hears(f"{BASE}/$state", "ready"))
            assert ear.heard[0].topic == f"{BASE}/$state" and ear.heard[0].payload == "init"
            assert first[f"{BASE}/$description"] < first[f"{BASE}/pit/temperature"] < ready
            described = json.loads(ear.of(f"{BASE}/$description")[0])
            for node, body in described["nodes"].items():
                for prop, facts in body["properties"].items():
                    assert (f"{BASE}/{node}/{prop}" in first) == facts.get("retained", True)
            before = await retained_on(mosquitto.port)
            assert before[f"{BASE}/channel-pit-left/temperature"] == "121.4"
            assert not {"nan", "inf", "-inf", "None"} & set(before.values())
        await ear.hears(f"{BASE}/$state", "disconnected")
        assert "lost" not in ear.of(f"{BASE}/$state")


async def test_a_temperature_goes_out_as_it_is_judged(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        for celsius in (122.0, 123.0, 124.0):
            watch.tell(watch.read(celsius), later=0.2)
        await ear.hears(f"{BASE}/channel-pit-left/temperature", "124.0")
        assert ear.of(f"{BASE}/channel-pit-left/temperature") == ["122.0", "123.0", "124.0"]
        assert ear.of(f"{BASE}/pit/temperature") == []  # what is drawn from the picture waits up to 5 s
        await ear.until(lambda: len(ear.of(f"{BASE}/channel-pit-left/reading")) == 3)
        reading = json.loads(ear.of(f"{BASE}/channel-pit-left/reading")[-1])
        assert reading["celsius"] == 124.0
        measured = datetime.fromisoformat(reading["time"]).timestamp()
        assert measured == pytest.approx(watch.now - 0.2 + WALL_OFFSET, abs=0.01)
        watch.tell(watch.read(124.0), later=5.0)
        await ear.hears(f"{BASE}/pit/temperature", "124.0")


async def test_a_bad_probe_is_not_live(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        watch.tell(SamplesJudged(watch.now, (Sample("pit-left", None, Quality.BAD, watch.now, Fault.OPEN_CIRCUIT),)))
        watch.tell(SamplesJudged(watch.now, (Sample("pit-right", 900.0, Quality.SUSPECT, watch.now),)))
        await watch.until(lambda: watch.feed.link.connected)
        await watch.feed.link.deliver("flush", "")
        kept = await retained_on(mosquitto.port)
        assert kept[f"{BASE}/channel-pit-left/live"] == kept[f"{BASE}/channel-pit-right/live"] == "false"
        assert not {f"{BASE}/channel-pit-left/temperature", f"{BASE}/channel-pit-right/temperature"} & kept.keys()


async def test_values_run_out_by_themselves(mosquitto: PrivateBroker) -> None:
    """MQTT 5.0, 3.3.2.3.3 Message Expiry Interval: what nobody renews is gone, even if watch and broker died together."""
    link = BrokerLink(at(mosquitto.port), LinkTopics("s", "init", "ready", "off", "lost"))
    link.retain("value", "121.0", expires=1)
    link.retain("name", "pit")
    link.start()
    try:
        async with Ear(mosquitto.port, ("value",)) as ear:
            await ear.hears("value")
        await asyncio.sleep(2.1)
        kept = await retained_on(mosquitto.port)
        assert kept["name"] == "pit" and "value" not in kept
    finally:
        await link.stop()


async def test_the_heartbeat_says_everything_again(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        watch.feed.heartbeat(watch.now + 60)
        await ear.hears(f"{BASE}/channel-outside/live")
        await ear.hears(f"{BASE}/watch/cook", "Village-hall lunch")
        assert "" not in {h.payload for h in ear.heard}  # what is unknown was cleared once and is not cleared again
        assert ear.of(f"{BASE}/channel-pit-left/temperature") == ["121.0"]
        assert not [h for h in ear.heard if h.topic.startswith("homeassistant/")]


# --- orders -------------------------------------------------------------------------------------------------


async def test_orders_come_in_and_retained_ones_do_not(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    async with Ear(mosquitto.port) as ear:
        ear.say(f"{BASE}/pit/mark/set", "fire-lit", retain=True)
        async with watching(evening, at(mosquitto.port)) as watch:
            watch.tell(watch.read(121.0))
            await ear.hears(f"{BASE}/$log/warn")
            ear.say(f"{BASE}/pit/mark/set", "log")
            soon = (datetime.now(UTC) + timedelta(seconds=30)).isoformat()
            ear.say(
                "pitvigil/pit/command", json.dumps({"command": "acknowledge", "alarm": "*", "id": "1", "expires": soon})
            )
            ear.say("pitvigil/pit/command", json.dumps({"command": "sleep", "id": "1", "expires": soon}))
            ear.say("pitvigil/pit/command", b"x" * 1025)
            await ear.until(lambda: len(ear.of("pitvigil/pit/command/result")) == 3)
        commands = [item for item in watch.posted if not isinstance(item, Health)]
        assert commands == [Mark(MarkKind.LOG, None, "hub"), Acknowledge("*", "hub")]
        answers = [json.loads(text) for text in ear.of("pitvigil/pit/command/result")]
        assert [answer["taken"] for answer in answers] == [True, False, False]
        assert answers[1]["id"] == "1" and "this id" in answers[1]["problem"]


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
        assert not await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
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
    """8 h of virtual time, a reading every 20 s and an alarm every 4 min: bounded memory, then all alarms in order and the
    newest of every value, within 60 s."""
    private = plain_broker(tmp_path)
    async with watching(evening, at(private.port)) as watch:
        watch.tell(watch.read(121.0))
        tracemalloc.start()
        before = tracemalloc.get_traced_memory()[0]
        numbers = iter(range(1, 1000))
        for step in range(int(8 * HOUR / 20)):
            events = [watch.read(110.0 + step % 200 / 10)]
            if step % 12 == 0:
                events.append(alarm(next(numbers), watch.now))  # type: ignore[arg-type]
            watch.tell(*events, later=20.0)
            if step % 100 == 0:
                await asyncio.sleep(0)  # attempts go on meanwhile
        grown = tracemalloc.get_traced_memory()[0] - before
        tracemalloc.stop()
        told = next(numbers) - 1
        assert told == 120 and watch.feed.link.waiting == told
        assert grown < 5e6, f"{grown / 1e6:.1f} MB"
        catcher = _Catcher()
        port = await catcher.start(private.port)
        try:
            async with asyncio.timeout(60):
                await catcher.until(lambda: len(catcher.of(ALARMS)) == told)
        finally:
            await catcher.stop()
        assert port == private.port
        assert [json.loads(text)["occurrence"] for text in catcher.of(ALARMS)] == list(range(1, told + 1))
        assert len(catcher.of(f"{BASE}/channel-pit-left/temperature")) == 1
        assert not catcher.of(f"{BASE}/channel-pit-left/reading")
        assert watch.feed.link.waiting == 0


def test_the_oldest_events_go_when_there_are_too_many() -> None:
    link = BrokerLink(at(1), LinkTopics("s", "init", "ready", "off", "lost"))
    for number in range(broker.EVENTS_WAITING + 25):
        link.tell("event", str(number), keep=True)
        link.tell("other", str(number))
    assert link.waiting == broker.EVENTS_WAITING
    assert next(payload for _, payload in link._events.values()) == "25"


class _Catcher:
    """Stands where a broker would: speaks just enough MQTT 5 to take every publication from its first byte on, which no
    second client of a real broker could be sure of. version: the protocol level it accepts."""

    def __init__(self, version: int = 5, silent: bool = False) -> None:
        self.taken: list[tuple[str, str]] = []
        self.levels: list[int] = []
        self._version, self._silent = version, silent
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writer: asyncio.StreamWriter | None = None

    async def start(self, port: int = 0) -> int:
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        return cast(int, self._server.sockets[0].getsockname()[1])

    def send(self, packet: bytes) -> None:
        """To whoever connected last."""
        assert self._writer is not None
        self._writer.write(packet)

    async def stop(self) -> None:
        assert self._server is not None
        self._server.close()
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def of(self, topic: str) -> list[str]:
        return [payload for t, payload in self.taken if t == topic]

    async def until(self, holds: Callable[[], bool]) -> None:
        while not holds():
            await asyncio.sleep(0.01)

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        self._tasks.add(task)
        self._writer = writer
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError, asyncio.CancelledError):
            while True:
                kind = (await reader.readexactly(1))[0]
                length, shift = 0, 0
                while True:
                    byte = (await reader.readexactly(1))[0]
                    length |= (byte & 127) << shift
                    shift += 7
                    if byte < 128:
                        break
                body = await reader.readexactly(length)
                if not self._silent:
                    writer.write(self._answer(kind, body))
        writer.close()

    def _answer(self, kind: int, body: bytes) -> bytes:
        five = self._version == 5
        match kind >> 4:
            case 1:  # CONNECT: the level is the byte after the protocol's name
                self.levels.append(body[6])
                if body[6] != self._version:
                    return b"\x20\x02\x00\x01"  # CONNACK of 3.1.1: unacceptable protocol version
                return b"\x20\x03\x00\x00\x00" if five else b"\x20\x02\x00\x00"
            case 3:  # PUBLISH
                size = int.from_bytes(body[:2], "big")
                topic, rest = body[2 : 2 + size].decode(), body[2 + size :]
                mid = b""
                if kind & 0b110:
                    mid, rest = rest[:2], rest[2:]
                if five:
                    rest = rest[1 + rest[0] :]
                self.taken.append((topic, rest.decode()))
                return b"\x40\x02" + mid if mid else b""
            case 8:  # SUBSCRIBE
                return b"\x90\x04" + body[:2] + b"\x00\x01" if five else b"\x90\x03" + body[:2] + b"\x01"
            case 12:  # PINGREQ
                return b"\xd0\x00"
        return b""


async def test_an_old_broker_is_spoken_to_in_its_words(evening: tuple[Rig, Snapshot]) -> None:
    """MQTT 3.1.1, 3.2.2.3: return code 1 is "unacceptable protocol version"."""
    catcher = _Catcher(version=4)
    port = await catcher.start()
    try:
        async with watching(evening, at(port)) as watch:
            watch.tell(watch.read(121.0), alarm(1, NIGHT))
            await asyncio.wait_for(catcher.until(lambda: "ready" in catcher.of(f"{BASE}/$state")), 8)
            await watch.until(lambda: watch.feed.link.waiting == 0)
            assert catcher.levels == [5, 4]
            assert catcher.of(f"{BASE}/channel-pit-left/temperature") == ["121.0"]
            assert await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
        assert catcher.of(f"{BASE}/$state")[-1] == "disconnected"
    finally:
        await catcher.stop()


async def test_a_broker_that_does_not_answer(evening: tuple[Rig, Snapshot], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "ANSWER_WITHIN", 0.2)
    catcher = _Catcher(silent=True)
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
    monkeypatch.setattr(broker, "TAKEOVER_PAUSE", 0.8)
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.tell(watch.read(121.0))
        for _ in range(broker.DROPS_IN_A_ROW):
            await watch.until(lambda: watch.feed.link.connected)
            async with Ear(mosquitto.port, client_id="pitvigil-pit"):
                await watch.until(lambda: not watch.feed.link.connected)
        await watch.until(lambda: 'another client may use our name "pitvigil-pit"' in watch.health[-1][1])
        await asyncio.sleep(0.3)
        assert not watch.feed.link.connected
        await watch.until(lambda: watch.feed.link.connected)
        await watch.feed.link.deliver("marker", "")
        assert (await retained_on(mosquitto.port))[f"{BASE}/$state"] == "ready"


async def test_a_broker_that_names_the_takeover(evening: tuple[Rig, Snapshot], monkeypatch: pytest.MonkeyPatch) -> None:
    """MQTT 5.0, 3.14.2.1: DISCONNECT with reason code 142, Session taken over."""
    monkeypatch.setattr(broker, "TAKEOVER_PAUSE", 0.6)
    catcher = _Catcher()
    port = await catcher.start()
    try:
        async with watching(evening, at(port)) as watch:
            await watch.until(lambda: watch.feed.link.connected)
            catcher.send(b"\xe0\x02\x8e\x00")
            await watch.until(lambda: "Session taken over" in watch.health[-1][1])
            assert 'our name "pitvigil-pit"' in watch.health[-1][1]
            await asyncio.sleep(0.3)
            assert len(catcher.levels) == 1
            await watch.until(lambda: watch.feed.link.connected)
    finally:
        await catcher.stop()


DYING = """
import asyncio, sys
from daemon.shell.broker import *
async def main():
    link = BrokerLink(BrokerSettings("127.0.0.1", int(sys.argv[1]), "mortal"), LinkTopics("s", "init", "ready", "off", "lost"))
    link.retain("value", "121.0", expires=3)
    link.ready(True)
    link.start()
    await asyncio.sleep(60)
asyncio.run(main())
"""


async def test_the_will_of_a_killed_watch(mosquitto: PrivateBroker) -> None:
    async with Ear(mosquitto.port) as ear:
        process = subprocess.Popen([sys.executable, "-c", DYING, str(mosquitto.port)], cwd=ROOT, env=os.environ.copy())
        try:
            await ear.hears("s", "ready", within=15)
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
        async with Ear(private.port) as ear:
            await ear.hears("s", "ready", within=15)
        async with asyncio.timeout(8):
            while not _holds(tmp_path / "mosquitto.db", b"121.0"):
                await asyncio.sleep(0.05)
    finally:
        process.send_signal(signal.SIGKILL)
        private.kill()
        process.wait()
    await private.start()
    try:
        assert (await retained_on(private.port))["s"] == "ready"
        await asyncio.sleep(3.5)
        assert await retained_on(private.port) == {"s": "ready"}
    finally:
        private.stop()


def _holds(file: Path, words: bytes) -> bool:
    return file.exists() and words in file.read_bytes()


# --- the hub ------------------------------------------------------------------------------------------------


async def test_a_hub_that_starts_is_told_everything_a_little_later(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert feed.BIRTH_DELAY == (1.0, 5.0)
    monkeypatch.setattr(feed, "BIRTH_DELAY", (0.3, 0.4))
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await watch.settled(ear)
        ear.say("homeassistant/status", "online")
        ear.say("homeassistant/status", "online")
        await ear.hears("homeassistant/status", "online")
        assert not ear.of("homeassistant/device/pitvigil_pit/config")
        await ear.hears("homeassistant/device/pitvigil_pit/config")
        await ear.hears(f"{BASE}/channel-cabinet/live")
        assert len(ear.of("homeassistant/device/pitvigil_pit/config")) == 1


@pytest.mark.parametrize("style", ["device", "per-entity"])
async def test_a_rename_cleans_up_after_itself(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker, style: str
) -> None:
    """In the same run and in the next one."""
    section = BrokerSection(host="127.0.0.1", port=mosquitto.port, discovery=style)  # type: ignore[arg-type]
    async with watching(evening, at(mosquitto.port), section=section) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await ear.hears(f"{BASE}/$state", "ready")
        first = json.loads(ear.of(f"{BASE}/$description")[-1])
        pieces = watch.still.picture.pieces
        watch.still.picture = replace(watch.still.picture, pieces=(replace(pieces[0], id="beef"), *pieces[1:]))
        await watch.settled(ear)
        watch.tell(later=10.0)
        await ear.hears(f"{BASE}/$state", "ready")
        assert ear.of(f"{BASE}/$state") == ["init", "ready"]
        second = json.loads(ear.of(f"{BASE}/$description")[-1])
        assert second["version"] > first["version"] and "piece-beef" in second["nodes"]
        if style == "device":
            component = json.loads(ear.of("homeassistant/device/pitvigil_pit/config")[-1])["components"]
            assert component["piece-chuck_stage"] == {"platform": "sensor"}
        left_behind = watch.remembered[-1]
    async with watching(evening, at(mosquitto.port), left_behind, section) as watch, Ear(mosquitto.port) as ear:
        pieces = watch.still.picture.pieces
        watch.still.picture = replace(watch.still.picture, pieces=(replace(pieces[0], id="roll"), *pieces[1:]))
        watch.tell(watch.read(121.0))
        await ear.hears(f"{BASE}/$state", "ready")
        await watch.feed.link.deliver("marker", "")
        kept = await retained_on(mosquitto.port)
        assert any("piece-roll" in topic for topic in kept)
        stale = [t for t in kept if "piece-chuck" in t or "piece-beef" in t]
        assert stale == []
        if style == "device":
            document = json.loads(kept[discovery.device_topic(watch.feed._hub)])
            assert document["components"]["piece-beef_stage"] == {"platform": "sensor"}
            assert document["components"]["piece-roll_stage"]["unique_id"] == "pitvigil_pit_piece-roll_stage"


async def test_a_pit_that_was_renamed_ceases_to_exist(evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker) -> None:
    """Homie 5.0.0, Device Lifecycle: a zero-length `$state` removes the device; the hub's document goes as well."""
    rig, snapshot = evening
    async with watching(evening, at(mosquitto.port)) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await ear.hears(f"{BASE}/$state", "ready")
        left_behind = watch.remembered[-1]
    assert (await retained_on(mosquitto.port))[f"{BASE}/$state"] == "disconnected"
    other = rig.model_copy(update={"pit": rig.pit.model_copy(update={"id": "yard"})})
    async with watching((other, snapshot), at(mosquitto.port), left_behind) as watch, Ear(mosquitto.port) as ear:
        watch.tell(watch.read(121.0))
        await ear.hears("homie/5/yard/$state", "ready")
        await watch.settled(ear)
        kept = await retained_on(mosquitto.port)
        assert not [topic for topic in kept if topic.startswith(f"{BASE}/") or "pitvigil_pit" in topic]
        assert kept["homeassistant/device/pitvigil_yard/config"]


class Broken(Still):
    def snapshot(self, now: float) -> Snapshot:
        raise ArithmeticError("no picture")


async def test_a_feed_that_fails_does_not_stop_the_watch(
    evening: tuple[Rig, Snapshot], mosquitto: PrivateBroker
) -> None:
    async with watching(evening, at(mosquitto.port)) as watch:
        watch.still = Broken(watch.still.picture)
        watch.tell(watch.read(121.0))
        watch.tell(watch.read(122.0))
        watch.feed.heartbeat(watch.now)
        assert watch.health == [(False, "the feed failed: ArithmeticError: no picture")]


# --- who may ------------------------------------------------------------------------------------------------


@dataclass
class Made:
    """What deploy/hub/make-broker.sh made."""

    directory: Path
    tls_port: int
    local_port: int

    def password(self, user: str) -> str:
        return (self.directory / f"{user}.password").read_text().strip()

    @property
    def ca(self) -> Path:
        return self.directory / "ca.crt"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Made]:
    directory = tmp_path_factory.mktemp("made") / "broker"
    tls_port, local_port = free_ports(2)
    subprocess.run(
        [MAKE_BROKER, directory, "localhost", "pit", str(tls_port), str(local_port)], check=True, capture_output=True
    )
    file = directory / "mosquitto.conf"
    file.write_text(as_us() + file.read_text())
    private = PrivateBroker(file, tls_port)
    asyncio.run(private.start())
    yield Made(directory, tls_port, local_port)
    private.stop()


def test_secrets_of_the_made_broker_are_private(made: Made) -> None:
    for name in ("ca.key", "server.key", "pitvigil.password", "hub.password", "viewer.password", "passwords"):
        assert (made.directory / name).stat().st_mode & 0o077 == 0, name
    assert made.password("hub") not in (made.directory / "passwords").read_text()
    assert made.password("hub") != made.password("pitvigil")


async def test_the_made_broker_end_to_end(evening: tuple[Rig, Snapshot], made: Made) -> None:
    """TLS, password and access list as shipped: the watch tells, the hub hears and orders, a viewer orders in vain."""
    settings = BrokerSettings(
        "localhost", made.tls_port, "pitvigil-pit", "pitvigil", made.password("pitvigil"),
        tls_context(str(made.ca), None, None),
    )  # fmt: skip
    assert made.password("pitvigil") not in repr(settings)
    hub = Ear(made.local_port, ("#",), "hub", made.password("hub"))
    viewer = Ear(made.local_port, ("#",), "viewer", made.password("viewer"))
    async with watching(evening, settings) as watch, hub, viewer:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await hub.hears(f"{BASE}/channel-pit-left/temperature", "121.0")
        await hub.hears("homeassistant/device/pitvigil_pit/config")
        await hub.hears(ALARMS)
        assert await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
        viewer.say(f"{BASE}/watch/acknowledge/set", "*")
        await viewer.hears(f"{BASE}/channel-pit-left/temperature", "121.0")
        hub.say(f"{BASE}/pit/mark/set", "log")
        await watch.until(lambda: Mark(MarkKind.LOG, None, "hub") in watch.posted)
        assert not [item for item in watch.posted if isinstance(item, Acknowledge)]
        assert {ok for ok, _ in watch.health} == {True}


@pytest.mark.parametrize("password", ["wrong", None])
async def test_a_wrong_password(evening: tuple[Rig, Snapshot], made: Made, password: str | None) -> None:
    settings = at(made.local_port, user="pitvigil" if password else None, password=password)
    async with watching(evening, settings) as watch:
        await watch.until(lambda: bool(watch.health))
        await asyncio.sleep(0.3)
        assert watch.health == [(False, "the broker refuses us: Not authorized")]


async def test_a_denied_topic_is_seen_and_reported_once(evening: tuple[Rig, Snapshot], made: Made) -> None:
    """MQTT 5.0, 3.4.2.1: PUBACK with reason code 135, Not authorized."""
    settings = at(made.local_port, user="viewer", password=made.password("viewer"))
    async with watching(evening, settings) as watch:
        watch.tell(watch.read(121.0), alarm(1, NIGHT))
        await watch.until(lambda: len(watch.health) == 2)
        assert not await watch.feed.link.deliver("pitvigil/pit/announce/bedroom", "{}")
        watch.tell(watch.read(122.0), alarm(2, NIGHT))
        await watch.until(lambda: watch.feed.link.waiting == 0)
        assert [ok for ok, _ in watch.health] == [True, False]
        assert watch.health[1][1] == f"not allowed to publish to {BASE}/$state"


# --- TLS ----------------------------------------------------------------------------------------------------


Signer = tuple[x509.Certificate, ec.EllipticCurvePrivateKey]


def certificate(
    directory: Path, name: str, host: str, days: tuple[int, int], signer: Signer | None, authority: bool = False
) -> Signer:
    """A certificate for `host`, valid from days[0] to days[1] from now; self-signed without a signer."""
    key = ec.generate_private_key(ec.SECP256R1())
    subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, host)])
    now = datetime.now(UTC)
    builder = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(signer[0].subject if signer else subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now + timedelta(days=days[0]))
        .not_valid_after(now + timedelta(days=days[1]))
        .add_extension(x509.BasicConstraints(ca=authority, path_length=None), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName(host)]), critical=False)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
    )
    if signer is not None:
        builder = builder.add_extension(
            x509.AuthorityKeyIdentifier.from_issuer_public_key(signer[1].public_key()), critical=False
        )
    if authority:
        usage = x509.KeyUsage(False, False, False, False, False, True, True, False, False)
        builder = builder.add_extension(usage, critical=True)
    cert = builder.sign(signer[1] if signer else key, hashes.SHA256())
    (directory / f"{name}.crt").write_bytes(cert.public_bytes(serialization.Encoding.PEM))
    (directory / f"{name}.key").write_bytes(
        key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    )
    return cert, key


REFUSED = {
    "expired": "certificate has expired",
    "wrong-host": "Hostname mismatch",
    "self-signed": "self-signed certificate",
    "unknown-authority": "unable to get local issuer certificate",
}


@pytest.fixture(scope="module")
def tls_ports(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, dict[str, int]]]:
    """One mosquitto with a listener for each kind of certificate, and the CA file the watch trusts."""
    directory = tmp_path_factory.mktemp("tls")
    ours = certificate(directory, "ca", "our authority", (-2, 30), None, authority=True)
    theirs = certificate(directory, "other-ca", "another authority", (-2, 30), None, authority=True)
    certificate(directory, "good", "localhost", (-1, 10), ours)
    certificate(directory, "expired", "localhost", (-20, -1), ours)
    certificate(directory, "wrong-host", "elsewhere.example", (-1, 10), ours)
    certificate(directory, "self-signed", "localhost", (-1, 10), None)
    certificate(directory, "unknown-authority", "localhost", (-1, 10), theirs)
    certificate(directory, "mutual", "localhost", (-1, 10), ours)
    certificate(directory, "watch", "pitvigil", (-1, 10), ours)
    names = ["good", "mutual", *REFUSED]
    ports = dict(zip(names, free_ports(len(names)), strict=True))
    lines = [as_us() + "allow_anonymous true"]
    for name, port in ports.items():
        lines += [f"listener {port} 127.0.0.1", f"certfile {directory}/{name}.crt", f"keyfile {directory}/{name}.key"]
        if name == "mutual":
            lines += [f"cafile {directory}/ca.crt", "require_certificate true"]
    file = directory / "mosquitto.conf"
    file.write_text("\n".join(lines) + "\n")
    private = PrivateBroker(file, ports[names[-1]])
    asyncio.run(private.start())
    yield directory / "ca.crt", ports
    private.stop()


# The MQTT library leaves the socket of a refused certificate to the garbage collector, which closes it at once.
@pytest.mark.filterwarnings("ignore:.*unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket:pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("kind", REFUSED)
async def test_a_certificate_that_must_be_refused(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]], kind: str
) -> None:
    ca, ports = tls_ports
    settings = BrokerSettings("localhost", ports[kind], "pitvigil-pit", tls=tls_context(str(ca), None, None))
    async with watching(evening, settings) as watch:
        await watch.until(lambda: bool(watch.health))
        assert watch.health[0][0] is False
        assert "its certificate is refused" in watch.health[0][1] and REFUSED[kind] in watch.health[0][1]
        assert not watch.feed.link.connected


async def test_a_certificate_that_is_right(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]]
) -> None:
    ca, ports = tls_ports
    context = tls_context(str(ca), None, None)
    assert context.verify_mode is ssl.CERT_REQUIRED and context.check_hostname
    async with watching(evening, BrokerSettings("localhost", ports["good"], "pitvigil-pit", tls=context)) as watch:
        await watch.until(lambda: watch.health == [(True, "")])


async def test_a_watch_that_shows_a_certificate_of_its_own(
    evening: tuple[Rig, Snapshot], tls_ports: tuple[Path, dict[str, int]]
) -> None:
    ca, ports = tls_ports
    without = BrokerSettings("localhost", ports["mutual"], "pitvigil-pit", tls=tls_context(str(ca), None, None))
    async with watching(evening, without) as watch:
        await watch.until(lambda: bool(watch.health))
        assert watch.health[0][0] is False
    own = tls_context(str(ca), str(ca.parent / "watch.crt"), str(ca.parent / "watch.key"))
    async with watching(evening, replace(without, tls=own)) as watch:
        await watch.until(lambda: watch.health == [(True, "")])
