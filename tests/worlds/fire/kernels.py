"""World "kernels": no balance at all. Each log is a delayed pulse of random shape; pulses add up behind a
quick and a slow lag.

A pulse is a gamma density in the time since the log took hold; when that is depends on the embers. A part of
each pulse goes into a common bed of embers that gives it back slowly. A new log first cools (a short negative
pulse: open door, cold wood). Wind and rain act on the rise as factors. Nothing here is conserved; it is what
one would fit to curves.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import HOTTEST, SLOTS, Hands, between, emptiest, fresh, kindled
from tests.worlds.lanes import MINUTES_A_STEP, Floats, Lanes, log_uniform, uniform
from tests.worlds.weather import Now


class Kernels:
    name = "kernels"

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        n, quick, gap = len(common["set"]), common["quick"], common["gap"]
        p = dict(common)
        p["rise"] = common["set"] - common["mean_ambient"]
        p["shape"] = uniform(rng, 1.3, 3.5, n)
        p["peak"] = np.clip(gap * uniform(rng, 0.15, 0.5, n), 2.5, 30)  # min from taking hold to the pulse's mode
        p["delay"] = log_uniform(rng, 2.0, 15.0, n)
        p["scatter"] = uniform(rng, 0.05, 0.4, n)
        p["ember_share"] = uniform(rng, 0.25, 0.6, n)
        p["ember_minutes"] = gap * uniform(rng, 0.5, 1.5, n)
        p["quick_share"] = uniform(rng, 0.05, 0.4, n)
        p["quick_minutes"] = uniform(rng, 1.0, 7.0, n)
        p["slow_minutes"] = between(quick, 240.0, 14.0, rng, 0.35)
        p["chill"] = uniform(rng, 0.03, 0.25, n)
        p["chill_minutes"] = log_uniform(rng, 1.0, 7.0, n)
        p["lid_share"] = uniform(rng, 0.35, 0.85, n)
        p["wind_loss"] = uniform(rng, 0.0, 0.022, n)
        p["rain_loss"] = uniform(rng, 0.1, 0.45, n)
        p["damper_reach"] = uniform(rng, 0.4, 1.0, n)
        return p

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        n = len(ambient)
        slots = np.zeros((SLOTS, n))
        state: Lanes = {
            "age": slots.copy(),
            "amount": slots.copy(),
            "theta": slots + 5,
            "shape": slots + 2,
            "wait": slots.copy(),
        }
        state |= {"gone": slots + 1.0, "unit": slots.copy()}
        state |= {"embers": 0.8 * nature["gap"], "chilled": np.zeros(n), "open": np.zeros(n)}
        state |= {
            "air": ambient.copy(),
            "hot": ambient + 40,
            "quick": np.zeros(n),
            "slow": np.zeros(n),
            "flow": np.zeros(n),
        }
        return state

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        p, s = nature, state
        self._put(p, s, hands)
        pace = np.maximum(hands.damper, 0.05) ** p["damper_reach"] * now.flicker * MINUTES_A_STEP
        s["wait"] -= pace * (0.25 + np.clip(s["embers"] / self._usual(p), 0, 1))
        burning = s["wait"] <= 0
        s["age"] = np.where(burning, s["age"] + pace, s["age"])
        x = s["age"] / s["theta"]
        density = s["unit"] * np.exp((s["shape"] - 1) * np.log(np.maximum(x, 1e-9)) - x)
        pulse = np.where(burning, s["amount"] * density * pace, 0.0)
        s["gone"] += np.where(s["amount"] > 0, pulse / np.maximum(s["amount"], 1e-9), 0.0)
        flame = pulse.sum(axis=0)
        into, out = p["ember_share"] * flame, s["embers"] * (1 - np.exp(-pace / p["ember_minutes"]))
        s["embers"] += into - out
        s["chilled"] *= np.exp(-MINUTES_A_STEP / p["chill_minutes"])
        heat = (flame - into + out) / MINUTES_A_STEP * p["size"] - s["chilled"]
        self._lags(p, s, now, hands, heat)

    def _usual(self, p: Lanes) -> Floats:
        return p["ember_share"] * p["ember_minutes"]

    def _put(self, p: Lanes, s: Lanes, hands: Hands) -> None:
        lane = np.flatnonzero(fresh(hands))
        if lane.size:
            left = s["amount"] * np.clip(1 - s["gone"], 0, 1)
            slot = emptiest(left[:, lane])
            s["embers"][lane] += left[slot, lane]
            s["embers"][lane] += kindled(hands)[lane] * p["gap"][lane]
            luck, scatter = hands.shape[lane], p["scatter"][lane]
            shape = np.clip(p["shape"][lane] * np.exp(0.5 * scatter * luck), 1.1, 5.0)
            theta = (
                p["peak"][lane] * np.exp(-0.7 * scatter * luck) * hands.green[lane] ** 0.5 / np.maximum(shape - 1, 0.3)
            )
            theta = np.minimum(theta, 1.2 * p["gap"][lane] / shape)
            poor = np.clip(0.35 * self._usual(p)[lane] / np.maximum(s["embers"][lane], 1e-6), 1.0, 30.0)
            s["amount"][slot, lane] = hands.logs[lane] * p["gap"][lane]
            s["shape"][slot, lane], s["theta"][slot, lane] = shape, theta
            s["unit"][slot, lane] = 1 / (theta * _gamma(shape))
            s["age"][slot, lane] = 0.0
            s["gone"][slot, lane] = 0.0
            s["wait"][slot, lane] = p["delay"][lane] * np.exp(scatter * luck) * hands.green[lane] ** 2 * poor
            s["chilled"][lane] += p["chill"][lane] * np.minimum(hands.logs[lane], 2.0) * 5.0 / p["chill_minutes"][lane]

    def _lags(self, p: Lanes, s: Lanes, now: Now, hands: Hands, heat: Floats) -> None:
        kept = (1 - p["wind_loss"] * now.wind) * (1 - p["rain_loss"] * now.rain)
        goal = p["rise"] * np.maximum(heat, -0.3) * np.maximum(kept, 0.2)
        s["quick"] += (goal - s["quick"]) * (1 - np.exp(-MINUTES_A_STEP / p["quick_minutes"]))
        s["slow"] += (goal - s["slow"]) * (1 - np.exp(-MINUTES_A_STEP / p["slow_minutes"]))
        s["open"] += (hands.lid - s["open"]) * (1 - np.exp(-MINUTES_A_STEP / 0.9))
        over = p["quick_share"] * s["quick"] + (1 - p["quick_share"]) * s["slow"]
        s["slow"] -= 0.02 * hands.lid * np.maximum(s["slow"], 0) * MINUTES_A_STEP
        s["air"] = np.minimum(now.ambient + over * (1 - p["lid_share"] * s["open"]), HOTTEST)
        s["hot"] = now.ambient + 0.8 * over + 1.2 * s["quick"]

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        left: Floats = (state["amount"] * np.clip(1 - state["gone"], 0, 1)).sum(axis=0) + state["embers"]
        return left / nature["gap"]


def _gamma(k: Floats) -> Floats:
    """The gamma function for 1 < k < 6: Stirling's series after three steps up (Abramowitz and Stegun 6.1.15,
    6.1.37; memory)."""
    z = k + 3
    at = np.sqrt(2 * np.pi / z) * (z / np.e) ** z * (1 + 1 / (12 * z) + 1 / (288 * z**2) - 139 / (51840 * z**3))
    result: Floats = at / (k * (k + 1) * (k + 2))
    return result
