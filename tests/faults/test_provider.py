"""Providers that are down, slow, rude or not who they say: the next channel is asked in time, nothing else waits."""

from __future__ import annotations

import asyncio
import contextlib
import datetime
import ipaddress
import json
import ssl
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import aiohttp
from aiohttp import web

from config.loader import load_both
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.inputs import Readings, Resumed
from daemon.shell.clock import SystemClock
from daemon.shell.loop import WatchLoop
from daemon.shell.notify import outbox as outbox_module
from daemon.shell.notify import webhook
from daemon.shell.notify.base import Message
from daemon.shell.notify.outbox import Outbox
from daemon.shell.notify.webhook import Webhook
from daemon.wiring.settings_from_files import watch_settings
from tests.faults.row import Fault, Row, bar_here, cases, check
from tests.faults.test_clock import read
from tests.faults.test_disk import patched
from tests.system.scripted_board import write_files

FALL_OVER_BAR = 30.0
"""s from detection until the next channel has the message."""
LAG_BAR = 0.1
"""s, 99th percentile, by which the event loop may be late meanwhile."""
REACH = """
[[delivery]]
kind = "webhook"
name = "hook"
audience = ["phone", "louder"]
url = "http://127.0.0.1:1/"
[[delivery]]
kind = "webhook"
name = "siren"
audience = ["sounder"]
url = "http://127.0.0.1:1/"
"""


# --- providers -------------------------------------------------------------------------------------------------


class Provider:
    """A web server on loopback that behaves badly. got: ids of the messages whose body it has read."""

    def __init__(self, manner: str, tls: ssl.SSLContext | None = None) -> None:
        self.manner, self.tls, self.got = manner, tls, list[str]()
        self.asked_at: list[float] = []

    async def __aenter__(self) -> Provider:
        app = web.Application()
        app.router.add_post("/", self._answer)
        app.router.add_route("*", "/login", self._login)
        self._runner = web.AppRunner(app, shutdown_timeout=0.1)
        await self._runner.setup()
        site = web.TCPSite(self._runner, "127.0.0.1", 0, ssl_context=self.tls)
        await site.start()
        self.port: int = self._runner.addresses[0][1]
        if self.manner == "down":
            await site.stop()
        return self

    async def __aexit__(self, *error: object) -> None:
        await self._runner.cleanup()

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://localhost:{self.port}/"

    async def _login(self, request: web.Request) -> web.StreamResponse:
        """What a network shows whoever has not paid yet, with a friendly 200."""
        return web.Response(text="Welcome, please log in")

    async def _answer(self, request: web.Request) -> web.StreamResponse:
        self.asked_at.append(time.monotonic())
        body = await request.text()
        match self.manner:
            case "stalls":
                await asyncio.sleep(3600)
            case "resets":
                assert request.transport is not None
                request.transport.abort()
                return web.Response()
            case "500":
                return web.Response(status=500)
            case "302" | "307":
                return web.Response(status=int(self.manner), headers={"Location": "/login"})
            case "429":
                return web.Response(status=429, headers={"Retry-After": "120"})
        self.got.append(json.loads(body)["id"])
        return web.Response()


