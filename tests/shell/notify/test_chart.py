"""The picture that goes with a message: it arrives whole where asked for, and never delays or loses the text."""

from __future__ import annotations

import asyncio
import base64
import email
import email.policy
import hashlib
import hmac
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from ssl import create_default_context
from typing import Any, cast

import pytest

from config.loader import load_rig
from config.rig import Rig
from daemon.commands.demo.files import write_demo_files
from daemon.commands.notify_test import notify_test
from daemon.core.events import AlarmChanged, AlarmState, Priority
from daemon.core.settings import Band
from daemon.core.snapshot import Snapshot
from daemon.shell.notify.base import Message, PermanentFailure, TemporaryFailure
from daemon.shell.notify.chart import (
    AFTER_FAILURE,
    AT_MOST_EVERY,
    DRAWN_EVERY,
    FRESH,
    LARGEST,
    ChartAhead,
    Illustrated,
)
from daemon.shell.notify.push import Push
from daemon.shell.notify.smtp import MailRoute, Smtp
from daemon.shell.notify.webhook import SIGNATURE_HEADER, Webhook
from daemon.shell.report.picture.drawer import Drawer, NotDrawn
from daemon.shell.report.picture.sheet import Sheet, example_sheet
from daemon.texts.reader import Reader
from daemon.wiring.deliveries import delivery_channel
from tests.patience import PATIENCE
from tests.shell.notify.test_channels import MESSAGE, MailServer, Receiver, mail_port, receiver
from tests.shell.web.page_curves import NIGHT
from tests.shell.web.page_scenario import snapshot_at

__all__ = ["mail_port", "receiver"]
"""Fixtures, shared with the tests of plain messages."""
PNG = b"\x89PNG\r\n\x1a\n" + bytes(range(256)) * 40
RAISED = AlarmChanged(
    NIGHT, "fire-out/pit", "fire-out", "pit", 1, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, Priority.HIGH, False,
    "Relight fire", "seen",
)  # fmt: skip


# --- it arrives ------------------------------------------------------------------------------------------------


async def test_mail_carries_it_as_an_image(mail_port: int) -> None:
    route = MailRoute("127.0.0.1", mail_port, "none", "watch@pit.example", ("cook@pit.example",))
    await Illustrated(Smtp("mail", route, create_default_context()), lambda alarm: PNG).send(MESSAGE)
    mail = email.message_from_string(MailServer.mails[0], policy=email.policy.default)
    (image,) = [part for part in mail.walk() if part.get_content_type() == "image/png"]
    assert image.get_payload(decode=True) == PNG
    assert image.get_filename() == "cook.png"
    assert "Add 1-2 splits" in str(mail["Subject"])


async def test_a_web_hook_carries_it_under_the_same_signature(receiver: Receiver) -> None:
    hook = Illustrated(Webhook("hook", receiver.url, "a secret"), lambda alarm: PNG)
    await hook.send(MESSAGE)
    await hook.close()
    headers, body = receiver.got[0]
    assert base64.b64decode(json.loads(body)["picture"]) == PNG
    assert headers[SIGNATURE_HEADER] == hmac.new(b"a secret", body, hashlib.sha256).hexdigest()


async def test_push_carries_it_as_an_attachment(receiver: Receiver) -> None:
    await Illustrated(Push("phone", receiver.url.replace("http://", "json://")), lambda alarm: PNG).send(MESSAGE)
    body = json.loads(receiver.got[0][1])
    assert MESSAGE.text in body["message"]
    (attached,) = body["attachments"]
    assert base64.b64decode(attached["base64"]) == PNG and attached["mimetype"] == "image/png"


# --- the text matters more -------------------------------------------------------------------------------------


class Fussy:
    """A channel that fails as told while a picture is attached. got: what it was asked to send."""

    name = "fussy"

    def __init__(self, failure: Exception | None) -> None:
        self.failure = failure
        self.got: list[tuple[str, bool]] = []

    async def send(self, message: Message) -> None:
        self.got.append((message.id, message.attachment is not None))
        if message.attachment is not None and self.failure is not None:
            raise self.failure

    async def close(self) -> None:
        return None


async def test_without_a_fresh_picture_the_text_goes_alone() -> None:
    inner = Fussy(None)
    await Illustrated(inner, lambda alarm: None).send(MESSAGE)
    assert inner.got == [(MESSAGE.id, False)]


