"""Pieces of meat in a pit: conduction in one dimension, water that leaves, and what a wrap changes.

Many pieces are stepped at once: every array is (N,) over pieces or (cells, N) over cells and pieces.
Units: °C, s, m, kg, W, J, Pa. The numbers marked "fitted" have no source: they were chosen so that a large
bone-in shoulder meets what cooks commonly report (see tests/drivers/simulated/test_simulated_meat.py), and other sets
would do as well.

    bodies = MeatBodies(MeatParameters.uniform(thickness=0.12, shape=1.2))
    bodies.step(15.0, gas=128.0, radiant=117.0, vapour_pressure=5000.0)
    bodies.core()           # °C, (N,)
    bodies.wrap(mask, "foil")

The conduction is backward Euler on finite volumes, so any step is stable; heat and water are booked as they move.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from drivers.simulated.properties import ANTOINE, Array, properties, saturation_pressure

Mask = npt.NDArray[np.bool_]

CELLS = 14
"""Shells from the centre to the surface; 28 move the 95 °C time of a shoulder by less than 1 %."""
FEW = 6
"""Pieces up to which the shells are solved sooner one piece after the other than all at once, measured."""

ABSOLUTE_ZERO = -273.15
STEFAN_BOLTZMANN = 5.670374e-8
"""W/m²K⁴ (CODATA 2018)."""
EMISSIVITY = 0.9
"""Of wet or dark meat; from memory."""
ATMOSPHERE = 101_325.0
"""Pa (ISO 2533)."""
WATER_MOLAR_MASS = 0.018015
"""kg/mol (CODATA / IUPAC)."""
GAS_CONSTANT = 8.314463
"""J/mol K (CODATA 2018)."""
LATENT_HEAT = 2.33e6
"""J/kg, water near 70 °C (steam tables, from memory)."""
VOLUMETRIC_HEAT_OF_AIR = 980.0
"""J/m³K of humid air near 90 °C; from memory."""
LEWIS_FACTOR = 0.90
"""Le^(2/3) of water vapour in air (Le = 0.857); from memory."""
HIGHEST_FRONT = 99.9
"""°C: the wet front cannot pass the boiling point; heat that would push it there boils water away."""

RELEASE_MIDDLE, RELEASE_WIDTH = 62.0, 6.5
"""°C: where the muscle lets go of its water, and over what width; fitted (fibres and collagen shrink at 53-65 °C)."""
FILM_WET_SHARE = 0.6
"""The whole surface counts as wet while the juice film is above this share of its cap; fitted."""
CRUST_CONDUCTIVITY = 0.30
"""W/mK, dry crust; from memory."""
CRUST_SOFTENS_IN = 1800.0
"""s: a crust under a tight wrap softens with this time constant; fitted."""
THICKEST_CRUST = 0.35
"""Share of the half thickness a crust may reach."""


@dataclass(frozen=True, slots=True)
class Wrapping:
    """What a wrap does. vapour, radiation: factors on the bare surface. gap: W/m²K of the air gap. tight: keeps juice
    and softens crust."""

    vapour: float
    radiation: float
    gap: float
    tight: bool


WRAPPINGS = {
    "none": Wrapping(1.0, 1.0, np.inf, False),
    "foil": Wrapping(0.001, 0.50, 100.0, True),
    "paper": Wrapping(0.045, 0.80, 120.0, True),
    "boat": Wrapping(0.45, 0.70, 250.0, False),
}
"""All fitted. A boat leaves the top bare, so roughly half of the surface still dries."""


@dataclass(frozen=True, slots=True)
class MeatParameters:
    """All that tells one piece from another, each (N,).

    thickness: thinnest dimension, m. shape: 0 slab, 1 cylinder, 2 sphere, fractions allowed. start: °C.
    water, protein, fat: mass fractions (ash takes the rest). conductivity_factor: error of the mixing rule.
    convection: h_c, W/m²K. pellicle: s/m, resistance to vapour before any crust has formed. crust_diffusivity: m²/s.
    film_cap: kg/m² of juice the surface can carry. film_share: share of released juice that reaches the surface.
    kept_water: share of its water that fully cooked meat keeps.
    """

    thickness: Array
    shape: Array
    start: Array
    water: Array
    protein: Array
    fat: Array
    conductivity_factor: Array
    convection: Array
    pellicle: Array
    crust_diffusivity: Array
    film_cap: Array
    film_share: Array
    kept_water: Array

    @classmethod
    def uniform(cls, n: int = 1, **values: float | Array) -> MeatParameters:
        """n pieces like a bone-in pork shoulder, but for the values given (scalars or (n,))."""
        filled = {
            f.name: np.broadcast_to(np.asarray(values.pop(f.name, TYPICAL[f.name]), float), (n,)).copy()
            for f in fields(cls)
        }
        if values:
            raise TypeError(f"not a meat parameter: {', '.join(values)}")
        return cls(**filled)


TYPICAL: dict[str, float] = {
    "thickness": 0.11,
    "shape": 1.17,
    "start": 5.0,
    "water": 0.645,
    "protein": 0.175,
    "fat": 0.17,
    "conductivity_factor": 1.0,
    "convection": 9.35,
    "pellicle": 395.0,
    "crust_diffusivity": 1.35e-6,
    "film_cap": 0.287,
    "film_share": 0.854,
    "kept_water": 0.762,
}


class MeatBodies:
    """N pieces of meat with their state. Ledgers are per m² of outer surface: `evaporated`, `dripped` (kg/m²), `heat_in`,
    `heat_evaporated` (J/m²)."""

    def __init__(
        self, parameters: MeatParameters, cells: int = CELLS, dry: bool = False, constant: bool = False
    ) -> None:
        """Two switches for checks against theory. dry: no water moves and nothing radiates, which leaves conduction behind
        convection. constant: properties frozen at 40 °C."""
        p = self.parameters = parameters
        self.cells, self._dry = cells, dry
        n = p.shape
        half = p.thickness / 2
        self.half = half
        faces = np.linspace(0.0, 1.0, cells + 1)[:, None] * half
        self._dx = half / cells
        outer = half**n
        self._area = faces[1:-1] ** n / outer
        self._volume = (faces[1:] ** (n + 1) - faces[:-1] ** (n + 1)) / ((n + 1) * outer)
        self.volume_per_area = self._volume.sum(axis=0)

        composition = np.stack([p.water, p.protein, p.fat, 1 - p.water - p.protein - p.fat])
        self._k, self._c = self._fit_properties(composition, constant)
        self.density = properties(composition, 20.0)[1]
        self._film_wet = FILM_WET_SHARE * p.film_cap

        shape = (cells, p.start.size)
        self.temperature: Array = np.broadcast_to(p.start, shape).copy()
        self.retained: Array = np.ones(shape)
        self.front: Array = p.start.astype(float).copy()
        self.crust: Array = np.zeros_like(p.start)
        self.film: Array = np.zeros_like(p.start)
        self._juice: Array = np.zeros_like(p.start)
        self.evaporated: Array = np.zeros_like(p.start)
        self.dripped: Array = np.zeros_like(p.start)
        self.heat_in: Array = np.zeros_like(p.start)
        self.heat_evaporated: Array = np.zeros_like(p.start)
        self.evaporating_share: Array = np.zeros_like(p.start)
        self._vapour: Array = np.ones_like(p.start)
        self._radiation: Array = np.full_like(p.start, 0.0 if dry else 1.0)
        self._gap: Array = np.zeros_like(p.start)
        self._tight: Mask = np.zeros(p.start.shape, bool)

    def _fit_properties(self, composition: Array, constant: bool) -> tuple[Array, Array]:
        """Quadratics in T for k and for rho·cp, (3, N) each; density is held, so that mass is."""
        knots = np.full(3, 40.0) if constant else np.array([5.0, 50.0, 100.0])
        rho = properties(composition, 20.0)[1]
        k = np.stack([properties(composition, t)[0] for t in knots]) * self.parameters.conductivity_factor
        c = np.stack([properties(composition, t)[2] for t in knots]) * rho
        if constant:
            flat = np.zeros_like(k[1:])
            return np.concatenate([k[:1], flat]), np.concatenate([c[:1], flat])
        inverse = np.linalg.inv(np.vander(knots, 3, increasing=True))
        return inverse @ k, inverse @ c

    def wrap(self, which: Mask, material: str) -> None:
        """Wrap the pieces in the mask in "foil", "paper" or "boat"; "none" unwraps."""
        w = WRAPPINGS[material]
        self._vapour[which] = w.vapour
        self._radiation[which] = w.radiation
        self._gap[which] = 1.0 / w.gap
        self._tight[which] = w.tight

    def core(self) -> Array:
        """Centre temperature, °C (N,)."""
        return np.asarray((9 * self.temperature[0] - self.temperature[1]) / 8)

    def at(self, fraction: Array) -> Array:
        """Temperature at a fraction (0..1) of the way from the centre to the surface, °C (N,)."""
        position = np.clip(fraction * self.cells - 0.5, 0.0, self.cells - 1.001)
        low = position.astype(int)
        columns = np.arange(fraction.size)
        part = position - low
        inside = (1 - part) * self.temperature[low, columns] + part * self.temperature[low + 1, columns]
        return np.asarray(np.where(fraction * self.cells < 0.5, self.core(), inside))

    def mass_left(self) -> Array:
        """Share of the starting mass still there (N,)."""
        return np.asarray(1 - (self.evaporated + self.dripped) / (self.density * self.volume_per_area))

    @staticmethod
    def _polynomial(quadratic: Array, celsius: Array) -> Array:
        return np.asarray(quadratic[0] + celsius * (quadratic[1] + celsius * quadratic[2]))

    def step(
        self,
        seconds: float,
        gas: Array | float,
        radiant: Array | float,
        vapour_pressure: Array | float,
        convection_factor: Array | float = 1.0,
    ) -> None:
        """Move all pieces on by `seconds` with the air at `gas` °C, the walls they see at `radiant` °C and the water vapour
        in the air at `vapour_pressure` Pa. convection_factor: still air is less than 1, a draught more."""
        p, temperature = self.parameters, self.temperature
        k = self._polynomial(self._k, temperature)
        heat_capacity = self._polynomial(self._c, temperature) * self._volume / seconds
        between = 2 * k[1:] * k[:-1] / (k[1:] + k[:-1]) / self._dx * self._area

        convection = p.convection * convection_factor
        surface_to_last = 2 * k[-1] / self._dx
        h, surroundings = self._outside(convection, gas, radiant)
        front, slope = self._balance_front(seconds, h, surroundings, surface_to_last, convection, vapour_pressure)
        old_last = temperature[-1]
        sensitivity = surface_to_last / (h + LATENT_HEAT * slope + surface_to_last)
        self.temperature = _solve_shells(
            heat_capacity,
            between,
            temperature,
            surface_to_last * (1 - sensitivity),
            surface_to_last * (front - sensitivity * old_last),
        )
        front = front + sensitivity * (self.temperature[-1] - old_last)
        conducted = surface_to_last * (front - self.temperature[-1])
        front = np.minimum(front, HIGHEST_FRONT)
        received = h * (surroundings - front)
        self.front = front
        self.heat_in += conducted * seconds
        self._move_water(seconds, (received - conducted) / LATENT_HEAT, received)

    def _outside(self, convection: Array, gas: Array | float, radiant: Array | float) -> tuple[Array, Array]:
        """Conductance from outside to the wet front, W/m²K, and the one temperature the front feels, °C."""
        surface_k, radiant_k = self.front - ABSOLUTE_ZERO, np.asarray(radiant) - ABSOLUTE_ZERO
        radiation = (
            self._radiation * EMISSIVITY * STEFAN_BOLTZMANN * (surface_k**2 + radiant_k**2) * (surface_k + radiant_k)
        )
        both = convection + radiation
        return 1.0 / (1.0 / both + self._gap + self.crust / CRUST_CONDUCTIVITY), (
            convection * gas + radiation * radiant
        ) / both

    def _vapour_conductances(
        self, seconds: float, convection: Array, vapour_pressure: Array | float
    ) -> tuple[Array, Array]:
        """Mass transfer, m/s, of the wetted and of the crusted part, each with its share of the surface (Lewis analogy).

        The film dries in less than a step, so the wetted share is taken where drying and fresh juice meet at the step's end."""
        p = self.parameters
        bare = convection / (VOLUMETRIC_HEAT_OF_AIR * LEWIS_FACTOR)
        drying = np.maximum(self._flow(bare * self._vapour, self.front, vapour_pressure)[0], 0.0)
        film = (self.film + self._juice * seconds) / (1 + drying * seconds / self._film_wet)
        wet_share = np.minimum(1.0, film / self._film_wet)
        crusted = 1.0 / (1.0 / bare + p.pellicle + self.crust / p.crust_diffusivity)
        return wet_share * bare * self._vapour, (1 - wet_share) * crusted * self._vapour

    @staticmethod
    def _flow(transfer: Array, front: Array, vapour_pressure: Array | float) -> tuple[Array, Array]:
        """Stefan flow, kg/m²s, and its slope, kg/m²sK: it steepens without limit towards boiling."""
        pressure = saturation_pressure(front)
        dry_air = ATMOSPHERE - pressure
        scale = transfer * ATMOSPHERE * WATER_MOLAR_MASS / (GAS_CONSTANT * (front - ABSOLUTE_ZERO))
        slope = scale * pressure * (np.log(10) * ANTOINE[1] / (ANTOINE[2] + front) ** 2) / dry_air
        return scale * np.log((ATMOSPHERE - vapour_pressure) / dry_air), slope

    def _balance_front(
        self,
        seconds: float,
        h: Array,
        surroundings: Array,
        inward: Array,
        convection: Array,
        vapour_pressure: Array | float,
    ) -> tuple[Array, Array]:
        """Newton on: heat received = heat evaporated + heat conducted inward. Returns the front temperature, °C, and
        d(evaporation)/dT, kg/m²sK."""
        if self._dry:
            return (h * surroundings + inward * self.temperature[-1]) / (h + inward), np.zeros_like(h)
        wet, crusted = self._vapour_conductances(seconds, convection, vapour_pressure)
        self._wet_part = wet / (wet + crusted)
        front = self.front
        slope = np.zeros_like(h)
        for _ in range(3):
            flow, slope = self._flow(wet + crusted, front, vapour_pressure)
            surplus = h * (surroundings - front) - LATENT_HEAT * flow - inward * (front - self.temperature[-1])
            front = np.minimum(front + surplus / (h + LATENT_HEAT * slope + inward), HIGHEST_FRONT)
        return front, slope

    def _move_water(self, seconds: float, evaporation: Array, received: Array) -> None:
        """Book what evaporated (kg/m²s, negative while vapour condenses on cold meat) and what the shells let go of."""
        if self._dry:
            return
        p = self.parameters
        water_density = self.density * p.water
        evaporated = evaporation * seconds
        self.evaporated += evaporated
        self.heat_evaporated += evaporated * LATENT_HEAT
        self.evaporating_share = np.clip(evaporation * LATENT_HEAT / np.maximum(received, 1.0), 0.0, 1.0)

        kept = p.kept_water + (1 - p.kept_water) / (1 + np.exp((self.temperature - RELEASE_MIDDLE) / RELEASE_WIDTH))
        kept = np.minimum(kept, self.retained)
        released = ((self.retained - kept) * self._volume).sum(axis=0) * water_density
        self.retained = kept

        to_film = np.where(self._tight, 0.0, p.film_share * released)
        self._juice = to_film / seconds
        from_film = np.where(evaporated < 0, evaporated, self._wet_part * evaporated)
        from_film = np.minimum(from_film, self.film + to_film)
        film = self.film + to_film - from_film
        spilled = np.maximum(film - p.film_cap, 0.0)
        self.film = film - spilled
        self.dripped += released - to_film + spilled
        grown = np.maximum(evaporated - from_film, 0.0) / (water_density * self.retained[-1])
        softened = np.where(self._tight, seconds / CRUST_SOFTENS_IN, 0.0)
        self.crust = np.minimum(self.crust * (1 - softened) + grown, THICKEST_CRUST * self.half)


