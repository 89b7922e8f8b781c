"""A simulated night through the real watch: real words on a real serial line, real journal, real broker if there is one.

Only the pit, the meat and the cook are simulated. The virtual cook hears what a sleeper would hear: a wake, or
nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Sequence
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from daemon.commands.demo.files import START, write_demo_files
from daemon.commands.demo.pace import Pace
from daemon.commands.demo.story import Story
from daemon.commands.demo.virtual_cook import HOUR, VirtualCook
from daemon.commands.free_port import free_port
from daemon.core.events import (
    AlarmChanged,
    AlarmState,
    Event,
    Level,
    NapPlanned,
    Notification,
    QualityChanged,
    StageChanged,
)
from daemon.core.outlook import Goal
from daemon.core.snapshot import PieceView, PitView, Snapshot
from daemon.shell.clock import SpedUpClock
from daemon.shell.view import View
from daemon.shell.web.pairing import login_url
from daemon.texts.composer import PLAIN
from daemon.wiring.keys import page_key_made
from daemon.wiring.watch import Files, Watch
from drivers.simulated.board import AmplifierBoard
from drivers.simulated.cook import SimulatedCook
from drivers.simulated.scenarios import demo_scenario

LINE_EVERY = 5.0
"""Simulated s between lines of the board."""
WAITS_AFTER = 60.0
"""Simulated s after a line at which the night stands still until the next one: half of what makes a probe silent in the demo's
rig, so that a machine that is busy for a moment tells of no bad probes."""
FRAMES_PER_SECOND = 4
COLUMNS = (
    "command.demo.piece", "command.demo.core", "command.demo.stage-title", "command.demo.stall", "command.demo.wrap",
    "command.demo.tender",
)  # fmt: skip
BEDROOM = "pitvigil/+/announce/bedroom"
"""Where the demo's delivery tells its cook."""
LISTENS_WITHIN = 5.0
"""s to wait for broker and listener before the night begins."""
BROKER_PROGRAMS = ("mosquitto", "/usr/sbin/mosquitto")


