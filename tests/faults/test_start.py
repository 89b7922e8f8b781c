"""What a start may find: a key file that a power cut left empty, another watch on the same directory, a clock in 1970."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import socket
import sqlite3
import stat
import subprocess
import sys
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest

from config.config_error import ConfigError
from config.loader import load_both
from config.rig import PageSection
from daemon.core.inputs import Part
from daemon.core.orders import Mark, MarkKind
from daemon.shell.clock import ManualClock
from daemon.shell.journal.connection import connect
from daemon.shell.life.housekeeping import Housekeeping
from daemon.shell.state.regular_file import kind_of_other, read_regular
from daemon.shell.state.secrets import SecretRefused, read_secret
from daemon.shell.web.access import long_enough, new_token
from daemon.wiring import watch as watch_module
from daemon.wiring.keys import KEY_FILE, page_key, page_key_made
from daemon.wiring.signs_of_life import PROVEN_AFTER
from daemon.wiring.state_directory import JOURNAL_FILE
from daemon.wiring.state_files import state_files
from daemon.wiring.watch import Files, Watch
from tests.faults.row import Fault, Row, cases, check
from tests.faults.stage import NOON
from tests.faults.test_clock import catch_up
from tests.faults.test_disk import patched
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.system.scripted_board import wait_for, write_files
from tests.texts.english import in_english, problem_in_english

# --- the key's file ----------------------------------------------------------------------------------------------


def in_place(path: Path, text: str, cut: int | None) -> None:
    """The wrong build: the file itself is written, and the power goes after `cut` bytes."""
    path.write_text(text[:cut])
    path.chmod(0o600)


def left_behind(path: Path, text: str, cut: int | None) -> None:
    """What is on the disk when the power goes while our own writer is at it: its file beside, not yet renamed."""
    (path.parent / f".{path.name}-x").write_text(text[:cut])


def starts_after(cuts: int, home: Path, make: Callable[[Path, str, int | None], None], key: Callable[..., str]) -> int:
    """Starts of so many that found no key they could use."""
    chance, refused = random.Random(4), 0
    for number in range(cuts):
        state = home / str(number)
        state.mkdir(parents=True)
        make(state / KEY_FILE, new_token() + "\n", chance.choice((0, 0, chance.randrange(1, 43))))
        try:
            first = key(PageSection(), state)
            again = key(PageSection(), state)
        except SecretRefused:
            refused += 1
            continue
        refused += not (long_enough(first) and first == again)
        refused += stat.S_IMODE((state / KEY_FILE).stat().st_mode) != 0o600
    return refused


async def torn_key(home: Path, full: bool) -> Row:
    cuts = 200 if full else 20
    ours = starts_after(cuts, home / "ours", left_behind, page_key_made)
    older = starts_after(cuts, home / "older", in_place, page_key_made)
    wrong = starts_after(cuts, home / "wrong", in_place, page_key)
    return Row(
        "power cut while the page's key is written", f"of {cuts} starts each without a key: our file, one an older release left",
        f"{ours}; {older}", "0; 0", not ours and not older, f"believes the file it finds ({wrong} refused)", wrong > 0,
    )  # fmt: skip


# --- two on one directory ---------------------------------------------------------------------------------------


def second_start(home: Path, wrong: str = "") -> tuple[int | None, str]:
    """Exit code (None: it runs) and complaint of a second `pitvigil run` on the directory of the first."""
    home.mkdir(parents=True)
    rig, cook = write_files(home, "/dev/none", None)
    command = [sys.executable, "-c", f"{wrong}\nimport sys\nfrom daemon.cli import main\nsys.exit(main(sys.argv[1:]))",
               "run", "--rig", str(rig), "--cook", str(cook), "--state", str(home / "state")]  # fmt: skip

    def begin() -> subprocess.Popen[str]:
        return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)

    first = begin()
    try:
        assert first.stdout is not None and first.stdout.readline(), "the first did not start"
        second = begin()
        try:
            _, said = second.communicate(timeout=4 if wrong else PATIENCE)
            return second.returncode, said
        except subprocess.TimeoutExpired:
            return None, ""
        finally:
            second.kill()
            second.communicate()
    finally:
        first.send_signal(signal.SIGKILL)
        first.communicate()
        if not wrong:  # the kernel let go of it with the process: the next start is not refused
            third = begin()
            assert third.stdout is not None and third.stdout.readline()
            third.kill()
            third.communicate()


NO_LOCK = "from daemon.shell.state.state_lock import StateLock\nStateLock.take = lambda self: None"


async def two_watches(home: Path, full: bool) -> Row:
    code, said = await asyncio.to_thread(second_start, home / "right")
    wrong, _ = await asyncio.to_thread(second_start, home / "wrong", NO_LOCK)
    return Row(
        "a second watch on one state directory", "exit code; says which directory, and what to do",
        f"{code}; {'yes' if 'another watch' in said and '--state' in said else 'no'}", "3; yes",
        code == 3 and "another watch" in said and "--state" in said, "no lock (both run)", wrong is None,
    )  # fmt: skip


# --- a clock that is set after the start -------------------------------------------------------------------------

YEAR = 365.25 * 86400.0
"""s"""
STEPS_BAR = 0.5
"""s for which the event loop may stand still at a step of the clock."""


class Wall:
    """The wall clock, moved by hand."""

    ahead = 0.0
    true = staticmethod(time.time)

    @classmethod
    def read(cls) -> float:
        return cls.true() + cls.ahead


class Since1970(Housekeeping):
    """The wrong build: what is due is reckoned from the last run, by the wall."""

    async def run(self) -> None:
        ((seconds, job, *_),) = self._jobs
        due = time.time() + seconds
        while True:
            await asyncio.sleep(0.02)
            missed = 0
            while due <= time.time():
                due, missed = due + seconds, missed + 1
            if missed:
                waiting = job()
                assert waiting is not None
                await waiting


async def step(kind: type[Housekeeping], years: float, seconds: float = 1.0) -> tuple[float, int, bool]:
    """(longest standstill of the event loop, s of its own work, which are no more on a machine that does other things; runs
    in 2.5 periods after the step; as many as the time that went by asks for). years: how far back the clock begins;
    negative: how far it will be set back."""
    runs: list[float] = []

    async def job() -> None:
        runs.append(time.monotonic())

    with patched(time, "time", Wall.read):
        Wall.ahead = -years * YEAR if years > 0 else 0.0
        tidying = kind()
        tidying.every(seconds, job, "tidy")
        task = asyncio.create_task(tidying.run())
        still, tick, begin, stepped = 0.0, time.thread_time(), time.monotonic(), 0.0
        before = 0
        while not stepped or time.monotonic() - stepped < 2.5 * seconds or not runs[before:]:
            await asyncio.sleep(0.01)
            still, tick = max(still, time.thread_time() - tick), time.thread_time()
            if not stepped and runs and time.monotonic() - begin > 1.3 * seconds:
                Wall.ahead, stepped, before = min(0.0, years * YEAR), time.monotonic(), len(runs)
            if time.monotonic() - begin > PATIENCE:
                break
        after, gone = len(runs) - before, time.monotonic() - stepped
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
    return still, after, 1 <= after <= gone / seconds + 1.5


async def clock_set(home: Path, full: bool) -> Row:
    """A board without a clock chip begins in 1970; a clock that is set back leaves what is due in the future."""
    forward, after, fair = await step(Housekeeping, 56.9 if full else 2.0)
    back, after_back, fair_back = await step(Housekeeping, -1.0)
    stopped, _, _ = await step(Since1970, 0.5)
    return Row(
        "the clock starts in 1970 and is set; is set back a year", "event loop stands still; tidyings in 2.5 periods after it",
        f"{max(forward, back):.2f} s; {after} and {after_back}", f"<= {STEPS_BAR} s; 1 to 4 each",
        max(forward, back) <= STEPS_BAR and fair and fair_back, f"counts all it missed ({stopped:.0f} s)", stopped > STEPS_BAR,
    )  # fmt: skip


FAULTS: tuple[Fault, ...] = (torn_key, two_watches, clock_set)


@cases(FAULTS)
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)


def test_a_key_that_cannot_be_kept_is_good_until_the_watch_ends(tmp_path: Path) -> None:
    """A full or read-only disk must not keep the watch from starting."""
    assert long_enough(page_key_made(PageSection(), tmp_path / "there is no such directory"))


def directory(path: Path) -> None:
    (path / "in it").mkdir(parents=True)


def bound_socket(path: Path) -> None:
    with socket.socket(socket.AF_UNIX) as bound:
        bound.bind(str(path))


def device(path: Path) -> None:
    """One that swallows what is written and answers nothing. Without root a link to it stands for it."""
    if os.geteuid() == 0:
        os.mknod(path, stat.S_IFCHR | 0o600, os.makedev(1, 3))
    else:
        path.symlink_to("/dev/null")


@pytest.mark.parametrize("make", [directory, os.mkfifo, bound_socket, device])
async def test_whatever_stands_in_place_of_the_files_of_the_state_is_set_aside_and_they_are_made_anew(
    tmp_path: Path, make: Callable[[Path], None], caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # the path of a socket has room for some hundred characters
    state = Path("state")
    (state / "fleet").mkdir(parents=True)
    files = state_files(state)
    for path in files:
        make(path)
    rig, cook = write_files(tmp_path, "/dev/none", None)
    watch = await asyncio.wait_for(asyncio.to_thread(Watch, Files(rig, cook, state)), PATIENCE)
    running = asyncio.create_task(watch.run())
    await wait_for(lambda: running.done() or (watch.loop.judged and watch.page and watch.page.server._listening))
    assert not running.done() and not watch.journal.trouble
    assert (state / JOURNAL_FILE).is_file() and (state / KEY_FILE).is_file()
    assert all(f"{path.name}.not-a-file-1" in caplog.text and kind_of_other(path) == "" for path in files)
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


@pytest.mark.parametrize("make", [directory, os.mkfifo, bound_socket, device])
def test_nobody_opens_what_is_no_file(
    tmp_path: Path, make: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Commands read the state beside a watch and rename nothing."""
    monkeypatch.chdir(tmp_path)
    path = Path("x")
    make(path)
    with pytest.raises(OSError, match=r"in place of a file|No such device"):
        read_regular(path)
    with pytest.raises(sqlite3.OperationalError, match="and no file"):
        connect(f"file:{path}?mode=ro", uri=True)
    if not path.is_symlink():
        path.chmod(0o600)
    with pytest.raises(SecretRefused, match=r"into a file|others may read it"):
        read_secret(str(path))


