"""Bytes that are no request: one bounded line of the log and no traceback, and whoever holds the key gets his answer."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
from collections.abc import AsyncIterator

import aiohttp
import pytest

from daemon.shell.web.junk import SAID_EVERY
from daemon.shell.web.server import WIRE_LOG
from tests.patience import PATIENCE
from tests.shell.web.page_site import Site, bearer

SEED, RANDOM = 20261127, 60
CHANCE = random.Random(SEED)
JUNK = [
    b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 70_000 + b"\r\n\r\n",
    b"GET /" + b"a" * 70_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"".join(b"X-%d: 1\r\n" % i for i in range(5000)) + b"\r\n",
    b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
    b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n\r\n",
    b"POST /api/login HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFFF\r\n",
    b"GET http://[::1 HTTP/1.1\r\nHost: localhost\r\n\r\n",
    b"GET / HTTP/9.9\r\nHost: localhost\r\n\r\n",
    b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n",
    b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + bytes(200),
    b"GET / HTTP/1.1\r\nHost: \xff\xfe\r\nCookie: \x00\xff=;;;=\r\n\r\n",
    b"GET /api/snapshot?%ff%fe=%00 HTTP/1.1\r\nHost: localhost\r\nAuthorization: Bearer \xe9\xff\r\n\r\n",
    b"\r\n" * 1000,
    *(CHANCE.randbytes(CHANCE.randrange(1, 3000)) for _ in range(RANDOM)),
]


@pytest.fixture
async def site() -> AsyncIterator[Site]:
    made = Site()
    await made.server.start()
    yield made
    await made.server.stop()


async def send(site: Site, junk: bytes) -> None:
    reader, writer = await asyncio.open_connection("127.0.0.1", site.server.port)
    with contextlib.suppress(ConnectionError):
        writer.write(junk)
        writer.write_eof()
        async with asyncio.timeout(PATIENCE):
            await reader.read()
    writer.close()
    with contextlib.suppress(ConnectionError):
        await writer.wait_closed()


async def test_whatever_bytes_come_the_log_gets_one_plain_line(site: Site, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        for junk in JUNK:
            await send(site, junk)
    assert [r for r in caplog.records if r.exc_info or r.stack_info or len(r.getMessage()) > 500] == []
    assert len(caplog.records) == 1 and caplog.records[0].levelno == logging.WARNING
    assert site.server.junk_count > 5
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        assert (await cook.get("/api/snapshot")).status == 200


async def test_junk_is_said_again_after_an_hour_with_its_count(site: Site, caplog: pytest.LogCaptureFixture) -> None:
    for _ in range(3):
        await send(site, JUNK[0])
    site.clock.time += SAID_EVERY
    await send(site, JUNK[0])
    assert [r.getMessage().split("; ")[1] for r in caplog.records] == [
        "0 more since the last line about it",
        "2 more since the last line about it",
    ]


async def test_a_handler_that_fails_is_said_once_and_in_one_line(
    site: Site, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: object) -> None:
        raise RuntimeError("made wrong on purpose")

    monkeypatch.setattr(site.server, "_judge", broken)
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook:
        assert [(await cook.get("/api/snapshot")).status for _ in range(5)] == [500] * 5
    assert len(caplog.records) == 1 and not caplog.records[0].exc_info


async def test_the_library_alone_writes_a_traceback_for_each(site: Site, caplog: pytest.LogCaptureFixture) -> None:
    """The wrong build, which this junk finds out."""
    WIRE_LOG.filters.clear()
    for _ in range(3):
        await send(site, JUNK[0])
    assert len([r for r in caplog.records if r.exc_info]) == 3
