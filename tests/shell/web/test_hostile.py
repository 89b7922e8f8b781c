"""Guests, foreign pages and guessers: whoever holds the key gets in all the same."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator

import aiohttp
import pytest

from daemon.core import orders
from daemon.shell.web import server as server_module
from daemon.shell.web.streams import GUEST_LIMIT, STREAM_LIMIT
from tests.patience import PATIENCE
from tests.shell.web.page_site import Site, bearer
from tests.shell.web.page_thread import TOKEN

IMAGES = 140
GUESSES = 40


@pytest.fixture
async def open_site() -> AsyncIterator[Site]:
    """Anybody may look."""
    made = Site(open_view=True)
    await made.server.start()
    yield made
    await made.server.stop()


async def acknowledged(session: aiohttp.ClientSession, site: Site) -> bool:
    before = len(site.watch.commands)
    answer = await session.post("/api/acknowledge", json={"alarm": "*"})
    return answer.status == 202 and isinstance(site.watch.commands[before], orders.Acknowledge)


async def test_a_foreign_page_full_of_images_does_not_lock_the_cook_out(
    site: Site, stranger: aiohttp.ClientSession
) -> None:
    """All from the cook's own phone, so from one address; over plain HTTP a browser does not say that they are foreign."""
    for number in range(IMAGES):
        path = ("/api/acknowledge", "/api/end-cook", "/api/nothing")[number % 3]
        assert (await stranger.get(path)).status in (401, 405)
        await stranger.post("/api/acknowledge", data="{}", headers={"Origin": "http://evil.example"})
        await stranger.post("/api/acknowledge", json={"alarm": "*"})
    assert site.watch.commands == []
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        assert await acknowledged(cook, site)


async def test_asking_changes_nothing_and_counts_nothing(site: Site) -> None:
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        for _ in range(IMAGES):
            assert (await cook.get("/api/acknowledge")).status == 405
        assert site.watch.commands == []
        assert await acknowledged(cook, site)


async def test_a_guesser_at_the_same_address_keeps_nobody_out(site: Site, stranger: aiohttp.ClientSession) -> None:
    statuses = [
        (await stranger.post("/api/login", json={"token": f"{number}" * 9}, headers={"Origin": site.url})).status
        for number in range(GUESSES)
    ]
    assert 429 in statuses and 202 not in statuses
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        assert await acknowledged(cook, site)


async def test_who_sends_too_many_changes_waits_a_minute_and_never_longer(site: Site) -> None:
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        for _ in range(3):
            answers = [await cook.post("/api/mark", json={"kind": "log"}) for _ in range(125)]
            assert answers[-1].status == 429 and float(answers[-1].headers["Retry-After"]) <= 61
            site.clock.time += 61
        assert await acknowledged(cook, site)


async def test_event_streams_of_guests_are_bounded_and_the_cook_has_a_place(open_site: Site) -> None:
    async with aiohttp.ClientSession(open_site.url) as guest, contextlib.AsyncExitStack() as stack:
        answers = [await stack.enter_async_context(guest.get("/api/events")) for _ in range(GUEST_LIMIT + 6)]
        assert [a.status for a in answers] == [200] * GUEST_LIMIT + [503] * 6
        async with aiohttp.ClientSession(open_site.url, headers=bearer()) as cook:
            tabs = [await stack.enter_async_context(cook.get("/api/events")) for _ in range(STREAM_LIMIT + 3)]
            assert all(tab.status == 200 for tab in tabs)
            async with asyncio.timeout(PATIENCE):  # the oldest tab was let go; it comes again by itself
                while await tabs[0].content.readany():
                    pass


async def test_guests_are_answered_a_few_at_a_time(open_site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "GUESTS_LIMIT", 0)
    async with aiohttp.ClientSession(open_site.url) as guest:
        assert (await guest.get("/api/snapshot")).status == 503
        assert (await guest.post("/api/login", json={"token": "wrong"})).status == 401
        assert (await guest.post("/api/login", json={"token": TOKEN})).status == 202  # a new phone needs no free place
    async with aiohttp.ClientSession(open_site.url, headers=bearer()) as cook:
        assert (await cook.get("/api/snapshot")).status == 200
