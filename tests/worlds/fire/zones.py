"""World "zones": a balance of two zones (firebox, chamber), each log drying, flaming and glowing.

Firebox: gas without storage, lining with. Chamber: gas with little storage, wall with much. Fuel: every log
holds water, volatiles and char; water leaves by the heat around it, volatiles as the water goes, char as the
volatiles go. Energy is conserved: `balance` says so. A log that lies cold stays wet, so it may fail to catch by itself.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import HOTTEST, SLOTS, Hands, between, emptiest, fresh, kindled
from tests.worlds.lanes import STEP, Floats, Lanes, log_uniform, uniform
from tests.worlds.weather import Now

LATENT = 0.06
"""Share of a log's heat that drying takes: 0.2 kg water a kg of wood, 2.5 MJ/kg, 15 MJ/kg with some sensible
heat. Textbook values, memory."""


class Zones:
    name = "zones"

    def draw(self, rng: np.random.Generator, common: Lanes) -> Lanes:
        n, quick, gap = len(common["set"]), common["quick"], common["gap"]
        rise = common["set"] - common["mean_ambient"]
        need = uniform(rng, 1500, 7000, n)
        loss = need / rise
        flue = uniform(rng, 0.2, 0.45, n) * loss
        through = loss - flue
        inner = uniform(rng, 3.0, 12.0, n) * through
        p = dict(common)
        p["flue"] = flue
        p["inner"] = inner
        p["outer"] = 1 / np.maximum(1 / through - 1 / inner, 1e-6)
        p["wall_c"] = loss * 60 * between(quick, 260.0, 16.0, rng, 0.35)
        p["lining"] = uniform(rng, 0.3, 1.2, n) * flue
        p["box_c"] = p["lining"] * 60 * uniform(rng, 6, 40, n)
        p["box_loss"] = uniform(rng, 0.02, 0.08, n) * loss
        p["radiant"] = uniform(rng, 0.1, 0.35, n)
        p["gas_minutes"] = uniform(rng, 0.8, 8.0, n)
        p["heat"] = need * gap * 60
        p["dry"] = log_uniform(rng, 3.0, 26.0, n) * 60
        p["smother"] = uniform(rng, 0.2, 0.95, n)
        p["flame"] = uniform(rng, 0.15, 0.5, n) * gap * 60
        p["char"] = uniform(rng, 0.5, 1.3, n) * gap * 60
        p["volatile"] = uniform(rng, 0.5, 0.72, n)
        p["door"] = uniform(rng, 0.5, 4.0, n) * flue
        p["door_open"] = uniform(rng, 30, 180, n)
        p["lid_open"] = uniform(rng, 2.0, 7.0, n) * loss
        p["wind_loss"] = uniform(rng, 0.0, 0.05, n)
        p["wind_draught"] = uniform(rng, 0.0, 0.05, n)
        p["rain_loss"] = log_uniform(rng, 0.4, 4.0, n)
        return p

    def lit(self, nature: Lanes, ambient: Floats) -> Lanes:
        n = len(ambient)
        zero = np.zeros((SLOTS, n))
        state: Lanes = {key: zero.copy() for key in ("water", "gas", "locked", "glow", "wet")}
        state["wet"] += 1.0
        state["glow"][0] = 0.45 * nature["heat"] * nature["size"]
        state["gas"][0] = 0.5 * nature["heat"] * nature["size"]
        state |= {key: ambient.copy() for key in ("air", "wall")}
        state |= {"box": ambient + 90, "hot": ambient + 150, "door_left": np.zeros(n)}
        state |= {"released": np.zeros(n), "lost": np.zeros(n)}
        return state

    def step(self, nature: Lanes, state: Lanes, now: Now, hands: Hands) -> None:
        p, s = nature, state
        self._put(p, s, hands)
        around = 0.55 * s["box"] + 0.45 * s["hot"]
        blow = hands.damper * (1 + p["wind_draught"] * now.wind) * now.flicker * (1 + 0.25 * hands.lid)
        warm = np.clip((around - 70) / 160, 0.02, 1.7)
        alive = np.clip((around - 60) / 80, 0.05, 1.0) * blow
        drying = np.minimum(s["water"], warm * STEP / (p["dry"] * s["wet"]))
        s["water"] -= drying
        start = (1 - s["water"]) ** 2
        flaming = s["gas"] * (1 - np.exp(-start * alive * STEP / p["flame"]))
        s["gas"] -= flaming
        # char comes free in step with the volatiles
        opened = np.minimum(s["locked"], flaming * (1 - p["volatile"]) / p["volatile"])
        s["locked"] -= opened
        # a log that is still wet lies on the embers and hides them
        bare = 1 - p["smother"] * np.max(s["water"] * (s["gas"] > 0), axis=0)
        glowing = s["glow"] * (1 - np.exp(-alive * bare * STEP / p["char"]))
        s["glow"] += opened - glowing
        latent = drying * LATENT * p["heat"] * p["size"]
        power = np.maximum((flaming + glowing - latent).sum(axis=0), 0.0) / STEP
        self._zones(p, s, now, hands, power)

    def _put(self, p: Lanes, s: Lanes, hands: Hands) -> None:
        lane = np.flatnonzero(fresh(hands))
        if lane.size:
            slot = emptiest((s["gas"] + s["locked"] + s["glow"])[:, lane])
            rest = (s["gas"] + s["locked"] + s["glow"])[slot, lane]
            whole = hands.logs[lane] * p["heat"][lane] * p["size"][lane]
            s["water"][slot, lane] = 1.0
            s["gas"][slot, lane] = p["volatile"][lane] * whole
            s["locked"][slot, lane] = (1 - p["volatile"][lane]) * whole
            s["glow"][slot, lane] = rest + kindled(hands)[lane] * p["heat"][lane] * p["size"][lane]
            s["wet"][slot, lane] = hands.green[lane] ** 2 * np.exp(0.25 * hands.shape[lane])
            s["door_left"][lane] = p["door_open"][lane]

    def _zones(self, p: Lanes, s: Lanes, now: Now, hands: Hands, power: Floats) -> None:
        door = np.where(s["door_left"] > 0, p["door"], 0.0)
        s["door_left"] = np.maximum(s["door_left"] - STEP, 0)
        flow = p["flue"] * np.maximum(hands.damper, 0.1) ** 0.7 * (1 + p["wind_draught"] * now.wind) + door
        ambient = now.ambient
        hot = (flow * ambient + (1 - p["radiant"]) * power + p["lining"] * s["box"]) / (flow + p["lining"])
        s["hot"] = np.minimum(hot, 2500.0)
        into_lining = p["radiant"] * power + p["lining"] * (s["hot"] - s["box"])
        s["box"] += (into_lining - p["box_loss"] * (s["box"] - ambient)) * STEP / p["box_c"]
        lid = hands.lid * p["lid_open"]
        still = (flow * s["hot"] + p["inner"] * s["wall"] + lid * ambient) / (flow + p["inner"] + lid)
        s["air"] += (np.minimum(still, HOTTEST) - s["air"]) * (1 - np.exp(-STEP / 60 / p["gas_minutes"]))
        outer = p["outer"] * (1 + p["wind_loss"] * now.wind + p["rain_loss"] * now.rain)
        into_wall, out_of_wall = p["inner"] * (still - s["wall"]), outer * (s["wall"] - ambient)
        s["wall"] += (into_wall - out_of_wall) * STEP / p["wall_c"]
        s["released"] += power * STEP
        s["lost"] += (
            flow * (still - ambient) + lid * (still - ambient) + out_of_wall + p["box_loss"] * (s["box"] - ambient)
        ) * STEP

    def fuel(self, nature: Lanes, state: Lanes) -> Floats:
        left: Floats = (state["gas"] + state["locked"] + state["glow"]).sum(axis=0) / (nature["heat"] * nature["size"])
        return left

    def stored(self, nature: Lanes, state: Lanes) -> Floats:
        """J in lining and wall, from 0 °C: with `released` and `lost` it closes the balance."""
        return nature["box_c"] * state["box"] + nature["wall_c"] * state["wall"]
