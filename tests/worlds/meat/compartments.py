"""World "compartments": skin, outer, middle and core as four lumps, and drying in rate periods.

While there is free water at the surface it dries at the constant rate of a wet surface; below a critical
amount the rate falls in proportion, and below a second one with the square (the bound water). Shrinking lumps
set water free. Conductances come from the size, times a form factor, because nobody's piece is a cylinder.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.lanes import Floats, Lanes, uniform
from tests.worlds.meat.meat_world import BOILING, LATENT, MEAT_STEP, Around, evaporation, outer_film

EDGES = np.array([0.0, 0.36, 0.66, 0.93, 1.0])
"""Shares of the half thickness: core, middle, outer, skin."""
SUBSTEPS = 3
"""The skin is thin: its steps are shorter."""


class Compartments:
    name = "compartments"

    def draw(self, rng: np.random.Generator, pieces: Lanes) -> Lanes:
        n = len(pieces["half"])
        p = dict(pieces)
        k = uniform(rng, 0.42, 0.56, n)
        heat = uniform(rng, 3.35e6, 3.85e6, n)  # J/m3K
        half, form = p["half"], p["form"]
        edges = EDGES[:, None]
        power = form + 1
        p["store"] = heat * half * (edges[1:] ** power - edges[:-1] ** power) / power
        middles = (edges[1:] + edges[:-1]) / 2
        middles = np.concatenate([0 * middles[:1] + 0.20, middles[1:]])
        faces = edges[1:-1] ** form
        factor = uniform(rng, 0.85, 1.2, n)
        p["links"] = factor * k * faces / ((middles[1:] - middles[:-1]) * half)
        p["skin_link"] = k / ((1 - middles[-1, 0]) * half)
        p["density"] = uniform(rng, 1020, 1070, n) * half / power  # kg a m2 of surface
        p["free"] = uniform(rng, 0.02, 0.05, n)  # of the raw mass: water free at the surface at the start
        p["critical"] = uniform(rng, 0.05, 0.12, n)
        p["bound"] = p["critical"] * uniform(rng, 0.2, 0.5, n)
        p["sets_free"] = uniform(rng, 0.22, 0.38, n)
        p["free_at"] = uniform(rng, 56, 67, n)
        p["free_width"] = uniform(rng, 4, 8, n)
        p["minutes"] = uniform(rng, 30, 120, n)
        p["drips"] = uniform(rng, 0.15, 0.5, n)
        p["pellicle"] = uniform(rng, 250, 600, n)
        return p

    def raw(self, nature: Lanes) -> Lanes:
        n = len(nature["half"])
        return {
            "t": np.repeat(nature["start"][None], 4, axis=0),
            "given": np.zeros((4, n)),
            "free": nature["free"].copy(),
            "evaporated": np.zeros(n),
            "boiled": np.zeros(n),
            "dripped": np.zeros(n),
        }

    def step(self, nature: Lanes, state: Lanes, around: Around) -> None:
        p, s = nature, state
        dt = MEAT_STEP / SUBSTEPS
        first = np.clip(s["free"] / p["critical"], 0, 1)
        second = np.clip(s["free"] / p["bound"], 0, 1)
        wet = np.maximum(first * second, 0.002)
        for _ in range(SUBSTEPS):
            skin = s["t"][-1]
            off = wet * evaporation(around, skin, np.ones_like(skin), p["pellicle"])
            film, mixed = outer_film(around, skin)
            film = 1 / (1 / film + 1 / p["skin_link"])
            flow = p["links"] * (s["t"][1:] - s["t"][:-1])
            change = np.zeros_like(s["t"])
            change[:-1] += flow
            change[1:] -= flow
            change[-1] += film * (mixed - skin) - LATENT * off
            s["t"] = s["t"] + change * dt / p["store"]
            # the three inner lumps boil before they get any hotter, as long as there is water
            over = np.where(self.lost(p, s) < 0.9 * p["water"], np.maximum(s["t"][:-1] - BOILING, 0), 0.0)
            s["t"][:-1] -= over
            s["boiled"] += (over * p["store"][:-1]).sum(axis=0) / LATENT / p["density"]
            gone = np.minimum(off * dt / p["density"], s["free"])
            s["free"] -= gone
            s["evaporated"] += gone
        self._set_free(p, s)

    def _set_free(self, p: Lanes, s: Lanes) -> None:
        due = p["sets_free"] / (1 + np.exp(-(s["t"] - p["free_at"]) / p["free_width"]))
        more = np.maximum(due - s["given"], 0) * (1 - np.exp(-MEAT_STEP / 60 / p["minutes"]))
        s["given"] += more
        share = p["store"] / p["store"].sum(axis=0)
        juice = (more * share).sum(axis=0)
        s["free"] += (1 - p["drips"]) * juice
        s["dripped"] += p["drips"] * juice

    def at(self, nature: Lanes, state: Lanes, depth: Floats) -> Floats:
        place = np.clip(depth, 0, 1)
        known = np.array([0.1, 0.5, 0.8, 1.0])
        t = state["t"]
        result: Floats = t[0].copy()
        for i in range(3):
            share = np.clip((place - known[i]) / (known[i + 1] - known[i]), 0, 1)
            result = np.where(place > known[i], t[i] + share * (t[i + 1] - t[i]), result)
        return result

    def lost(self, nature: Lanes, state: Lanes) -> Floats:
        return state["evaporated"] + state["dripped"] + state["boiled"]
