"""A broker that takes everything and acknowledges nothing, and one that comes to its senses."""

from __future__ import annotations

import asyncio
import contextlib

import pytest

from daemon.core.alarms.rules import RULES_BY_ID
from daemon.core.engine import SCAN_CYCLE
from daemon.shell.hub import link as link_module
from daemon.shell.hub.link import BrokerLink, LinkTopics
from daemon.shell.hub.link_settings import BrokerSettings
from tests.patience import PATIENCE

CONNACK = bytes((0x20, 0x03, 0x00, 0x00, 0x00))
"""MQTT 5.0, 3.2: no session, success, no properties."""
PUBLISH, PUBACK = 0x30, 0x40


class Broker:
    """As much of MQTT 5.0 as a client needs to believe that it is connected. acknowledges: QoS 1 messages. cuts: the connection
    after the first of them."""

    def __init__(self) -> None:
        self.acknowledges, self.cuts, self.connections = False, False, 0

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self.connections += 1
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                kind = (await reader.readexactly(1))[0]
                length = shift = 0
                while True:  # 1.5.5, variable byte integer
                    (byte,) = await reader.readexactly(1)
                    length, shift = length | (byte & 0x7F) << shift, shift + 7
                    if byte < 0x80:
                        break
                body = await reader.readexactly(length)
                if kind >> 4 == 1:
                    writer.write(CONNACK)
                elif kind & 0xF0 == PUBLISH and kind & 0x06 and self.acknowledges:
                    topic = int.from_bytes(body[:2], "big")
                    writer.write(bytes((PUBACK, 2)) + body[2 + topic : 4 + topic])
                    if self.cuts:
                        await writer.drain()
                        break
        writer.close()


async def test_a_broker_that_never_acknowledges_is_ill_within_two_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    on_delay = RULES_BY_ID["watch-channel-down"].on_delay
    for found_after in (link_module.OWED_TOO_LONG + link_module.OWED_LOOKED_AT_EVERY, 2 * link_module.KEEPALIVE):
        assert found_after + on_delay + 2 * SCAN_CYCLE < 120, "and whoever is woken over it is known to be out of reach"
    assert on_delay > link_module.TRIAL
    quick = {"OWED_TOO_LONG": 0.3, "OWED_LOOKED_AT_EVERY": 0.05, "FIRST_PAUSE": 0.05, "LONGEST_PAUSE": 0.1}
    for name, value in {**quick, "TAKEOVER_PAUSE": 0.1}.items():
        monkeypatch.setattr(link_module, name, value)
    broker, said = Broker(), list[tuple[bool, str]]()
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    port = server.sockets[0].getsockname()[1]
    link = BrokerLink(
        BrokerSettings("127.0.0.1", port, "pit"), LinkTopics("pit/state", "init", "ready", "gone", "lost"),
        changed=lambda works, words: said.append((works, words)),
    )  # fmt: skip
    link.retain("pit/temperature", "121.0")
    link.start()
    try:
        async with asyncio.timeout(PATIENCE):
            while broker.connections < 3:
                await asyncio.sleep(0.01)
        ill = [words for works, words in said if not works]
        assert any("acknowledges none" in words for words in ill)
        assert not any(works for works, _ in said), "connecting is not working"
        broker.acknowledges = True
        async with asyncio.timeout(PATIENCE):
            while not said[-1][0]:
                await asyncio.sleep(0.01)
    finally:
        await link.stop()
        server.close()


async def test_a_connection_that_is_cut_again_and_again_is_ill_until_one_lasts(monkeypatch: pytest.MonkeyPatch) -> None:
    """As where another client goes on taking our name (MQTT 5.0, 3.1.4): each connection of a moment acknowledges."""
    quick = {
        "FIRST_PAUSE": 0.02,
        "LONGEST_PAUSE": 0.05,
        "TAKEOVER_PAUSE": 0.05,
        "OWED_LOOKED_AT_EVERY": 0.02,
        "TRIAL": 1e9,
    }
    for name, value in quick.items():
        monkeypatch.setattr(link_module, name, value)
    broker, said = Broker(), list[tuple[bool, str]]()
    broker.acknowledges = broker.cuts = True
    server = await asyncio.start_server(broker.serve, "127.0.0.1", 0)
    link = BrokerLink(
        BrokerSettings("127.0.0.1", server.sockets[0].getsockname()[1], "pit"),
        LinkTopics("pit/state", "init", "ready", "gone", "lost"),
        changed=lambda works, words: said.append((works, words)),
    )
    link.start()
    try:
        async with asyncio.timeout(PATIENCE):
            while broker.connections < 6:
                await asyncio.sleep(0.01)
        assert [works for works, _ in said].count(True) <= 1, "only the first was believed"
        assert any("the connection broke off" in words for works, words in said if not works)
        broker.cuts = False
        monkeypatch.setattr(link_module, "TRIAL", 0.05)
        async with asyncio.timeout(PATIENCE):
            while not said[-1][0]:
                await asyncio.sleep(0.01)
    finally:
        await link.stop()
        server.close()
