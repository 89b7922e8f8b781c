"""World "conduction": finite volumes with heat and water in each cell, finer towards the surface.

Heat is conducted (implicit, so no step is too long). Water diffuses, the faster the hotter; muscle that
shrinks presses juice out, a part of which reaches the surface. The surface evaporates from its film of juice,
then from its outermost cell, whose water activity falls as it dries: that is the evaporation front. Energy and
water are conserved.
"""

from __future__ import annotations

import numpy as np

from tests.worlds.lanes import Floats, Lanes, log_uniform, uniform
from tests.worlds.meat.meat_world import BOILING, LATENT, MEAT_STEP, Around, Surface, surface_balance

CELLS = 14
FINER = 1.22
"""Each cell is thicker than its outer neighbour by this."""


class Conduction:
    name = "conduction"

    def draw(self, rng: np.random.Generator, pieces: Lanes) -> Lanes:
        n = len(pieces["half"])
        p = dict(pieces)
        # k = 0.464 W/mK was measured in a home oven; 0.42 to 0.55 by composition
        p["k"] = uniform(rng, 0.42, 0.54, n)
        p["rho"] = uniform(rng, 1020, 1070, n)
        p["cp_dry"] = uniform(rng, 1900, 2200, n)
        p["diffusion"] = log_uniform(rng, 0.6e-9, 2.6e-9, n)  # m2/s at 60 °C
        p["shrink"] = uniform(rng, 0.28, 0.48, n)
        p["shrink_at"] = uniform(rng, 57, 66, n)
        p["press"] = uniform(rng, 30, 120, n) * 60  # s
        p["to_surface"] = uniform(rng, 0.2, 0.6, n)
        p["pellicle"] = uniform(rng, 200, 700, n)  # s/m: fat and dried protein on the outside
        p |= self.grid(p["half"], p["form"])
        return p

    @staticmethod
    def grid(half: Floats, form: Floats) -> Lanes:
        """Cells from the middle out: `mid`, `volume`, `face` (outer), shape (CELLS, lanes); per area of the surface."""
        widths = FINER ** np.arange(CELLS)[::-1]
        edges = np.concatenate([[0.0], np.cumsum(widths)]) / widths.sum()
        r = edges[:, None] * half
        power = form + 1
        whole = half**form
        return {
            "mid": (r[1:] + r[:-1]) / 2,
            "width": r[1:] - r[:-1],
            "volume": (r[1:] ** power - r[:-1] ** power) / power / whole,
            "face": r[1:] ** form / whole,
        }

    def raw(self, nature: Lanes) -> Lanes:
        n = len(nature["half"])
        return {
            "t": np.repeat(nature["start"][None], CELLS, axis=0),
            "water": np.repeat(nature["water"][None], CELLS, axis=0),
            "film": np.full(n, 0.05),
            "surface": nature["start"].copy(),
            "evaporated": np.zeros(n),
            "dripped": np.zeros(n),
            "heat_in": np.zeros(n),
        }

    def step(self, nature: Lanes, state: Lanes, around: Around) -> None:
        p, s = nature, state
        link = p["k"] / (p["width"][-1] / 2)
        wet = np.clip(s["film"] / 0.03, 0, 1)
        dryness = s["water"][-1] / p["water"]
        activity = wet + (1 - wet) * np.clip(1.05 * dryness / (dryness + 0.12), 0.05, 0.99)
        skin = surface_balance(around, s["t"][-1], link, s["surface"], activity, p["pellicle"])
        self._heat(p, s, skin)
        s["surface"], off = skin.again(link, s["t"][-1])
        self._water(p, s, off, wet)

    def _water(self, p: Lanes, s: Lanes, off: Floats, wet: Floats) -> None:
        gone = off * MEAT_STEP
        from_film = np.minimum(gone * wet, s["film"])
        from_cell = np.minimum(gone - from_film, 0.9 * s["water"][-1] * p["rho"] * p["volume"][-1])
        s["film"] -= from_film
        s["evaporated"] += from_film + from_cell
        mass = p["rho"] * p["volume"]
        s["water"][-1] -= from_cell / mass[-1]
        speed = p["diffusion"] * np.exp(0.028 * (s["t"] - 60))
        between = np.minimum(speed[1:], speed[:-1]) * p["rho"] * p["face"][:-1] / (p["mid"][1:] - p["mid"][:-1])
        s["water"] = _spread(mass, between * MEAT_STEP, s["water"])
        holds = p["water"] * (1 - p["shrink"] / (1 + np.exp(-(s["t"] - p["shrink_at"]) / 5.0)))
        pressed = np.maximum(s["water"] - holds, 0) * (1 - np.exp(-MEAT_STEP / p["press"]))
        s["water"] -= pressed
        juice = (pressed * mass).sum(axis=0)
        film = s["film"] + p["to_surface"] * juice
        s["film"] = np.minimum(film, 0.25)
        s["dripped"] += (1 - p["to_surface"]) * juice + film - s["film"]

    def _heat(self, p: Lanes, s: Lanes, skin: Surface) -> None:
        store = p["rho"] * p["volume"] * (p["cp_dry"] * (1 - p["water"]) + 4186 * s["water"])
        inner = p["k"] * p["face"][:-1] / (p["mid"][1:] - p["mid"][:-1]) * MEAT_STEP
        t = _spread(store, inner, s["t"], skin.pull * MEAT_STEP, skin.gain * MEAT_STEP)
        s["heat_in"] += (skin.gain - skin.pull * t[-1]) * MEAT_STEP
        s["t"] = t
        # no cell is hotter than boiling while it holds water: what would be goes off as steam
        over = np.where(s["water"] > 0.03, np.maximum(t - BOILING, 0), 0.0)
        steam = np.minimum(store * over / LATENT, 0.2 * s["water"] * p["rho"] * p["volume"])
        s["water"] -= steam / (p["rho"] * p["volume"])
        s["t"] = s["t"] - steam * LATENT / store
        s["evaporated"] += steam.sum(axis=0)

    def at(self, nature: Lanes, state: Lanes, depth: Floats) -> Floats:
        place = np.clip(depth, 0, 1) * nature["half"]
        mid = nature["mid"]
        upper = np.clip((mid < place).sum(axis=0), 1, CELLS - 1)
        lane = np.arange(len(place))
        low, high = mid[upper - 1, lane], mid[upper, lane]
        share = np.clip((place - low) / (high - low), 0, 1)
        inside: Floats = state["t"][upper - 1, lane] * (1 - share) + state["t"][upper, lane] * share
        edge = np.clip((place - mid[-1]) / (nature["half"] - mid[-1]), 0, 1)
        reached: Floats = inside * (1 - edge) + state["surface"] * edge
        return reached

    def lost(self, nature: Lanes, state: Lanes) -> Floats:
        whole = nature["rho"] * nature["volume"].sum(axis=0)
        share: Floats = (state["evaporated"] + state["dripped"]) / whole
        return share


def _spread(
    store: Floats, links: Floats, values: Floats, pull: Floats | float = 0.0, gain: Floats | float = 0.0
) -> Floats:
    """One implicit step of what is stored in a row of cells and flows between neighbours; the last also gains
    `gain` - `pull` * value.

    store (cells, lanes), links (cells - 1, lanes). Down and up again (Thomas), so no step is too long.
    """
    diagonal = store.copy()
    diagonal[:-1] += links
    diagonal[1:] += links
    diagonal[-1] += pull
    right = store * values
    right[-1] += gain
    for i in range(1, len(store)):
        share = links[i - 1] / diagonal[i - 1]
        diagonal[i] -= share * links[i - 1]
        right[i] += share * right[i - 1]
    result = np.empty_like(right)
    result[-1] = right[-1] / diagonal[-1]
    for i in range(len(store) - 2, -1, -1):
        result[i] = (right[i] + links[i] * result[i + 1]) / diagonal[i]
    return result
