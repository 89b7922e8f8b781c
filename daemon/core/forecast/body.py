"""Many small one-dimensional pieces of meat at once: conduction inside, drying skin, wrap and rest outside.

A body is a slab, cylinder or ball of half-thickness R whose heat equation is solved in its own modes of
conduction (finite volumes, symmetrised, eigenvectors found once), so a step is exact inside for a constant
surface flux and stable for any step length. The surface flux is found implicitly (one Newton step a time step).

Members are columns: every array below has shape (members,) or (modes, members). °C, seconds, metres, SI.

Sources of numbers:
* Choi & Okos (1986), thermal properties of food components, as reprinted in ASHRAE Handbook - Refrigeration,
  "Thermal Properties of Foods" (water, protein, fat, ash as quadratics in °C; parallel model for k).
* Saturation pressure: Antoine equation for water, 1-100 °C constants (8.07131, 1730.63, 233.426; mmHg).
* Vapour: Stefan's law of diffusion through a stagnant gas; transfer coefficient by the Lewis relation.
* Skin, juice and wrap values: ranges of our own, wide enough to hold common practice (a 12-14 cm shoulder at
  121-135 °C reaches 74 °C in about 5 h and, wrapped at 82 °C, is tender in about 8 h); no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.settings import Wrap

Array = NDArray[np.float64]

CELLS: Final = 9
"""Finite volumes from centre to surface: the centre lies within 0.6 °C of the exact series (tests)."""

KELVIN: Final = 273.15
STEFAN_BOLTZMANN: Final = 5.670e-8  # W/m2K4, CODATA
LATENT_HEAT: Final = 2.33e6  # J/kg, water at 70 °C, steam tables
WATER_GAS_CONSTANT: Final = 461.5  # J/kgK
LEWIS_FACTOR: Final = 930.0  # J/m3K, density x heat capacity of air at 90 °C x Le^(2/3): h_c / this = m/s
EMISSIVITY: Final = 0.9  # of moist or browned meat and sooty steel, handbook range 0.8-0.95
NEAR_BOILING: Final = 0.985
"""Saturation pressure is held below this share of the air pressure: Stefan's logarithm diverges at 1."""
MMHG: Final = 133.322  # Pa

JUICE_SHARE: Final = 0.40
"""Share of the water that heated meat gives up (cooking-loss literature: 25-40 % by 85 °C)."""
WATER_DENSITY: Final = 1000.0
"""kg/m3; a round number, 970-1000 between 80 and 4 °C (steam tables)."""
WATER_HEAT: Final = 4.19e6
"""J/m3K of water (steam tables)."""
MOST_SHRUNK: Final = 0.6
"""No piece loses more of its heat capacity: a guard against odd members, no source."""
BRIEF: Final = 1e-3
"""s of a step in which no mode fades by more than what a float holds."""
FILM_FULL: Final = 0.6
"""kg/m2 of juice that a surface carries before it drips: a film of about half a millimetre, no source."""

REST_CONVECTION: Final = 0.6
"""Convection at rest as a share of that in the pit's draught: natural convection is 5-10 W/m2K in handbooks."""
REST_VAPOUR: Final = 1200.0  # Pa in a room, 20 °C and half saturated

_CHOI_OKOS: Final = {
    # component: (k W/mK, rho kg/m3, cp J/kgK), each a + b T + c T^2 with T in °C
    "water": ((0.57109, 1.7625e-3, -6.7036e-6), (997.18, 3.1439e-3, -3.7574e-3), (4176.2, -9.0864e-2, 5.4731e-3)),
    "protein": ((0.17881, 1.1958e-3, -2.7178e-6), (1329.9, -0.51840, 0.0), (2008.2, 1.2089, -1.3129e-3)),
    "fat": ((0.18071, -2.7604e-4, -1.7749e-7), (925.59, -0.41757, 0.0), (1984.2, 1.4733, -4.8008e-3)),
    "ash": ((0.32962, 1.4011e-3, -2.9069e-6), (2423.8, -0.28063, 0.0), (1092.6, 1.8896, -3.6817e-3)),
}


