"""The local page's server: guards every request, then hands it to the one handler the route table names."""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import Awaitable, Callable
from typing import Any

from aiohttp import web
from pydantic import TypeAdapter

from daemon.core.events import EVENT_NAMES, CommandRefused, MorningTold
from daemon.core.inputs import Command
from daemon.core.said import say
from daemon.core.snapshot import Snapshot
from daemon.shell.clock import boot_seconds
from daemon.shell.web.access import COMMANDS, COOKIE, LOGIN_TRIES, KeyStore, Limit, host_allowed, origin_allowed
from daemon.shell.web.api import Api, snapshot_json
from daemon.shell.web.assets import CHART_LIBRARY, load_assets
from daemon.shell.web.connections import Connections
from daemon.shell.web.contract import CookBuilder, CookLibrary, HistorySource, PageSettings, Planning
from daemon.shell.web.invitations import LASTS, Invitations
from daemon.shell.web.junk import Junk
from daemon.shell.web.models import By, Invitation, Login, PageFacts, Problem, Taken
from daemon.shell.web.pairing import code_rows, login_link
from daemon.shell.web.plan_api import PlanApi
from daemon.shell.web.readers import Readers
from daemon.shell.web.request import BODY_LIMIT, Refused, answer, body_of
from daemon.shell.web.routes import ROUTES, Handler
from daemon.shell.web.streams import Streams
from daemon.texts.catalogue import catalogue

LOG = logging.getLogger(__name__)
WIRE_LOG = logging.getLogger(f"{__name__}.wire")
"""What the library says of single connections."""

HEADER_SECONDS = 10.0
"""From connecting to the end of the first request's headers; later ones are held by the keep-alive time."""
KEEP_ALIVE_SECONDS = 30.0
CONNECTION_LIMIT = 64
"""Beyond it a new connection takes the place of one that has not shown the key."""
GUESTS_LIMIT = 8
"""Requests without the key that are answered at once."""
COOKIE_SECONDS = 365 * 24 * 3600
NEWS: TypeAdapter[Any] = TypeAdapter(Any)

