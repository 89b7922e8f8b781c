"""Tasks that hang, and being told to stop: the watchdog finds the first, nothing holds up the second."""

from __future__ import annotations

import asyncio
import configparser
import contextlib
import signal
import subprocess
import sys
import time
from collections.abc import AsyncIterator, Callable, Iterator
from pathlib import Path

from daemon.core.orders import TestWake
from daemon.shell.clock import SpedUpClock
from daemon.shell.journal.journal import Journal, OutboxRow
from daemon.shell.life import supervisor
from daemon.shell.life.supervisor import DeviceSupervisor
from daemon.shell.notify import outbox
from daemon.wiring.watch import Files, Watch
from drivers.base import Batch, Driver, Link
from tests.faults.row import Fault, Row, bar_here, cases, check
from tests.faults.stage import NOON
from tests.faults.test_disk import patched
from tests.patience import PATIENCE
from tests.system.scripted_board import FAST_WATCH, ScriptedBoard, write_files

QUICK = 5.0
"""How much faster than life the quick tests are."""
KILLED_BAR, BACK_BAR = 30.0, 40.0
"""s from the hang to the kill by systemd, and to a watch that watches again."""
START = 5.0
"""s a start may take until the first judged reading; measured by kill -9."""
UNIT = Path(__file__).parents[2] / "deploy" / "pitvigil.service"
BELL = """
[[delivery]]
kind = "command"
name = "bell"
audience = ["phone", "notice"]
command = ["true"]
"""


def unit_seconds(name: str) -> float:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT)
    return float(unit["Service"][name])


class Stubborn:
    """Hangs when told to, and does not let itself be cancelled until it is let go."""

    def __init__(self) -> None:
        self.hang = self.let_go = False

    async def here(self) -> None:
        cancelled = False
        while self.hang and not self.let_go:
            try:
                await asyncio.sleep(0.05)
            except asyncio.CancelledError:
                cancelled = True
        if cancelled:
            raise asyncio.CancelledError


class HangingDriver:
    """A driver whose link hangs on receiving. opened: how often."""

    def __init__(self, driver: Driver, hangs: Stubborn, politely: bool) -> None:
        self._driver, self._hangs, self._politely, self.opened = driver, hangs, politely, 0

    @contextlib.asynccontextmanager
    async def open(self) -> AsyncIterator[Link]:
        self.opened += 1
        async with self._driver.open() as link:
            self._link = link
            yield self

    async def receive(self) -> Batch:
        if self._hangs.hang and self._politely:
            self._hangs.hang = False  # the next link works
            await asyncio.Event().wait()
        await self._hangs.here()
        return await self._link.receive()


@contextlib.contextmanager
def sooner(factor: float) -> Iterator[None]:
    """Every limit shorter by this factor."""
    with contextlib.ExitStack() as stack:
        for module, names in (
            (outbox, ("ATTEMPT_LIMIT", "STEP_LIMIT", "PATIENCE")),
            (supervisor, ("STEP_LIMIT", "CLEANING_UP")),
        ):
            for name in names:
                stack.enter_context(patched(module, name, getattr(module, name) / factor))
        yield


@contextlib.asynccontextmanager
async def quiet_watch(home: Path, factor: float, prepare: Callable[[Watch], None] = lambda watch: None,
                      speaks: bool = True) -> AsyncIterator[Watch]:  # fmt: skip
    """Board, one delivery channel, no broker; sampling and judging go on when it is handed over."""
    home.mkdir(parents=True)
    board = ScriptedBoard()
    rig, cook = write_files(home, board.port, None, night=True, more=BELL)
    rig.write_text(rig.read_text().replace("stale_after = 120", "stale_after = 10"))
    watch = Watch(Files(rig, cook, home / "state"), SpedUpClock(NOON, factor), factor)
    for keeper in watch.device_supervisors:
        keeper._silence /= factor
    prepare(watch)

    async def feed() -> None:
        while True:
            board.send({"1": 121.0, "2": 122.0, "3": 40.0, "4": 40.0})
            await asyncio.sleep(0.05)

    tasks = [asyncio.create_task(watch.run())] + ([asyncio.create_task(feed())] if speaks else [])
    try:
        async with asyncio.timeout(60):
            while watch.loop.judged_at == 0.0 or (speaks and watch.device_supervisors[0].received_at is None):
                await asyncio.sleep(0.01)
        yield watch
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        board.close()


def judging_only(watch: Watch) -> bool:
    """The wrong build's question: has judging advanced?"""
    return not any(word == "judging" for word in watch.signs_of_life.standing_still())


def hung_alone(watch: Watch, judging: bool) -> bool:
    """Something stands still, and judging does just when it is judging that hangs."""
    still = watch.signs_of_life.standing_still()
    return bool(still) and ("judging" in still) == judging