class PrivateBroker:
    """A broker of our own on a free loopback port, if the program is on this machine."""

    def __init__(self, directory: Path) -> None:
        self._program = next((p for p in map(shutil.which, BROKER_PROGRAMS) if p), None)
        self._process: subprocess.Popen[bytes] | None = None
        self.port: int | None = None
        if self._program is None:
            return
        self.port = free_port()
        file = directory / "broker.conf"
        file.write_text(f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n")
        self._process = subprocess.Popen(  # nosec B603  # a program that was looked up, no shell
            [self._program, "-c", str(file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        # Somebody sleeps in the bedroom: what nobody listens to would count as undelivered.
        self._bedroom = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._bedroom.on_connect = lambda client, *_: client.subscribe(BEDROOM, qos=1)
        listens = threading.Event()
        self._bedroom.on_subscribe = lambda *_: listens.set()
        self._bedroom.connect_async("127.0.0.1", self.port)
        self._bedroom.loop_start()
        listens.wait(LISTENS_WITHIN)

    def stop(self) -> None:
        if self._process is not None:
            self._bedroom.disconnect()
            self._bedroom.loop_stop()
            self._process.terminate()
            self._process.wait(timeout=2)


class Shown(Console):
    """unread: whoever read the output has gone away, as `head` does; then nothing more is shown, and there is no more to do."""

    unread = False

    def on_broken_pipe(self) -> None:
        self.quiet = self.unread = True
        os.dup2(os.open(os.devnull, os.O_WRONLY), self.file.fileno())  # what is left in its buffer must go somewhere


class Demo:
    """Build, `run` until done or cancelled, `farewell`."""

    def __init__(self, speed: float, seed: int, hours: float | None, plain: bool) -> None:
        self._speed, self._plain = speed, plain
        self._simulated = SimulatedCook(demo_scenario(), seed)
        self._length = hours * HOUR if hours else self._simulated.scenario.length
        self._console = Shown()
        self._story = Story(self._console.print if plain else lambda line: None)
        self._woke: list[str] = []
        self._snapshot: Snapshot | None = None
        self._broker_port: int | None = None
        self._lost_lines = 0
        self._slowed: float | None = None
        self._live_view: Live | None = None
        self._directory = tempfile.TemporaryDirectory(prefix="pitvigil-demo-")

    async def run(self) -> None:
        """The whole night, or until Ctrl-C."""
        home = Path(self._directory.name)
        board, broker = AmplifierBoard(self._simulated), PrivateBroker(home)
        self._broker_port = broker.port
        try:
            clock = SpedUpClock(START, self._speed)
            watch = Watch(self._files(home, board.port, broker.port), clock, self._speed)
            cook = VirtualCook(self._simulated, watch.loop.post, lambda text: self._note(clock.now(), text, "dim"))

            def listen(events: Sequence[Event], view: View, now: float) -> None:
                self._heard(events, view, now, cook)

            watch.loop.listeners.append(listen)
            self._opening(watch, broker.port)
            async with asyncio.TaskGroup() as group:
                running = group.create_task(watch.run())
                with self._live():
                    await self._night(board, clock, cook)
                running.cancel()
        finally:
            board.close()
            broker.stop()
            self._directory.cleanup()

    async def _night(self, board: AmplifierBoard, clock: SpedUpClock, cook: VirtualCook) -> None:
        sent, pace = 0.0, Pace(self._speed, LINE_EVERY)
        while (now := clock.now() - START) < self._length and not self._console.unread:
            self._simulated.advance(max(0.0, now - self._simulated.now))
            cook.step(now)
            if now - sent >= LINE_EVERY:
                if pace.line(now - sent):
                    self._slow_down(clock, pace.factor)
                sent = now
                clock.wait_at(START + sent + WAITS_AFTER)
                self._lost_lines += not board.send()
            await asyncio.sleep(LINE_EVERY / pace.factor)

    def _slow_down(self, clock: SpedUpClock, factor: float) -> None:
        """Played faster than the machine can, the night would be one of silent probes and false alarms."""
        clock.go_on_at(factor)
        self._slowed = factor
        self._note(clock.now(), PLAIN.words("command.demo.too-slow", factor=factor), "bold yellow")

    def _files(self, home: Path, port: str, broker: int | None) -> Files:
        rig, cook = write_demo_files(home, port, broker)
        page = f'[page]\nlisten = "127.0.0.1"\nport = {free_port()}\n'
        rig.write_text(rig.read_text(encoding="utf-8") + page)
        return Files(rig, cook, home / "state")

    # --- what is seen ------------------------------------------------------------------------------------------

    def _heard(self, events: Sequence[Event], view: View, now: float, cook: VirtualCook) -> None:
        for silent in events:
            event = PLAIN.spoken(silent)
            match event:
                case Notification():
                    cook.hear(event, now - START)
                    self._notify(event)
                case StageChanged() if event.before == event.after:  # a question, and no change
                    self._note(event.time, f"{event.asks}", "cyan")
                case StageChanged():
                    words = PLAIN.words(
                        "command.demo.stage", subject=event.subject, before=event.before, after=event.after,
                        because=event.because,
                    )  # fmt: skip
                    self._note(event.time, words, "cyan")
                case QualityChanged():
                    words = PLAIN.words(
                        "command.demo.probe", channel=event.channel, quality=event.quality, evidence=event.evidence
                    )
                    self._note(event.time, words, "blue")
                case AlarmChanged() if event.after is AlarmState.UNACKNOWLEDGED:
                    words = PLAIN.words("command.demo.alarm", alarm=event.alarm, because=event.because)
                    self._note(event.time, words, "yellow")
                case NapPlanned():
                    self._note(event.time, _good_night(event), "green")
                    if event.until is not None:
                        self._note(event.time, PLAIN.words("command.demo.load"), "green")
                    for line in event.unmet:
                        self._note(event.time, PLAIN.words("command.demo.unmet", line=line), "green")
                case _:
                    pass
        self._story.tell_until(now)
        if self._snapshot is None or now - self._snapshot.time >= self._speed / FRAMES_PER_SECOND:
            self._snapshot = PLAIN.spoken(view.snapshot(now))
            if self._live_view is not None:
                self._live_view.update(self._picture())

    def _notify(self, event: Notification) -> None:
        style = {Level.WAKE: "bold red", Level.NOTICE: "magenta", Level.LOG: "dim"}[event.level]
        if event.level is Level.WAKE:
            self._woke.append(PLAIN.words("command.demo.line", at=event.time, text=event.text))
        level = event.level.value.upper()
        self._note(event.time, PLAIN.words("command.demo.told", level=level, text=event.text), style)

    def _note(self, time: float, text: str, style: str) -> None:
        self._story.add(time, Text(PLAIN.words("command.demo.line", at=time, text=text), style=style))

    def _live(self) -> contextlib.AbstractContextManager[object]:
        if self._plain:
            return contextlib.nullcontext()
        self._live_view = Live(
            Text(PLAIN.words("command.demo.lighting")), console=self._console, refresh_per_second=FRAMES_PER_SECOND
        )
        return self._live_view

    def _opening(self, watch: Watch, broker: int | None) -> None:
        self._console.print(PLAIN.words("command.demo.opening"))
        section = watch.rig.page
        assert section is not None, "the demo's own rig has a page"
        link = login_url(section.listen, section.port, page_key_made(section, watch.state))
        self._console.print(PLAIN.words("command.demo.page", link=link), soft_wrap=True)
        if broker:
            self._console.print(PLAIN.words("command.demo.broker", port=broker))
            self._console.print(f"  mosquitto_sub -p {broker} -v -t 'homie/5/#' -t 'pitvigil/#'")
        else:
            self._console.print(PLAIN.words("command.demo.no-broker"))

    def _picture(self) -> Group:
        view = self._snapshot
        assert view is not None
        band, words = view.pit.band, PLAIN.words
        line = words(
            "command.demo.pit", at=view.time, value=_degrees(view.pit.celsius), stage=view.pit.stage,
            band=(band.low, band.high), fire=_fire_ahead(view.pit),
        )  # fmt: skip
        pit = Text(line, style="bold")
        table = Table(box=None, pad_edge=False)
        for title in COLUMNS:
            table.add_column(words(title))
        for piece in view.pieces:
            table.add_row(*_row(piece))
        probes = Text(
            "  ".join(
                words("command.demo.channel", name=c.name, value=_degrees(c.celsius), doubt=_doubt(c.quality))
                for c in view.channels
            ),
            style="dim",
        )
        story = Group(*self._story.newest)
        title = words("command.demo.woken-so-far", times=len(self._woke))
        return Group(pit, table, probes, Panel(story, title=title, title_align="left"))

    def farewell(self) -> None:
        """What the night came to."""
        self._story.tell_until(math.inf)
        self._console.print(PLAIN.words("command.demo.woken", times=len(self._woke)))
        for line in self._woke:
            self._console.print(PLAIN.words("command.demo.woke", line=line))
        if self._slowed is not None:
            self._console.print(PLAIN.words("command.demo.slowed", speed=self._speed, factor=self._slowed))
        if self._lost_lines:
            self._console.print(PLAIN.words("command.demo.lost", lines=self._lost_lines))


def _fire_ahead(pit: PitView) -> str:
    """When the next log is due; of a pit that is not seen, since when, what it read then and how old the forecast is."""
    due, made, words = pit.log_due, pit.forecast_made_at, PLAIN.words
    if due is not None:
        told = words("command.demo.log-due", early=due.p05, late=due.p95)
    else:
        told = words("command.demo.no-fire", why=pit.no_forecast)
    if pit.celsius is not None or pit.last_seen_at is None or pit.last_celsius is None:
        return told
    last = words("command.demo.unseen", since=pit.last_seen_at, value=pit.last_celsius)
    return words("command.demo.as-said", last=last, at=made, told=told) if due and made is not None else last


def _row(piece: PieceView) -> tuple[str, ...]:
    def when(goal: Goal) -> str:
        outlook = next((o for o in piece.outlooks if o.goal is goal and o.scenario == "planned"), None)
        if outlook is None or outlook.at is None:
            return str(outlook.reason) if outlook is not None else ""
        early, middle, late = outlook.at.p05, outlook.at.p50, outlook.at.p95
        return PLAIN.words("command.demo.when", early=early, middle=middle, late=late)

    stall = f"{piece.stall_probability:.0%}" if piece.stage in ("on", "cooking", "stall", "past-stall") else ""
    return piece.name, _degrees(piece.celsius), piece.stage, stall, when(Goal.WRAP), when(Goal.TENDER)


def _degrees(celsius: float | None) -> str:
    return "  --  " if celsius is None else PLAIN.reader.temperature(celsius)


def _doubt(quality: str) -> str:
    return "" if quality == "good" else PLAIN.words("command.demo.doubt", quality=quality)


def _good_night(told: NapPlanned) -> str:
    if told.until is None:
        return PLAIN.words("command.demo.no-promise", reason=told.reason)
    if told.latest is None:
        return PLAIN.words("command.demo.sleep", until=told.until)
    return PLAIN.words("command.demo.sleep-latest", until=told.until, latest=told.latest)
