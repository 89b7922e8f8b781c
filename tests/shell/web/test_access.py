"""Who may look and who may change, asked over a real socket.

Bars: OWASP CSRF Prevention Cheat Sheet (Origin and Fetch Metadata checks, SameSite) and RFC 9110 15.5.20 (421) for what
is refused and how; RFC 6265bis for the cookie's attributes. Figures (10 tries, 16 kB, 8 streams) are our own.
"""

from __future__ import annotations

import asyncio

import aiohttp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.shell.web import server as server_module
from daemon.shell.web.access import COOKIE, KeyStore, Limit, host_allowed, new_token, origin_allowed
from daemon.shell.web.routes import ROUTES
from tests.patience import PATIENCE
from tests.shell.web.page_site import Site, bearer
from tests.shell.web.page_thread import TOKEN

CHANGING = [route.path for route in ROUTES if route.takes and not route.open]
READING = [route.path for route in ROUTES if not route.takes and not route.open]


def cookie(site: Site) -> dict[str, str]:
    return {"Cookie": f"{COOKIE}={KeyStore(TOKEN).cookie}", "Origin": site.url}


async def test_route_walk_every_registered_route_is_in_the_table_or_a_file(site: Site) -> None:
    """The walk below walks the table; this proves that nothing is served outside of it."""
    routes = site.server.application().router.routes()
    served = {(route.method, route.resource.canonical) for route in routes if route.resource is not None}
    api = {(method, path) for method, path in served if path.startswith("/api/")}
    assert api == {(route.method, route.path) for route in ROUTES}
    assert {method for method, path in served if not path.startswith("/api/")} <= {"GET", "HEAD"}


@pytest.mark.parametrize("path", CHANGING)
async def test_a_changing_route_without_the_token_is_401(
    site: Site, stranger: aiohttp.ClientSession, path: str
) -> None:
    for headers in ({}, bearer("x" * 43), {"Cookie": f"{COOKIE}={'0' * 64}"}):
        answer = await stranger.post(path, json={}, headers={"Origin": site.url, **headers})
        assert answer.status == 401, headers
    assert site.watch.commands == [] and site.watch.cooks.notes == {}


@pytest.mark.parametrize("path", CHANGING)
async def test_a_changing_route_refuses_a_foreign_origin_even_with_the_cookie(
    site: Site, stranger: aiohttp.ClientSession, path: str
) -> None:
    for foreign in (
        "http://evil.example",
        "null",
        f"{site.url}.evil.example",
        f"http://127.0.0.1:{site.server.port + 1}",
    ):
        answer = await stranger.post(path, json={}, headers={**cookie(site), "Origin": foreign})
        assert answer.status == 403, foreign
    for fetched in ("cross-site", "same-site"):
        answer = await stranger.post(path, json={}, headers={**cookie(site), "Sec-Fetch-Site": fetched})
        assert answer.status == 403, fetched
    unnamed = {"Cookie": cookie(site)["Cookie"]}
    assert (await stranger.post(path, json={}, headers=unnamed)).status == 403
    assert site.watch.commands == []


@pytest.mark.parametrize("path", CHANGING)
async def test_no_changing_route_answers_get(site: Site, stranger: aiohttp.ClientSession, path: str) -> None:
    answer = await stranger.get(path, headers=bearer())
    assert answer.status == 405
    assert answer.headers["Allow"] == "POST"
    assert site.watch.commands == []


@pytest.mark.parametrize("path", READING)
async def test_reading_needs_the_token_unless_the_view_is_open(stranger: aiohttp.ClientSession, path: str) -> None:
    assert (await stranger.get(path)).status == 401


async def test_an_open_view_shows_and_changes_nothing() -> None:
    site = Site(open_view=True)
    await site.server.start()
    try:
        async with aiohttp.ClientSession(site.url) as session:
            assert (await session.get("/api/snapshot")).status == 200
            for path in CHANGING:
                assert (await session.post(path, json={}, headers={"Origin": site.url})).status == 401
    finally:
        await site.server.stop()


