"""Signs of life go on, whatever one of them does."""

from __future__ import annotations

import asyncio
from contextlib import suppress

import pytest

from daemon.shell import housekeeping
from daemon.shell.housekeeping import repeat


async def test_a_sign_of_life_that_hangs_is_cut_short_and_the_next_one_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(housekeeping, "JOB_LIMIT", 0.02)
    calls: list[int] = []

    async def hang() -> None:
        calls.append(1)
        await asyncio.Event().wait()

    task = asyncio.create_task(repeat(0.01, hang))
    async with asyncio.timeout(5):
        while len(calls) < 3:
            await asyncio.sleep(0.005)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
