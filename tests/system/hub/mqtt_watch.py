"""A feed with what it posted, and a stand-in for a broker that hears every byte."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field

from config.rig import BrokerSection, Rig
from daemon.core.events import Sample, SamplesJudged
from daemon.core.inputs import Health, Input
from daemon.core.snapshot import Snapshot
from daemon.shell.hub.feed import HubFeed
from daemon.shell.hub.link_settings import BrokerSettings
from drivers.reading import Quality
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.shell.hub.hub_scenario import NIGHT, WALL_OFFSET, Still
from tests.system.hub.mqtt_broker import Ear
from tests.texts.english import in_english

BASE = "homie/5/pit"
ALARMS = "pitvigil/pit/event/alarm"
HOUR = 3600.0


@dataclass
class Watch:
    """A feed with what it posted and remembered."""

    feed: HubFeed
    still: Still
    posted: list[Input]
    remembered: list[set[str]] = field(default_factory=list)
    now: float = NIGHT

    def tell(self, *events: object, later: float = 1.0) -> None:
        self.now += later
        self.feed.on_events(events, self.still, self.now)  # type: ignore[arg-type]

    def read(self, celsius: float, channel: str = "pit-left", quality: Quality = Quality.GOOD) -> SamplesJudged:
        self.still.heat(channel, celsius)
        return SamplesJudged(self.now, (Sample(channel, celsius, quality, self.now),))

    @property
    def health(self) -> list[tuple[bool, str]]:
        return [(item.ok, in_english(item.detail)) for item in self.posted if isinstance(item, Health)]

    @property
    def trouble(self) -> str:
        """What the link said last, "" before it has said anything."""
        return self.health[-1][1] if self.health else ""

    async def until(self, holds: Callable[[], bool], within: float = PATIENCE) -> None:
        async with asyncio.timeout(within):
            while not holds():
                await asyncio.sleep(0.01)

    async def settled(self, ear: Ear) -> None:
        """All said so far has been heard; the ear is emptied. A marker comes after whatever was sent before it."""
        await self.until(lambda: self.feed.link.connected)
        assert await self.feed.link.deliver("marker", str(self.now)) == ""
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


class Catcher:
    """Stands where a broker would: speaks just enough MQTT 5 to take every publication from its first byte on, which no
    second client of a real broker could be sure of. version: the protocol level it accepts."""

    def __init__(self, version: int = 5, silent: bool = False) -> None:
        self.taken: list[tuple[str, str]] = []
        self.levels: list[int] = []
        self._version, self._silent = version, silent
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._writer: asyncio.StreamWriter | None = None

    async def start(self, port: int | None = None) -> int:
        """On a port that is its own after it has stopped, too: a client that goes on trying cannot take it."""
        port = port or free_port()
        self._server = await asyncio.start_server(self._serve, "127.0.0.1", port)
        return port

    def send(self, packet: bytes) -> None:
        """To whoever connected last."""
        assert self._writer is not None
        self._writer.write(packet)

    async def stop(self) -> None:
        if self._server is not None:  # else it never started, and what kept it from that is the error to be seen
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
