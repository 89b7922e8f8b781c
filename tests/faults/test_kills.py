"""kill -9: of the whole daemon at random moments, and between the steps of one delivery."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median
from typing import Any

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import Level, Notification
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.shell.notify.base import Message
from daemon.shell.notify.outbox import Outbox
from daemon.shell.resume import restored
from daemon.wiring.settings_from_files import watch_settings
from tests.faults.row import Fault, Row, cases, check
from tests.faults.stage import IN_BAND, NOON, TOO_COLD, TOO_HOT, Stage, staged
from tests.faults.test_power import ANY_STATE
from tests.patience import PATIENCE
from tests.system.scripted_board import FAST_WATCH

FACTOR = 300.0
JUDGED = "homie/5/pit/channel-pit-left/temperature"
START_WITHIN = 5.0
"""s from the start of the process to the first judged reading on the broker."""
LAZY = """
from daemon.shell.journal import journal
real, last = journal.Journal.commit, [0.0]
def lazy(self, now):
    if now - last[0] > 600:
        last[0] = now
        real(self, now)
journal.Journal.commit = lazy
"""
"""The wrong build: what is decided is written now and then, and leaves at once."""


@dataclass
class Account:
    """What the kills left behind. The first one comes after the first alarm was told, the others at random."""

    kills: int = 0
    broken: list[str] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)
    """s from the start of the process, less those for which it waited for a processor that somebody else had."""
    work: list[float] = field(default_factory=list)
    """s of processor time of the same starts, which depend on nothing else."""
    accepted: int = 0
    repeats: int = 0
    two_under_one_id: int = 0
    never_heard: list[str] = field(default_factory=list)

    @property
    def clean(self) -> bool:
        return (
            self.accepted > 0
            and not (self.broken or self.two_under_one_id or self.never_heard)
            and self.repeats <= self.kills
        )


def start(files: tuple[Path, Path], state: Path, wrong: str) -> subprocess.Popen[bytes]:
    state.mkdir(exist_ok=True)
    arguments = [*map(str, files), str(state), str(NOON), str(FACTOR)]
    code = FAST_WATCH.replace("rig, cook,", wrong + "rig, cook,", 1)
    return subprocess.Popen(
        [sys.executable, "-c", code, *arguments], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )


def kept(state: Path) -> tuple[list[dict[str, Any]], dict[str, str], Journal]:
    """Events, and the state of every message in the outbox."""
    journal = Journal(state / "journal.sqlite")
    return list(journal.events()), {row.id: row.state for row in journal.outbox.in_state(*ANY_STATE)}, journal


def standing(events: list[dict[str, Any]]) -> dict[str, str]:
    """Alarms that are not normal, by the journal's own account."""
    last = {e["alarm"]: e["after"] for e in events if e["event"] == "alarm"}
    return {alarm: after for alarm, after in last.items() if after != "normal"}


def processor_seconds(pid: int) -> float:
    """utime and stime of proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def waited_for_processor(pid: int) -> float:
    """s for which the main thread was ready to run and did not: run_delay of proc-pid-schedstat, Documentation/scheduler/
    sched-stats.rst of Linux. 0 where the kernel does not count it."""
    try:
        _, waited, _ = Path(f"/proc/{pid}/schedstat").read_text().split()
    except OSError:
        return 0.0
    return int(waited) / 1e9


async def kill_again_and_again(home: Path, kills: int, wrong: str = "") -> Account:
    account, chance, state = Account(), random.Random(3), home / "state"
    async with staged(home) as stage:
        moving = asyncio.create_task(_swing(stage))
        settings = watch_settings(*load_both(*stage.files))
        before: list[dict[str, Any]] = []
        try:
            for _ in range(kills):
                begin = time.monotonic()
                heard: int | None = len(stage.ear.of(JUDGED))
                process = start(stage.files, state, wrong)
                early, more = chance.random() < 0.3, chance.uniform(0.0, 2.5)
                stop_at = begin + more if early else begin + 15
                while time.monotonic() < stop_at or (not stage.told and time.monotonic() < begin + 15):
                    if heard is not None and len(stage.ear.of(JUDGED)) > heard:
                        account.starts.append(time.monotonic() - begin - waited_for_processor(process.pid))
                        account.work.append(processor_seconds(process.pid))
                        heard, stop_at = None, time.monotonic() + more
                    await asyncio.sleep(0.005)
                process.send_signal(signal.SIGKILL)
                await asyncio.to_thread(process.wait)
                account.kills += 1
                await asyncio.sleep(0.1)  # what is on its way arrives
                before = _examine(account, stage, state, settings, before)
            await _to_the_end(account, stage, state)
        finally:
            moving.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await moving
    return account


async def _swing(stage: Stage) -> None:
    """Too hot, well, too cold, well: 10 min each in the pit's time."""
    while True:
        for pit in (IN_BAND, TOO_HOT, IN_BAND, TOO_COLD):
            stage.pit = pit
            await asyncio.sleep(600 / FACTOR)


def _examine(account: Account, stage: Stage, state: Path, settings: Any, before: list[Any]) -> list[dict[str, Any]]:
    """After a kill: nothing written is gone, nothing was said that is not written, what stood still stands."""
    events, messages, journal = kept(state)
    try:
        if events[: len(before)] != before:
            account.broken.append("events that were on disk are gone")
        notified = {e["id"] for e in events if e["event"] == "notification"}
        if strange := {m["id"] for m in stage.told} - notified:
            account.broken.append(f"told, but not on disk: {sorted(strange)[:3]}")
        if missing := {e["id"] for e in events if e["event"] == "notification" and e["level"] != "log"} - set(messages):
            account.broken.append(f"decided, but not in the outbox: {sorted(missing)[:3]}")
        views = restored(lambda: Engine(settings), journal).alarms.views()
        stand = {v.key: v.state.value for v in views if v.state.value != "normal"}
        if standing(events) != stand:
            account.broken.append(f"stood: {standing(events)}, stands after the restart: {stand}")
    finally:
        journal.close()
    return events


