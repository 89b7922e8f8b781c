"""The whole path: words on a tty -> readings -> alarms -> journal -> outbox -> a real broker. And: killed, it remembers."""

from __future__ import annotations

import asyncio
import io
import json
import shutil
import socket
import subprocess
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import aiohttp
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from daemon.commands.replay import replay_journal
from daemon.core.events import Level, Notification
from daemon.core.inputs import WallClock
from daemon.core.orders import Acknowledge, Mark, MarkKind
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.wiring.watch import Files, Watch
from drivers.reading import Fault
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.system.scripted_board import Script, ScriptedBoard, WatchApart, wait_for, write_files
from tests.texts.english import events_in_words

NOON = 1_795_867_200.0  # 2026-11-28T12:00:00Z
FACTOR = 300.0
MOSQUITTO = shutil.which("mosquitto") or "/usr/sbin/mosquitto"


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[int]:
    port = free_port()
    conf = tmp_path / "mosquitto.conf"
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
    process = subprocess.Popen([MOSQUITTO, "-c", str(conf)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + PATIENCE
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), 0.2).close()
            break
        except OSError:
            assert time.monotonic() < until, "the broker did not start"
            time.sleep(0.02)
    yield port
    process.terminate()
    process.wait()


@pytest.fixture
def board() -> Iterator[ScriptedBoard]:
    board = ScriptedBoard()
    yield board
    board.close()


class Subscriber:
    """Everything a subscriber hears on the announcement topic."""

    def __init__(self, port: int) -> None:
        self.heard: list[dict[str, Any]] = []
        self.ready = False
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_subscribe = lambda *_: setattr(self, "ready", True)
        self._client.on_message = lambda _client, _data, message: self.heard.append(json.loads(message.payload))
        self._client.connect("127.0.0.1", port)
        self._client.subscribe("pitvigil/pit/announce/bedroom", qos=1)
        self._client.loop_start()

    def first_steps(self, rule: str) -> list[str]:
        """Ids of the first announcement of each occurrence of a rule."""
        return [m["id"] for m in self.heard if m["alarm"].startswith(rule + "/") and m["id"].endswith(".0")]

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


async def run_script(tmp_path: Path, board: ScriptedBoard, broker: int | None, night: bool,
                     script: Callable[[Watch, Script], Any]) -> list[Notification]:  # fmt: skip
    clock = ManualClock(NOON)
    rig, cook = write_files(tmp_path, board.port, broker, night)
    watch = Watch(Files(rig, cook, tmp_path / "state"), clock, FACTOR)
    told: list[Notification] = []
    watch.loop.listeners.append(
        lambda events, engine, now: told.extend(e for e in events if isinstance(e, Notification))
    )
    running = asyncio.create_task(watch.run())
    try:
        await script(watch, Script(board, clock, watch))
    finally:
        running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await running
    return told


async def cook_with_everything(watch: Watch, script: Script) -> None:
    """Lit, in band, both pieces on; wrap and tender reached; the fire falls; at last every pit probe is gone."""
    watch.loop.post(Mark(MarkKind.FIRE_LIT))
    await script.to(600, s1=130, s2=132, s3=74, s4=87)
    watch.loop.post(Mark(MarkKind.MEAT_ON))
    # it sinks all the while: a log is asked for once, and never taken back
    await script.to(900, s1=124, s2=125, s3=76, s4=88.5)
    await script.to(1200, s1=114, s2=115, s3=79, s4=91.5)
    await script.to(900, s1=104, s2=104.5, s3=79.5, s4=92)
    # and not again while nobody sees a fire that was just fed
    watch.loop.post(Mark(MarkKind.LOG))
    await script.to(900, s1=131, s2=132, s3=80, s4=92)
    watch.loop.post(Acknowledge("*", by="cook"))
    await script.to(360, s1=Fault.OPEN_CIRCUIT, s2=Fault.OPEN_CIRCUIT, s3=80, s4=92)


def check_replay(home: Path) -> None:
    """The journal of the live run, replayed, gives exactly the events of the live run."""
    journal = Journal(home / "state" / "journal.sqlite")
    offset = next((item.offset for _, item in journal.inputs() if isinstance(item, WallClock)), 0.0)
    live = events_in_words(journal.events(), home / "rig.toml", offset)
    out = io.StringIO()
    replay_journal(journal, home / "rig.toml", home / "cook.toml", out)
    journal.close()
    assert len(live) > 10
    assert [json.loads(line) for line in out.getvalue().splitlines()] == live


