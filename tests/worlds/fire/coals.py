"""World "coals": wood burnt to coals in a barrel beside the pit, shovelled under the grate.

A shovel of coals is hot when it comes: it turns the pit within minutes and then only fades, the faster the
more air, the slower the more ash lies on it. New coals knock off the ash of the old. When the barrel was not
tended a shovel is weak, half black, and has to wake up first. The pit is an open trough of blocks: quick air
above slow ground.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import HOTTEST, Hands, between, fresh, kindled
from tests.worlds.lanes import MINUTES_A_STEP, Floats, Lanes, log_uniform, uniform
from tests.worlds.weather import Now


class Coals:
    name = "coals"

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        n, quick, gap = len(common["set"]), common["quick"], common["gap"]
        p = dict(common)
        p["rise"] = common["set"] - common["mean_ambient"]
        p["life"] = gap * uniform(rng, 0.6, 1.6, n)  # min, glowing freely
        p["wake"] = log_uniform(rng, 4.0, 30.0, n)  # min until a shovel glows through
        p["asleep_share"] = uniform(rng, 0.75, 1.0, n)  # of a shovel that comes black
        p["ash_grows"] = uniform(rng, 0.2, 1.2, n)  # ash cover gained by the time a usual shovel has burnt
        p["knocked"] = uniform(rng, 0.3, 0.9, n)
        p["shine"] = uniform(rng, 0.25, 0.7, n)  # share of the rise that is radiation and quick air
        p["air_minutes"] = uniform(rng, 0.5, 3.0, n)
        p["ground_minutes"] = between(quick, 260.0, 16.0, rng, 0.4)
        p["mass_minutes"] = between(quick, 25.0, 3.0, rng, 0.3)  # grate, lid and load
        p["smother"] = uniform(rng, 0.4, 0.98, n)
        p["door_minutes"] = uniform(rng, 1.5, 8.0, n)
        p["door"] = uniform(rng, 0.05, 0.35, n)
        p["lid_share"] = uniform(rng, 0.4, 0.8, n)
        p["wind_fans"] = uniform(rng, 0.0, 0.08, n)
        p["wind_loss"] = uniform(rng, 0.0, 0.022, n)
        p["rain_loss"] = uniform(rng, 0.1, 0.5, n)
        return p

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        n = len(ambient)
        state = {"black": np.zeros(n), "glow": 1.3 * nature["gap"], "ash": np.zeros(n), "green": np.ones(n)}
        state |= {
            "air": ambient.copy(),
            "hot": ambient + 40,
            "ground": np.zeros(n),
            "mass": np.zeros(n),
            "quick": np.zeros(n),
        }
        return state | {"opened": np.zeros(n), "door_left": np.zeros(n)}

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        p, s = nature, state
        self._put(p, s, hands)
        blow = np.maximum(hands.damper, 0.05) ** 0.8 * (1 + p["wind_fans"] * now.wind) * now.flicker
        usual = p["gap"]
        warm = np.clip(s["glow"] / (0.3 * usual), 0.02, 1.0)
        waking = s["black"] * (1 - np.exp(-warm * MINUTES_A_STEP / (p["wake"] * s["green"] ** 2)))
        # little glow goes out sooner than it burns: heat leaves a small heap faster than it makes it
        lonely = 1 + 0.5 * np.clip(1 - s["glow"] / (0.25 * usual), 0, 1)
        bare = 1 - p["smother"] * s["black"] / (s["black"] + s["glow"] + 1e-9)
        burnt = s["glow"] * (1 - np.exp(-blow * bare * MINUTES_A_STEP / (p["life"] * (1 + s["ash"]) * lonely)))
        s["black"] -= waking
        s["glow"] += waking - burnt
        s["ash"] += p["ash_grows"] * burnt / usual
        s["ash"] *= np.exp(-0.004 * now.wind * MINUTES_A_STEP)
        power = burnt / MINUTES_A_STEP * p["size"]
        kept = np.maximum((1 - p["wind_loss"] * now.wind) * (1 - p["rain_loss"] * now.rain), 0.15)
        goal = p["rise"] * power * kept
        s["quick"] += (goal - s["quick"]) * (1 - np.exp(-MINUTES_A_STEP / p["air_minutes"]))
        s["ground"] += (goal - s["ground"]) * (1 - np.exp(-MINUTES_A_STEP / p["ground_minutes"]))
        over = p["shine"] * s["quick"] + (1 - p["shine"]) * s["ground"]
        s["mass"] += (over - s["mass"]) * (1 - np.exp(-MINUTES_A_STEP / p["mass_minutes"]))
        opening = np.maximum(hands.lid, np.where(s["door_left"] > 0, p["door"], 0.0))
        s["opened"] += (opening - s["opened"]) * (1 - np.exp(-MINUTES_A_STEP / np.where(hands.lid > 0, 0.6, 1.3)))
        s["door_left"] = np.maximum(s["door_left"] - MINUTES_A_STEP, 0.0)
        s["mass"] -= 0.03 * hands.lid * np.maximum(s["mass"], 0) * MINUTES_A_STEP
        shown = 0.4 * over + 0.6 * s["mass"]
        s["air"] = np.minimum(now.ambient + shown * (1 - p["lid_share"] * s["opened"]), HOTTEST)
        s["hot"] = now.ambient + 0.7 * shown + 0.9 * s["quick"]

    def _put(self, p: Lanes, s: Lanes, hands: Hands) -> None:
        lane = np.flatnonzero(fresh(hands))
        if lane.size:
            more = hands.logs[lane] * p["gap"][lane]
            green = hands.green[lane]
            black = np.clip(p["asleep_share"][lane] * green * np.exp(0.2 * hands.shape[lane]), 0.1, 1.0)
            before = s["black"][lane]
            new = black * more
            s["green"][lane] = (s["green"][lane] * before + np.maximum(green, 0.7) * new) / (before + new)
            s["black"][lane] += new
            s["door_left"][lane] = p["door_minutes"][lane]
            s["glow"][lane] += more - new + kindled(hands)[lane] * p["gap"][lane]
            s["ash"][lane] *= 1 - p["knocked"][lane] * np.minimum(hands.logs[lane], 1.0)

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        return (state["black"] + state["glow"]) / nature["gap"]
