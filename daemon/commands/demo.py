"""A simulated night through the real watch: real words on a real serial line, real journal, real broker if there is one.

Only the pit, the meat and the cook are simulated. The virtual cook hears what a sleeper would hear: a wake, or
nothing.
"""

from __future__ import annotations

import asyncio
import contextlib
import shutil
import subprocess
import tempfile
import threading
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from rich.console import Console, Group
from rich.live import Live
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from daemon.commands.demo_files import START, write_demo_files
from daemon.commands.demo_pace import Pace
from daemon.commands.free_port import free_port
from daemon.commands.virtual_cook import HOUR, VirtualCook
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
from daemon.core.inputs import Goal
from daemon.core.snapshot import PieceView, PitView, Snapshot
from daemon.shell.clock import SpedUpClock
from daemon.shell.view import View
from daemon.shell.web.pairing import login_url
from daemon.texts.composer import Composer
from daemon.wiring.keys import page_key_made
from daemon.wiring.watch import Files, Watch
from drivers.simulated.board import AmplifierBoard
from drivers.simulated.cook import SimulatedCook
from drivers.simulated.scenarios import demo_scenario

LINE_EVERY = 5.0
"""Simulated s between lines of the board."""
FRAMES_PER_SECOND = 4
STORY_LINES = 16
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


class Demo:
    """Build, `run` until done or cancelled, `farewell`."""

    def __init__(self, speed: float, seed: int, hours: float | None, plain: bool) -> None:
        self._speed, self._plain = speed, plain
        self._simulated = SimulatedCook(demo_scenario(), seed)
        self._length = hours * HOUR if hours else self._simulated.scenario.length
        self._console = Console()
        self._story: deque[Text] = deque(maxlen=STORY_LINES)
        self._woke: list[str] = []
        self._composer = Composer()
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
        while (now := clock.now() - START) < self._length:
            self._simulated.advance(max(0.0, now - self._simulated.now))
            cook.step(now)
            if now - sent >= LINE_EVERY:
                if pace.line(now - sent):
                    self._slow_down(clock, pace.factor)
                sent = now
                self._lost_lines += not board.send()
            await asyncio.sleep(LINE_EVERY / pace.factor)

    def _slow_down(self, clock: SpedUpClock, factor: float) -> None:
        """Played faster than the machine can, the night would be one of silent probes and false alarms."""
        clock.go_on_at(factor)
        self._slowed = factor
        words = f"this machine is too slow for that: going on {factor:.0f} times faster than life"
        self._note(clock.now(), words, "bold yellow")

    def _files(self, home: Path, port: str, broker: int | None) -> Files:
        rig, cook = write_demo_files(home, port, broker)
        page = f'[page]\nlisten = "127.0.0.1"\nport = {free_port()}\n'
        rig.write_text(rig.read_text(encoding="utf-8") + page)
        return Files(rig, cook, home / "state")

    # --- what is seen ------------------------------------------------------------------------------------------

    def _heard(self, events: Sequence[Event], view: View, now: float, cook: VirtualCook) -> None:
        for silent in events:
            event = self._composer.spoken(silent)
            match event:
                case Notification():
                    cook.hear(event, now - START)
                    self._notify(event)
                case StageChanged():
                    self._note(
                        event.time, f"{event.subject}: {event.before} -> {event.after} ({event.because})", "cyan"
                    )
                case QualityChanged():
                    self._note(event.time, f"probe {event.channel}: {event.quality} ({event.evidence})", "blue")
                case AlarmChanged() if event.after is AlarmState.UNACKNOWLEDGED:
                    self._note(event.time, f"alarm {event.alarm}: {event.because}", "yellow")
                case NapPlanned():
                    until = (
                        f"no promise: {event.reason}" if event.until is None else f"sleep until {_clock(event.until)}"
                    )
                    latest = f", at the latest {_clock(event.latest)}" if event.latest is not None else ""
                    self._note(event.time, f"good night: {until}{latest}", "green")
                    for line in event.unmet:
                        self._note(event.time, f"  first: {line}", "green")
                case _:
                    pass
        if self._snapshot is None or now - self._snapshot.time >= self._speed / FRAMES_PER_SECOND:
            self._snapshot = self._composer.spoken(view.snapshot(now))
            if self._live_view is not None:
                self._live_view.update(self._picture())

    def _notify(self, event: Notification) -> None:
        style = {Level.WAKE: "bold red", Level.NOTICE: "magenta", Level.LOG: "dim"}[event.level]
        if event.level is Level.WAKE:
            self._woke.append(f"{_clock(event.time)} {event.text}")
        self._note(event.time, f"{event.level.value.upper()}: {event.text}", style)

    def _note(self, time: float, text: str, style: str) -> None:
        line = Text(f"{_clock(time)}  {text}", style=style)
        self._story.append(line)
        if self._plain:
            self._console.print(line)

    def _live(self) -> contextlib.AbstractContextManager[object]:
        if self._plain:
            return contextlib.nullcontext()
        self._live_view = Live(
            Text("lighting the fire ..."), console=self._console, refresh_per_second=FRAMES_PER_SECOND
        )
        return self._live_view

    def _opening(self, watch: Watch, broker: int | None) -> None:
        self._console.print(
            "A night in the pit: a beef chuck roll and a lamb shoulder for the village hall. Pit, meat and cook are "
            "simulated; everything else is the real watch."
        )
        section = watch.rig.page
        assert section is not None, "the demo's own rig has a page"
        link = login_url(section.listen, section.port, page_key_made(section, watch.state))
        self._console.print(f"Its page, while it runs: {link}", soft_wrap=True)
        if broker:
            self._console.print(f"A private broker listens on 127.0.0.1:{broker}; watch it with:")
            self._console.print(f"  mosquitto_sub -p {broker} -v -t 'homie/5/#' -t 'pitvigil/#'")
        else:
            self._console.print("No broker program on this machine: the watch works all the same, without topics.")

    def _picture(self) -> Group:
        view = self._snapshot
        assert view is not None
        pit = Text(f"{_clock(view.time)}   pit {_degrees(view.pit.celsius)}  [{view.pit.stage}]  band ", style="bold")
        pit.append(f"{view.pit.band.low:.0f}-{view.pit.band.high:.0f} °C   ")
        pit.append(_fire_ahead(view.pit))
        table = Table(box=None, pad_edge=False)
        for title in ("piece", "core", "stage", "stall", "wrap", "tender (5-50-95 %)"):
            table.add_column(title)
        for piece in view.pieces:
            table.add_row(*_row(piece))
        probes = Text(
            "  ".join(f"{c.name} {_degrees(c.celsius)}{_doubt(c.quality)}" for c in view.channels), style="dim"
        )
        story = Group(*self._story)
        title = f"woken {len(self._woke)} times"
        return Group(pit, table, probes, Panel(story, title=title, title_align="left"))

    def farewell(self) -> None:
        """What the night came to."""
        self._console.print(f"\nThe cook was woken {len(self._woke)} times:")
        for line in self._woke:
            self._console.print(f"  {line}")
        if self._slowed is not None:
            self._console.print(
                f"This machine was too slow for --speed {self._speed:.0f}; the rest went {self._slowed:.0f} times faster than "
                "life. What was told before it slowed down may be the machine's fault."
            )
        if self._lost_lines:
            self._console.print(f"{self._lost_lines} lines were lost on the serial line: this machine was too busy.")


