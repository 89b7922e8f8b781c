"""Signs of life go on, whatever one of them does; tidying never overlaps, and goes on after a failure."""

from __future__ import annotations

import asyncio
import logging
from contextlib import suppress

import pytest

from daemon.shell.life import housekeeping
from daemon.shell.life.housekeeping import Housekeeping, repeat
from tests.patience import PATIENCE


async def test_a_sign_of_life_that_hangs_is_cut_short_and_the_next_one_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housekeeping, "JOB_LIMIT", 0.02)
    calls: list[int] = []

    async def hang() -> None:
        calls.append(1)
        await asyncio.Event().wait()

    task = asyncio.create_task(repeat(0.01, hang))
    async with asyncio.timeout(PATIENCE):
        while len(calls) < 3:
            await asyncio.sleep(0.005)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_tidying_waits_for_itself_and_a_failure_is_told_once(caplog: pytest.LogCaptureFixture) -> None:
    running, most, runs = 0, 0, 0

    async def slow() -> None:
        nonlocal running, most, runs
        running += 1
        most = max(most, running)
        await asyncio.sleep(0.02)
        running -= 1
        runs += 1
        if runs < 4:
            raise OSError("disk full")

    tidying = Housekeeping()
    tidying.every(0.005, slow, "tidy")
    task = asyncio.create_task(tidying.run())
    with caplog.at_level(logging.WARNING):
        async with asyncio.timeout(PATIENCE):
            while runs < 6:
                await asyncio.sleep(0.005)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert most == 1
    assert [record.getMessage() for record in caplog.records] == [
        "could not tidy; it is tried again every 0.005 s",
        "could tidy again",
    ]
