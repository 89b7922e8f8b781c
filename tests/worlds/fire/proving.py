"""Every pit that is drawn is lit, fed by the clock and then left, before it may take part: its usual log gets
its size, its habits their figures.

A pit whose figures no hand-fed pit has (see `LIMITS`) is drawn again.
"""

from __future__ import annotations

import zlib
from collections.abc import Hashable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, cast

import numpy as np

from tests.run_files import made_once
from tests.worlds.fire.fire_world import FireWorld, Hands, draw_common
from tests.worlds.lanes import PER_MINUTE, Flags, Floats, Lanes, copied, joined, take
from tests.worlds.weather import Now

LIMITS = {"turn": (2.5, 15.0), "unfed": (15.0, 180.0), "swing": (1.0, 32.0)}
"""min from a log until the air rises again, min from a log until the band's low edge if nothing follows, °C
from trough to peak. Ranges wide enough for any hand-fed pit that a person can hold: common practice, no source."""
WARM_UP, FED, LEFT = 200, 260, 420
"""min of the trial: heating up with more logs, fed by the clock, and at most alone."""
ROUNDS = 3
"""Times the size of the usual log is set anew before the figures are taken."""
BELOW = 10
"""min below the low edge that count as having left the band."""


@dataclass(frozen=True)
class Trial:
    """Traces (steps, pits) of a pit fed by the clock, whose last log goes on at step `last` (pits,)."""

    air: Floats
    hot: Floats
    last: Floats
    fuel_before: Floats


def run_trial(world: FireWorld, nature: Lanes, *, left: int) -> Trial:
    """Calm weather, usual logs, then `left` min alone."""
    n = len(nature["set"])
    calm = Now(nature["mean_ambient"], np.full(n, 2.0), np.zeros(n), np.ones(n))
    state = world.lit(nature, calm.ambient)
    gap = np.maximum(np.round(nature["gap"] * PER_MINUTE), 8).astype(int)
    # the last log of every pit goes on at the end of the fed part
    end = (WARM_UP + FED) * PER_MINUTE
    steps = end + left * PER_MINUTE + 1
    air, hot = np.empty((steps, n)), np.empty((steps, n))
    fuel = np.zeros(n)
    since = np.zeros(n, int)
    for i in range(steps):
        clock = (end - i) % gap == 0
        early = (state["air"] < nature["set"] - 6) & (since > gap // 3) & (i < WARM_UP * PER_MINUTE)
        early &= (end - i) % gap > gap // 3
        fed = (clock | early) & (i <= end)
        fed &= ~((i < WARM_UP * PER_MINUTE) & (state["air"] > nature["set"] + 12))
        since = np.where(fed, 0, since + 1)
        if i == end:
            fuel = world.fuel(nature, state)
        world.step(nature, state, calm, Hands(fed.astype(float), np.ones(n), np.zeros(n), np.zeros(n), np.ones(n)))
        air[i], hot[i] = state["air"], state["hot"]
    return Trial(air, hot, np.full(n, float(end)), fuel)


def _cycle_mean(values: Floats, nature: Lanes, end: int) -> Floats:
    """Mean over the last one or more whole gaps before `end`."""
    gap = np.round(nature["gap"] * PER_MINUTE).astype(int)
    times = np.maximum(120 * PER_MINUTE // gap, 1)
    back = end - np.arange(values.shape[0])[:, None]
    inside = (back > 0) & (back <= gap * times)
    mean: Floats = np.where(inside, values, 0).sum(axis=0) / inside.sum(axis=0)
    return mean


def proven(world: FireWorld, nature: Lanes) -> tuple[Lanes, Flags]:
    """The same pits with the size of their usual log and their figures; and which of them are within LIMITS."""
    end = (WARM_UP + FED) * PER_MINUTE
    rise = nature["set"] - nature["mean_ambient"]
    for _ in range(ROUNDS):
        trial = run_trial(world, nature, left=0)
        mean = _cycle_mean(trial.air, nature, end) - nature["mean_ambient"]
        nature["size"] = nature["size"] * np.clip(rise / np.maximum(mean, 5.0), 0.4, 2.0)
    trial = run_trial(world, nature, left=LEFT)
    air, after = trial.air, trial.air[end:]
    minutes = np.arange(after.shape[0])[:, None] / PER_MINUTE
    figures = dict(nature)
    early = np.where(minutes <= 20, after, np.inf)
    figures["turn"] = np.argmin(early, axis=0) / PER_MINUTE
    later = np.where(
        (minutes >= figures["turn"]) & (minutes <= figures["turn"] + 1.5 * nature["gap"] + 20), after, -np.inf
    )
    figures["peak"] = np.argmax(later, axis=0) / PER_MINUTE
    figures["swing"] = later.max(axis=0) - early.min(axis=0)
    low = after < nature["low"]
    run = np.zeros_like(figures["turn"])
    unfed = np.full_like(figures["turn"], np.inf)
    for i in range(after.shape[0]):
        run = np.where(low[i], run + 1, 0)
        unfed = np.where((run >= BELOW * PER_MINUTE) & np.isinf(unfed), i / PER_MINUTE - BELOW, unfed)
    figures["unfed"] = unfed
    excess = trial.hot - trial.air
    mean_excess, mean_air = _cycle_mean(excess, nature, end), _cycle_mean(air, nature, end)
    figures["excess"] = mean_excess
    sd = np.sqrt(_cycle_mean((excess - mean_excess) ** 2, nature, end))
    sd_air = np.sqrt(_cycle_mean((air - mean_air) ** 2, nature, end))
    figures["excess_gain"] = sd_air / np.maximum(sd, 1e-6)
    figures["fuel_before"] = trial.fuel_before
    good = np.abs(mean_air - nature["set"]) < 8
    for key, (least, most) in LIMITS.items():
        good &= (figures[key] >= least) & (figures[key] <= most)
    return figures, good


@lru_cache(maxsize=64)
def _drawn(world: Hashable, seed: int, n: int) -> Lanes:
    drawn = cast(FireWorld, world)

    def draw(folder: Path) -> None:
        rng = np.random.default_rng([seed, 2, zlib.crc32(drawn.name.encode())])
        pits: dict[str, Any] = {**draw_pits(drawn, rng, n)}
        np.savez(folder / "pits.npz", **pits)

    with np.load(made_once(f"pits-{drawn.name}-{seed}-{n}", draw) / "pits.npz") as kept:
        return dict(kept)


def pits_of(world: FireWorld, seed: int, n: int) -> Lanes:
    """n proven pits by seed. Proving takes seconds, so what was drawn once in a run is kept."""
    return copied(_drawn(cast(Hashable, world), seed, n))


def draw_pits(world: FireWorld, rng: np.random.Generator, n: int) -> Lanes:
    """n proven pits of a world. Raises RuntimeError when the world draws hardly any pit that a person could hold."""
    parts: list[Lanes] = []
    have = 0
    for _ in range(12):
        nature, good = proven(world, world.draw(rng, draw_common(rng, max(2 * (n - have), 8))))
        parts.append(take(nature, good))
        have += int(good.sum())
        if have >= n:
            return take(joined(parts), np.arange(n))
    raise RuntimeError(f"world {world.name}: only {have} of {n} pits within the limits")