async def seen_after(home: Path, what: str, factor: float, limit: float) -> tuple[float, bool]:
    """(s from the hang of that task until the watchdog is no longer answered, does asking for judging alone see it?)"""
    stubborn = Stubborn()

    def prepare(watch: Watch) -> None:
        keeper: DeviceSupervisor = watch.device_supervisors[0]
        keeper.driver = HangingDriver(keeper.driver, stubborn, politely=False)
        send, take, following = watch.outbox._channels["bell"].send, watch.outbox._take, watch.loop._next

        async def sending(message: object) -> None:
            if what == "delivering":
                await stubborn.here()
            await send(message)  # type: ignore[arg-type]

        async def taking(name: str) -> OutboxRow:
            if what == "delivering, between two messages":
                await stubborn.here()
            return await take(name)

        async def judging() -> object:
            if what == "judging":
                await stubborn.here()
            return await following()

        watch.outbox._channels["bell"].send = sending  # type: ignore[method-assign]
        watch.outbox._take, watch.loop._next = taking, judging  # type: ignore[method-assign,assignment]
        if what != "sampling":
            keeper.driver = keeper.driver._driver

    async with quiet_watch(home, factor, prepare) as watch:
        stubborn.hang, begin = True, time.monotonic()
        try:
            for _ in range(2):
                watch.loop.post(TestWake(by="cook"))
                await asyncio.sleep(0.5 / factor)
            # on a machine that is busy judging may be late as well, for a moment: the hang is seen once it is all there is
            while not hung_alone(watch, what == "judging") and time.monotonic() - begin < limit / factor:
                await asyncio.sleep(0.01)
            return (time.monotonic() - begin) * factor, not judging_only(watch)
        finally:
            stubborn.let_go = True


HANGS = ("judging", "sampling", "delivering", "delivering, between two messages")


async def hung_task(home: Path, full: bool) -> Row:
    factor, limit = 1.0 if full else QUICK, bar_here(40.0, full)
    with contextlib.nullcontext() if full else sooner(factor):
        found = await asyncio.gather(*(seen_after(home / str(n), what, factor, limit) for n, what in enumerate(HANGS)))
    worst = max(took for took, _ in found) + unit_seconds("WatchdogSec")
    back = worst + unit_seconds("RestartSec") + START
    blind = [what for what, (_, seen) in zip(HANGS, found, strict=True) if not seen]
    return Row(
        "a task hangs: judging, sampling, delivering (twice)", "from the hang to the kill by the watchdog; to watching again",
        f"{worst:.0f} s; {back:.0f} s", f"<= {KILLED_BAR:.0f} s; <= {BACK_BAR:.0f} s",
        worst <= bar_here(KILLED_BAR, full) and back <= bar_here(BACK_BAR, full),
        f"the watchdog asks for judging only (never sees {len(blind)} of {len(HANGS)})", len(blind) == 3,
    )  # fmt: skip


async def hung_link(home: Path, full: bool) -> Row:
    """A driver that waits for ever for what never comes: the supervisor cuts it short and opens it anew."""
    factor = 1.0 if full else QUICK

    async def again_after(name: str, silence: float) -> float:
        stubborn, driver = Stubborn(), list[HangingDriver]()

        def prepare(watch: Watch) -> None:
            driver.append(HangingDriver(watch.device_supervisors[0].driver, stubborn, politely=True))
            watch.device_supervisors[0].driver = driver[0]
            watch.device_supervisors[0]._silence *= silence

        async with quiet_watch(home / name, factor, prepare) as watch:
            stubborn.hang, begin = True, time.monotonic()
            await asyncio.sleep(0.2)
            before = watch.device_supervisors[0].received_at
            while watch.device_supervisors[0].received_at == before and time.monotonic() - begin < 40 / factor:
                await asyncio.sleep(0.01)
            return (time.monotonic() - begin) * factor

    with contextlib.nullcontext() if full else sooner(factor):
        right, wrong = await asyncio.gather(again_after("right", 1.0), again_after("wrong", 1e6))
    return Row(
        "a driver hangs without an error", "from the hang to the next reading", f"{right:.0f} s", f"<= {KILLED_BAR:.0f} s",
        right <= KILLED_BAR, "waits for the driver for ever", wrong > KILLED_BAR,
    )  # fmt: skip


