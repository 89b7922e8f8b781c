"""A whole watch in this process, faster than life: scripted board on a pty, real mosquitto, an ear at the broker."""

from __future__ import annotations

import asyncio
import contextlib
import json
import shutil
import time
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Any

from daemon.shell.clock import SpedUpClock
from daemon.wiring.watch import Files, Watch
from drivers.reading import Fault
from tests.faults.row import NotHere
from tests.patience import PATIENCE
from tests.system.hub.mqtt_broker import Ear, PrivateBroker, plain_broker
from tests.system.scripted_board import ScriptedBoard, write_files

NOON = 1_795_867_200.0  # 2026-11-28T12:00:00Z
FACTOR = 300.0
ANNOUNCED = "pitvigil/pit/announce/bedroom"
IN_BAND, TOO_HOT, TOO_COLD = (121.0, 122.0), (165.0, 166.0), (96.0, 97.0)
"""°C at the two pit probes; the band of the scripted rig is 107 to 135 °C."""


class Stage:
    """`pit`: what the two pit probes show, changed at will."""

    def __init__(self, broker: PrivateBroker, ear: Ear, files: tuple[Path, Path], board: ScriptedBoard) -> None:
        self.broker, self.ear, self.files, self.board = broker, ear, files, board
        self.pit: tuple[float | Fault, float | Fault] = IN_BAND
        self.tick = 0

    @property
    def told(self) -> list[dict[str, Any]]:
        """What arrived on the announcement topic, in order."""
        return [json.loads(h.payload) for h in self.ear.heard if h.topic == ANNOUNCED]

    def told_of(self, rule: str) -> list[dict[str, Any]]:
        return [m for m in self.told if m["alarm"].startswith(rule + "/")]

    async def until(self, holds: Callable[[], bool], within: float = PATIENCE) -> float:
        """s it took. Raises TimeoutError."""
        begin = time.monotonic()
        while not holds():
            if time.monotonic() - begin > within:
                raise TimeoutError("it did not come to that")
            await asyncio.sleep(0.01)
        return time.monotonic() - begin

    async def comes(self, holds: Callable[[], bool], within: float = PATIENCE) -> bool:
        try:
            await self.until(holds, within)
        except TimeoutError:
            return False
        return True

    async def feed(self) -> None:
        """The board speaks 40 times a second."""
        while True:
            self.tick += 1
            left, right = (p if isinstance(p, Fault) else p + 0.25 * (self.tick % 2) for p in self.pit)
            self.board.send({"1": left, "2": right, "3": 40.0, "4": 40.0})
            await asyncio.sleep(0.025)


@contextlib.asynccontextmanager
async def staged(home: Path, more: str = "", broker_more: str = "allow_anonymous true\n") -> AsyncIterator[Stage]:
    """Broker, board and ear; the watch is started by `watching`."""
    if shutil.which("mosquitto") is None:
        raise NotHere("needs mosquitto")
    home.mkdir(parents=True, exist_ok=True)
    broker, board = plain_broker(home, broker_more), ScriptedBoard()
    await broker.start()
    try:
        async with Ear(broker.port) as ear:
            stage = Stage(broker, ear, write_files(home, board.port, broker.port, night=True, more=more), board)
            feeding = asyncio.create_task(stage.feed())
            try:
                yield stage
            finally:
                feeding.cancel()
                with contextlib.suppress(asyncio.CancelledError):
                    await feeding
    finally:
        board.close()
        broker.stop()


class Running:
    """A watch and its task. `died`: it ended by itself."""

    def __init__(self, watch: Watch) -> None:
        self.watch = watch
        self.task = asyncio.create_task(watch.run())

    @property
    def died(self) -> bool:
        return self.task.done()

    @property
    def stage_of_pit(self) -> str:
        return self.watch.engine.pit.stage.stage


@contextlib.asynccontextmanager
async def watching(stage: Stage, state: Path, start: float = NOON, factor: float = FACTOR) -> AsyncIterator[Running]:
    """A watch whose journal lies in `state`; stopped, or found dead, at the end."""
    watch = Watch(Files(*stage.files, state), SpedUpClock(start, factor), factor)
    running = Running(watch)
    try:
        yield running
    finally:
        running.task.cancel()
        with contextlib.suppress(asyncio.CancelledError, ExceptionGroup):
            await running.task