@dataclass(frozen=True, slots=True)
class Thermal:
    """conductivity W/mK, density kg/m3, heat_capacity J/kgK, water: mass fraction."""

    conductivity: float
    density: float
    heat_capacity: float
    water: float

    @property
    def diffusivity(self) -> float:
        """m2/s."""
        return self.conductivity / (self.density * self.heat_capacity)


def thermal_properties(water: float, protein: float, fat: float, ash: float, celsius: float) -> Thermal:
    """Choi & Okos mixture of mass fractions at one temperature: specific volumes and heat capacities add,
    conductivities in parallel by volume."""
    fractions = {"water": water, "protein": protein, "fat": fat, "ash": ash}
    volume = heat = conduction = 0.0
    for name, share in fractions.items():
        k, rho, cp = (a + b * celsius + c * celsius * celsius for a, b, c in _CHOI_OKOS[name])
        volume += share / rho
        heat += share * cp
        conduction += share * k / rho
    return Thermal(conduction / volume, 1.0 / volume, heat, water)


def meat_properties(fat_percent: float, celsius: float = 60.0) -> Thermal:
    """Raw muscle with this much fat: the lean is 76.5 % water, 22.4 % protein, 1.1 % ash (food-composition tables,
    round numbers)."""
    fat = min(max(fat_percent, 0.0), 60.0) / 100.0
    lean = 1.0 - fat
    return thermal_properties(0.765 * lean, 0.224 * lean, fat, 0.011 * lean, celsius)


def saturation_pressure(celsius: Array) -> Array:
    """Pa, Antoine."""
    pressure: Array = MMHG * np.exp(2.302585093 * (8.07131 - 1730.63 / (233.426 + celsius)))
    return pressure


def air_pressure(boiling_point: float) -> float:
    """Pa, from the boiling point of water at the site, °C."""
    return float(saturation_pressure(np.asarray(boiling_point)))


@dataclass(frozen=True, slots=True)
class WrapLayer:
    """What a wrap does. vapour: share of the vapour conductance that is left; radiation: share of the radiant
    exchange that is left; gap: W/m2K between wrap and meat; cover: share of the surface that is covered."""

    vapour: float
    radiation: float
    gap: float
    cover: float


WRAP_LAYERS: Final = {
    Wrap.FOIL: WrapLayer(vapour=0.003, radiation=0.45, gap=90.0, cover=1.0),
    Wrap.PAPER: WrapLayer(vapour=0.02, radiation=0.9, gap=110.0, cover=1.0),
    Wrap.BOAT: WrapLayer(vapour=0.003, radiation=0.45, gap=90.0, cover=0.55),
}
"""Ranges of common practice, no source; each member carries its own factors on vapour and gap."""


@dataclass(frozen=True, slots=True)
class BodyTraits:
    """One value a member (arrays of one length), but for the shape, which all share.

    shape: 0 slab, 1 cylinder, 2 ball, fractions allowed; half_thickness m; conductivity W/mK; volumetric_heat J/m3K;
    convection W/m2K; wall_offset °C by which walls are colder than the gas; vapour_pressure Pa in the pit; skin s/m:
    first resistance of the skin to vapour; skin_growth s/m added by the first kg/m2 dried out of it and skin_power how
    that goes on (1: a front that recedes evenly; more: a skin that closes, so that the plateau ends in a climb);
    skin_insulation m2K/W against heat per kg/m2 of that; juice_feed: share of the released juice that reaches the
    surface, from fibres that let it go about juice_middle °C within juice_spread °C (the narrower, the flatter the
    plateau), after juice_delay s on its way; shrinking: share of the lost juice's heat capacity by which the piece holds
    less heat (it also gets thinner, which quickens it, and conducts worse, which slows it); water_density kg/m3;
    wrap_vapour, wrap_gap: factors on the wrap layer; depth: probe tip from the centre, share of the half thickness;
    start °C; probe_bias °C; pit_bias °C to add to the pit reading.
    """

    shape: float
    half_thickness: Array
    conductivity: Array
    volumetric_heat: Array
    convection: Array
    wall_offset: Array
    vapour_pressure: Array
    skin: Array
    skin_growth: Array
    skin_power: Array
    skin_insulation: Array
    juice_feed: Array
    juice_middle: Array
    juice_spread: Array
    juice_delay: Array
    shrinking: Array
    water_density: Array
    wrap_vapour: Array
    wrap_gap: Array
    depth: Array
    start: Array
    probe_bias: Array
    pit_bias: Array

    def take(self, which: NDArray[np.intp]) -> BodyTraits:
        """The members numbered `which`, in that order."""
        return BodyTraits(self.shape, *(getattr(self, name)[which] for name in self.__slots__[1:]))