def test_a_key_that_others_may_have_read_is_made_anew_and_keeps_nobody_from_watching(tmp_path: Path) -> None:
    """Restored from a backup, or copied under another umask. One that the rig names is the user's, and refused."""
    known = new_token()
    (tmp_path / KEY_FILE).write_text(known)
    (tmp_path / KEY_FILE).chmod(0o644)
    with pytest.raises(SecretRefused, match="chmod 600"):
        page_key_made(PageSection(token_file=str(tmp_path / KEY_FILE)), tmp_path)
    made = page_key_made(PageSection(), tmp_path)
    assert long_enough(made) and made != known
    assert stat.S_IMODE((tmp_path / KEY_FILE).stat().st_mode) == 0o600
    assert page_key(PageSection(), tmp_path) == made


def test_the_files_say_whom_nobody_serves(tmp_path: Path) -> None:
    from daemon.wiring.settings_from_files import unserved

    rig_file, _ = write_files(tmp_path, "/dev/none", None)

    def said(more: str) -> list[str]:
        text = rig_file.read_text()
        other = tmp_path / "other.toml"
        other.write_text(text + more)
        return [problem_in_english(problem) for problem in unserved(load_both(other, None)[0], "rig.toml")]

    reach = '[[delivery]]\nkind = "command"\nname = "bell"\ncommand = ["true"]\naudience = {}\n'
    assert len(said("")) == 1 and "nobody can be woken" in said("")[0]
    assert len(said(reach.format('["notice"]'))) == 1 and "nobody can be woken" in said(reach.format('["notice"]'))[0]
    of_sounder = said(reach.format('["sounder"]'))
    assert [word for line in of_sounder for word in ("phone", "second", "notice") if f'"{word}"' in line] == [
        "phone", "second", "notice"
    ]  # fmt: skip
    assert said(reach.format('["phone", "sounder", "second", "notice"]')) == []


