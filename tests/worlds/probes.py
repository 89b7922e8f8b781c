"""Pit probes: where they hang, how thick they are, what they get wrong, and what befalls them.

Two channels a pit are always made; how many a cook has is in `count`. A probe reads the air at the grate, and
more of the fire the nearer it hangs to it. Time constants from a maker's table for sheathed thermocouples in
air at 0.2 m/s (t90: 3 mm 80 s, 4.5 mm 120 s, 6 mm 200 s), widened on both sides for bare beads and thick stems.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from tests.worlds.lanes import MINUTES_A_STEP, Floats, Lanes, Whole, log_uniform
from tests.worlds.weather import Now

CHANNELS = 2
AMPLIFIER_STEP = 0.25
"""°C, as of the common amplifiers (MAX31855 data sheet, D[31:18])."""
TOLERANCE = 2.5
"""°C, class 2 type K (IEC 60584-1, quoted in two agreeing tables)."""
NEVER = 1e9


class Mishap(IntEnum):
    """What befalls a pit probe."""

    NONE = 0
    FELL = 1
    """Off the grate, onto the floor."""
    MOVED = 2
    """To another place on the grate."""
    SHADED = 3
    """A piece of meat or foil against it."""


@dataclass(frozen=True)
class PitProbes:
    """values: arrays (CHANNELS, pits). noise (CHANNELS, steps, pits): added to what is seen; NaN where the
    reading is lost."""

    values: Lanes
    noise: Floats
    count: Whole

    def shown(self, seen: Floats, step: int) -> Floats:
        """What the amplifier says: with noise, in its steps. (CHANNELS, pits)."""
        result: Floats = np.round((seen + self.noise[:, step]) / AMPLIFIER_STEP) * AMPLIFIER_STEP
        return result


def draw_probes(
    rng: np.random.Generator, nature: Lanes, steps: int, *, mishap: Mishap = Mishap.NONE, count: int | None = None,
    by_the_fire: bool = False,
) -> PitProbes:  # fmt: skip
    """count: of everybody's probes, None = as it falls. by_the_fire: the second one hangs there, the first one does not."""
    n = len(nature["set"])
    shape = (CHANNELS, n)
    where = rng.random(shape)
    swing = np.where(
        where < 0.65, rng.uniform(0.85, 1.3, shape), np.where(where < 0.88, rng.uniform(1.4, 3.0, shape), 0.75)
    )
    if by_the_fire:
        swing = np.stack([0.85 + 0.3 * where[0], 2.0 + 1.4 * where[1]])
    values = {
        "lag": log_uniform(rng, 0.2, 4.0, 2 * n).reshape(shape),
        "place": (swing - 1) * nature["excess_gain"],
        "swing": swing,
        "offset": rng.uniform(-TOLERANCE, TOLERANCE, shape),
        "sd": log_uniform(rng, 0.08, 0.8, 2 * n).reshape(shape),
    }
    # the second probe hangs elsewhere on an uneven grate
    values["offset"][1] += rng.normal(0, 4, n)
    values["mishap"] = np.zeros(shape)
    values["from"] = np.full(shape, NEVER)
    if mishap:
        values["mishap"][0] = float(mishap)
        values["from"][0] = np.round(rng.uniform(0.45, 0.8, n) * steps)
    values["floor"] = rng.uniform(0.1, 0.4, shape)
    sign = np.where(rng.random(shape) < 0.5, -1.0, 1.0)
    values["shift"] = sign * rng.uniform(5, 20, shape)
    noise = rng.standard_normal((CHANNELS, steps, n)) * values["sd"][:, None]
    for channel, pit in np.argwhere(rng.random(shape) < 0.15):
        for _ in range(rng.integers(1, 4)):
            at = int(rng.integers(0, steps))
            noise[channel, at : at + int(rng.integers(1, 16)), pit] = np.nan
    counts = 1 + (rng.random(n) < 0.45).astype(int) if count is None else np.full(n, count)
    return PitProbes(values, noise, counts)


def probe_step(values: Lanes, seen: Floats, air: Floats, excess: Floats, now: Now, step: Floats | int) -> Floats:
    """What the probes (CHANNELS, lanes) stand at one step later. excess: °C that the fire's end is hotter than
    it usually is."""
    befallen = values["from"] <= step
    goal = air + values["place"] * excess + values["offset"]
    lag = values["lag"]
    if befallen.any():
        kind = np.where(befallen, values["mishap"], 0)
        floor = now.ambient + 12 + values["floor"] * (air - now.ambient)
        goal = np.where(kind == Mishap.FELL, floor, goal)
        goal = np.where(kind == Mishap.MOVED, goal + values["shift"], goal)
        goal = np.where(kind == Mishap.SHADED, goal - np.abs(values["shift"]), goal)
        lag = np.where(kind == Mishap.SHADED, lag + 6.0, np.where(kind == Mishap.FELL, np.maximum(lag, 1.0), lag))
    result: Floats = seen + (goal - seen) * (1 - np.exp(-MINUTES_A_STEP / lag))
    return result
