"""World "heat clock": curves, no field. The core follows a driving temperature through a chain of lags; the
drive is capped while the piece sweats.

The slowest lag is the first term of the conduction series for the size, shape and film; two short ones make
the initial delay. The cap stands near the plateau, wanders, sinks and rises with the pit, and lifts as the
budget of heat that sweating takes is used up. Nothing is conserved; cores fall by 1 to 3 °C in a long plateau
because cooks say so.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.worlds.lanes import Floats, Lanes, log_uniform, uniform
from tests.worlds.meat.meat_world import MEAT_STEP, Around, outer_film

USUAL_RISE = 50.0
"""K that a pit stands over the plateau in the hours that the budget is told in."""


class HeatClock:
    name = "heat-clock"

    def draw(self, rng: np.random.Generator, pieces: Lanes) -> Lanes:
        n = len(pieces["half"])
        p = dict(pieces)
        p["k"] = uniform(rng, 0.42, 0.55, n)
        p["alpha"] = uniform(rng, 1.2e-7, 1.6e-7, n)
        p["plateau"] = uniform(rng, 66, 77, n)
        p["budget"] = log_uniform(rng, 60, 360, n)  # min of sweating at the usual rise
        p["sinks"] = uniform(rng, -0.5, 4.0, n)
        p["follows"] = uniform(rng, 0.02, 0.12, n)
        p["wanders"] = uniform(rng, 0.3, 2.0, n)
        p["phase"] = uniform(rng, 0, 1000, n)
        p["lifts"] = log_uniform(rng, 0.06, 0.3, n)  # of the budget: how softly the plateau ends
        p["top"] = uniform(rng, 96.5, 99.5, n)
        p["short"] = uniform(rng, 0.06, 0.16, n)
        p["ahead"] = uniform(rng, 8, 25, n)
        p["damps"] = uniform(rng, 0.2, 0.5, n)  # a wet surface takes the heat up less readily
        p["dries"] = uniform(rng, 0.4, 0.55, n)  # kg/kg that can dry away
        p["loss"] = uniform(rng, 260, 480, n)  # min at the usual rise by which two thirds of it are gone
        return p

    def raw(self, nature: Lanes) -> Lanes:
        n = len(nature["half"])
        return {
            "t": np.repeat(nature["start"][None], 3, axis=0),
            "sweated": np.zeros(n),
            "dried": np.zeros(n),
            "dip": np.zeros(n),
            "minute": np.zeros(n),
            "slow": np.full(n, 20.0),
            "drive": nature["start"].copy(),
        }

    def step(self, nature: Lanes, state: Lanes, around: Around) -> None:
        p, s = nature, state
        minutes = MEAT_STEP / 60
        s["minute"] += minutes
        # a curve knows no gaps: a wrapping acts on the sweating alone
        bare = replace(around, gap=np.full_like(around.gap, 1e9), shine=np.ones_like(around.shine))
        film, mixed = outer_film(bare, s["drive"])
        s["slow"] += (mixed - s["slow"]) * (1 - np.exp(-minutes / 30))
        rise = s["slow"] - p["plateau"]
        # the budget runs once the core is near its plateau; a wrapping keeps the vapour in, so the rest of it is skipped
        ready = np.clip((s["t"][2] - p["plateau"] + 8) / 5, 0, 1)
        pace = np.clip(rise / USUAL_RISE, 0, 3.0) ** 1.5 * ready
        s["dried"] += (
            np.clip(rise / USUAL_RISE, 0, 2.0) * np.clip((s["t"][0] - 35) / 25, 0, 1) * minutes * around.breathes
        )
        open_share = np.clip(around.breathes, 0, 1)
        s["sweated"] += pace * minutes * (1 + 2.5 * (1 - open_share))
        used = s["sweated"] / p["budget"]
        lifted = 1 / (1 + np.exp(-(used - 1) / (0.5 * p["lifts"])))
        shown = np.clip(used, 0, 1)
        wave = np.sin((s["minute"] + p["phase"]) / 23) + np.sin((s["minute"] + 2 * p["phase"]) / 37)
        cap = p["plateau"] + p["follows"] * rise
        # sinking and wandering are of the core itself: through its lags none of it would be left
        dip = (-p["sinks"] * shown + p["wanders"] * wave * np.minimum(shown, 0.5)) * (1 - lifted) * open_share
        s["dip"] += (dip - s["dip"]) * (1 - np.exp(-minutes / 12))
        # the drive is above the cap by what the lags need to get the core there
        top = np.minimum(p["top"] + 2.0, mixed)
        # on the way up the surface is hotter than the plateau, or the core would take for ever to get there
        cap = cap + p["ahead"] * np.clip((cap - s["t"][2]) / 15, 0, 1) * (1 - lifted)
        # a wrapping that holds the vapour in ends the sweating at once
        cap = cap + (top - cap) * np.maximum(lifted, 0.95 * (1 - open_share) ** 6)
        hot = mixed > cap
        s["drive"] = np.where(hot, cap, mixed)
        slowest = self.slowest(p, film) * (1 + p["damps"] * open_share)
        # heated through a cap that the air exceeds, a piece comes up no quicker than its surface lets it
        chain = (s["drive"], s["t"][0], s["t"][1])
        lags = (p["short"] * slowest, p["short"] * 0.6 * slowest, slowest)
        for i, (into, lag) in enumerate(zip(chain, lags, strict=True)):
            s["t"][i] = s["t"][i] + (into - s["t"][i]) * (1 - np.exp(-MEAT_STEP / lag))

    @staticmethod
    def slowest(p: Lanes, film: Floats) -> Floats:
        """s. First root of the conduction series for slab, cylinder and ball (2.467, 5.783, 9.870: textbook)
        with a film in series."""
        root = 2.467 + 3.316 * np.minimum(p["form"], 1) + 4.087 * np.maximum(p["form"] - 1, 0)
        lumped = (p["form"] + 1) * film * p["half"] / p["k"]
        squared = lumped / (1 + lumped / root)
        result: Floats = p["half"] ** 2 / p["alpha"] / squared
        return result

    def at(self, nature: Lanes, state: Lanes, depth: Floats) -> Floats:
        share = np.clip(depth, 0, 1) ** 2
        inside: Floats = (state["t"][2] + state["dip"]) * (1 - share) + state["t"][0] * share
        return inside

    def lost(self, nature: Lanes, state: Lanes) -> Floats:
        gone: Floats = nature["dries"] * (1 - np.exp(-state["dried"] / nature["loss"]))
        return gone