async def test_a_port_that_is_taken_keeps_nobody_from_watching(tmp_path: Path) -> None:
    """And the page comes as soon as the port is free."""
    with socket.create_server(("127.0.0.1", free_port())) as taken:
        port = taken.getsockname()[1]
        rig, cook = write_files(tmp_path, "/dev/none", None)
        rig.write_text(rig.read_text().replace("port = 0", f"port = {port}"))
        watch = Watch(Files(rig, cook, tmp_path / "state"))
        with patched(watch_module, "PAGE_TRIED_EVERY", 0.05):
            running = asyncio.create_task(watch.run())
            await wait_for(lambda: watch.loop.judged or running.done())
            assert not running.done() and watch.page is not None and watch.page.server._listening is None
            taken.close()
            await wait_for(lambda: watch.page is not None and watch.page.server._listening is not None)
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)


async def test_a_wrong_name_of_a_cook_file_starts_nothing_and_a_file_that_is_gone_ends_nothing(tmp_path: Path) -> None:
    rig, cook = write_files(tmp_path, "/dev/none", None)
    watch = Watch(Files(rig, cook, tmp_path / "state"), ManualClock(NOON))
    await watch._begin()
    watch.loop.post(Mark(MarkKind.MEAT_ON))
    await catch_up(watch.loop)
    await watch._end()
    with pytest.raises(ConfigError, match=r"file\.not-there"):
        Watch(Files(rig, tmp_path / "nope.toml", tmp_path / "state"))
    cook.unlink()
    watch = Watch(Files(rig, cook, tmp_path / "state"), ManualClock(NOON + 60))
    try:
        assert "waiting" not in {str(piece.stage.stage) for piece in watch.engine.pieces.values()}
    finally:
        await watch._end()


