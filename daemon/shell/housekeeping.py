"""What happens again and again: signs of life, which must not be late, and tidying, which may.

Signs of life (heartbeat, dead-man call, systemd watchdog) run on the event loop's monotonic time: a step of the wall
clock must not silence them. APScheduler follows the wall clock, so it tidies and does nothing else.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

import aiohttp
from apscheduler.schedulers.asyncio import AsyncIOScheduler

log = logging.getLogger(__name__)

DEAD_MAN_TIMEOUT = 10.0
"""s for the whole call."""
JOB_LIMIT = 30.0
"""s after which a sign of life that hangs is cut short: the next one must not wait for it."""


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


class Housekeeping:
    """Repeats tidying jobs; one that was missed runs once, late, and never twice at a time."""

    def __init__(self) -> None:
        logging.getLogger("apscheduler").setLevel(logging.CRITICAL)  # it calls a job cut short at the end an error
        self._scheduler = AsyncIOScheduler(timezone="UTC")

    def every(self, seconds: float, job: Callable[[], Awaitable[None] | None], name: str) -> None:
        """Runs in the event loop's own thread (a plain function would be given to a thread of the library's)."""

        async def in_the_loop() -> None:
            waiting = job()
            if waiting is not None:
                await waiting

        self._scheduler.add_job(
            in_the_loop, "interval", seconds=seconds, name=name, misfire_grace_time=None, coalesce=True, max_instances=1
        )

    def start(self) -> None:
        self._scheduler.start()

    def stop(self) -> None:
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)


class DeadMan:
    """Calls an outside address while the watch lives; that side raises the alarm when the calls stop."""

    def __init__(self, url: str) -> None:
        self._url, self._failing = url, False

    async def call(self) -> None:
        try:
            timeout = aiohttp.ClientTimeout(total=DEAD_MAN_TIMEOUT)
            async with aiohttp.ClientSession(timeout=timeout) as session, session.get(self._url) as answer:
                answer.raise_for_status()
        except (aiohttp.ClientError, TimeoutError, OSError) as error:
            if not self._failing:
                log.warning("the dead-man address does not answer (%s)", type(error).__name__)
            self._failing = True
        else:
            if self._failing:
                log.warning("the dead-man address answers again")
            self._failing = False
