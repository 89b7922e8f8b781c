"""Draws what the fire watch and the stall watch say beside the truth of simulated cooks.

    python -m tests.bench.fire.picture_fire_stall --seed 3 --out /somewhere/to/look

Writes fire.png and stall.png. Needs matplotlib (the `report` extra).
"""

from __future__ import annotations

import argparse
from math import nan
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.axes import Axes

from daemon.core.events import FireSign
from daemon.core.pit.fire import FireWatch
from daemon.core.settings import Band
from daemon.wiring.learned import learned
from drivers.simulated.batch import simulate_cooks, simulate_fires
from drivers.simulated.records import CookRecord, FireEpisode
from tests.bench.meat.bench_stall import states
from tests.bench.meat.second_truth import second_cooks


def draw_fire(episode: FireEpisode, above: Axes, below: Axes) -> None:
    """Above: the pit, its logs and what was found. Below: minutes left, said and true, once nobody tends the fire."""
    watch, band = FireWatch(learned().fire), Band(episode.band_low, episode.band_high)
    spans: list[tuple[float, float, float, float]] = []
    for minute, pit in enumerate(episode.pit_read.tolist()):
        now = minute * 60.0
        for sign in watch.scan(now, pit) + watch.minute(now, pit, band, nan):
            if sign.sign is FireSign.LOG_ADDED:
                above.axvline(sign.time / 60, color="tab:orange", lw=1, ls=":")
            elif sign.sign is FireSign.LID_OPENED:
                above.axvline(sign.time / 60, color="tab:blue", lw=1, ls=":")
        if watch.log_due is not None:
            due = watch.log_due
            spans.append((minute, (due.p05 - now) / 60, (due.p50 - now) / 60, (due.p95 - now) / 60))
    above.plot(episode.pit_read, color="0.3", lw=1)
    above.axhspan(band.low, band.high, color="tab:green", alpha=0.12)
    above.plot(episode.logs, [band.low - 20] * len(episode.logs), "^", color="tab:red", ms=6)
    above.plot([a for a, _ in episode.lid_openings], [band.low - 20] * len(episode.lid_openings), "s", color="tab:blue")
    above.axvline(episode.left_alone, color="k", lw=1)
    above.set_title(
        f"{episode.name}: pit °C; ▲ log laid, dotted orange log found; blue lid; black: left alone", fontsize=9
    )
    when, low, middle, high = zip(*spans, strict=True)
    below.fill_between(when, low, high, color="tab:purple", alpha=0.2)
    below.plot(when, middle, color="tab:purple", lw=1)
    below.plot([episode.left_alone, episode.exit_minute], [episode.exit_minute - episode.left_alone, 0], "k--", lw=1)
    below.set_title("minutes until the band is left: p05-p95 and p50; dashed: truth once left alone", fontsize=9)
    below.set_xlim(above.get_xlim())


def draw_stall(cook: CookRecord, name: str, axes: Axes) -> None:
    """The core, the truth (grey), what was said (orange) and its probability."""
    said, probable = states(cook)
    axes.plot(cook.core_read, color="tab:red", lw=1)
    axes.plot(cook.pit_read, color="0.6", lw=0.7)
    for start, end in cook.stalls:
        axes.axvspan(start, end, color="0.5", alpha=0.3)
    axes.fill_between(range(len(said)), 0, [12.0 * s for s in said], color="tab:orange", alpha=0.7)
    axes.plot([100 * p for p in probable], color="tab:purple", lw=0.8)
    if cook.wrapped_minute is not None:
        axes.axvline(cook.wrapped_minute, color="k", lw=1)
    axes.set_title(
        f"{name} {cook.name}, {cook.cut}: grey truth, orange said, purple probability %, black wrapped", fontsize=9
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=3)
    parser.add_argument("--out", type=Path, required=True)
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    figure, axes = plt.subplots(4, 2, figsize=(18, 16))
    for i, episode in enumerate(simulate_fires(arguments.seed, 4)[:4]):
        draw_fire(episode, axes[2 * (i // 2), i % 2], axes[2 * (i // 2) + 1, i % 2])
    figure.tight_layout()
    figure.savefig(arguments.out / "fire.png", dpi=70)
    figure, axes = plt.subplots(4, 2, figsize=(18, 16))
    for column, (name, cooks) in enumerate(
        (("simulated", simulate_cooks(arguments.seed, 12)), ("second truth", second_cooks(arguments.seed, 12)))
    ):
        shown = ([c for c in cooks if c.stalls][:3] + [c for c in cooks if not c.stalls])[:4]
        for row, cook in enumerate(shown):
            draw_stall(cook, name, axes[row, column])
    figure.tight_layout()
    figure.savefig(arguments.out / "stall.png", dpi=70)


if __name__ == "__main__":
    main()