async def test_the_link_pairs_once_and_leaves_no_token_behind(site: Site, stranger: aiohttp.ClientSession) -> None:
    answer = await stranger.get("/login", params={"token": TOKEN}, allow_redirects=False)
    assert (answer.status, answer.headers["Location"]) == (303, "/")
    set_cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in set_cookie and "SameSite=Strict" in set_cookie and TOKEN not in set_cookie
    assert answer.headers["Referrer-Policy"] == "no-referrer"
    value = set_cookie.partition(";")[0]
    assert (await stranger.get("/api/snapshot", headers={"Cookie": value})).status == 200


async def test_the_eleventh_wrong_token_waits_and_the_right_one_never_does(
    site: Site, stranger: aiohttp.ClientSession
) -> None:
    """All from one address, as a vandal and the phone of a new helper are behind one router."""
    for _ in range(10):
        assert (await stranger.post("/api/login", json={"token": "wrong"})).status == 401
    blocked = await stranger.post("/api/login", json={"token": "wrong"})
    assert blocked.status == 429 and 0 < int(blocked.headers["Retry-After"]) <= 61
    assert (await stranger.get("/login", params={"token": "wrong"}, allow_redirects=False)).status == 429
    assert (await stranger.get("/api/snapshot", headers=bearer("wrong"))).status == 429
    assert (await stranger.post("/api/login", json={"token": TOKEN})).status == 202
    link = await stranger.get("/login", params={"token": TOKEN}, allow_redirects=False)
    assert (link.status, link.headers["Location"]) == (303, "/")
    assert (await stranger.get("/api/snapshot", headers=bearer())).status == 200
    assert (await stranger.get("/api/snapshot", headers=cookie(site))).status == 200
    site.clock.time += 61
    assert (await stranger.post("/api/login", json={"token": "wrong"})).status == 401


def test_the_back_off_doubles_up_to_an_hour() -> None:
    limit, now, waits = Limit(10), 0.0, []
    for _ in range(8):
        for _ in range(10):
            assert limit.wait("a", now) == 0
            limit.note("a", now)
        waits.append(limit.wait("a", now))
        now += waits[-1]
    assert waits == [60, 120, 240, 480, 960, 1920, 3600, 3600]


@given(st.lists(st.floats(0, 30), max_size=200))
def test_no_more_than_ten_tries_in_any_minute(gaps: list[float]) -> None:
    limit, now, tried = Limit(10), 0.0, []
    for gap in gaps:
        now += gap
        if limit.wait("a", now) == 0:
            limit.note("a", now)
            tried.append(now)
            assert sum(now - 60 < time for time in tried) <= 10


def test_a_flood_of_addresses_does_not_grow_the_table() -> None:
    limit = Limit(10)
    for number in range(5000):
        limit.note(str(number), 0.0)
    assert len(limit._tallies) == 256


NAMES = frozenset({"localhost", "pit", "pit.local"})


@pytest.mark.parametrize("host", ["localhost", "pit.local:8077", "PIT.local", "192.168.1.9:8077", "192.168.1.9"])
def test_our_own_hosts_are_served(host: str) -> None:
    assert host_allowed(host, NAMES, "192.168.1.9")


@given(st.text(max_size=60) | st.from_regex(r"[a-z0-9.:\-\[\]@/]{1,40}", fullmatch=True) | st.ip_addresses().map(str))
def test_no_other_host_is_served(host: str) -> None:
    """1,000 made-up hosts; what passes must be exactly a name of ours or the address we were reached at."""
    if host_allowed(host, NAMES, "192.168.1.9"):
        name = host.rpartition(":")[0] or host
        assert name.lower() in NAMES | {"192.168.1.9"}, host


@pytest.mark.parametrize(
    "host", ["localhost.evil.example", "evil.example", "192.168.1.10", "", "localhost@evil", "a b"]
)
async def test_a_foreign_host_is_421(site: Site, stranger: aiohttp.ClientSession, host: str) -> None:
    for path in ("/", "/api/snapshot", "/api/page"):
        assert (await stranger.get(path, headers={"Host": host, **bearer()})).status == 421


