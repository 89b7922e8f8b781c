"""Whether the watch pauses while a forecast is computed: how late the event loop is, beside a loop that computes by itself.

    python -m tests.bench.cost.bench_pause [--seed 5] [--cooks 12]

Simulated cooks, each asked about at nine tenths of its way, where a question takes longest. An idle loop is measured first: what
is late there is the machine's doing. On a busy machine every figure grows.
"""

from __future__ import annotations

import argparse
import asyncio
import time
from collections.abc import Awaitable, Callable, Sequence
from statistics import median, quantiles

from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import ForecastRequest
from daemon.core.inputs import ForecastArrived
from daemon.shell.background import in_background
from drivers.simulated.batch import simulate_cooks
from tests.bench.figure import Figure, show
from tests.bench.meat.forecast_cases import question

TICK = 0.005
"""s between two looks at the clock."""
LATE = 100.0
"""ms by which the loop may be late, p99: our own bar, as for a provider that stalls."""
LONGEST = 1.0
"""s a question may take."""
IDLE = 1.0
"""s of an idle loop."""

Ask = Callable[[ForecastRequest], Awaitable[object]]


async def _inline(request: ForecastRequest) -> ForecastArrived:
    return forecast(request)


async def _apart(request: ForecastRequest) -> ForecastArrived:
    return await in_background(forecast, request)


async def _idle(request: ForecastRequest) -> None:
    await asyncio.sleep(IDLE)


async def lateness(requests: Sequence[ForecastRequest], ask: Ask) -> tuple[list[float], list[float]]:
    """(ms by which each tick of the loop was late, s each question took)."""
    late: list[float] = []

    async def tick() -> None:
        while True:
            due = time.perf_counter() + TICK
            await asyncio.sleep(TICK)
            late.append(1000.0 * (time.perf_counter() - due))

    ticking = asyncio.create_task(tick())
    await asyncio.sleep(0)
    took = []
    for request in requests:
        before = time.perf_counter()
        await ask(request)
        took.append(time.perf_counter() - before)
        await asyncio.sleep(2 * TICK)  # the loop comes to see how late it is
    ticking.cancel()
    return late, took


def figures(size: int, seed: int) -> list[Figure]:
    """size: cooks that are asked about."""
    cooks = [c for c in simulate_cooks(seed, size) if c.tender_minute is not None]
    requests = [question(c, int(0.9 * c.tender_minute)) for c in cooks if c.tender_minute is not None]
    forecast(requests[0])  # what is computed once is no part of a question
    apart, took = asyncio.run(lateness(requests, _apart))
    inline, _ = asyncio.run(lateness(requests, _inline))
    idle, _ = asyncio.run(lateness(requests[:1], _idle))
    late, alone, still = (quantiles(values, n=100, method="inclusive")[98] for values in (apart, inline, idle))
    beside = f"computed by the loop itself {max(inline):.0f}, idle {max(idle):.1f}"
    return [
        Figure("event loop late while a forecast is computed, p99, ms", late, f"<= {LATE:.0f}", late <= LATE,
               f"computed by the loop itself {alone:.0f}, idle {still:.1f}"),
        Figure("the same, longest, ms", max(apart), f"<= {LATE:.0f}", max(apart) <= LATE, beside),
        Figure("a question takes, median, s", median(took), f"<= {LONGEST:.0f}", median(took) <= LONGEST,
               f"longest {max(took):.2f}"),
    ]  # fmt: skip


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--cooks", type=int, default=12)
    options = parser.parse_args()
    show(f"{options.cooks} cooks, seed {options.seed}", figures(options.cooks, options.seed))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