HEADERS = {
    "Content-Security-Policy": "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'; require-trusted-types-for 'script'; trusted-types 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}


def own_names(extra: tuple[str, ...]) -> frozenset[str]:
    """Host names this machine is asked by."""
    name = socket.gethostname().lower()
    return frozenset({"localhost", name, f"{name}.local", *(host.lower() for host in extra)})


class PageServer:
    """The local page and its API. Reads the snapshot, enqueues commands; touches no state of the watch.

    build_cook: makes a StartCook of an order from the page; without it that route answers 503.
    seconds: a steady clock for limits.
    """

    def __init__(
        self,
        settings: PageSettings,
        snapshot: Callable[[], Snapshot],
        command: Callable[[Command], Awaitable[None]],
        history: HistorySource,
        cooks: CookLibrary,
        token: str,
        *,
        build_cook: CookBuilder | None = None,
        planning: Planning | None = None,
        seconds: Callable[[], float] = boot_seconds,
    ) -> None:
        self._settings = settings
        self._key_store = KeyStore(token)
        self._invitations = Invitations()
        self._names = own_names(settings.hosts)
        self._seconds = seconds
        self._logins, self._commands = Limit(LOGIN_TRIES), Limit(COMMANDS, patient=True)
        self._connections = Connections(CONNECTION_LIMIT)
        self._junk = Junk(seconds)
        self._failures: set[str] = set()
        """What went wrong in a handler, each said once."""
        self._guests = 0
        """Requests without the key that are being answered."""
        self._assets = load_assets(texts=catalogue(settings.reader.language))
        self._streams = Streams()
        self._readers = Readers(settings.reader)
        self._api = Api(
            snapshot,
            command,
            history,
            cooks,
            build_cook,
            self._streams,
            self._facts,
            lambda request: self._connections.is_known(request.protocol),
            settings.reader.zone,
            self._readers,
        )
        self._plan_api = PlanApi(snapshot, command, planning, settings.reader.zone, self._readers)
        self._routes = {route.path: route for route in ROUTES}
        self._silent: dict[web.RequestHandler, asyncio.TimerHandle] = {}
        self._runner: web.AppRunner | None = None
        self._listening: asyncio.Server | None = None

    @property
    def port(self) -> int:
        """The port listened on (of use when the settings say 0)."""
        return int(self._listening.sockets[0].getsockname()[1]) if self._listening else self._settings.port

    @property
    def open_streams(self) -> int:
        return self._streams.open_count

    def _handler(self, name: str) -> Handler:
        handler: Handler = getattr(self._plan_api, name, None) or getattr(self._api, name)
        return handler

    @property
    def junk_count(self) -> int:
        """What came and was no request, since the start."""
        return self._junk.count

    def application(self) -> web.Application:
        """Every route there is: the table, the login by link, and one for each file of the page."""
        app = web.Application(client_max_size=BODY_LIMIT, middlewares=[self._guard])
        for route in ROUTES:
            own: dict[str, Handler] = {"login": self._login, "invite": self._invite}
            handler = own.get(route.handler) or self._handler(route.handler)
            if route.takes:
                app.router.add_post(route.path, handler)
            else:
                app.router.add_get(route.path, handler, allow_head=False)
        app.router.add_get("/login", self._login_by_link, allow_head=False)
        for path in self._assets:
            app.router.add_get(path, self._asset)
        return app

    async def start(self) -> None:
        """Listen. Raises OSError when the port is taken."""
        WIRE_LOG.filters.clear()
        WIRE_LOG.addFilter(self._junk)
        self._runner = web.AppRunner(
            self.application(), access_log=None, logger=WIRE_LOG, keepalive_timeout=KEEP_ALIVE_SECONDS, shutdown_timeout=2.0,
            handler_cancellation=True,
        )  # fmt: skip
        await self._runner.setup()
        try:
            self._listening = await asyncio.get_running_loop().create_server(
                self._connection, self._settings.host, self._settings.port, ssl=self._settings.tls
            )
        except OSError:
            await self._runner.cleanup()
            self._runner = None
            raise

    async def stop(self) -> None:
        self._streams.close()
        if self._listening:
            self._listening.close()
        if self._runner:
            await self._runner.cleanup()
        for timer in self._silent.values():
            timer.cancel()
        self._silent.clear()
        self._listening = self._runner = None

    def publish(self, snapshot: Snapshot) -> None:
        """Send to every open page. Call in the event loop, at each beat and change (at least every 5 s)."""
        self._streams.publish(lambda composer: snapshot_json(snapshot, composer))

    def tell(self, event: CommandRefused | MorningTold) -> None:
        """News the snapshot does not hold, to every open page."""
        self._streams.tell(EVENT_NAMES[type(event)], lambda composer: NEWS.dump_json(composer.spoken(event)))

    # --- connections ----------------------------------------------------------------------------------

    def _connection(self) -> asyncio.Protocol:
        """A new connection; it has HEADER_SECONDS to say something whole, and takes the place of a guest's where there are
        too many."""
        assert self._runner is not None and self._runner.server is not None
        self._connections.make_room(self._runner.server.connections)
        protocol = self._runner.server()
        self._silent[protocol] = asyncio.get_running_loop().call_later(HEADER_SECONDS, self._drop_silent, protocol)
        return protocol

    def _drop_silent(self, protocol: web.RequestHandler) -> None:
        del self._silent[protocol]
        if protocol.transport is not None:
            protocol.transport.abort()

    def _has_spoken(self, protocol: web.RequestHandler) -> None:
        timer = self._silent.pop(protocol, None)
        if timer is not None:
            timer.cancel()

    # --- the guard ------------------------------------------------------------------------------------

    @web.middleware
    async def _guard(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        self._has_spoken(request.protocol)
        try:
            holds_key = self._judge(request)
            if holds_key or not request.path.startswith("/api/"):
                response = await handler(request)
            else:
                response = await self._answer_guest(request, handler)
        except Refused as refused:
            say_it = self._readers.composer(request).say
            body = Problem(problem=say_it(refused.problem), where=refused.where, remedy=say_it(refused.remedy))
            response = answer(body.model_dump_json().encode(), refused.status)
            if refused.retry_after is not None:
                response.headers["Retry-After"] = str(int(refused.retry_after) + 1)
        except web.HTTPException as error:
            response = answer(Problem(problem=error.reason).model_dump_json().encode(), error.status)
            if "Allow" in error.headers:
                response.headers["Allow"] = error.headers["Allow"]
        except Exception as error:
            self._say_once(error)
            failed = Problem(problem=self._readers.composer(request).words("request.failed"))
            response = answer(failed.model_dump_json().encode(), 500)
        if not response.prepared:
            for name, value in HEADERS.items():
                response.headers.setdefault(name, value)
        return response

    def _say_once(self, error: Exception) -> None:
        """In one line: where it went wrong is ours, and whoever asks can ask as often as he likes."""
        frame = error.__traceback__
        while frame is not None and frame.tb_next is not None:
            frame = frame.tb_next
        where = f"{frame.tb_frame.f_code.co_filename}:{frame.tb_lineno}" if frame is not None else "?"
        key = f"{type(error).__name__} at {where}"
        if key not in self._failures:
            self._failures.add(key)
            LOG.error("the page could not answer: %s: %s (said once)", key, error)

    async def _answer_guest(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        """So few at a time that whoever holds the key need not wait for them. Event streams have a bound of their own; who
        logs in may hold the key, so it is judged before anything is refused."""
        route = self._routes.get(request.path)
        if route is not None and route.handler in ("events", "login"):
            return await handler(request)
        if self._guests >= GUESTS_LIMIT:
            raise Refused(503, say("request.too-many"), retry_after=2)
        self._guests += 1
        try:
            return await handler(request)
        finally:
            self._guests -= 1

    def _judge(self, request: web.Request) -> bool:
        """Whether it comes with the key. Refuses what may not pass: wrong host, foreign origin, no key, and, of whoever has
        it, too many changes; a request without it is never counted against them. Raises Refused."""
        reached_at = str(((request.transport and request.transport.get_extra_info("sockname")) or [""])[0])
        if not host_allowed(request.headers.get("Host", ""), self._names, reached_at):
            raise Refused(421, say("request.host"))
        holds_key = self._is_paired(request) or self._has_bearer(request)
        if holds_key:
            self._connections.known(request.protocol)
        if not request.path.startswith("/api/"):
            return holds_key
        origin = request.headers.get("Origin")
        if not origin_allowed(origin, request.headers.get("Sec-Fetch-Site"), request.headers["Host"]):
            raise Refused(403, say("request.foreign"))
        route = self._routes.get(request.path)
        is_open = route is not None and route.open
        changes = request.method not in ("GET", "HEAD")
        may_look = self._settings.open_view and not changes and route is not None and route.takes is None
        if not (holds_key or is_open or may_look):
            raise Refused(401, say("request.pair-first"))
        if changes and origin is None and not request.headers.get("Authorization") and not is_open:
            raise Refused(403, say("request.origin"))
        if changes and holds_key:
            self._limit(self._commands, request)
            self._commands.note(request.remote or "", self._seconds())
        return holds_key

    def _is_paired(self, request: web.Request) -> bool:
        """By cookie. Not limited: nobody guesses 256 bits, and a guesser must never lock out the cook's own phone."""
        return self._key_store.is_cookie(request.cookies.get(COOKIE, ""))

    def _has_bearer(self, request: web.Request) -> bool:
        kind, _, offered = request.headers.get("Authorization", "").partition(" ")
        return kind.lower() == "bearer" and self._is_token(offered.strip(), request)

    def _is_token(self, offered: str, request: web.Request) -> bool:
        """The right key passes at once, whatever was tried from the same address: a vandal must not keep a new phone out,
        and nobody guesses 256 bits. Raises Refused for one wrong key too many."""
        if self._key_store.is_token(offered):
            return True
        self._limit(self._logins, request)
        self._logins.note(request.remote or "", self._seconds())
        return False

    def _limit(self, limit: Limit, request: web.Request) -> None:
        wait = limit.wait(request.remote or "", self._seconds())
        if wait > 0:
            raise Refused(429, say("request.too-often", wait=wait), retry_after=wait)

    # --- pairing and files ----------------------------------------------------------------------------

    def _facts(self, request: web.Request) -> PageFacts:
        return PageFacts(
            paired=self._is_paired(request),
            open_view=self._settings.open_view,
            fahrenheit=self._settings.reader.fahrenheit,
            twelve_hours=self._settings.reader.twelve,
            zone=self._settings.reader.zone,
            chart=CHART_LIBRARY in self._assets,
            can_wake=self._settings.can_wake,
        )

    def _pair(self, response: web.StreamResponse) -> web.StreamResponse:
        response.set_cookie(
            COOKIE, self._key_store.cookie, max_age=COOKIE_SECONDS, httponly=True, samesite="Strict",
            secure=self._settings.tls is not None, path="/",
        )  # fmt: skip
        return response

    async def _login(self, request: web.Request) -> web.StreamResponse:
        login = await body_of(request, Login)
        if not self._is_token(login.token, request):
            raise Refused(401, say("request.wrong-key"), "token")
        return self._pair(answer(Taken().model_dump_json().encode(), 202))

    async def _invite(self, request: web.Request) -> web.StreamResponse:
        """Under the name this device asks by: what it can reach, the next one on the same network can too."""
        await body_of(request, By)
        link = login_link(
            request.headers["Host"], self._invitations.make(self._seconds()), self._settings.tls is not None
        )
        made = Invitation(link=link, code=tuple(code_rows(link)), seconds=LASTS)
        return answer(made.model_dump_json().encode())

    async def _login_by_link(self, request: web.Request) -> web.StreamResponse:
        """From the QR code. The answer leads away at once, so that the token stays in no address bar."""
        offered = request.query.get("token", "")
        invited = self._invitations.take(offered, self._seconds())
        paired = invited or self._is_token(offered, request)
        where = "/#shift" if invited else "/" if paired else "/#unpaired"
        response = web.Response(status=303, headers={"Location": where})
        return self._pair(response) if paired else response

    async def _asset(self, request: web.Request) -> web.StreamResponse:
        asset = self._assets[request.path]
        headers = {"ETag": asset.etag, "Cache-Control": "no-cache", "Vary": "Accept-Encoding"}
        if request.headers.get("If-None-Match") == asset.etag:
            return web.Response(status=304, headers=headers)
        takes_gzip = "gzip" in request.headers.get("Accept-Encoding", "")
        if takes_gzip:
            headers["Content-Encoding"] = "gzip"
        body = asset.packed if takes_gzip else asset.body
        return web.Response(body=body, content_type=asset.content_type, charset="utf-8", headers=headers)