def _solve_shells(heat_capacity: Array, between: Array, before: Array, surface: Array, surface_source: Array) -> Array:
    """Backward Euler for all pieces at once: Thomas elimination from the centre outward.

    heat_capacity: (cells, N) W/m²K, already divided by the step. between: (cells-1, N) conductances.
    surface: conductance from the last shell outward; surface_source: what comes in with it, W/m².
    """
    after = np.empty_like(before)
    cells, pieces = before.shape
    if pieces <= FEW:
        columns = (part.T.tolist() for part in (heat_capacity, between, before, surface, surface_source))
        after[:] = np.array([_solve_piece(*column) for column in zip(*columns, strict=True)]).T
        return after
    diagonal = heat_capacity.copy()
    diagonal[:-1] += between
    diagonal[1:] += between
    diagonal[-1] += surface
    right = heat_capacity * before
    right[-1] += surface_source
    for i in range(1, cells):
        weight = between[i - 1] / diagonal[i - 1]
        diagonal[i] -= weight * between[i - 1]
        right[i] += weight * right[i - 1]
    after[-1] = right[-1] / diagonal[-1]
    for i in range(cells - 2, -1, -1):
        after[i] = (right[i] + between[i] * after[i + 1]) / diagonal[i]
    return after


def _solve_piece(
    heat_capacity: list[float], between: list[float], before: list[float], surface: float, surface_source: float
) -> list[float]:
    """The same of one piece, to the last bit."""
    cells = len(before)
    diagonal, right = heat_capacity.copy(), [c * t for c, t in zip(heat_capacity, before, strict=True)]
    for i, conductance in enumerate(between):
        diagonal[i] += conductance
    for i, conductance in enumerate(between, 1):
        diagonal[i] += conductance
    diagonal[-1] += surface
    right[-1] += surface_source
    for i in range(1, cells):
        weight = between[i - 1] / diagonal[i - 1]
        diagonal[i] -= weight * between[i - 1]
        right[i] += weight * right[i - 1]
    after = right
    after[-1] = right[-1] / diagonal[-1]
    for i in range(cells - 2, -1, -1):
        after[i] = (right[i] + between[i] * after[i + 1]) / diagonal[i]
    return after