def certificates(home: Path) -> dict[str, ssl.SSLContext]:
    """Server contexts whose certificate is expired, of another name, signed by itself, or by nobody we know. The file
    `ca.pem` holds the authority that signed the first two."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import NameOID

    now = datetime.datetime.now(datetime.UTC)

    def made(
        name: str, host: str, days: tuple[int, int], signer: tuple[object, object] | None
    ) -> tuple[object, object]:
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        issuer = signer[0].subject if signer else subject  # type: ignore[attr-defined]
        builder = (
            x509.CertificateBuilder().subject_name(subject).issuer_name(issuer).public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + datetime.timedelta(days[0])).not_valid_after(now + datetime.timedelta(days[1]))
            .add_extension(x509.BasicConstraints(ca=host == "", path_length=None), critical=True)
        )  # fmt: skip
        if host:
            names: list[x509.GeneralName] = [x509.DNSName(host), x509.IPAddress(ipaddress.ip_address("127.0.0.9"))]
            builder = builder.add_extension(x509.SubjectAlternativeName(names), critical=False)
        certificate = builder.sign(signer[1] if signer else key, hashes.SHA256())  # type: ignore[arg-type]
        pem = certificate.public_bytes(serialization.Encoding.PEM)
        secret = key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        (home / f"{name}.pem").write_bytes(pem)
        (home / f"{name}.key").write_bytes(secret)
        return certificate, key

    authority = made("ca", "", (-9, 9), None)
    stranger = made("stranger", "", (-9, 9), None)
    made("expired", "localhost", (-9, -1), authority)
    made("other-name", "pit.example.org", (-9, 9), authority)
    made("signed-by-itself", "localhost", (-9, 9), None)
    made("unknown-authority", "localhost", (-9, 9), stranger)
    contexts = {}
    for name in ("expired", "other-name", "signed-by-itself", "unknown-authority"):
        contexts[name] = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        contexts[name].load_cert_chain(home / f"{name}.pem", home / f"{name}.key")
    return contexts


# --- a watch that is about to raise an alarm ---------------------------------------------------------------------


def nearly_alarmed(home: Path, now: float, soon: float) -> Engine:
    """An engine whose pit has been too hot for so long that the on-delay ends `soon` s from now."""
    home.mkdir(parents=True, exist_ok=True)
    engine = Engine(watch_settings(*load_both(*write_files(home, "/dev/none", None, night=True, more=REACH))))
    on_delay, begin = 120.0, now - 1200.0
    inputs: list[tuple[float, Readings | Resumed]] = [(begin, Resumed())]
    for step in range(240):
        at = begin + 1 + step * 5
        if at < now:
            inputs.append((at, read(121.0 if at < now - on_delay + soon else 150.0, at)))
    for _ in replayed(engine, inputs):
        pass
    return engine


@contextlib.contextmanager
def sooner(factor: float) -> Iterator[None]:
    """Every limit of a delivery shorter by this factor."""
    retry = tuple(s / factor for s in outbox_module.RETRY_AFTER)
    with contextlib.ExitStack() as stack:
        for module, name in (
            (outbox_module, "ATTEMPT_LIMIT"),
            (outbox_module, "FALL_OVER_WITHIN"),
            (outbox_module, "TO_TELL_ANOTHER"),
            (webhook, "TIMEOUT"),
        ):
            stack.enter_context(patched(module, name, getattr(module, name) / factor))
        stack.enter_context(patched(outbox_module, "RETRY_AFTER", retry))
        yield


class PatientHook(Webhook):
    """The wrong build: no limit to how long an answer may take."""

    async def send(self, message: Message) -> None:
        session = aiohttp.ClientSession(timeout=aiohttp.ClientTimeout(total=None))
        async with session, session.post(self._url, json={"id": message.id}):
            return


@contextlib.asynccontextmanager
async def running(loop: WatchLoop, outbox: Outbox) -> AsyncIterator[None]:
    tasks = [asyncio.create_task(loop.run()), asyncio.create_task(outbox.run())]
    try:
        yield
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        await outbox.close()


async def second_channel_after(
    home: Path, manner: str, tls: ssl.SSLContext | None, limit: float, hook: type[Webhook] = Webhook
) -> tuple[float, int]:
    """(s from the alarm until the second channel has the message, messages that the bad provider could read)."""
    trusted = ssl.create_default_context(cafile=str(home / "ca.pem")) if tls else None
    place = home / f"{manner}-{hook.__name__}"
    async with Provider(manner, tls) as bad, Provider("good") as good:
        clock = SystemClock()
        engine = nearly_alarmed(place, clock.now(), 1.0)
        loop = WatchLoop(engine, clock, None)
        channels = {"hook": hook("hook", bad.url, tls=trusted), "siren": Webhook("siren", good.url)}
        audiences = dict(engine.settings.announcing.audiences)
        outbox = Outbox(channels, audiences, None, clock, loop.post, "The pit")
        loop.outbox = outbox
        alarmed: list[float] = []
        loop.listeners.append(lambda events, engine, now: alarmed.append(time.monotonic()) if any(
            getattr(e, "alarm", "") == "pit-high/pit" for e in events) else None)  # fmt: skip
        async with running(loop, outbox):
            begin = time.monotonic()
            while not (good.got or bad.got) and time.monotonic() - begin < 1.3 * limit + 6:
                await asyncio.sleep(0.01)
        took = good.asked_at[0] - alarmed[0] if good.got and alarmed else float("inf")
        return took, len(bad.got)


async def lag(until: asyncio.Event) -> float:
    """99th percentile of how late a 10 ms sleep ends, s."""
    late = []
    while not until.is_set():
        begin = time.perf_counter()
        await asyncio.sleep(0.01)
        late.append(time.perf_counter() - begin - 0.01)
    return sorted(late)[int(len(late) * 0.99)]


class Follows(Webhook):
    """The wrong build: goes where it is sent, and takes the page it finds there for the provider's word."""

    async def send(self, message: Message) -> None:
        async with aiohttp.ClientSession() as session, session.post(self._url, json={"id": message.id}) as answer:
            answer.raise_for_status()


