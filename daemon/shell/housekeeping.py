"""What happens again and again: signs of life, which must not be late, and tidying, which may.

Signs of life (heartbeat, dead-man call, systemd watchdog) run on the event loop's monotonic time: a step of the wall
clock must not silence them. APScheduler follows the wall clock, so it tidies and does nothing else, and it is told never
to reckon from a time that has passed: a clock that starts in 1970 and is set would have it count every run since.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta

import aiohttp
from apscheduler.schedulers.asyncio import AsyncIOScheduler
from apscheduler.triggers.base import BaseTrigger

from daemon.shell.clock import wall_seconds

log = logging.getLogger(__name__)

DEAD_MAN_TIMEOUT = 10.0
"""s for the whole call."""
JOB_LIMIT = 30.0
"""s after which a sign of life that hangs is cut short: the next one must not wait for it."""
CLOCK_LOOKED_AT_EVERY = 60.0
"""s until a step of the wall clock is followed."""


async def repeat(seconds: float, job: Callable[[], Awaitable[None] | None]) -> None:
    """Run a job at once and then every so many s, for ever; the wall clock has no say."""
    while True:
        waiting = job()
        if waiting is not None:
            try:
                async with asyncio.timeout(JOB_LIMIT):
                    await waiting
            except TimeoutError:
                log.warning("a sign of life was cut short after %g s", JOB_LIMIT)
        await asyncio.sleep(seconds)


class FromNow(BaseTrigger):  # type: ignore[misc]
    """So many s after the last run, reckoned from now: never from a time that a step of the clock has left behind."""

    def __init__(self, seconds: float) -> None:
        self.pause = timedelta(seconds=seconds)

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        return now + self.pause


class Housekeeping:
    """Repeats tidying jobs; one that was missed runs once, late, and never twice at a time."""

    def __init__(self) -> None:
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)  # it calls a job cut short at the end an error
        self._scheduler = AsyncIOScheduler(timezone=UTC)

    def every(self, seconds: float, job: Callable[[], Awaitable[None] | None], name: str) -> None:
        """Runs in the event loop's own thread (a plain function would be given to a thread of the library's)."""

        async def in_the_loop() -> None:
            waiting = job()
            if waiting is not None:
                await waiting

        self._scheduler.add_job(
            in_the_loop, FromNow(seconds), name=name, misfire_grace_time=None, coalesce=True, max_instances=1
        )

    async def run(self) -> None:
        """Until cancelled."""
        self._scheduler.start()
        try:
            await repeat(CLOCK_LOOKED_AT_EVERY, self._follow_the_clock)
        finally:
            self._scheduler.shutdown(wait=False)

    def _follow_the_clock(self) -> None:
        """A clock set back leaves what is to come in a far future: whatever lies beyond its own pause is due now. The
        library also slept by the old clock, so it is woken."""
        now = datetime.fromtimestamp(wall_seconds(), UTC)
        for job in self._scheduler.get_jobs():
            if job.next_run_time > now + job.trigger.pause:
                job.modify(next_run_time=now)
        self._scheduler.wakeup()


class DeadMan:
    """Calls an outside address while the watch lives; that side raises the alarm when the calls stop. why_not: in words,
    what keeps the watch from waking anybody, "" if nothing does; while there is something, no call is made."""

    def __init__(self, url: str, why_not: Callable[[], str] = lambda: "") -> None:
        self._url, self._why_not, self._failing, self._withheld = url, why_not, False, ""

    async def call(self) -> None:
        why = self._why_not()
        if why:
            if why != self._withheld:
                log.warning("the dead-man address is not called: %s", why)
            self._withheld = why
            return
        self._withheld = ""
        try:
            timeout = aiohttp.ClientTimeout(total=DEAD_MAN_TIMEOUT)
            async with (
                aiohttp.ClientSession(timeout=timeout) as session,
                session.get(self._url, allow_redirects=False) as answer,  # a portal's page is not the other side
            ):
                if not 200 <= answer.status < 300:
                    raise OSError(f"HTTP {answer.status}")
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            if not self._failing:
                log.warning("the dead-man address does not answer (%s)", str(error) or type(error).__name__)
            self._failing = True
        else:
            if self._failing:
                log.warning("the dead-man address answers again")
            self._failing = False
