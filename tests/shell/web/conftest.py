"""A page server over a watch that only pretends, and a client that has its key."""

from __future__ import annotations

from collections.abc import AsyncIterator

import aiohttp
import pytest

from daemon.shell.web.contract import PageSettings
from daemon.shell.web.server import PageServer
from tests.shell.web.page_scenario import FakeWatch, page_server
from tests.shell.web.page_site import Site
from tests.shell.web.page_thread import TOKEN


@pytest.fixture
async def watch() -> FakeWatch:
    return FakeWatch()


@pytest.fixture
async def server(watch: FakeWatch) -> AsyncIterator[PageServer]:
    made = page_server(watch, TOKEN, PageSettings(host="127.0.0.1", port=0))
    await made.start()
    yield made
    await made.stop()


@pytest.fixture
async def client(server: PageServer) -> AsyncIterator[aiohttp.ClientSession]:
    headers = {"Authorization": f"Bearer {TOKEN}"}
    async with aiohttp.ClientSession(f"http://127.0.0.1:{server.port}", headers=headers) as session:
        yield session


@pytest.fixture
async def site() -> AsyncIterator[Site]:
    made = Site()
    await made.server.start()
    yield made
    await made.server.stop()


@pytest.fixture
async def stranger(site: Site) -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(site.url, cookie_jar=aiohttp.DummyCookieJar()) as session:
        yield session
