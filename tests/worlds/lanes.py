"""Many pits at once: a lane is one pit, and every array ends with the axis of lanes.

A state or a set of parameters is a plain dictionary of float arrays, shape (lanes,) or (slots, lanes). That makes saving a
state a copy, and picking some lanes of it one line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Flags = NDArray[np.bool_]
Lanes = dict[str, Floats]

STEP = 15.0
"""s of one step of every fire world."""
PER_MINUTE = 4
"""Steps a minute."""
MINUTES_A_STEP = STEP / 60.0


def take(lanes: Lanes, index: Whole | Flags) -> Lanes:
    """The lanes of `index`, as copies."""
    return {key: value[..., index] for key, value in lanes.items()}


def joined(parts: list[Lanes]) -> Lanes:
    """Lanes side by side. All parts have the same keys."""
    return {key: np.concatenate([part[key] for part in parts], axis=-1) for key in parts[0]}


def copied(lanes: Lanes) -> Lanes:
    return {key: value.copy() for key, value in lanes.items()}


def uniform(rng: np.random.Generator, low: float, high: float, n: int) -> Floats:
    return rng.uniform(low, high, n)


def log_uniform(rng: np.random.Generator, low: float, high: float, n: int) -> Floats:
    """Even over the logarithm: as many below the geometric mean as above it."""
    return np.exp(rng.uniform(np.log(low), np.log(high), n))


def put(slots: Floats, lane: Whole, slot: Whole, value: Floats) -> None:
    """slots[slot, lane] = value."""
    slots[slot, lane] = value