@dataclass(slots=True)
class Surroundings:
    """What wraps each member at present; arrays (members,)."""

    cover: Array
    radiation: Array
    gap: Array
    vapour: Array

    @classmethod
    def bare(cls, members: int) -> Surroundings:
        return cls(np.zeros(members), np.ones(members), np.ones(members), np.ones(members))

    def take(self, which: NDArray[np.intp]) -> Surroundings:
        return Surroundings(self.cover[which], self.radiation[which], self.gap[which], self.vapour[which])

    def wrap(self, traits: BodyTraits, material: Wrap, which: NDArray[np.bool_]) -> None:
        """Put `material` on the members for which `which` is true."""
        layer = WRAP_LAYERS[material]
        self.cover = np.where(which, layer.cover, self.cover)
        self.radiation = np.where(which, layer.radiation, self.radiation)
        self.gap = np.where(which, layer.gap * traits.wrap_gap, self.gap)
        self.vapour = np.where(which, np.minimum(layer.vapour * traits.wrap_vapour, 1.0), self.vapour)


@cache
def _modes(shape: float, cells: int) -> tuple[Array, Array, Array]:
    """(rates (modes,), vectors (cells, modes), weights (cells,)) of unit conduction in a body of half-thickness 1.

    weights are volume shares. A temperature field is vectors @ amplitudes; heat put into the outer cell excites
    mode k by vectors[-1, k]."""
    edge = np.linspace(0.0, 1.0, cells + 1)
    weights = np.diff(edge ** (shape + 1.0))
    flow = (shape + 1.0) * edge[1:-1] ** shape * cells
    matrix = np.diag(np.r_[flow, 0.0] + np.r_[0.0, flow]) - np.diag(flow, 1) - np.diag(flow, -1)
    root = np.sqrt(weights)
    rates, vectors = np.linalg.eigh(matrix / root[:, None] / root[None, :])
    rates[0] = 0.0
    return rates, vectors / root[:, None], weights


