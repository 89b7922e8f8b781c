"""Clocks that jump, clocks that were never set, and the two nights a year on which the wall clock is not the time.

The whole chain in virtual seconds: the real SystemClock on a kernel whose clocks are moved by hand, loop, journal,
outbox. What came out at which second since boot is compared with the same night on a clock that runs true.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

from config.loader import load_both
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, Event, Level, Notification
from daemon.core.inputs import Input, Readings, Resumed
from daemon.core.settings import QuietHours, WatchSettings
from daemon.shell import clock as clock_module
from daemon.shell.clock import PLAUSIBLE_SINCE, Clock, SystemClock
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.loop import WatchLoop
from daemon.shell.resume import engine_time_at_start, restored
from daemon.shell.view import View
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from tests.faults.row import Fault, Row, cases, check
from tests.faults.test_disk import patched
from tests.system.scripted_board import write_files

NIGHT = 1_795_906_800.0  # 2026-11-28T23:00:00Z
DEADLINE_BAR = 1.0
"""s by which a deadline may differ from elapsed time."""
PAUSE_BAR = 1201.0
"""s: the longest pause between calls of the first hour, and a second."""
HOT_AT, STEP_AT, END_AT, SOON_OVER = 600, 780, 5400, 2400
"""s since the start: the pit begins to grow too hot, in two minutes; the clock is stepped, inside the alarm's on-delay
of 120 s; the end of a whole night and of a short one."""
READ_EVERY = 5
"""s between readings."""


def heat(second: int) -> float:
    """°C at a second of the night: in the band, then in two minutes up to 165 °C."""
    return 121.0 + 44.0 * min(120.0, max(0.0, second - HOT_AT)) / 120.0


def read(pit: float, now: float) -> Readings:
    """Both pit probes, and two pieces that have been on for a while."""
    wobble = 0.25 * (int(now) % 2)
    shown = {"pit-left": pit + wobble, "pit-right": pit + 0.5 + wobble, "chuck": 40.0 + wobble, "lamb": 41.0 + wobble}
    return Readings(tuple(Reading(channel, on_grid(value), now) for channel, value in shown.items()))


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

    async def drive(self, now: float, item: Input | None = None) -> None:
        while (deadline := self.engine.next_deadline()) is not None and deadline <= now:
            await self.settle(None, self.engine.handle_timer(now), now)
            self.judged_at = now
        if item is not None:
            await self.settle(item, self.engine.handle(item, now), now)


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

    def hear(self, events: Sequence[Event], view: View, now: float) -> None:
        self.out += [(self.kernel.boot, e) for e in events if isinstance(e, AlarmChanged | Notification)]

    async def second(self, pit: float | None) -> None:
        """One second passes, one reading comes, all that is due is done."""
        self.kernel.pass_one_second()
        if pit is not None and self.kernel.boot % READ_EVERY == 0:
            self.loop.post(read(pit, self.loop.stamp()))
        await catch_up(self.loop)


async def catch_up(loop: WatchLoop) -> None:
    """What the loop does on waking up, until nothing is left to do."""
    while True:
        arrived = loop._queue.get_nowait() if not loop._queue.empty() else None
        now, item = arrived if arrived is not None else (loop.stamp(), None)
        await loop.drive(now, item)
        loop._check_wall(now)
        if loop._queue.empty():
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
    return patched(clock_module, "boot_seconds", lambda: kernel.boot), patched(
        clock_module, "wall_seconds", lambda: kernel.wall
    )


async def a_night(home: Path, step: float, make_clock: Callable[[float | None], Clock] = SystemClock,
                  first_wall: float = NIGHT, end: int = SOON_OVER) -> list[tuple[str, float]]:  # fmt: skip
    """In band, too hot from HOT_AT on, nobody answers. step: s by which the wall clock jumps at STEP_AT."""
    kernel = Kernel(wall=first_wall)
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / f"j-{step}-{make_clock.__name__}-{first_wall}.sqlite")
        life = Life(kernel, night_settings(home), journal, make_clock)
        await life.begin("boot-a", None)
        for second in range(end):
            if second == STEP_AT:
                kernel.wall += step
            await life.second(heat(second))
        journal.close()
    return deadlines(life.out)


STEPS = (("1970 to now", NIGHT - 40.0, 40.0), ("+1 day", 86400.0, NIGHT), ("-1 h", -3600.0, NIGHT))
WRONG_STEP = 3 * 3600.0
"""s by which the wrong build's clock jumps at most in a short night: it has every beat of them to catch up with."""


