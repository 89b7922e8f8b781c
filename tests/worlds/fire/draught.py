"""World "draught": the fire burns as fast as the chimney feeds it.

The stack's pull (root of the temperature difference), the damper and the wind give an air flow; the fuel bed
wants to burn at the rate of its surface; the smaller of the two burns. Short of air a fire is level for long
and then falls off a cliff; with air in plenty it follows its surface. Fresh wood warms up in two stages that
depend on the bed. Chamber: exchanger between gas and wall.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import HOTTEST, Hands, between, fresh, kindled
from tests.worlds.lanes import STEP, Floats, Lanes, log_uniform, uniform
from tests.worlds.weather import Now


class Draught:
    name = "draught"

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        n, quick, gap = len(common["set"]), common["quick"], common["gap"]
        p = dict(common)
        rise = common["set"] - common["mean_ambient"]
        need = uniform(rng, 2000, 8000, n)
        p["heat"] = need * gap * 60
        # W/K carried by the air at the usual draught; the rest of the need goes through the walls
        p["flow"] = uniform(rng, 0.3, 0.6, n) * need / rise
        p["walls"] = need / rise - p["flow"]
        p["units"] = uniform(rng, 1.0, 3.0, n)  # transfer units between gas and wall at the usual flow
        p["wall_c"] = need / rise * 60 * between(quick, 260.0, 14.0, rng, 0.35)
        p["direct"] = uniform(rng, 0.0, 0.2, n)  # share of the hot gas that meets the grate before the walls
        p["air_limit"] = need * uniform(rng, 1.35, 3.0, n)  # W that the usual draught can burn
        p["surface"] = gap * 60 * uniform(rng, 0.2, 0.6, n)
        p["char"] = gap * 60 * uniform(rng, 0.5, 1.2, n)
        p["flaming"] = uniform(rng, 0.35, 0.65, n)
        p["warm"] = log_uniform(rng, 2.5, 16.0, n) * 60
        p["chill"] = need * uniform(rng, 0.4, 1.6, n)
        p["chill_s"] = log_uniform(rng, 80, 700, n)
        p["lid_open"] = uniform(rng, 2.0, 6.0, n) * need / rise
        p["wind_pull"] = uniform(rng, 0.0, 0.06, n)
        p["wind_loss"] = uniform(rng, 0.0, 0.05, n)
        p["rain_loss"] = log_uniform(rng, 0.4, 4.0, n)
        p["gas_minutes"] = uniform(rng, 0.8, 6.0, n)
        p["fire_c"] = uniform(rng, 2.0, 16.0, n)  # min: the grate and bricks around the bed
        return p

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        n = len(ambient)
        whole = nature["heat"] * nature["size"]
        return {
            "cold": np.zeros(n),
            "warming": np.zeros(n),
            "ready": 0.7 * whole,
            "embers": 0.35 * whole,
            "green": np.ones(n),
            "chilled": np.zeros(n),
            "bed": np.full(n, 0.4),
            "air": ambient.copy(),
            "wall": ambient.copy(),
            "hot": ambient + 80,
            "stack": ambient + 25,
            "released": np.zeros(n),
            "lost": np.zeros(n),
        }

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        p, s = nature, state
        self._put(p, s, hands)
        # the chimney itself is warm or cold for a while: most of the pull follows the walls
        warm = 0.3 * s["stack"] + 0.7 * s["wall"] - now.ambient
        pull = np.sqrt(np.clip(warm, 15.0, 300.0) / (p["set"] - p["mean_ambient"]))
        draught = np.maximum(hands.damper, 0.08) * pull * (1 + p["wind_pull"] * now.wind)
        air_limit = p["air_limit"] * draught * (1 + 0.3 * hands.lid)
        need = p["heat"] / (p["gap"] * 60)
        # two stages of warming, quicker over a lively bed
        lively = np.clip(s["bed"], 0.08, 1.3) ** 0.25
        pace = 1 - np.exp(-lively * STEP / (p["warm"] * s["green"] ** 2))
        first = s["cold"] * pace
        second = s["warming"] * pace
        s["cold"] -= first
        s["warming"] += first - second
        s["ready"] += second
        wish = s["ready"] / p["surface"] * now.flicker * np.maximum(hands.damper, 0.08) ** 0.9 * pull**0.3
        ember_wish = s["embers"] / p["char"] * np.sqrt(np.clip(draught, 0.05, 3)) * now.flicker
        flame = np.minimum(np.minimum(wish, air_limit), s["ready"] / STEP)
        glow = np.minimum(np.minimum(ember_wish, np.maximum(air_limit - flame, 0.1 * air_limit)), s["embers"] / STEP)
        s["ready"] -= flame * STEP
        # of what flames off, the rest stays as char: the flaming share of its heat is released now
        s["embers"] += flame * STEP * (1 - p["flaming"]) - glow * STEP
        power = flame * p["flaming"] + glow
        s["bed"] += (power / need - s["bed"]) * (1 - np.exp(-STEP / 60 / p["fire_c"]))
        s["chilled"] *= np.exp(-STEP / p["chill_s"])
        useful = np.maximum(s["bed"] * need - s["chilled"], 0.0)
        self._chamber(p, s, now, hands, draught, useful)
        s["released"] += useful * STEP

    def _put(self, p: Lanes, s: Lanes, hands: Hands) -> None:
        lane = np.flatnonzero(fresh(hands))
        if lane.size:
            whole = hands.logs[lane] * p["heat"][lane] * p["size"][lane]
            green = np.maximum(hands.green[lane] * np.exp(0.2 * hands.shape[lane]), 0.4)
            before = s["cold"][lane]
            s["green"][lane] = (s["green"][lane] * before + green * whole) / (before + whole)
            s["cold"][lane] += whole
            s["ready"][lane] += kindled(hands)[lane] * p["heat"][lane] * p["size"][lane]
            s["chilled"][lane] += p["chill"][lane] * np.minimum(hands.logs[lane], 1.5)

    def _chamber(self, p: Lanes, s: Lanes, now: Now, hands: Hands, draught: Floats, power: Floats) -> None:
        # a part of what goes through the chamber comes in by leaks, whatever the damper
        flow = p["flow"] * (0.4 + 0.6 * np.clip(draught, 0.08, 4.0))
        s["hot"] = np.minimum(now.ambient + power / flow, 2500.0)
        kept = np.exp(-p["units"] * (p["flow"] / flow) ** 0.5)
        lid = hands.lid * p["lid_open"]
        after = s["wall"] + (s["hot"] - s["wall"]) * kept
        s["stack"] = (flow * after + lid * now.ambient) / (flow + lid)
        still = p["direct"] * (s["hot"] - s["wall"]) * (1 - kept) * 0.5 + after
        still = (flow * still + lid * now.ambient) / (flow + lid)
        s["air"] += (np.minimum(still, HOTTEST) - s["air"]) * (1 - np.exp(-STEP / 60 / p["gas_minutes"]))
        loss = p["walls"] * (1 + p["wind_loss"] * now.wind + p["rain_loss"] * now.rain) * (s["wall"] - now.ambient)
        gained = flow * (s["hot"] - after)
        to_lid = flow * lid / (flow + lid) * (s["wall"] - now.ambient) * 0.5
        s["wall"] += (gained - loss - to_lid) * STEP / p["wall_c"]
        s["lost"] += (flow * (after - now.ambient) + loss + to_lid) * STEP

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        left: Floats = state["cold"] + state["warming"] + state["ready"] + state["embers"]
        return left / (nature["heat"] * nature["size"])
