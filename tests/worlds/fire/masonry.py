"""World "masonry": walls with depth. Brick, cast refractory or steel behind insulation, conducted through node by node.

Logs are cylinders whose radius shrinks at a steady pace once they have taken enough heat from the glow to
light (a dose); their coals fall into a bed. The glow shines on the walls and the grate, the gas passes
through. A pit of this kind may hold for hours, or, with thin steel before insulation, follow every log.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import HOTTEST, SLOTS, Hands, between, emptiest, fresh, kindled
from tests.worlds.lanes import STEP, Floats, Lanes, log_uniform, uniform
from tests.worlds.weather import Now

NODES = 6


class Masonry:
    name = "masonry"

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        n, quick, gap = len(common["set"]), common["quick"], common["gap"]
        p = dict(common)
        rise = common["set"] - common["mean_ambient"]
        need = uniform(rng, 2000, 12000, n)
        loss = need / rise
        p["heat"] = need * gap * 60
        p["flue"] = uniform(rng, 0.2, 0.5, n) * loss
        through = loss - p["flue"]
        brick = (rng.random(n) < 1 - quick).astype(float)
        film = uniform(rng, 4.0, 12.0, n) * through
        outside = uniform(rng, 2.0, 8.0, n) * through
        inside_wall = 1 / np.maximum(1 / through - 1 / film - 1 / outside, 0.05 / through)
        p["film"], p["outside"] = film, outside
        p["link"] = inside_wall * NODES  # W/K between neighbouring nodes (half steps at the ends are in the films)
        # brick: 100 to 200 mm, alpha 4 to 7e-7 m2/s (handbook range, memory): L2/alpha is 4 to 25 h; here 2 to
        # 12 h of it take part
        hours = np.where(brick > 0, between(quick, 7.0, 1.5, rng, 0.4), uniform(rng, 0.15, 0.6, n))
        node = inside_wall * hours * 3600 / NODES
        skin = np.where(brick > 0, 1.0, loss * 60 * between(quick, 110.0, 14.0, rng, 0.35) / node)
        p["node_c"] = np.repeat(node[None], NODES, axis=0)
        p["node_c"][0] *= np.maximum(skin, 0.3)
        # an explicit step is stable when no node's neighbours could overrun it
        p["node_c"] = np.maximum(p["node_c"], 3 * STEP * (film + outside + 2 * p["link"]))
        p["preheated"] = np.where(brick > 0, uniform(rng, 0.55, 0.9, n), 0.0)
        p["radiant"] = uniform(rng, 0.08, 0.4, n)
        p["pace"] = 1 / (gap * uniform(rng, 0.7, 1.8, n))  # a log's radius is gone after this many minutes
        p["coal_share"] = uniform(rng, 0.2, 0.45, n)
        p["coal_minutes"] = gap * uniform(rng, 0.4, 1.2, n)
        p["light"] = log_uniform(rng, 3.0, 24.0, n)  # min over a usual bed
        p["door_open"] = log_uniform(rng, 40, 240, n)
        p["door"] = uniform(rng, 0.5, 4.0, n) * p["flue"]
        p["lid_open"] = uniform(rng, 1.5, 6.0, n) * loss
        p["gas_minutes"] = uniform(rng, 0.8, 7.0, n)
        p["wind_loss"] = uniform(rng, 0.0, 0.04, n)
        p["wind_draught"] = uniform(rng, 0.0, 0.05, n)
        p["rain_loss"] = uniform(rng, 0.1, 2.0, n)
        p["steam"] = uniform(rng, 0.0, 0.45, n) * need  # W that rain on a roof takes at once
        return p

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        n = len(ambient)
        zero = np.zeros((SLOTS, n))
        warm = nature["preheated"] * (nature["set"] - ambient)
        depth = (np.arange(NODES)[:, None] + 0.5) / NODES
        state: Lanes = {"radius": zero.copy(), "mass": zero.copy(), "dose": zero.copy()}
        state["mass"][0] = 0.8 * nature["heat"] * nature["size"]
        state["radius"][0], state["dose"][0] = 0.8, 3.0
        state |= {"coals": 0.4 * nature["heat"] * nature["size"], "walls": ambient + warm * (1 - 0.8 * depth)}
        state |= {
            "air": ambient + 0.9 * warm,
            "hot": ambient + 120,
            "door_left": np.zeros(n),
            "taking": zero.copy() + 1,
        }
        state |= {"released": np.zeros(n), "lost": np.zeros(n)}
        return state

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        p, s = nature, state
        self._put(p, s, hands)
        blow = np.maximum(hands.damper, 0.05) * (1 + p["wind_draught"] * now.wind) * now.flicker
        whole = p["heat"] * p["size"]
        bed = s["coals"] / (whole * p["coal_share"] * p["coal_minutes"] / p["gap"])
        burning = 1 / (1 + np.exp(-8 * (s["dose"] - 1)))
        flames = (burning * (s["radius"] > 0.25)).sum(axis=0)
        s["dose"] += np.clip(bed + 0.6 * flames, 0, 1.6) * blow * STEP / 60 / (p["light"] * s["taking"])
        thinner = np.minimum(s["radius"], burning * blow * p["pace"] * STEP / 60)
        # a cylinder: mass goes with the square of the radius
        rest = np.where(s["radius"] > 0, ((s["radius"] - thinner) / np.maximum(s["radius"], 1e-9)) ** 2, 0.0)
        burnt = s["mass"] * (1 - rest)
        s["mass"] -= burnt
        s["radius"] -= thinner
        burnt_all = burnt.sum(axis=0)
        glow = s["coals"] * (1 - np.exp(-np.sqrt(blow) * STEP / 60 / p["coal_minutes"]))
        s["coals"] += p["coal_share"] * burnt_all - glow
        self._heat(p, s, now, hands, ((1 - p["coal_share"]) * burnt_all + glow) / STEP)

    def _put(self, p: Lanes, s: Lanes, hands: Hands) -> None:
        lane = np.flatnonzero(fresh(hands))
        if lane.size:
            slot = emptiest(s["mass"][:, lane])
            kindling = kindled(hands)[lane] * p["heat"][lane] * p["size"][lane]
            s["coals"][lane] += s["mass"][slot, lane] + kindling
            s["mass"][slot, lane] = hands.logs[lane] * p["heat"][lane] * p["size"][lane]
            s["radius"][slot, lane] = np.sqrt(hands.logs[lane]) * np.exp(0.15 * hands.shape[lane])
            s["dose"][slot, lane] = 0.0
            s["taking"][slot, lane] = hands.green[lane] ** 2 * np.exp(-0.2 * hands.shape[lane])
            s["door_left"][lane] = p["door_open"][lane]

    def _heat(self, p: Lanes, s: Lanes, now: Now, hands: Hands, power: Floats) -> None:
        door = np.where(s["door_left"] > 0, p["door"], 0.0)
        s["door_left"] = np.maximum(s["door_left"] - STEP, 0)
        flow = p["flue"] * np.maximum(hands.damper, 0.1) ** 0.6 * (1 + p["wind_draught"] * now.wind) + door
        ambient, lid = now.ambient, hands.lid * p["lid_open"]
        shine = p["radiant"] * power
        s["hot"] = np.minimum(ambient + (power - shine) / flow, 2500.0)
        steam = p["steam"] * now.rain * np.clip((s["air"] - ambient) / 80, 0, 1)
        still = (flow * s["hot"] + p["film"] * s["walls"][0] + lid * ambient - steam) / (flow + p["film"] + lid)
        still = np.minimum(still, HOTTEST)
        s["air"] += (still - s["air"]) * (1 - np.exp(-STEP / 60 / p["gas_minutes"]))
        through = p["link"] * (s["walls"][:-1] - s["walls"][1:])
        out = p["outside"] * (1 + p["wind_loss"] * now.wind + p["rain_loss"] * now.rain) * (s["walls"][-1] - ambient)
        gain = np.zeros_like(s["walls"])
        gain[0] += shine + p["film"] * (still - s["walls"][0])
        gain[:-1] -= through
        gain[1:] += through
        gain[-1] -= out
        s["walls"] += gain * STEP / p["node_c"]
        s["released"] += power * STEP
        s["lost"] += ((flow + lid) * (still - ambient) + out + steam) * STEP

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        left: Floats = (state["mass"].sum(axis=0) + state["coals"]) / (nature["heat"] * nature["size"])
        return left

    def stored(self, nature: Lanes, state: Lanes) -> Floats:
        """J in the walls, from 0 °C: with `released` and `lost` it closes the balance."""
        inside: Floats = (nature["node_c"] * state["walls"]).sum(axis=0)
        return inside