async def captive_portal(home: Path, full: bool) -> Row:
    """302 and 307 (RFC 9110, 15.4) to a page that says 200: neither counts as delivered, neither is followed."""
    factor = 1.0 if full else 10.0
    bar = FALL_OVER_BAR / factor
    with contextlib.nullcontext() if full else sooner(factor):
        limit = bar_here(bar, full)
        found = await asyncio.gather(*(second_channel_after(home, manner, None, limit) for manner in ("302", "307")))
        wrong, _ = await second_channel_after(home, "302", None, bar / 5, Follows)
    worst = max(took for took, _ in found) * factor
    return Row(
        "a captive portal answers instead (302, 307 to a page with 200)", "from the alarm to the next channel", f"{worst:.1f} s",
        f"<= {FALL_OVER_BAR:.0f} s", worst <= bar_here(FALL_OVER_BAR, full),
        "follows, and counts the page as delivery", wrong > bar,
    )  # fmt: skip


MANNERS = ("down", "stalls", "resets", "500", "429")


async def bad_answers(home: Path, full: bool) -> Row:
    factor = 1.0 if full else 10.0
    bar, done = FALL_OVER_BAR / factor, asyncio.Event()
    with contextlib.nullcontext() if full else sooner(factor):
        late = asyncio.create_task(lag(done))
        found = await asyncio.gather(*(second_channel_after(home, m, None, bar) for m in MANNERS))
        done.set()
        behind = await late
        with patched(outbox_module, "ATTEMPT_LIMIT", 1e6):
            wrong, _ = await second_channel_after(home, "stalls", None, bar, PatientHook)
    times = ", ".join(f"{m} {took * factor:.1f} s" for m, (took, _) in zip(MANNERS, found, strict=True))
    worst = max(took for took, _ in found)
    return Row(
        "provider down, stalling, resetting, 500, 429", "from the alarm to the next channel; event loop late by, p99",
        f"{times}; {behind * 1000:.0f} ms", f"<= {FALL_OVER_BAR:.0f} s; <= {LAG_BAR * 1000:.0f} ms",
        worst <= bar and behind <= LAG_BAR, "waits for the answer for ever", wrong > bar,
    )  # fmt: skip


class Trusting(Webhook):
    """The wrong build: takes any certificate."""

    def __init__(self, name: str, url: str, secret: str | None = None, tls: ssl.SSLContext | None = None) -> None:
        loose = ssl.create_default_context()
        loose.check_hostname, loose.verify_mode = False, ssl.CERT_NONE
        super().__init__(name, url, secret, loose)


async def bad_certificates(home: Path, full: bool) -> Row:
    home.mkdir(exist_ok=True)
    contexts = certificates(home)

    async def with_hook(hook: type[Webhook]) -> tuple[float, int]:
        limit = 5.0 if hook is Trusting else bar_here(FALL_OVER_BAR, full)
        found = await asyncio.gather(
            *(second_channel_after(home, name, tls, limit, hook) for name, tls in contexts.items())
        )
        return max(took for took, _ in found), sum(read for _, read in found)

    worst, told = await with_hook(Webhook)
    with patched(outbox_module, "ATTEMPT_LIMIT", 3.0):
        _, told_wrong = await with_hook(Trusting)
    return Row(
        "provider's certificate expired, of another name, self-signed, of an unknown authority",
        "messages such a provider could read; from the alarm to the next channel", f"{told}; {worst:.1f} s",
        f"0; <= {FALL_OVER_BAR:.0f} s", told == 0 and worst <= bar_here(FALL_OVER_BAR, full),
        f"takes any certificate ({told_wrong} messages read)", told_wrong == len(contexts),
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (bad_answers, captive_portal, bad_certificates)


@cases(FAULTS, slow=(bad_answers,))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