async def test_a_device_without_its_driver_keeps_nobody_from_watching_the_others(tmp_path: Path) -> None:
    """The driver of another package that is not installed: said once, and the watch goes on without it."""
    rig, cook = write_files(tmp_path, "/dev/none", None)
    rig.write_text(rig.read_text() + '\n[[devices]]\nkind = "plugin"\nid = "other"\ndriver = "nobody-has-it"\n')
    watch = Watch(Files(rig, cook, tmp_path / "state"))
    running = asyncio.create_task(watch.run())

    def why() -> str:
        ill = watch.engine.health.get((Part.DEVICE, "other"))
        return "" if ill is None or ill[0].ok else in_english(ill[0].detail)

    await wait_for(lambda: (watch.loop.judged and why() != "") or running.done())
    assert not running.done() and "nobody-has-it" in why()
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def test_the_dead_man_is_answered_by_a_life_that_has_shown_itself_only(tmp_path: Path) -> None:
    """Not by one that dies soon after each start, nor by one that heard no probe or can wake nobody."""
    rig, cook = write_files(tmp_path, "/dev/none", None)
    reach = '[[delivery]]\nkind = "command"\nname = "bell"\ncommand = ["true"]\naudience = ["phone"]\n'
    rig.write_text(rig.read_text() + reach)
    clock = ManualClock(NOON)
    watch = Watch(Files(rig, cook, tmp_path / "state"), clock)
    try:
        watch.loop.judged_at = NOON
        assert "less than 60 s" in watch.signs_of_life.not_proven()
        clock.time = watch.loop.judged_at = NOON + PROVEN_AFTER + 1
        assert "no probe has been heard" in watch.signs_of_life.not_proven()
        watch.device_supervisors[0].received_at = clock.time
        assert watch.signs_of_life.not_proven() == ""
        watch.outbox._down.add("bell")
        assert "every way to wake somebody fails" in watch.signs_of_life.not_proven()
        watch.outbox._down.clear()
        clock.time += 100
        assert "not moving: judging" in watch.signs_of_life.not_proven()
    finally:
        await watch._end()


async def test_a_history_of_two_hundred_years_costs_what_a_night_costs(tmp_path: Path) -> None:
    rig, cook = write_files(tmp_path, "/dev/none", None)
    watch = Watch(Files(rig, cook, tmp_path / "state"), ManualClock(NOON))
    try:
        assert watch.page is not None
        assert not watch.page.server._settings.can_wake, "this rig has no delivery, and its page says so"
        tracemalloc.start()
        history = watch.page._history(0.0, 6e9, 600)
        _, most = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert len(history.time) <= 600 and most < 10_000_000, most
    finally:
        await watch._end()
