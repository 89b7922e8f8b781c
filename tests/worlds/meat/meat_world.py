"""What a meat world is: what a piece is made of, its state, and one step in given surroundings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from tests.worlds.lanes import Floats, Lanes

MEAT_STEP = 30.0
"""s of one step of every meat world."""
PASCAL = 101325.0
BOILING = 99.97
"""°C at PASCAL (tests/data/boiling_pressure.csv)."""
LATENT = 2.36e6
"""J/kg, water at 60 °C (steam tables, memory)."""
STEFAN_BOLTZMANN = 5.67e-8
"""W/m2K4."""


@dataclass(frozen=True)
class Around:
    """What surrounds the pieces in one step, each (lanes,).

    air, walls °C. convection W/m2K of the bare surface. vapour Pa in the air. gap: W/m2K that a wrapping lets
    through (inf = bare). breathes: share of the vapour that gets out, 1 = bare. shine: share of the radiation that arrives.
    """

    air: Floats
    walls: Floats
    convection: Floats
    vapour: Floats
    gap: Floats
    breathes: Floats
    shine: Floats


class MeatWorld(Protocol):
    """A truth for a piece of meat."""

    name: str

    def draw(self, rng: np.random.Generator, pieces: Lanes) -> Lanes:
        """What the pieces are made of. pieces: `half` m (half of the thinnest dimension), `form` 0 slab to 2
        ball, `mass` kg, `water`, `start` °C, shape (n,). The result contains what `pieces` contains."""

    def raw(self, nature: Lanes) -> Lanes:
        """The state before it goes on."""

    def step(self, nature: Lanes, state: Lanes, around: Around) -> None:
        """One MEAT_STEP further, in place."""

    def at(self, nature: Lanes, state: Lanes, depth: Floats) -> Floats:
        """°C at `depth` (lanes,): 0 = the slowest point, 1 = the surface."""

    def lost(self, nature: Lanes, state: Lanes) -> Floats:
        """kg of water lost so far, a kg of raw meat."""


def saturation(celsius: Floats) -> Floats:
    """Vapour pressure of water, Pa, 1 to 100 °C. Antoine's equation (constants from memory)."""
    pressure: Floats = 133.322 * 10 ** (8.07131 - 1730.63 / (233.426 + celsius))
    return pressure


def radiation(one: Floats, other: Floats) -> Floats:
    """W/m2K between two nearly black surfaces."""
    mean = (one + other) / 2 + 273.15
    film: Floats = 4 * 0.92 * STEFAN_BOLTZMANN * mean**3
    return film


def transfer(convection: Floats) -> Floats:
    """Mass transfer coefficient, m/s, from the heat transfer coefficient. Lewis: rho cp of warm air 980 J/m3K,
    Le^(2/3) 0.9."""
    return convection / (980.0 * 0.90)


def outer_film(around: Around, surface: Floats) -> tuple[Floats, Floats]:
    """(W/m2K to the surroundings through any wrapping, °C of what it is exchanged with)."""
    shine = radiation(surface, around.walls) * around.shine
    film = around.convection + shine
    mixed = (around.convection * around.air + shine * around.walls) / film
    through = 1 / (1 / film + 1 / around.gap)
    return through, mixed


def evaporation(around: Around, surface: Floats, activity: Floats, resistance: Floats) -> Floats:
    """kg/m2s that leave a surface of this water activity through `resistance` s/m on top of the air's (Stefan flow).

    The logarithm keeps a wet surface below boiling. Never negative: condensation on cold meat is left out.
    """
    own = np.minimum(activity * saturation(np.clip(surface, 1, 105)), 0.985 * PASCAL)
    flow = np.log((PASCAL - np.minimum(around.vapour, 0.9 * PASCAL)) / (PASCAL - own))
    path = 1 / transfer(around.convection) + resistance
    rate = around.breathes * PASCAL * 0.018015 / (8.314 * (surface + 273.15)) * flow / path
    result: Floats = np.maximum(rate, 0.0)
    return result


@dataclass(frozen=True)
class Surface:
    """A surface in balance: what it gives inward is `gain` - `pull` * (°C of the outermost node), W/m2. off:
    kg/m2s of vapour.

    off_at and slope: the vapour as a straight line through `celsius`, so that a solver may go on from here without a lag.
    """

    celsius: Floats
    off: Floats
    slope: Floats
    gain: Floats
    pull: Floats

    def again(self, link: Floats, inside: Floats) -> tuple[Floats, Floats]:
        """(°C of the surface, kg/m2s) when the outermost node has come to `inside`."""
        celsius = inside + (self.gain - self.pull * inside) / link
        return celsius, np.maximum(self.off + self.slope * (celsius - self.celsius), 0.0)


def surface_balance(
    around: Around, inside: Floats, link: Floats, before: Floats, activity: Floats, resistance: Floats
) -> Surface:
    """The surface at which the heat that arrives is what goes inside (link W/m2K towards `inside` °C) and into
    vapour. before: a guess."""
    surface = before.copy()
    for _ in range(4):
        film, mixed = outer_film(around, surface)
        off = evaporation(around, surface, activity, resistance)
        more = evaporation(around, surface + 0.5, activity, resistance)
        slope = np.maximum((more - off) / 0.5, 0.0)
        total = film + link + LATENT * slope
        push = film * mixed - LATENT * (off - slope * surface)
        surface = np.clip((push + link * inside) / total, surface - 25, surface + 25)
    off = evaporation(around, surface, activity, resistance)
    push = film * mixed - LATENT * (off - slope * surface)
    return Surface(surface, off, slope, link * push / total, link * (1 - link / total))
