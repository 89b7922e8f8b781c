"""Each delivery channel against a receiver on loopback: what arrives, and how each refusal is classed."""

from __future__ import annotations

import hashlib
import hmac
import json
import socketserver
import threading
import time
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from ssl import create_default_context

import pytest
from aiohttp import web

from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.shell.notify.push import Push
from daemon.shell.notify.smtp import MailRoute, Smtp
from daemon.shell.notify.sounder import Sounder
from daemon.shell.notify.webhook import SIGNATURE_HEADER, Webhook

MESSAGE = Message("pit-falling/pit#1.0", "wake", "The long pit", "Add 1-2 splits: pit 109 °C, low in 20 min")


class Receiver:
    """An HTTP receiver that answers as told and keeps what it was sent."""

    def __init__(self) -> None:
        self.status, self.headers = 200, dict[str, str]()
        self.limit: int | None = None
        """Bytes of a body above which it answers 413."""
        self.got: list[tuple[dict[str, str], bytes]] = []
        self.url = ""

    async def take(self, request: web.Request) -> web.Response:
        self.got.append((dict(request.headers), await request.read()))
        long = self.limit is not None and len(self.got[-1][1]) > self.limit
        return web.Response(status=413 if long else self.status, headers=self.headers)


@pytest.fixture
async def receiver() -> AsyncIterator[Receiver]:
    receiver = Receiver()
    app = web.Application()
    app.router.add_post("/{tail:.*}", receiver.take)
    runner = web.AppRunner(app)
    await runner.setup()
    site = web.TCPSite(runner, "127.0.0.1", 0)
    await site.start()
    server = site._server
    assert server is not None
    receiver.url = f"http://127.0.0.1:{server.sockets[0].getsockname()[1]}/hook"  # type: ignore[attr-defined]
    yield receiver
    await runner.cleanup()


async def test_a_web_hook_is_signed_over_its_body(receiver: Receiver) -> None:
    hook = Webhook("hook", receiver.url, "a secret")
    await hook.send(MESSAGE)
    await hook.close()
    headers, body = receiver.got[0]
    assert json.loads(body)["id"] == MESSAGE.id and headers["Idempotency-Key"] == MESSAGE.id
    assert headers[SIGNATURE_HEADER] == hmac.new(b"a secret", body, hashlib.sha256).hexdigest()


@pytest.mark.parametrize(
    ("status", "failure"),
    [(500, TemporaryFailure), (503, TemporaryFailure), (429, TemporaryFailure), (404, PermanentFailure),
     (401, PermanentFailure), (302, TemporaryFailure), (307, TemporaryFailure)],
)  # fmt: skip
async def test_answers_are_classed_by_what_trying_again_can_do(
    receiver: Receiver, status: int, failure: type[Exception]
) -> None:
    receiver.status, receiver.headers = status, {"Retry-After": "7"}
    hook = Webhook("hook", receiver.url)
    with pytest.raises(failure) as caught:
        await hook.send(MESSAGE)
    await hook.close()
    if isinstance(caught.value, TemporaryFailure):
        assert caught.value.retry_after == 7.0


async def test_nobody_there_is_temporary_and_shows_no_secret_of_the_url() -> None:
    hook = Webhook("hook", "http://127.0.0.1:9/token-canary")
    with pytest.raises(TemporaryFailure) as caught:
        await hook.send(MESSAGE)
    await hook.close()
    assert "canary" not in str(caught.value)


