"""What happens again and again: signs of life, which must not be late, and tidying, which may.

All of it goes by the event loop's monotonic time, so that a step of the wall clock neither silences nor hastens any.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Awaitable, Callable

log = logging.getLogger(__name__)

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
    """Repeats tidying jobs: each first after its own first pause, never twice at a time; one that fails is tried again."""

    def __init__(self) -> None:
        self._jobs: list[tuple[float, Callable[[], Awaitable[None] | None], str, float]] = []

    def every(
        self, seconds: float, job: Callable[[], Awaitable[None] | None], name: str, first: float | None = None
    ) -> None:
        """seconds: pause between the end of a run and the next. first: before the first one, where that is another."""
        self._jobs.append((seconds, job, name, seconds if first is None else first))

    async def run(self) -> None:
        """Until cancelled."""
        async with asyncio.TaskGroup() as group:
            for job in self._jobs:
                group.create_task(self._again(*job), name=job[2])

    async def _again(self, seconds: float, job: Callable[[], Awaitable[None] | None], name: str, pause: float) -> None:
        failing = False
        while True:
            await asyncio.sleep(pause)
            pause = seconds
            try:
                waiting = job()
                if waiting is not None:
                    await waiting
            except Exception:
                if not failing:
                    log.exception("could not %s; it is tried again every %g s", name, seconds)
                failing = True
            else:
                if failing:
                    log.warning("could %s again", name)
                failing = False