class MeatEnsemble:
    """The moving state of many bodies. Not shared: who carries one on hands out copies (`take`)."""

    def __init__(self, traits: BodyTraits, air_pressure: float = 101325.0) -> None:
        self.air_pressure = air_pressure
        self._vectors, self._weights = _modes(traits.shape, CELLS)[1:]
        members = traits.half_thickness.size
        self._column = np.arange(members)
        self._room_vapour = np.full(members, REST_VAPOUR)
        self._boiling = 1730.63 / (8.07131 - np.log10(air_pressure / MMHG)) - 233.426 - 0.1
        self._take_traits(traits)
        self._amplitude = np.zeros((CELLS, members))
        self._amplitude[0] = traits.start / self._vectors[0, 0]
        self._cells = np.tile(traits.start, (CELLS, 1))
        self._juice_out = np.tile(self._juice(traits.start), (CELLS, 1))
        self._lost = np.zeros(members)
        self._on_its_way = np.zeros(members)
        self._film = np.zeros(members)
        self.skin = traits.skin.copy()
        self.surface = traits.start.copy()

    def _take_traits(self, traits: BodyTraits) -> None:
        self.traits = traits
        place = np.clip(traits.depth * CELLS - 0.5, 0.0, CELLS - 1.001)
        cell = place.astype(np.intp)
        self._probe_cell, self._probe_part = cell * cell.size + self._column, place - cell
        radius = traits.half_thickness
        rates = _modes(traits.shape, CELLS)[0]
        self._rates = rates[:, None] * (traits.conductivity / traits.volumetric_heat / radius**2)
        self._flux_gain = (traits.shape + 1.0) / radius / traits.volumetric_heat
        self._half_cell = radius / (2 * CELLS) / traits.conductivity
        self._juice_volume = JUICE_SHARE * traits.water_density / WATER_DENSITY
        self._juice_gain = traits.juice_feed * traits.water_density * JUICE_SHARE * radius / (traits.shape + 1.0)

    def take(self, which: NDArray[np.intp]) -> MeatEnsemble:
        """A new ensemble of the members numbered `which`, in the state they are in."""
        taken = MeatEnsemble(self.traits.take(which), self.air_pressure)
        taken._amplitude = self._amplitude[:, which]
        taken._cells = self._cells[:, which]
        taken._juice_out = self._juice_out[:, which]
        taken._lost = self._lost[which]
        taken._on_its_way = self._on_its_way[which]
        taken._film = self._film[which]
        taken.skin = self.skin[which]
        taken.surface = self.surface[which]
        return taken

    def state(self) -> Array:
        """What moves, (rows, members): modes, juice let go by each cell, then the surface, what has dried, juice on its way
        and juice outside."""
        return np.vstack([self._amplitude, self._juice_out, self.surface, self._lost, self._on_its_way, self._film])

    def correct(self, traits: BodyTraits, state: Array) -> None:
        """Go on as other bodies in another state; what no body can be in is brought back to what one can."""
        self._take_traits(traits)
        self._amplitude = state[:CELLS]
        self._cells = self._vectors @ self._amplitude
        self._juice_out = np.clip(state[CELLS : 2 * CELLS], 0.0, 1.0)
        self.surface = np.clip(state[2 * CELLS], -20.0, self._boiling)
        self._lost, self._on_its_way, film = np.maximum(state[2 * CELLS + 1 :], 0.0)
        self._film = np.minimum(film, FILM_FULL)
        self.skin = traits.skin + traits.skin_growth * self._lost**traits.skin_power

    def _set_step(self, step: float) -> None:
        """What a step of this length does inside: juice that has left holds no heat any more."""
        traits = self.traits
        gone = self._juice_volume * (self._weights @ self._juice_out)
        quicker = 1.0 / (1.0 - np.minimum(traits.shrinking * gone * WATER_HEAT / traits.volumetric_heat, MOST_SHRUNK))
        exponent = self._rates[1:] * (quicker * step)  # the first mode is the mean, which does not fade
        self._decay = np.exp(-exponent)
        excite = np.empty(self._rates.shape)
        excite[0] = step
        excite[1:] = step if step < BRIEF else step * (1.0 - self._decay) / exponent
        excite *= self._vectors[-1][:, None]
        excite *= self._flux_gain * quicker
        self._excite = excite
        self._stiffness = self._vectors[-1] @ self._excite + self._half_cell
        self._arrives = 1.0 - np.exp(-step / traits.juice_delay)

    def _juice(self, celsius: Array) -> Array:
        traits = self.traits
        colder: Array = (traits.juice_middle - celsius) / traits.juice_spread
        np.exp(colder, out=colder)
        colder += 1.0
        return np.divide(1.0, colder, out=colder)

    @property
    def core(self) -> Array:
        """What the probes read, °C."""
        inner, outer = self._cells.take(self._probe_cell), self._cells.take(self._probe_cell + self._column.size)
        reading: Array = inner + self._probe_part * (outer - inner) + self.traits.probe_bias
        return reading

    def at_depth(self, depth: float) -> Array:
        """°C at a depth, share of the half thickness from the centre, whatever the probe reads."""
        place = min(max(depth * CELLS - 0.5, 0.0), CELLS - 1.001)
        cell = int(place)
        between: Array = self._cells[cell] + (place - cell) * (self._cells[cell + 1] - self._cells[cell])
        return between

    @property
    def centre(self) -> Array:
        """The coldest place, °C, whatever a probe beside it reads."""
        middle: Array = self._cells[0]
        return middle

    def step(
        self,
        seconds: float,
        air: Array,
        convection: Array,
        vapour_pressure: Array,
        around: Surroundings,
        colder: Array | float | None = None,
    ) -> None:
        """Move every member on by `seconds`. air °C, convection W/m2K, vapour_pressure Pa, colder: °C by which the walls
        are colder than the air (the pit's unless given); all (members,)."""
        self._set_step(seconds)
        surface = self.surface
        colder = self.traits.wall_offset if colder is None else colder
        walls = air - colder
        mean_kelvin = KELVIN + 0.5 * (walls + surface)
        radiant = 4.0 * STEFAN_BOLTZMANN * EMISSIVITY * mean_kelvin**3
        # Bare and covered parts of the surface lie side by side: their conductances add.
        covered = convection + around.radiation * radiant
        through_wrap = around.cover / (1.0 + covered / around.gap)
        crust, bare, beside = self.traits.skin_insulation * self._lost, convection + radiant, 1.0 - around.cover
        through_crust = beside / (1.0 + crust * bare)
        conductance = bare * through_crust + covered * through_wrap
        drive = conductance * air - colder * radiant * (through_crust + around.radiation * through_wrap)
        # Stefan flow of vapour, linearised about the last surface temperature: freely from the share that the film
        # of juice keeps wet, through the skin from the rest.
        open_share = beside + around.cover * around.vapour
        scale = LATENT_HEAT * self.air_pressure / WATER_GAS_CONSTANT * open_share / (KELVIN + surface)
        boundary = LEWIS_FACTOR / convection
        freely, dryly = scale / boundary, scale / (boundary + self.skin)
        saturated = np.minimum(saturation_pressure(surface), NEAR_BOILING * self.air_pressure)
        left = self.air_pressure - saturated
        stefan_force = np.maximum(np.log((self.air_pressure - vapour_pressure) / left), 0.0)
        evaporation_demand = np.maximum(freely * stefan_force, 1.0) * (seconds / LATENT_HEAT)
        wet = np.minimum(1.0, self._film / evaporation_demand)
        transfer = dryly + wet * (freely - dryly)
        latent = transfer * stefan_force
        steepness = np.where(
            stefan_force > 0.0, transfer * saturated * (3984.93 / (233.426 + surface) ** 2) / left, 0.0
        )
        self._amplitude[1:] *= self._decay
        base = self._vectors[-1] @ self._amplitude
        slope = conductance + steepness
        flux = (drive - latent + steepness * surface - slope * base) / (1.0 + slope * self._stiffness)
        # Wet meat cannot pass the boiling point: heat beyond that boils water away, through any wrap.
        flux = np.minimum(flux, (self._boiling - base) / self._stiffness)
        self._amplitude += self._excite * flux
        self.surface = np.maximum(base + self._stiffness * flux, -20.0)
        self._lost += (1.0 - wet) * dryly * stefan_force * (seconds / LATENT_HEAT)
        self.skin = self.traits.skin + self.traits.skin_growth * self._lost**self.traits.skin_power
        self._cells = self._vectors @ self._amplitude
        self._seep(wet * evaporation_demand)

    def _seep(self, dried: Array) -> None:
        """Juice let go by the cells joins the film when it arrives there; `dried` kg/m2 of it have gone."""
        juice = self._juice(self._cells)
        np.maximum(juice, self._juice_out, out=juice)
        self._on_its_way += self._juice_gain * (self._weights @ (juice - self._juice_out))
        self._juice_out = juice
        arriving = self._on_its_way * self._arrives
        self._on_its_way -= arriving
        self._film = np.minimum(np.maximum(self._film - dried + arriving, 0.0), FILM_FULL)

    def step_mixed(self, seconds: float, air: Array, resting: NDArray[np.bool_], around: Surroundings) -> None:
        """Move on by `seconds` with some members off the fire; `air` already speaks for each. Off the fire: still air,
        a room's vapour, walls as warm as the air."""
        traits = self.traits
        self.step(
            seconds,
            air,
            np.where(resting, REST_CONVECTION, 1.0) * traits.convection,
            np.where(resting, REST_VAPOUR, traits.vapour_pressure),
            around,
            np.where(resting, 0.0, traits.wall_offset),
        )

    def rest_step(self, seconds: float, air: Array, around: Surroundings) -> None:
        """Move on by `seconds` with all members off the fire."""
        self.step(seconds, air, REST_CONVECTION * self.traits.convection, self._room_vapour, around, 0.0)