async def quiet_is_no_hang(home: Path, full: bool) -> Row:
    """A board that is switched off, nothing to deliver: the watch must not be killed for it."""
    factor = 1.0 if full else QUICK
    with contextlib.nullcontext() if full else sooner(factor):
        async with quiet_watch(home / "q", factor, speaks=False) as watch:
            begin, wrongly, wrong_build = time.monotonic(), 0, 0
            while time.monotonic() - begin < 40 / factor:
                wrongly += bool(watch.signs_of_life.standing_still())
                wrong_build += watch.device_supervisors[0].received_at is None
                await asyncio.sleep(0.05)
    return Row(
        "nothing to sample, nothing to deliver (40 s)", "times the watchdog was not answered", str(wrongly), "0", wrongly == 0,
        "the watchdog asks for readings", wrong_build > 0,
    )  # fmt: skip


# --- told to stop -------------------------------------------------------------------------------------------------

STOP_BAR = 2.0
NOWHERE = """
[broker]
host = "127.0.0.1"
port = {port}
[[delivery]]
kind = "webhook"
name = "hook"
audience = ["phone", "notice"]
url = "http://127.0.0.1:{port}/"
[[delivery]]
kind = "smtp"
name = "mail"
audience = ["phone", "notice"]
host = "127.0.0.1"
port = {mail}
security = "none"
sender = "pit@example.org"
to = ["cook@example.org"]
"""
HUNG_DISK = """
import threading
from daemon.shell.journal import disk
real, writes = disk.Disk.write, []
def write(self, batch):
    writes.append(1)
    if len(writes) > 2:
        threading.Event().wait()
    real(self, batch)
disk.Disk.write = write
"""
POOL = """
import asyncio
from daemon.shell import background
background.in_background = asyncio.to_thread
"""
"""The wrong build: whatever may hang runs in the event loop's own pool of threads."""


async def stopped_after(home: Path, before: str, stalled: bool) -> float:
    """s from SIGTERM to the end, at most 8. stalled: broker, web hook and mail server take connections and say nothing."""
    home.mkdir(parents=True)
    board, state = ScriptedBoard(), home / "state"
    hook, mail = asyncio.Event(), asyncio.Event()

    async def for_hook(reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
        if await reader.read(4) == b"POST":  # the broker's link comes here too
            hook.set()
        await asyncio.Event().wait()

    async def for_mail(_reader: asyncio.StreamReader, _writer: asyncio.StreamWriter) -> None:
        mail.set()
        await asyncio.Event().wait()

    silent = [await asyncio.start_server(one, "127.0.0.1", 0) for one in (for_hook, for_mail)]
    ports = [one.sockets[0].getsockname()[1] for one in silent]
    files = write_files(home, board.port, None, more=NOWHERE.format(port=ports[0], mail=ports[1]) if stalled else "")
    journal = Journal(state / "journal.sqlite")
    body = '{"id": "a#1.0", "level": "wake", "title": "The pit", "text": "Add 1-2 splits"}'
    for name in ("hook", "mail"):
        journal.outbox.add(OutboxRow("a#1.0", name, "a", NOON, NOON + 3600.0, "waiting", 0, NOON, body))
    journal.commit(NOON)
    journal.close()
    process = subprocess.Popen(
        [sys.executable, "-c", before + FAST_WATCH, *map(str, files), str(state), str(NOON), "1"],
        stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    assert process.stdout is not None
    try:
        await asyncio.to_thread(process.stdout.readline)
        for _ in range(50):
            board.send({"1": 121.0, "2": 122.0, "3": 40.0, "4": 40.0})
            await asyncio.sleep(0.05)
        if stalled:
            async with asyncio.timeout(PATIENCE):
                await hook.wait()
                await mail.wait()
        begin = time.monotonic()
        process.send_signal(signal.SIGTERM)
        with contextlib.suppress(subprocess.TimeoutExpired):
            await asyncio.to_thread(process.wait, 8)
        return time.monotonic() - begin
    finally:
        process.kill()
        process.wait()
        process.stdout.close()
        board.close()
        for one in silent:
            one.close()


async def told_to_stop(home: Path, full: bool) -> Row:
    idle, stalled, disk, wrong = await asyncio.gather(
        stopped_after(home / "idle", "", False), stopped_after(home / "stalled", "", True),
        stopped_after(home / "disk", HUNG_DISK, False), stopped_after(home / "wrong", POOL, True),
    )  # fmt: skip
    return Row(
        "SIGTERM", "to the end: at rest; broker, web hook and mail stalled; disk hung",
        f"{idle:.1f} s; {stalled:.1f} s; {disk:.1f} s",
        f"<= {STOP_BAR:.0f} s each", max(idle, stalled, disk) <= STOP_BAR,
        f"waits for the threads of what hangs ({wrong:.1f} s)", wrong > STOP_BAR,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (hung_task, hung_link, quiet_is_no_hang, told_to_stop)


@cases(FAULTS, slow=(hung_link, quiet_is_no_hang, told_to_stop))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