async def test_a_picture_that_is_refused_for_good_is_left_out_at_once() -> None:
    inner = Fussy(PermanentFailure("HTTP 413"))
    await Illustrated(inner, lambda alarm: PNG).send(MESSAGE)
    assert inner.got == [(MESSAGE.id, True), (MESSAGE.id, False)]


@pytest.mark.parametrize("failure", [TemporaryFailure("no answer"), asyncio.CancelledError()])
async def test_after_a_try_that_did_not_come_back_the_next_goes_alone(failure: Exception) -> None:
    inner = Fussy(failure)
    channel = Illustrated(inner, lambda alarm: PNG)
    with pytest.raises(type(failure)):
        await channel.send(MESSAGE)
    other = replace(MESSAGE, id="fire-out/pit#1.0")
    with pytest.raises(type(failure)):
        await channel.send(other)
    await channel.send(MESSAGE)
    inner.failure = None
    await channel.send(other)
    await channel.send(replace(MESSAGE, id="fire-out/pit#2.0"))
    assert [with_picture for _, with_picture in inner.got] == [True, True, False, False, True]


# --- it is drawn ahead -----------------------------------------------------------------------------------------


class FakeView:
    """A watch that stands still."""

    def __init__(self, view: Snapshot) -> None:
        self.view = view

    def snapshot(self, now: float) -> Snapshot:
        return replace(self.view, time=now)

    def minutes(self, channel: str, first: int, last: int) -> list[float]:
        return [100.0] * (last - first + 1)


Answer = bytes | Exception | Callable[[Sheet], bytes] | None


class FakeDrawer:
    """Draws at once, never, or fails. drawn: the sheets it was given."""

    def __init__(self, answer: Answer = PNG) -> None:
        self.answer = answer
        self.drawn: list[Sheet] = []

    async def draw(self, sheet: Sheet) -> bytes:
        self.drawn.append(sheet)
        if self.answer is None:
            await asyncio.Event().wait()
        if isinstance(self.answer, Exception):
            raise self.answer
        assert self.answer is not None
        return self.answer if isinstance(self.answer, bytes) else self.answer(sheet)


class Bench:
    """A picture, its drawer and a clock in one hand."""

    def __init__(self, answer: Answer = PNG, view: Snapshot | None = None) -> None:
        self.now = NIGHT
        self.drawer = FakeDrawer(answer)
        self.view = FakeView(view or snapshot_at(NIGHT))
        self.chart = ChartAhead(cast(Drawer, self.drawer), lambda: self.now, Reader())

    async def later(self, seconds: float, *events: Any) -> None:
        self.now += seconds
        self.chart.on_events(events, self.view, self.now)
        for _ in range(3):
            await asyncio.sleep(0)

    @property
    def drawn(self) -> int:
        return len(self.drawer.drawn)


async def test_one_is_drawn_every_ten_minutes_and_at_once_when_an_alarm_is_raised() -> None:
    bench = Bench()
    await bench.later(0)
    assert bench.chart.newest() == PNG and bench.drawn == 1
    await bench.later(DRAWN_EVERY - 1)
    assert bench.drawn == 1
    await bench.later(1)
    assert bench.drawn == 2
    await bench.later(AT_MOST_EVERY - 1, RAISED)
    assert bench.drawn == 2
    await bench.later(1, RAISED)
    assert bench.drawn == 3
    assert bench.drawer.drawn[-1].end >= bench.now


async def test_an_old_picture_goes_with_nothing() -> None:
    bench = Bench()
    await bench.later(0)
    bench.now += FRESH
    assert bench.chart.newest() == PNG
    bench.now += 1
    assert bench.chart.newest() is None


async def test_nothing_is_drawn_while_nothing_cooks() -> None:
    waiting = tuple(replace(piece, on_at=None) for piece in snapshot_at(NIGHT).pieces)
    bench = Bench(view=replace(snapshot_at(NIGHT), pieces=waiting))
    await bench.later(0, RAISED)
    assert bench.drawn == 0


