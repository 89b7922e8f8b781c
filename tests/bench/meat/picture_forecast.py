"""Draws cooks with the forecast fans that were made along their way, to look at.

python -m tests.bench.meat.picture_forecast --seed 5 --cook 0 forecast.png       # one of the simulator
python -m tests.bench.meat.picture_forecast --worlds --seed 5 FOLDER             # three of each meat world
"""

from __future__ import annotations

import argparse
from pathlib import Path

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from daemon.core.forecast.outlooks import forecast
from daemon.core.outlook import Goal
from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import CookRecord
from tests.bench.meat.forecast_cases import FIRST_MINUTE, question
from tests.bench.meat.world_cooks import world_cooks
from tests.worlds.meats import MEAT_WORLDS

SHARES = (0.15, 0.4, 0.65, 0.85)
PITS = 2
"""Of each fire world; from fewer, too few pieces of the slowest meat world become tender."""


def draw(cook: CookRecord, path: Path) -> None:
    """Core and pit of the cook, and at each share of it the fan and the interval of tender."""
    assert cook.tender_minute is not None
    figure, axes = plt.subplots(figsize=(11, 6), layout="constrained")
    hours = np.arange(cook.core_read.size) / 60.0
    axes.plot(hours, cook.pit_read, color="0.75", linewidth=0.7, label="pit, read")
    axes.plot(hours, cook.core_read, color="black", linewidth=1.6, label="core, read")
    axes.axhspan(cook.band_low, cook.band_high, color="0.93", zorder=0)
    axes.axhline(cook.tender_low, color="0.5", linestyle=":", linewidth=1)
    axes.axvline(cook.tender_minute / 60.0, color="black", linestyle=":", linewidth=1, label="truly tender")
    if cook.wrapped_minute is not None:
        axes.axvline(cook.wrapped_minute / 60.0, color="tab:brown", linewidth=1, label=f"wrapped in {cook.wrapped}")
    for number, share in enumerate(SHARES):
        colour = f"C{number}"
        answer = forecast(question(cook, int(cook.tender_minute * share)))
        start = FIRST_MINUTE / 60.0
        fan = [(p.time / 3600.0 - start, p.p05, p.p50, p.p95) for p in answer.fan]
        if not fan:
            axes.plot([], [], color=colour, label=f"asked at {share:.0%}: no forecast")
            continue
        time, low, middle, high = np.array(fan).T
        axes.fill_between(time, low, high, color=colour, alpha=0.18, linewidth=0)
        axes.plot(time, middle, color=colour, linewidth=1, label=f"asked at {share:.0%} of the cook")
        tender = next(o.at for o in answer.outlooks if o.goal is Goal.TENDER and o.scenario == "planned")
        if tender is not None:
            level = cook.tender_low + 1.5 + 2.0 * number
            axes.plot([t / 3600.0 - start for t in (tender.p05, tender.p95)], [level, level], color=colour, linewidth=3)
            axes.plot(tender.p50 / 3600.0 - start, level, "o", color=colour)
    axes.set_ylim(0, 160)
    axes.set_xlim(0, cook.tender_minute / 60.0 * 1.5 + 2)
    axes.set_xlabel("hours since the meat went on")
    axes.set_ylabel("°C")
    axes.set_title(f"{cook.cut}, {cook.weight} kg: core forecast, 90 % fan; bars: 90 % interval of tender", fontsize=11)
    axes.legend(fontsize=8, loc="lower right")
    figure.savefig(path, dpi=110)
    plt.close(figure)


def of_worlds(folder: Path, seed: int) -> None:
    """A first, a middle and a last cook of each world, whatever they show."""
    folder.mkdir(parents=True, exist_ok=True)
    for world in MEAT_WORLDS:
        cooks = world_cooks(world, seed, PITS)
        for number in sorted({0, len(cooks) // 2, len(cooks) - 1}):
            path = folder / f"tender-{world}-{number}.png"
            draw(cooks[number], path)
            print(path, flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("path", type=Path)
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--cook", type=int, default=0)
    parser.add_argument("--worlds", action="store_true", help="of the worlds of tests/worlds; path is a folder")
    asked = parser.parse_args()
    if asked.worlds:
        of_worlds(asked.path, asked.seed)
        return
    cooks = [c for c in simulate_cooks(asked.seed, 24) if c.tender_minute is not None]
    draw(cooks[asked.cook], asked.path)


if __name__ == "__main__":
    main()
