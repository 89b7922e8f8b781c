"""What a fire world is: parameters, a state, and one step under weather and hands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tests.worlds.lanes import Flags, Floats, Lanes, Whole, uniform
from tests.worlds.weather import Now

SLOTS = 10
"""Logs that a fire tells apart; a further one takes the place of what is nearly burnt."""
KINDLING = 0.5
"""How green a log with kindling is. Below 0.7 of green a log comes with kindling under it, so a share of it burns at once."""
LIT_BY_KINDLING = 0.15
"""Share of such a log that burns at once. No source."""
HOTTEST = 420.0
"""°C. Beyond this nobody cooks: worlds may saturate there."""


@dataclass(frozen=True)
class Hands:
    """What people do to the pits in one step, each of shape (lanes,).

    logs: amount put on now, 1 = this pit's usual log, 0 = none. green: how hard the log is to light, 1 = dry
    and split, 4 = it lies there black. shape: what differs from log to log, standard normal. lid: share open,
    0 to 1. damper: 1 = its usual place.
    """

    logs: Floats
    green: Floats
    shape: Floats
    lid: Floats
    damper: Floats


class FireWorld(Protocol):
    """A truth for a hand-fed fire. `state` has at least `air` (°C at the grate) and `hot` (°C of the gas at
    the fire's end)."""

    name: str

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        """Parameters of as many pits as `common` has lanes; contains what `common` contains. `size` scales the usual log."""

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        """The state just after lighting."""

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        """One STEP further, in place."""

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        """What is left to burn, in usual logs."""


def draw_common(rng: np.random.Generator, n: int) -> Lanes:
    """What every world needs. band °C; gap: minutes between usual logs; quick 0 (heavy) to 1 (light)."""
    target = uniform(rng, 108, 138, n)
    half = uniform(rng, 8, 24, n)
    quick = rng.random(n)
    gap = np.exp(np.log(18.0) + (1 - quick) * np.log(105.0 / 17.0) + rng.normal(0, 0.2, n))
    return {
        "set": target,
        "low": np.round(target - half),
        "high": np.round(target + half * uniform(rng, 0.8, 1.3, n)),
        "gap": np.clip(gap, 14, 130),
        "quick": quick,
        "size": np.ones(n),
        "mean_ambient": uniform(rng, 5, 22, n),
    }


def between(quick: Floats, heavy: float, light: float, rng: np.random.Generator, spread: float) -> Floats:
    """A value that goes from `heavy` to `light` with the pit's quickness, with spread: pits are not of one family."""
    value: Floats = np.exp(np.log(heavy) + quick * np.log(light / heavy) + rng.normal(0, spread, quick.shape))
    return value


def emptiest(left: Floats) -> Whole:
    """The slot (slots, lanes) of each lane with the least in it."""
    slot: Whole = np.argmin(left, axis=0)
    return slot


def kindled(hands: Hands) -> Floats:
    """Usual logs that burn at once because kindling lies under them (lanes,)."""
    burning: Floats = np.where(hands.green < 0.7, LIT_BY_KINDLING * hands.logs, 0.0)
    return burning


def fresh(hands: Hands) -> Flags:
    return hands.logs > 0
