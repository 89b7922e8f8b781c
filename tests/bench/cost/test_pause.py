"""The bench of pauses can tell a loop that computes by itself from one that does not."""

from __future__ import annotations

import asyncio
import time

from drivers.simulated.batch import simulate_cooks
from tests.bench.cost import bench_pause
from tests.bench.cost.bench_pause import lateness
from tests.bench.meat.forecast_cases import question


def test_a_loop_that_computes_by_itself_is_caught() -> None:
    (cook, *_) = (c for c in simulate_cooks(3, 6) if c.tender_minute is not None)
    request = question(cook, 200)

    async def pauses(request: object) -> None:
        time.sleep(0.3)

    async def apart(request: object) -> None:
        await asyncio.sleep(0.3)

    paused, took = asyncio.run(lateness([request], pauses))
    free, _ = asyncio.run(lateness([request], apart))
    assert max(paused) > 250.0 and took[0] >= 0.3
    assert len(free) > 5 * len(paused)


def test_it_runs_on_a_handful() -> None:
    late, longest, took = bench_pause.figures(3, 5)
    assert 0.0 < late.value <= longest.value
    assert took.value > 0.0
    assert "by the loop itself" in late.beside
