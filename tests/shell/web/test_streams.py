"""The stream of news that a page listens to."""

from __future__ import annotations

import asyncio
import json

import aiohttp
import pytest

from daemon.core.events import CommandRefused, MorningTold
from daemon.shell.web import streams as streams_module
from daemon.shell.web.server import PageServer
from daemon.shell.web.streams import STREAM_LIMIT
from tests.patience import PATIENCE
from tests.shell.web.page_scenario import FakeWatch


async def next_event(response: aiohttp.ClientResponse) -> dict[str, str]:
    """One event of the stream, as html.spec.whatwg.org 9.2.6 reads it; comments under ""."""
    fields: dict[str, str] = {}
    async with asyncio.timeout(PATIENCE):
        async for raw in response.content:
            line = raw.decode().rstrip("\n")
            if not line and fields:
                return fields
            name, _, value = line.partition(":")
            fields[name] = value.removeprefix(" ")
    raise AssertionError("the stream ended")


async def test_the_stream_sends_the_newest_and_news(client: aiohttp.ClientSession, server: PageServer,
                                                    watch: FakeWatch) -> None:  # fmt: skip
    server.publish(watch.snapshot())
    async with client.get("/api/events") as response:
        assert response.content_type == "text/event-stream"
        assert await next_event(response) == {"retry": "2000"}
        first = await next_event(response)
        assert (first["event"], first["id"]) == ("snapshot", "1")
        assert json.loads(first["data"])["cook_name"] == "Village-hall lunch"
        for _ in range(5):
            server.publish(watch.tick(1))
        assert (await next_event(response))["id"] == "6", "a slow page gets the newest only"
        server.tell(CommandRefused(1.0, "Shelve", "not a safety alarm"))
        assert json.loads((await next_event(response))["data"])["reason"] == "not a safety alarm"
        server.tell(MorningTold(1.0, ("a",), ("b",)))
        assert (await next_event(response))["event"] == "morning"


async def test_a_page_that_has_the_newest_is_not_sent_it_again(
    client: aiohttp.ClientSession, server: PageServer, watch: FakeWatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams_module, "PING_SECONDS", 0.05)
    server.publish(watch.snapshot())
    async with client.get("/api/events", headers={"Last-Event-ID": "1"}) as response:
        await next_event(response)
        assert await next_event(response) == {"": "ping"}
    async with client.get("/api/events", headers={"Last-Event-ID": "0"}) as response:
        await next_event(response)
        assert (await next_event(response))["event"] == "snapshot"


async def test_beyond_sixteen_streams_the_oldest_makes_room(client: aiohttp.ClientSession, server: PageServer) -> None:
    opened = [await client.get("/api/events") for _ in range(STREAM_LIMIT + 1)]
    assert all(stream.status == 200 for stream in opened)
    async with asyncio.timeout(PATIENCE):
        while server.open_streams > STREAM_LIMIT:
            await asyncio.sleep(0.01)
    for stream in opened:
        stream.close()