async def test_a_sounder_gets_the_text_and_a_long_one_is_ended(tmp_path: Path) -> None:
    heard = tmp_path / "heard"
    await Sounder("bell", ("sh", "-c", f'printf %s "$0" > {heard}', "{text}"), 5.0).send(MESSAGE)
    assert heard.read_text() == MESSAGE.text
    script = f'IFS= read -r line; printf %s "$#|$0|$line|$PITVIGIL_TEXT|$PITVIGIL_LEVEL" > {heard}'
    await Sounder("bell", ("sh", "-c", script, "a {level} b"), 5.0).send(MESSAGE)
    assert heard.read_text() == f"0|a {MESSAGE.level} b|{MESSAGE.text}|{MESSAGE.text}|{MESSAGE.level}"
    await Sounder("bell", ("true", "file.wav"), 5.0).send(MESSAGE)  # reads nothing, and gets nothing it did not ask for
    begin = time.monotonic()
    await Sounder("bell", ("sh", "-c", "sleep 30"), 0.2).send(MESSAGE)
    assert time.monotonic() - begin < 5.0
    with pytest.raises(TemporaryFailure, match="ended with 3"):
        await Sounder("bell", ("sh", "-c", "exit 3"), 5.0).send(MESSAGE)
    with pytest.raises(PermanentFailure):
        await Sounder("bell", ("/no/such/program",), 5.0).send(MESSAGE)


async def test_a_message_is_no_option_and_no_shell_word_of_a_sounder(tmp_path: Path) -> None:
    heard = tmp_path / "heard"
    keep = ("sh", "-c", f'printf %s "$1" > {heard}', "sh", "{text}")
    for text, got in (("--help me", "help me"), ("$(touch x) `y` {level}", "$(touch x) `y` {level}")):
        await Sounder("bell", keep, 5.0).send(Message("x#1", "wake", "t", text))
        assert heard.read_text() == got


async def test_push_through_apprise_reaches_its_receiver(receiver: Receiver) -> None:
    push = Push("phone", receiver.url.replace("http://", "json://"))
    await push.send(MESSAGE)
    assert MESSAGE.text in json.loads(receiver.got[0][1])["message"]
    receiver.status = 500
    with pytest.raises(TemporaryFailure):
        await push.send(MESSAGE)
    with pytest.raises(PermanentFailure, match="not understood"):
        await Push("phone", "nonsense").send(MESSAGE)


class MailServer(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as a client needs; the recipient `busy@` is told to come back later."""

    mails: list[str]

    def handle(self) -> None:
        self.answer("220 ready")
        while line := self.rfile.readline().decode().strip():
            verb = line.split()[0].upper()
            if verb == "DATA":
                self.answer("354 go on")
                lines = []
                while (text := self.rfile.readline().decode()) not in (".\r\n", ""):
                    lines.append(text)
                type(self).mails.append("".join(lines))
                self.answer("250 taken")
            elif verb == "QUIT":
                self.answer("221 bye")
                return
            else:
                self.answer("451 later" if "busy@" in line and verb == "MAIL" else "250 ok")

    def answer(self, line: str) -> None:
        self.wfile.write(line.encode() + b"\r\n")


@pytest.fixture
def mail_port() -> Iterator[int]:
    MailServer.mails = []
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), MailServer) as server:
        server.daemon_threads = True
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server.server_address[1]
        server.shutdown()


async def test_mail_arrives_and_refusals_are_classed(mail_port: int) -> None:
    def mailer(sender: str, port: int) -> Smtp:
        return Smtp(
            "mail", MailRoute("127.0.0.1", port, "none", sender, ("cook@pit.example",)), create_default_context()
        )

    await mailer("watch@pit.example", mail_port).send(MESSAGE)
    assert f"X-Pitvigil-Id: {MESSAGE.id}" in MailServer.mails[0] and "Add 1-2 splits" in MailServer.mails[0]
    with pytest.raises(TemporaryFailure, match="451"):
        await mailer("busy@pit.example", mail_port).send(MESSAGE)
    with pytest.raises(TemporaryFailure, match="no mail server"):
        await mailer("watch@pit.example", 9).send(MESSAGE)


async def test_a_name_with_control_characters_silences_neither_sounder_nor_mail(tmp_path: Path) -> None:
    """No program takes a NUL in an argument, and no mail a line feed in its subject."""
    heard = tmp_path / "heard"
    strange = Message("x#1", "wake", "The\npit", "Turn\x00the\r\nlamb\u2028now")
    sounder = Sounder("bell", ("/bin/sh", "-c", f'printf %s "$1" > {heard}', "sh", "{text}"), 5)
    await sounder.send(strange)
    assert heard.read_text() == "Turn the  lamb now"
    assert strange.title == "The pit"