def _fire_ahead(pit: PitView) -> str:
    """When the next log is due; of a pit that is not seen, since when, what it read then and how old the forecast is."""
    due, made = pit.log_due, pit.forecast_made_at
    told = f"log due {_clock(due.p05)}-{_clock(due.p95)}" if due else f"no fire forecast: {pit.no_forecast}"
    if pit.celsius is not None or pit.last_seen_at is None or pit.last_celsius is None:
        return told
    last = f"not seen since {_clock(pit.last_seen_at)}, {_degrees(pit.last_celsius)} then"
    return f"{last}; as said at {_clock(made)}: {told}" if due and made is not None else last


def _row(piece: PieceView) -> tuple[str, ...]:
    def when(goal: Goal) -> str:
        outlook = next((o for o in piece.outlooks if o.goal is goal and o.scenario == "planned"), None)
        if outlook is None or outlook.at is None:
            return f"{outlook.reason}" if outlook is not None else ""
        return f"{_clock(outlook.at.p05)}-{_clock(outlook.at.p50)}-{_clock(outlook.at.p95)}"

    stall = f"{piece.stall_probability:.0%}" if piece.stage in ("on", "cooking", "stall", "past-stall") else ""
    return piece.name, _degrees(piece.celsius), piece.stage, stall, when(Goal.WRAP), when(Goal.TENDER)


def _degrees(celsius: float | None) -> str:
    return "  --  " if celsius is None else f"{celsius:.0f} °C"


def _doubt(quality: str) -> str:
    return "" if quality == "good" else f" ({quality})"


def _clock(time: float) -> str:
    return datetime.fromtimestamp(time, UTC).strftime("%H:%M")