async def steps(home: Path, full: bool) -> Row:
    end = END_AT if full else SOON_OVER
    true = await a_night(home, 0.0, end=end)
    assert len(true) > 5, "the night on a true clock has an alarm and its ladder"
    worst, lost, doubled, caught = 0.0, 0, 0, []
    for name, step, first in STEPS:
        missing, twice, apart = compare(true, await a_night(home, step, first_wall=first, end=end))
        worst, lost, doubled = max(worst, apart), lost + missing, doubled + twice
        if first == NIGHT:  # from 1970 that build has 57 years of beats to catch up with
            jump = step if full else min(step, WRONG_STEP)
            missing, twice, apart = compare(true, await a_night(home, jump, WallEngineClock, end=end))
            if missing or twice or apart > DEADLINE_BAR:
                caught.append(name)
    return Row(
        "clock steps: 1970 to now, +1 day, -1 h", f"of {len(true)} deadlines each: lost; doubled; longest error",
        f"{lost}; {doubled}; {worst:.1f} s", f"0; 0; <= {DEADLINE_BAR:.0f} s", not lost and not doubled and worst <= DEADLINE_BAR,
        f"engine time follows the wall clock ({' and '.join(caught)} caught)", len(caught) == 2,
    )  # fmt: skip


# --- a reboot into a clock that was never set ----------------------------------------------------------------


async def through_a_reboot(home: Path, right: bool) -> tuple[int, float, str]:
    """An unanswered wake; the board reboots at 1,000 s without a clock (1970), and gets the time 600 s later.
    (wakes told twice, longest silence after the reboot in s, state of the alarm at the end)"""
    kernel = Kernel()
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        path = home / f"reboot-{right}.sqlite"
        journal = Journal(path)
        first = Life(kernel, night_settings(home), journal)
        await first.begin("boot-a", None)
        for second in range(1000):
            await first.second(heat(second))
        journal.close()
        kernel.boot, kernel.wall = 5.0, 5.0
        journal = Journal(path)
        again = Life(kernel, first.settings, journal)
        resume_at = engine_time_at_start(journal, "boot-b", kernel.boot, kernel.wall)
        await again.begin("boot-b", resume_at if right else kernel.wall)
        for second in range(1800):
            if second == 600:
                kernel.wall = NIGHT + 1700
            await again.second(165.0)
        state = {view.key: view.state.value for view in again.loop.engine.alarms.views()}.get("pit-high/pit", "normal")
        journal.close()
    before, after = ([(n, at) for n, at in deadlines(life.out) if "#" in n] for life in (first, again))
    told = [name for name, _ in (*before, *after)]
    times = [5.0, *(at for _, at in after), 1805.0]
    return len(told) - len(set(told)), max(b - a for a, b in pairwise(times)), state


async def reboot(home: Path, full: bool) -> Row:
    doubled, silent, state = await through_a_reboot(home, right=True)
    wrong = await through_a_reboot(home, right=False)
    good = (0, "unacknowledged")
    return Row(
        "reboot in the night, clock at 1970 for 10 min", "a standing wake: told twice; its state; longest silence",
        f"{doubled}; {state}; {silent:.0f} s", f"0; unacknowledged; <= {PAUSE_BAR:.0f} s",
        (doubled, state) == good and silent <= PAUSE_BAR,
        "engine time begins anew at the wall clock", (wrong[0], wrong[2]) != good or wrong[1] > PAUSE_BAR,
    )  # fmt: skip


# --- held up -------------------------------------------------------------------------------------------------