async def test_each_notice_arrives_once_and_the_journal_replays_alike(
    tmp_path: Path, broker: int, board: ScriptedBoard
) -> None:
    subscriber = Subscriber(broker)
    await wait_for(lambda: subscriber.ready)
    try:

        async def script(watch: Watch, script: Script) -> None:
            await cook_with_everything(watch, script)
            await script.to(120, s1=Fault.OPEN_CIRCUIT, s2=Fault.OPEN_CIRCUIT)

        await run_script(tmp_path, board, broker, night=False, script=script)
    finally:
        subscriber.stop()
    for rule in ("pit-falling", "wrap-target", "tender-range", "pit-blind"):
        assert len(subscriber.first_steps(rule)) == 1, (rule, subscriber.heard)
    assert max(Counter(m["id"] for m in subscriber.heard).values()) == 1
    check_replay(tmp_path)
    assert all(len(m["text"]) <= 60 for m in subscriber.heard)


async def test_without_a_broker_the_watch_works_and_at_night_only_deeds_wake(
    tmp_path: Path, board: ScriptedBoard
) -> None:
    told = await run_script(tmp_path, board, None, night=True, script=cook_with_everything)
    woke = {alarm.split("/")[0] for n in told if n.level is Level.WAKE for alarm in (n.alarm, *n.merged)}
    assert "pit-falling" in woke or "fire-out" in woke
    assert "wrap-target" not in woke, "nobody asked to be woken for wrapping"


async def test_killed_with_an_unacknowledged_alarm_it_still_stands_and_wakes_nobody_twice(
    tmp_path: Path, board: ScriptedBoard
) -> None:
    step = 3.0
    sounds = tmp_path / "sounds"
    sounder = f"""
[[delivery]]
kind = "command"
name = "bell"
audience = ["phone", "notice"]
command = ["sh", "-c", "echo sounded >> {sounds}"]
"""
    files = write_files(tmp_path, board.port, None, night=True, more=sounder)
    state = tmp_path / "state"
    values: dict[str, float | Fault] = {"1": 121.0, "2": 122.0, "3": 40.0, "4": 40.0}

    def events(name: str) -> list[dict[str, Any]]:
        journal = Journal(state / "journal.sqlite")
        found = [e for e in journal.events() if e["event"] == name]
        journal.close()
        return found

    def wakes() -> list[str]:
        return [e["id"] for e in events("notification") if e["level"] == "wake"]

    def fed_until(watch: WatchApart, done: Callable[[dict[str, str]], bool]) -> None:
        for _ in range(2000):
            if done(watch.line(values, step)):
                return
        raise AssertionError("it did not come to that")

    watch = WatchApart(board, files, state, NOON, FACTOR)
    try:
        fed_until(watch, lambda seen: seen["stage"] == "in-band")
        values |= {"1": 135.0 + 25, "2": 161.0}
        fed_until(watch, lambda seen: "pit-high/pit" in seen and wakes() != [])
        await wait_for(sounds.exists, 25)  # the night stands still
    finally:
        watch.kill()
    woken = wakes()
    assert len(woken) == 1 and woken[0].startswith("pit-high/pit#1-") and ".0" in woken[0]
    seen = len(events("quality")) + len(events("alarm"))
    watch = WatchApart(board, files, state, NOON, FACTOR)
    try:
        for _ in range(30):  # 90 s: before the 120 s repeat
            watch.line(values, step)
    finally:
        watch.stop()
    assert seen >= 1
    changes = [e for e in events("alarm") if e["alarm"] == "pit-high/pit"]
    assert changes[-1]["after"] == "unacknowledged"
    ids = wakes()
    assert ids.count(woken[0]) == 1
    assert [i for i in ids if i.endswith(".0")] == woken


async def test_the_page_of_a_running_watch_shows_it_and_takes_a_mark(tmp_path: Path, board: ScriptedBoard) -> None:
    async def script(watch: Watch, script: Script) -> None:
        assert watch.page is not None
        await script.to(120, s1=121, s2=122, s3=60, s4=61)
        token = (tmp_path / "state" / "page-token").read_text().strip()
        page = f"http://127.0.0.1:{watch.page.server.port}"
        jar = aiohttp.CookieJar(unsafe=True)  # cookies of an address, not of a name
        async with aiohttp.ClientSession(cookie_jar=jar) as session:
            assert (await session.get(f"{page}/api/snapshot")).status == 401
            await session.get(f"{page}/login", params={"token": token})
            answer = await session.get(f"{page}/api/snapshot")
            assert answer.status == 200
            text = await answer.text()
            assert "Chuck roll" in text and "Lamb shoulder" in text
            marked = await session.post(f"{page}/api/mark", json={"kind": "fire-lit"}, headers={"Origin": page})
            assert marked.status in (200, 202), await marked.text()
        await wait_for(lambda: watch.engine.pit.stage.stage != "unlit")

    await run_script(tmp_path, board, None, night=False, script=script)
