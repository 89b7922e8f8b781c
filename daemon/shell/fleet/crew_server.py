"""Serves the crew's page from the centre's database. Reads only; one connection, made anew when it breaks."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import AsyncIterator, Callable, Sequence
from typing import TYPE_CHECKING, Any, Final

from aiohttp import web

from daemon.shell.fleet import crew_page, overview
from daemon.shell.fleet.centre import plainly
from daemon.shell.web.access import host_allowed
from daemon.shell.web.readers import CHOICES, Readers
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.reader import CELSIUS, Reader

if TYPE_CHECKING:
    import psycopg

log = logging.getLogger(__name__)

HEADERS: Final = {
    "Content-Security-Policy": crew_page.POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
}
CONNECT: Final = 5
"""s"""
LOOK_EVERY: Final = 60.0
"""s between looks for silent pits."""
A_YEAR: Final = 31536000
"""s for which a browser keeps how it reads."""


class CrewServer:
    """database: a libpq connection string of a role in fleet_reader. names: hosts under which a proxy serves the page. people:
    how they read, until one of them chooses on the page. looked: is shown all pits once a minute, and for how many s the
    database has been up."""

    def __init__(
        self,
        database: str,
        names: tuple[str, ...] = (),
        people: Reader = CELSIUS,
        looked: Callable[[Sequence[overview.PitRow], float], None] = lambda rows, up: None,
    ) -> None:
        self._looked = looked
        self._readers = Readers(people)
        self._database = database
        self._names = frozenset(("localhost", *names))
        self._db: psycopg.Connection[Any] | None = None
        self._turn = threading.Lock()
        self._trouble = ""
        self._silent: set[str] = set()

    def app(self) -> web.Application:
        app = web.Application(middlewares=[self._guarded])
        app.add_routes([web.get("/", self._pits), web.get("/cooks", self._cooks), web.get("/alarms", self._alarms)])
        app.cleanup_ctx.append(self._watching)
        app.add_routes([web.get("/compare", self._compare), web.get("/rings", self._rings)])
        return app

    async def _watching(self, _: web.Application) -> AsyncIterator[None]:
        """Raises silent pits also while nobody looks at the page."""
        task = asyncio.create_task(self._raise_silent())
        yield
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await asyncio.to_thread(self._close)

    def _close(self) -> None:
        with self._turn:
            if self._db is not None:
                self._db.close()

    async def _raise_silent(self) -> None:
        found: list[tuple[list[overview.PitRow], float]] = []

        def look(db: psycopg.Connection[Any]) -> bytes:
            found.append((overview.pits(db), overview.up(db)))
            return b""

        while True:
            await self._answer(look)
            for rows, up in found:
                self._look(rows)
                self._looked(rows, up)
            found.clear()
            await asyncio.sleep(LOOK_EVERY)

    def _look(self, rows: Sequence[overview.PitRow]) -> None:
        """One line of the log for each pit that falls silent, and one when it is heard again: what a mail or a page hangs on.
        A pit that was never heard has yet to be set up."""
        silent = {one.pit for one in rows if one.is_silent and one.silent is not None}
        for one in rows:
            if one.pit in silent - self._silent:
                log.warning("SILENT %s (%s): no word for %.0f s; it was: %s", one.pit, one.crew, one.silent, one.stage)
        for pit in sorted(self._silent - silent):
            log.warning("HEARD %s again", pit)
        self._silent = silent

    @web.middleware
    async def _guarded(self, request: web.Request, handler: Callable[[web.Request], Any]) -> web.StreamResponse:
        """A foreign page must not reach this one under a name of its own (DNS rebinding)."""
        reached_at = str(((request.transport and request.transport.get_extra_info("sockname")) or [""])[0])
        if not host_allowed(request.headers.get("Host", ""), self._names, reached_at):
            raise web.HTTPForbidden(text=self._readers.composer(request).words("crew.no-host") + "\n")
        chosen = {name: value for name, value in request.query.items() if value in CHOICES.get(name, ())}
        known = request.match_info.http_exception is None  # a path of ours, so not one that leads elsewhere
        response: web.StreamResponse = _elsewhere(request.path) if chosen and known else await handler(request)
        for name, value in chosen.items():
            response.set_cookie(name, value, max_age=A_YEAR, samesite="Strict")
        response.headers.update(HEADERS)
        response.enable_compression()
        return response

    async def _pits(self, request: web.Request) -> web.Response:
        crew = _asked_for(request, "crew")[:100]
        composer = self._readers.composer(request)
        return await self._answer(lambda db: crew_page.pits_page(overview.pits(db, crew), composer, crew), composer)

    async def _cooks(self, request: web.Request) -> web.Response:
        words = _asked_for(request, "q")[:200]
        composer = self._readers.composer(request)
        return await self._answer(lambda db: crew_page.cooks_page(overview.cooks(db, words), words, composer), composer)

    async def _compare(self, request: web.Request) -> web.Response:
        ticked = request.query.getall("c", [])[: crew_page.SIDE_BY_SIDE]
        asked = [_sound(key).partition("/") for key in ticked]
        keys = [(pit[:100], key[:200]) for pit, _, key in asked]
        composer = self._readers.composer(request)
        return await self._answer(lambda db: crew_page.compare_page(overview.compared(db, keys), composer), composer)

    async def _alarms(self, request: web.Request) -> web.Response:
        composer = self._readers.composer(request)
        return await self._answer(lambda db: crew_page.figures_page(overview.alarm_figures(db), composer), composer)

    async def _rings(self, request: web.Request) -> web.Response:
        composer = self._readers.composer(request)
        return await self._answer(lambda db: crew_page.rings_page(overview.rings(db), composer), composer)

    async def _answer(
        self, page: Callable[[psycopg.Connection[Any]], bytes], composer: Composer = PLAIN
    ) -> web.Response:
        """Green over a dead database is worse than no page."""
        import psycopg

        try:
            body, status = await asyncio.to_thread(self._asked, page), 200
            self._trouble = ""
        except psycopg.Error as error:
            text = plainly(error)
            if text != self._trouble:
                self._trouble = text
                log.warning("the centre's database does not answer: %s", text)
            body, status = crew_page.trouble_page(composer), 503
        return web.Response(body=body, status=status, content_type="text/html", charset="utf-8")

    def _asked(self, page: Callable[[psycopg.Connection[Any]], bytes]) -> bytes:
        import psycopg
        from psycopg.types.json import set_json_loads

        with self._turn:
            if self._db is None or self._db.closed:
                self._db = psycopg.connect(
                    self._database, autocommit=True, connect_timeout=CONNECT,
                    options=f"-c statement_timeout={overview.READ_LIMIT} -c default_transaction_read_only=on",
                )  # fmt: skip
                set_json_loads(overview.sound_json, self._db)
            try:
                return page(self._db)
            except psycopg.OperationalError:
                self._db.close()
                raise


def _asked_for(request: web.Request, name: str) -> str:
    return _sound(request.query.get(name, ""))


def _sound(text: str) -> str:
    """A database's text holds no NUL and nothing that is no character."""
    return text.replace("\0", "").encode("utf-8", "replace").decode("utf-8")


def _elsewhere(path: str) -> web.Response:
    return web.Response(status=303, body=b"", headers={"Location": path})