async def stamps(home: Path, loop_class: type[WatchLoop], held_up: bool) -> list[float]:
    """Engine times of what was done in a night in which no reading comes for 100 s, and the loop runs or does not."""
    kernel = Kernel()
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / f"h-{loop_class.__name__}-{held_up}.sqlite")
        life = Life(kernel, night_settings(home), journal, loop_class=loop_class)
        await life.begin("boot-a", None)
        for second in range(1800):
            if STEP_AT <= second < STEP_AT + 100 and held_up:
                kernel.pass_one_second()
            else:
                await life.second(None if STEP_AT <= second < STEP_AT + 100 else heat(second))
        journal.close()
    return [e.time for _, e in life.out if isinstance(e, AlarmChanged | Notification) and "pit-high" in e.alarm]


async def held_up(home: Path, full: bool) -> Row:
    true = await stamps(home, WatchLoop, False)
    right, wrong = await stamps(home, WatchLoop, True), await stamps(home, StampsOnWaking, True)

    def error(got: list[float]) -> float:
        return max(abs(a - b) for a, b in zip(got, true, strict=True)) if len(got) == len(true) else float("inf")

    return Row(
        "the loop held up for 100 s", f"longest error of {len(true)} deadlines against a loop that ran", f"{error(right):.1f} s",
        f"<= {DEADLINE_BAR:.0f} s", error(right) <= DEADLINE_BAR,
        f"stamps with the time of waking (off by {error(wrong):.0f} s)", error(wrong) > DEADLINE_BAR,
    )  # fmt: skip


# --- summer time ----------------------------------------------------------------------------------------------

BERLIN = ZoneInfo("Europe/Berlin")
SUMMER_TIME = (
    # Directive 2000/84/EC, articles 2 and 3: from 01:00 UTC on the last Sunday in March to 01:00 UTC on the last Sunday
    # in October. Central European Time is UTC+1, so 06:00 by the wall clock is then 04:00 UTC and 05:00 UTC.
    ("spring", datetime(2027, 3, 28, 0, 40, tzinfo=UTC), datetime(2027, 3, 28, 4, 0, tzinfo=UTC)),
    ("autumn", datetime(2026, 10, 25, 0, 40, tzinfo=UTC), datetime(2026, 10, 25, 5, 0, tzinfo=UTC)),
)
"""Name, start (20 min before the change), the end of quiet hours at 06:00 in Berlin."""


async def over_the_change(home: Path, start: datetime, zone: tzinfo) -> list[tuple[float, Event]]:
    """A wake nobody answers, its ladder across the change. s since the start of the watch."""
    quiet = QuietHours(start=22 * 60, end=6 * 60, zone=zone)
    kernel = Kernel(wall=start.timestamp())
    boot, wall = kernel_clocks(kernel)
    with boot, wall:  # type: ignore[attr-defined]
        journal = Journal(home / f"dst-{start:%m}-{type(zone).__name__}.sqlite")
        life = Life(kernel, night_settings(home, quiet), journal)
        await life.begin("boot-a", None)
        for second in range(SOON_OVER):  # too hot from 00:50 UTC: the ladder of that wake runs over the change at 01:00
            await life.second(heat(second))
        journal.close()
    return [(at - 100.0, e) for at, e in life.out]


async def summer_time(home: Path, full: bool) -> Row:
    worst, wrong_ladder, edges, caught = 0.0, 0, [], 0
    for _, start, quiet_ends in SUMMER_TIME:
        out = await over_the_change(home, start, BERLIN)
        wakes = [(e.id, at) for at, e in out if isinstance(e, Notification) and e.level is Level.WAKE]
        plain = await over_the_change(home, start - timedelta(days=10), timezone(timedelta(hours=1)))
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


def quiet_end(zone: tzinfo, start: datetime) -> float:
    """UTC s at which quiet hours (22:00 to 06:00) end after `start`, as the annunciator sees it, second by second."""
    from daemon.core.annunciation.quiet_hours import is_quiet

    quiet, at = QuietHours(start=22 * 60, end=6 * 60, zone=zone), start.timestamp()
    while is_quiet(quiet, at):
        at += 1.0
    return at


FAULTS: tuple[Fault, ...] = (steps, reboot, held_up, summer_time)


@cases(FAULTS)
async def test_fault(fault: Fault, full: bool, tmp_path: Path) -> None:
    await check(fault, full, tmp_path)