async def test_the_first_wake_waits_for_no_drawing() -> None:
    """The drawing of this alarm is under way and never ends; the message is gone all the same."""
    bench, inner = Bench(answer=None), Fussy(None)
    await bench.later(0, RAISED)
    assert bench.drawn == 1
    async with asyncio.timeout(PATIENCE):
        await Illustrated(inner, bench.chart.newest).send(MESSAGE)
    assert inner.got == [(MESSAGE.id, False)]
    await bench.later(DRAWN_EVERY, RAISED)
    assert bench.drawn == 1  # one at a time
    await bench.chart.close()


@pytest.mark.parametrize("answer", [NotDrawn("needs the package matplotlib"), bytes(LARGEST + 1), OSError("no fork")])
async def test_a_failure_is_said_once_and_tried_again_later(
    answer: bytes | Exception, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(answer)
    await bench.later(0)
    assert bench.chart.newest() is None
    assert [r.message for r in caplog.records if "without a picture" in r.message] != []
    await bench.later(AFTER_FAILURE - 1, RAISED)
    assert bench.drawn == 1
    await bench.later(1)
    assert bench.drawn == 2


def two_pits() -> Snapshot:
    """The lamb is on a pit of its own, with one of the pit probes."""
    one = snapshot_at(NIGHT)
    drum = replace(one.pit, id="drum", name="Drum", subject="drum", band=Band(115.0, 145.0))
    of = {"pit-right": "drum", "lamb": "drum", "lamb-shoulder": "drum"}
    return replace(
        one,
        pits=(one.pit, drum),
        channels=tuple(replace(c, pit=of.get(c.id, one.pit.id)) for c in one.channels),
        pieces=tuple(replace(piece, pit=of.get(piece.id, one.pit.id)) for piece in one.pieces),
    )


def first_word(sheet: Sheet) -> bytes:
    return sheet.title.split()[0].encode()


async def test_of_two_pits_a_message_carries_the_one_that_it_is_about() -> None:
    bench = Bench(first_word, two_pits())
    await bench.later(0)
    titles = [first_word(sheet) for sheet in bench.drawer.drawn]
    assert titles == [b"Brick", b"Drum"]
    lines = [[line.name for line in sheet.lines[1:]] for sheet in bench.drawer.drawn]
    assert len(lines[0]) == len(lines[1]) == 1 and lines[0] != lines[1] and lines[1] == ["Lamb shoulder"]
    assert bench.drawer.drawn[1].bands[0][2:] == (115.0, 145.0)
    alarms = {"fire-out/pit": b"Brick", "fire-out/drum": b"Drum", "piece-wrap/lamb-shoulder": b"Drum",
              "piece-wrap/chuck-roll": b"Brick",
              "probe-bad/pit-right": b"Drum", "hub-lost/hub": b"Brick", "": b"Brick"}  # fmt: skip
    assert {alarm: bench.chart.newest(alarm) for alarm in alarms} == alarms
    await bench.later(AT_MOST_EVERY, replace(RAISED, alarm="fire-out/drum", subject="drum"))
    assert [first_word(sheet) for sheet in bench.drawer.drawn[2:]] == [b"Drum", b"Brick"], (
        "the one called for comes first"
    )

    served = tuple(replace(piece, stage="done") if piece.pit == "drum" else piece for piece in bench.view.view.pieces)
    bench.view.view = replace(bench.view.view, pieces=served)
    await bench.later(DRAWN_EVERY)
    assert bench.chart.newest("fire-out/pit") == b"Brick"
    assert bench.chart.newest("fire-out/drum") is None, "no picture of another pit"


# --- who asks for it -------------------------------------------------------------------------------------------


def rig_with(home: Path, chart: str) -> Path:
    rig, _ = write_demo_files(home)
    (home / "url").write_text("json://127.0.0.1:9/")
    (home / "url").chmod(0o600)
    rig.write_text(
        rig.read_text()
        + f'[[delivery]]\nkind = "webhook"\nname = "hook"\naudience = ["phone"]\nurl = "http://127.0.0.1:9/"\n{chart}\n'
        + f'[[delivery]]\nkind = "smtp"\nname = "mail"\naudience = ["notice"]\nhost = "127.0.0.1"\n'
        f'sender = "a@pit.example"\nto = ["b@pit.example"]\n{chart}\n'
        + f'[[delivery]]\nkind = "apprise"\nname = "push"\naudience = ["phone"]\nurl_file = "{home / "url"}"\n{chart}\n'
    )
    return rig


@pytest.mark.parametrize(("chart", "carrying"), [("chart = true", 3), ("", 0), ("chart = false", 0)])
def test_only_channels_that_ask_for_it_carry_it(tmp_path: Path, chart: str, carrying: int) -> None:
    rig = load_rig(rig_with(tmp_path, chart))
    made = [delivery_channel(d, None, "pit", lambda alarm: PNG) for d in rig.delivery]
    assert sum(isinstance(channel, Illustrated) for channel in made) == carrying
    assert [channel.name for channel in made] == ["bell", "hook", "mail", "push"]
    assert not any(isinstance(delivery_channel(d, None, "pit"), Illustrated) for d in rig.delivery)


@pytest.mark.parametrize("chart", ["chart = true", "chart = false"])
async def test_the_watch_draws_only_when_asked(tmp_path: Path, chart: str) -> None:
    from daemon.wiring.watch import Files, Watch

    rig = rig_with(tmp_path, chart)
    watch = Watch(Files(rig, tmp_path / "cook.toml", tmp_path / "state"))
    assert (watch.chart is not None) is (chart == "chart = true")
    if watch.chart is not None:
        assert watch.chart.on_events in watch.loop.listeners
    watch.journal.close()


# --- tried by daylight -----------------------------------------------------------------------------------------

RIG = """
[pit]
band = {{ low = 107, high = 135 }}
[[devices]]
kind = "serial-line"
id = "board"
port = "/dev/ttyAMA0"
line = {{ kind = "json" }}
[[channels]]
id = "grate"
role = "pit"
device = "board"
source = "grate"
[[delivery]]
kind = "webhook"
name = "hook"
audience = ["phone"]
url = "{url}"
chart = true
[[delivery]]
kind = "webhook"
name = "bare"
audience = ["second"]
url = "{url}"
"""


@pytest.fixture
def slow_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """Loading the drawing library takes what it takes beside busy loops; what is too long is tested elsewhere."""
    monkeypatch.setattr("daemon.shell.report.picture.drawer.TIME_LIMIT", 10 * PATIENCE)


def rig_of(tmp_path: Path, receiver: Receiver) -> Rig:
    file = tmp_path / "rig.toml"
    file.write_text(RIG.format(url=receiver.url))
    return load_rig(file)


@pytest.mark.usefixtures("slow_machine")
async def test_the_test_message_carries_a_picture_where_one_is_asked_for(tmp_path: Path, receiver: Receiver) -> None:
    said: list[str] = []
    assert await notify_test(rig_of(tmp_path, receiver), said.append) == 0
    with_picture, without = (json.loads(body) for _, body in receiver.got)
    png = base64.b64decode(with_picture["picture"])
    assert png.startswith(PNG[:8]) and len(png) <= LARGEST
    assert without["picture"] is None
    assert any("hook: with a test picture" in line and "made curves" in line for line in said)
    assert not any("bare: with" in line for line in said)


def test_the_test_picture_says_that_it_is_one() -> None:
    sheet = example_sheet(NIGHT, Reader(True, "Europe/London"))
    assert sheet.title.startswith("Test, made curves: not your pit")
    assert sheet.unit == "°F" and sheet.low < min(sheet.lines[1].values) < max(sheet.lines[0].values) < sheet.high
    assert sheet.lines[0].times[-1] == sheet.fans[0].times[0] == NIGHT


async def test_where_nobody_can_draw_the_test_says_so_and_goes_alone(
    tmp_path: Path, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("daemon.shell.report.picture.drawer.find_spec", lambda _: None)
    said: list[str] = []
    assert await notify_test(rig_of(tmp_path, receiver), said.append) == 0
    assert [json.loads(body)["picture"] for _, body in receiver.got] == [None, None]
    assert any("chart = true" in line and "pip install 'pitvigil[report]'" in line for line in said)


@pytest.mark.usefixtures("slow_machine")
async def test_a_test_that_is_refused_with_its_picture_goes_without_and_says_so(
    tmp_path: Path, receiver: Receiver
) -> None:
    receiver.limit = 1000
    said: list[str] = []
    assert await notify_test(rig_of(tmp_path, receiver), said.append) == 0
    assert any("refused with its picture" in line and "413" in line for line in said)
    assert [json.loads(body)["picture"] is None for _, body in receiver.got] == [False, True, True]