@given(st.text(max_size=60))
def test_no_origin_but_our_own_passes(origin: str) -> None:
    assert origin_allowed(origin, None, "pit.local:8077") == (
        origin in ("http://pit.local:8077", "https://pit.local:8077")
    )


async def test_bodies_over_16_kb_are_413_and_not_json_is_415(site: Site, stranger: aiohttp.ClientSession) -> None:
    answer = await stranger.post("/api/mark", json={"kind": "log", "note": "x" * 17_000}, headers=bearer())
    assert answer.status == 413
    answer = await stranger.post("/api/mark", data='{"kind":"log"}', headers={**bearer(), "Content-Type": "text/plain"})
    assert answer.status == 415
    assert site.watch.commands == []


async def test_who_says_nothing_is_dropped(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server_module, "HEADER_SECONDS", 0.05)
    reader, writer = await asyncio.open_connection("127.0.0.1", site.server.port)
    writer.write(b"GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ")
    async with asyncio.timeout(PATIENCE):
        with pytest.raises(ConnectionResetError):
            if await reader.read() == b"":
                raise ConnectionResetError
    writer.close()


async def test_a_newcomer_takes_the_place_of_a_guest_and_never_of_the_cook(
    site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(site.server._connections, "_limit", 4)
    async with aiohttp.ClientSession(site.url, headers=bearer()) as cook, cook.get("/api/snapshot") as first:
        assert first.status == 200
        guests = [await asyncio.open_connection("127.0.0.1", site.server.port) for _ in range(12)]
        async with asyncio.timeout(PATIENCE):
            assert await guests[0][0].read() == b""  # closed: the oldest of theirs went first
        assert (await cook.get("/api/snapshot")).status == 200
        async with aiohttp.ClientSession(site.url, headers=bearer()) as other:
            assert (await other.get("/api/snapshot")).status == 200
        for _, writer in guests:
            writer.close()


async def test_every_answer_carries_the_policy(site: Site, stranger: aiohttp.ClientSession) -> None:
    for path in ("/", "/js/main.js", "/api/snapshot", "/api/page", "/nothing"):
        policy = (await stranger.get(path)).headers["Content-Security-Policy"]
        assert "default-src 'self'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy


def test_a_token_holds_256_bits_and_a_short_one_is_refused() -> None:
    tokens = {new_token() for _ in range(50)}
    assert len(tokens) == 50 and all(len(token) == 43 for token in tokens)  # 32 bytes in base64url
    with pytest.raises(ValueError, match="256 bits"):
        KeyStore("short")


async def test_a_flood_of_commands_is_429(site: Site, stranger: aiohttp.ClientSession) -> None:
    statuses = [(await stranger.post("/api/mark", json={"kind": "log"}, headers=bearer())).status for _ in range(125)]
    assert statuses.count(202) == 120 and statuses[-1] == 429


async def test_an_invitation_pairs_one_device_once_and_not_for_long(site: Site) -> None:
    jar = aiohttp.CookieJar(unsafe=True)  # the host is an address
    async with aiohttp.ClientSession(site.url, cookie_jar=jar) as ben, aiohttp.ClientSession(site.url) as eve:

        async def invited() -> str:
            answer = await ben.post("/api/invite", json={}, headers=bearer())
            told = await answer.json()
            assert (
                answer.status == 200 and told["link"].startswith(f"{site.url}/login?token=") and told["seconds"] == 900
            )
            assert TOKEN not in told["link"]
            return str(told["link"].removeprefix(site.url))

        path = await invited()
        came = await ben.get(path, allow_redirects=False)
        assert came.headers["Location"] == "/#shift" and (await ben.get("/api/snapshot")).status == 200
        assert (await eve.get(path, allow_redirects=False)).headers["Location"] == "/#unpaired", "used up"
        late = await invited()
        site.clock.time += 901.0
        assert (await eve.get(late, allow_redirects=False)).headers["Location"] == "/#unpaired"
        assert (await eve.post("/api/invite", json={})).status == 401