async def _to_the_end(account: Account, stage: Stage, state: Path) -> None:
    """One more start, left in peace until the outbox is empty; then every accepted message is accounted for."""
    process = start(stage.files, state, "")
    try:
        await asyncio.sleep(3.0)
        for _ in range(200):
            rows = dict(_states(state))
            if "waiting" not in rows.values() and "sending" not in rows.values():
                break
            await asyncio.sleep(0.05)
    finally:
        process.send_signal(signal.SIGTERM)
        await asyncio.to_thread(process.wait)
    await asyncio.sleep(0.2)
    _, messages, journal = kept(state)
    journal.close()
    told = stage.told
    account.accepted = len(messages)
    account.never_heard = [i for i, s in messages.items() if s != "expired" and i not in {m["id"] for m in told}]
    counted = Counter(m["id"] for m in told)
    account.repeats = sum(n - 1 for n in counted.values())
    account.two_under_one_id = len({json.dumps(m, sort_keys=True) for m in told}) - len(counted)


def _states(state: Path) -> list[tuple[str, str]]:
    import sqlite3

    with contextlib.closing(sqlite3.connect(f"file:{state / 'journal.sqlite'}?mode=ro", uri=True)) as db:
        return db.execute("SELECT id || channel, state FROM outbox").fetchall()


async def whole_daemon(home: Path, full: bool) -> Row:
    account = await kill_again_and_again(home / "right", 50 if full else 3)
    wrong = await kill_again_and_again(home / "wrong", 6 if full else 3, LAZY)
    typical = median(account.starts)
    met = account.clean and typical <= START_WITHIN
    return Row(
        f"kill -9 of the whole daemon, {account.kills} times", "accepted alarms lost; ids with two meanings; repeats of one id; "
        "start to the first judged reading, median, less the wait for a processor",
        f"{len(account.broken) + len(account.never_heard)} of {account.accepted}; {account.two_under_one_id}; "
        f"{account.repeats}; {typical:.1f} s ({median(account.work):.1f} s of work; load {os.getloadavg()[0]:.0f} on "
        f"{os.cpu_count()} processors)" + (f" {account.broken[:2]}" if account.broken else ""),
        f"0; 0; <= kills; <= {START_WITHIN:.0f} s", met, "tells before it has written", not wrong.clean,
    )  # fmt: skip


# --- between the steps of one delivery ------------------------------------------------------------------------


class Dies(BaseException):
    """kill -9: nothing after this line runs."""


class Person:
    """Acts once on each id. crash: whether this send is cut off before or after it arrives, or not at all."""

    name = "bell"

    def __init__(self) -> None:
        self.acted: list[str] = []
        self.heard: list[str] = []
        self.crash = ""

    async def send(self, message: Message) -> None:
        if self.crash == "before":
            raise Dies
        self.heard.append(message.id)
        if message.id not in self.acted:
            self.acted.append(message.id)
        if self.crash == "after":
            raise Dies

    async def close(self) -> None:
        return None


def _idle(outbox: Outbox) -> bool:
    return not outbox._waiting["bell"] and outbox._due_by["bell"] is None


async def deliver_through_crashes(home: Path, crashes: int, resume: tuple[str, ...]) -> tuple[int, int]:
    """(messages never acted on, sends beyond one that no crash explains). resume: states a restart takes up."""
    person, chance, clock = Person(), random.Random(5), ManualClock(1000.0)
    lost = extra = 0
    for number in range(1, crashes + 1):
        person.heard.clear()
        person.crash = chance.choice(("before", "after"))
        for life in range(2):
            journal = Journal(home / "j.sqlite")
            real = journal.outbox.in_state
            journal.outbox.in_state = lambda *states, real=real: real(*(s for s in states if s in resume))  # type: ignore[method-assign]
            outbox = Outbox({"bell": person}, {"phone": ("bell",)}, journal, clock, lambda item: None, "The pit")
            outbox.resume()
            if life == 0:
                note = Notification(0.0, f"a#{number}.0", Level.WAKE, "a", number, 0, "Add 1-2 splits", ("phone",), 1e9)
                rows = outbox.rows(note, clock.now())
                journal.outbox.add(rows[0])
                journal.commit(clock.now())
                outbox.committed(rows)
            running = asyncio.create_task(outbox.run())
            begin = time.monotonic()
            while not running.done() and (person.crash or not _idle(outbox)) and time.monotonic() - begin < PATIENCE:
                await asyncio.sleep(0.001)
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
            journal.close()
            person.crash = ""
        lost += f"a#{number}.0" not in person.acted
        extra += max(0, len(person.heard) - 2)
    return lost, extra


async def in_flight(home: Path, full: bool) -> Row:
    crashes = 300 if full else 20
    for name in ("right", "wrong"):
        (home / name).mkdir(parents=True)
    lost, extra = await deliver_through_crashes(home / "right", crashes, ("waiting", "sending"))
    lost_wrong, _ = await deliver_through_crashes(home / "wrong", crashes, ("waiting",))
    return Row(
        f"death in the middle of a delivery, {crashes} times", "messages never acted on; sends beyond one repeat a death",
        f"{lost}; {extra}", "0; 0", not lost and not extra,
        f"a restart that forgets what was being sent (loses {lost_wrong})", lost_wrong > 0,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (whole_daemon, in_flight)


@cases(FAULTS, slow=(whole_daemon,))
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
