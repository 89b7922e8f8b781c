"""Clocks that jump, clocks that were never set, and the two nights a year on which the wall clock is not the time.

The whole chain in virtual seconds: the real SystemClock on a kernel whose clocks are moved by hand, loop, journal,
outbox. What came out at which second since boot is compared with the same night on a clock that runs true.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, Event, Level, Notification
from daemon.core.inputs import Readings, Resumed
from daemon.core.settings import QuietHours, WatchSettings
from daemon.settings_from_files import watch_settings
from daemon.shell import clock as clock_module
from daemon.shell.clock import PLAUSIBLE_SINCE, Clock, SystemClock
from daemon.shell.journal import Journal, Start
from daemon.shell.loop import WatchLoop
from daemon.shell.resume import engine_time_at_start, restored
from drivers.reading import Reading
from tests.faults.row import Fault, Row
from tests.faults.test_disk import patched
from tests.system.scripted_board import write_files

NIGHT = 1_795_906_800.0  # 2026-11-28T23:00:00Z
DEADLINE_BAR = 1.0
"""s by which a deadline may differ from elapsed time."""
HOT_AT, STEP_AT, END_AT = 600, 660, 4800
"""s since the start: the pit goes too hot; the clock is stepped a minute later, inside the on-delay of 120 s; the end."""


@dataclass
class Kernel:
    """The two clocks of a board, and the reason they differ."""

    boot: float = 100.0
    wall: float = NIGHT

    def pass_one_second(self) -> None:
        self.boot += 1.0
        self.wall += 1.0


class WallEngineClock:
    """The wrong build: engine time is what the wall clock says."""

    def __init__(self, resume_at: float | None = None) -> None:
        pass

    def now(self) -> float:
        return clock_module.wall_seconds()

    def wall(self) -> float:
        return clock_module.wall_seconds()


class StampsOnWaking(WatchLoop):
    """The wrong build: what was due is stamped with the moment of waking up."""

    async def _fire_due(self, now: float) -> None:
        while (deadline := self.engine.next_deadline()) is not None and deadline <= now:
            await self.settle(None, self.engine.handle_timer(now), now)
            self.judged_at = now


@dataclass
class Life:
    """A watch in virtual time. `out`: (s since boot, event) of alarms and messages."""

    kernel: Kernel
    settings: WatchSettings
    journal: Journal
    make_clock: Callable[[float | None], Clock] = SystemClock
    loop_class: type[WatchLoop] = WatchLoop
    out: list[tuple[float, Event]] = field(default_factory=list)

    async def begin(self, boot_id: str, resume_at: float | None) -> None:
        self.clock = self.make_clock(resume_at)
        engine = restored(lambda: Engine(self.settings), self.journal)
        self.loop = self.loop_class(
            engine, self.clock, self.journal, clock_trusted=lambda: self.clock.wall() >= PLAUSIBLE_SINCE, time_scale=1e9
        )
        self.loop.listeners.append(self.hear)
        now = self.loop.stamp()
        self.journal.take_start(Start(self.journal.last_input + 1, now, boot_id, self.kernel.boot, "", None))
        await self.loop.settle(Resumed(), engine.handle(Resumed(), now), now)

    def hear(self, events: Sequence[Event], engine: Engine, now: float) -> None:
        self.out += [(self.kernel.boot, e) for e in events if isinstance(e, AlarmChanged | Notification)]

    async def second(self, pit: float | None) -> None:
        """One second passes, one reading comes, all that is due is done."""
        self.kernel.pass_one_second()
        if pit is not None:
            now = self.loop.stamp()
            wobble = 0.25 * (int(self.kernel.boot) % 2)
            self.loop.post(Readings((Reading("pit-left", pit + wobble, now), Reading("pit-right", pit + wobble, now))))
        await self.catch_up()

    async def catch_up(self) -> None:
        """What the loop does on waking up, until nothing is left to do."""
        while True:
            arrived = self.loop._queue.get_nowait() if not self.loop._queue.empty() else None
            now, item = arrived if arrived is not None else (self.loop.stamp(), None)
            await self.loop._fire_due(now)
            self.loop._check_wall(now)
            if item is not None:
                await self.loop.settle(item, self.loop.engine.handle(item, now), now)
            if self.loop._queue.empty():
                return


def deadlines(out: list[tuple[float, Event]]) -> list[tuple[str, float]]:
    """What was done and at which second since boot: alarm changes and messages to the cook."""
    done = []
    for at, event in out:
        if isinstance(event, AlarmChanged) and event.alarm.startswith("pit-"):
            done.append((f"{event.alarm} {event.after}", at))
        elif isinstance(event, Notification) and event.level is Level.WAKE:
            done.append((event.id, at))
    return done


def compare(true: list[tuple[str, float]], other: list[tuple[str, float]]) -> tuple[int, int, float]:
    """(lost, doubled, longest difference in s) against a night on a clock that runs true."""
    expected, got = dict(true), [name for name, _ in other]
    lost = len(expected.keys() - set(got))
    doubled = len(got) - len(set(got)) + len(set(got) - expected.keys())
    apart = [abs(at - expected[name]) for name, at in dict(other).items() if name in expected]
    return lost, doubled, max(apart, default=0.0)


def night_settings(home: Path, quiet: QuietHours | None = None) -> WatchSettings:
    """The scripted rig, always in quiet hours unless told otherwise, so that only the clock differs."""
    home.mkdir(parents=True, exist_ok=True)
    settings = watch_settings(*load_both(*write_files(home, "/dev/none", None, night=True)))
    if quiet is None:
        return settings
    return replace(settings, announcing=replace(settings.announcing, quiet=quiet))


def kernel_clocks(kernel: Kernel) -> tuple[object, object]:
    return patched(clock_module, "boot_seconds", lambda: kernel.boot), patched(clock_module, "wall_seconds", lambda: kernel.wall)


async def a_night(home: Path, step: float, make_clock: Callable[[float | None], Clock] = SystemClock,
                  first_wall: float = NIGHT, loop_class: type[WatchLoop] = WatchLoop, held_up: int = 0) -> list[tuple[str, float]]:  # fmt: skip
    """In band, too hot from HOT_AT on, nobody answers. step: s by which the wall clock jumps at STEP_AT. held_up: s for
    which the loop does not get to run from STEP_AT on."""
    kernel = Kernel(wall=first_wall)
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / f"j-{step}-{make_clock.__name__}-{first_wall}-{loop_class.__name__}-{held_up}.sqlite")
        life = Life(kernel, night_settings(home), journal, make_clock, loop_class)
        await life.begin("boot-a", None)
        for second in range(END_AT):
            if second == STEP_AT:
                kernel.wall += step
                for _ in range(held_up):
                    kernel.pass_one_second()
            await life.second(121.0 if second < HOT_AT else 165.0)
        journal.close()
    return deadlines(life.out)


STEPS = (("1970 to now", NIGHT - 40.0, 40.0), ("+1 day", 86400.0, NIGHT), ("-1 h", -3600.0, NIGHT))


async def steps(home: Path, full: bool) -> Row:
    true = await a_night(home, 0.0)
    assert len(true) > 10, "the night on a true clock has an alarm and its whole ladder"
    worst, lost, doubled, caught = 0.0, 0, 0, []
    for name, step, first in STEPS:
        missing, twice, apart = compare(true, await a_night(home, step, first_wall=first))
        worst, lost, doubled = max(worst, apart), lost + missing, doubled + twice
        missing, twice, apart = compare(true, await a_night(home, step, WallEngineClock, first))
        if missing or twice or apart > DEADLINE_BAR:
            caught.append(name)
    return Row(
        "clock steps: 1970 to now, +1 day, -1 h", f"of {len(true)} deadlines each: lost; doubled; longest error",
        f"{lost}; {doubled}; {worst:.1f} s", f"0; 0; <= {DEADLINE_BAR:.0f} s", not lost and not doubled and worst <= DEADLINE_BAR,
        f"engine time follows the wall clock ({len(caught)} of {len(STEPS)} caught)", len(caught) == len(STEPS),
    )  # fmt: skip


# --- a reboot into a clock that was never set ----------------------------------------------------------------


async def through_a_reboot(home: Path, right: bool) -> tuple[list[tuple[str, float]], str]:
    """An unanswered wake; the board reboots at 1,000 s without a clock (1970), and gets the time 600 s later."""
    kernel = Kernel()
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        path = home / f"reboot-{right}.sqlite"
        journal = Journal(path)
        life = Life(kernel, night_settings(home), journal)
        await life.begin("boot-a", None)
        for second in range(1000):
            await life.second(121.0 if second < HOT_AT else 165.0)
        journal.close()
        kernel.boot, kernel.wall = 5.0, 5.0
        journal = Journal(path)
        resume_at = engine_time_at_start(journal, "boot-b", kernel.boot, kernel.wall)
        again = Life(kernel, life.settings, journal, out=life.out)
        await again.begin("boot-b", resume_at if right else kernel.wall)
        for second in range(1800):
            if second == 600:
                kernel.wall = NIGHT + 1700
            await again.second(165.0)
        state = {view.key: view.state.value for view in again.loop.engine.alarms.views()}.get("pit-high/pit", "normal")
        journal.close()
    return deadlines(life.out), state


async def reboot(home: Path, full: bool) -> Row:
    def verdict(out: list[tuple[str, float]], state: str) -> tuple[bool, str]:
        wakes = [name for name, _ in out if "#" in name]
        later = [at for name, at in out if "#" in name and at < 1000]  # s since the second boot
        doubled = len(wakes) - len(set(wakes))
        silent = max((b - a for a, b in zip([5.0, *later], [*later, 1805.0], strict=True)), default=0.0)
        words = f"{doubled} doubled, alarm {state}, longest silence {silent:.0f} s"
        return not doubled and state == "unacknowledged" and silent <= 300 + 60 + 5, words

    met, words = verdict(*await through_a_reboot(home, right=True))
    met_wrong, _ = verdict(*await through_a_reboot(home, right=False))
    return Row(
        "reboot in the night, clock at 1970 for 10 min", "a standing wake: doubled ids; still standing; repeated every 5 min",
        words, "0, unacknowledged, <= 300 s and the first minute", met, "engine time begins anew at the wall clock", not met_wrong,
    )  # fmt: skip


# --- held up -------------------------------------------------------------------------------------------------


async def held_up(home: Path, full: bool) -> Row:
    """The loop does not get to run for 200 s: what was due meanwhile carries the time at which it was due."""

    async def stamps(loop_class: type[WatchLoop]) -> list[float]:
        name = f"h-{loop_class.__name__}"
        kernel = Kernel()
        boot, wall = kernel_clocks(kernel)
        with boot, wall:  # type: ignore[attr-defined]
            journal = Journal(home / f"{name}.sqlite")
            life = Life(kernel, night_settings(home), journal, loop_class=loop_class)
            await life.begin("boot-a", None)
            for second in range(2400):
                if second == STEP_AT:
                    for _ in range(200):  # readings go on coming, nobody takes them
                        kernel.pass_one_second()
                        life.loop.post(Readings((Reading("pit-left", 165.0 + second % 2, life.loop.stamp()),)))
                await life.second(121.0 if second < HOT_AT else 165.0)
            journal.close()
        return [e.time for _, e in life.out if isinstance(e, AlarmChanged | Notification) and "pit-high" in e.alarm]

    true = await _true_stamps(home)
    right, wrong = await stamps(WatchLoop), await stamps(StampsOnWaking)

    def error(got: list[float]) -> float:
        return max((abs(a - b) for a, b in zip(got, true, strict=False)), default=float("inf"))

    return Row(
        "the loop held up for 200 s", f"longest error of {len(true)} deadlines against a loop that ran", f"{error(right):.1f} s",
        f"<= {DEADLINE_BAR:.0f} s", error(right) <= DEADLINE_BAR and len(right) >= len(true) - 1,
        f"stamps with the time of waking (off by {error(wrong):.0f} s)", error(wrong) > DEADLINE_BAR,
    )  # fmt: skip


async def _true_stamps(home: Path) -> list[float]:
    kernel = Kernel()
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / "true.sqlite")
        life = Life(kernel, night_settings(home), journal)
        await life.begin("boot-a", None)
        for second in range(2600):
            await life.second(121.0 if second < HOT_AT else 165.0)
        journal.close()
    return [e.time for _, e in life.out if isinstance(e, AlarmChanged | Notification) and "pit-high" in e.alarm]


# --- summer time ----------------------------------------------------------------------------------------------

BERLIN = ZoneInfo("Europe/Berlin")
SUMMER_TIME = (
    # Directive 2000/84/EC, articles 2 and 3: from 01:00 UTC on the last Sunday in March to 01:00 UTC on the last Sunday
    # in October. Central European Time is UTC+1, so 06:00 by the wall clock is then 04:00 UTC and 05:00 UTC.
    ("spring", datetime(2027, 3, 28, 0, 0, tzinfo=UTC), datetime(2027, 3, 28, 4, 0, tzinfo=UTC)),
    ("autumn", datetime(2026, 10, 25, 0, 0, tzinfo=UTC), datetime(2026, 10, 25, 5, 0, tzinfo=UTC)),
)
"""Name, start (an hour before the change), the end of quiet hours at 06:00 in Berlin."""


async def over_the_change(home: Path, start: datetime, zone: object, hours: float) -> list[tuple[float, Event]]:
    """A wake nobody answers for its whole ladder, across the change. s since the start by engine time."""
    quiet = QuietHours(zone, 22 * 60, 6 * 60)  # type: ignore[arg-type]
    kernel = Kernel(wall=start.timestamp())
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / f"dst-{start:%m}-{type(zone).__name__}.sqlite")
        life = Life(kernel, night_settings(home, quiet), journal)
        await life.begin("boot-a", None)
        for second in range(int(hours * 3600)):
            # below the band from 00:50 UTC: the ladder of that wake runs over the change at 01:00 UTC
            await life.second(121.0 if second < 2400 else 165.0 if second < 9000 else 121.0)
        journal.close()
    return [(at - 100.0, e) for at, e in life.out]


async def summer_time(home: Path, full: bool) -> Row:
    worst, wrong_ladder, edges, caught = 0.0, 0, [], 0
    for _, start, quiet_ends in SUMMER_TIME:
        out = await over_the_change(home, start, BERLIN, 3.0)
        wakes = [(e.id, at) for at, e in out if isinstance(e, Notification) and e.level is Level.WAKE]
        plain = await over_the_change(home, start - timedelta(days=10), timezone(timedelta(hours=1)), 3.0)
        other = [(e.id, at) for at, e in plain if isinstance(e, Notification) and e.level is Level.WAKE]
        lost, doubled, apart = compare(other, wakes)
        wrong_ladder, worst = wrong_ladder + lost + doubled + (len(other) < 5), max(worst, apart)
        edges.append(abs(quiet_end(BERLIN, start) - quiet_ends.timestamp()))
        fixed = timezone(BERLIN.utcoffset(start))  # type: ignore[arg-type]
        caught += abs(quiet_end(fixed, start) - quiet_ends.timestamp()) > DEADLINE_BAR
    met = not wrong_ladder and worst <= DEADLINE_BAR and max(edges) <= DEADLINE_BAR
    return Row(
        "summer time begins and ends (Europe/Berlin)", "wakes lost or doubled; longest error; quiet hours end off by",
        f"{wrong_ladder}; {worst:.1f} s; {max(edges):.0f} s", "0; <= 1 s; <= 1 s", met,
        f"quiet hours by the offset at bedtime ({caught} of 2 caught)", caught == 2,
    )  # fmt: skip


def quiet_end(zone: object, start: datetime) -> float:
    """UTC s at which quiet hours (22:00 to 06:00) end after `start`, as the annunciator sees it, second by second."""
    from daemon.core.annunciation import is_quiet

    quiet, at = QuietHours(zone, 22 * 60, 6 * 60), start.timestamp()  # type: ignore[arg-type]
    while is_quiet(quiet, at):
        at += 1.0
    return at


FAULTS: tuple[Fault, ...] = (steps, reboot, held_up, summer_time)
assert asyncio


@pytest.mark.parametrize("fault", FAULTS)
async def test_fault(fault: Fault, tmp_path: Path) -> None:
    (await fault(tmp_path, False)).check()
