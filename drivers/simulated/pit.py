"""Wood-fired pits and the people who tend them, many at once: every array is (N,) over pits.

Three lumps of heat (firebox, gas with grate, steel) joined in a chain and stepped by backward Euler, so that any step is
stable and heat is booked exactly. A log is a chain of stores: fresh wood gives off volatiles that burn with flame and
leaves char that glows; the embers light the next log, so a fire that is left too long cannot be brought back by wood alone.

    pits = Pits(PitParameters.uniform(3, set_point=128.0))
    pits.light()
    pits.add_logs(mask, joules)
    pits.step(15.0, ambient=12.0, wind=2.0, rain=0.0)
    pits.gas, pits.radiant()       # °C, (N,)

`Stokers` is a habit: someone who looks every few minutes, moves the damper and adds a log, or sleeps.
Units: °C, s, J, W, W/K, J/K, m/s of wind, mm/h of rain. All numbers of this file are chosen so that a small offset pit behaves as
cooks report (a 90 s look under the lid is back within 10 min, two logs an hour); none has a published source.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

WOOD_HEAT = 15e6
"""J/kg, lower heating value of seasoned wood at about 20 % moisture (from memory)."""
VOLATILE_SHARE = 0.65
"""Share of that heat that burns as flame."""
EMBERS_DEAD, EMBERS_GOOD = 0.2e6, 1.2e6
"""J of hot embers below which a log does not catch at all, and above which it catches as fast as it can."""
RELIGHT = 2.5e6
"""J of lit charcoal that a stoker adds where the embers are too few."""
RADIANT_FROM_STEEL = 0.33
"""The meat sees walls this far from the gas temperature towards the mean steel temperature (10-12 K below the gas)."""
WIND_LOSS, RAIN_LOSS = 0.06, 0.05
"""Growth of the steel's losses per m/s and per mm/h."""
LEAST_DAMPER, MOST_DAMPER = 0.25, 1.8


@dataclass(frozen=True, slots=True)
class PitParameters:
    """All that tells one pit from another, each (N,). set_point: °C the stoker aims at. gas_heat, steel_heat, firebox_heat: J/K.
    firebox_to_gas, gas_to_steel, steel_loss, flue, lid: W/K. flame, glow: s, time constants of volatiles and char.
    efficiency: share of the wood's heat that stays in the pit."""

    set_point: Array
    gas_heat: Array
    steel_heat: Array
    firebox_heat: Array
    firebox_to_gas: Array
    gas_to_steel: Array
    steel_loss: Array
    flue: Array
    lid: Array
    flame: Array
    glow: Array
    efficiency: Array

    @classmethod
    def uniform(cls, n: int = 1, **values: float | Array) -> PitParameters:
        """n ordinary pits, but for the values given (scalars or (n,))."""
        filled = {
            f.name: np.broadcast_to(np.asarray(values.pop(f.name, ORDINARY[f.name]), float), (n,)).copy()
            for f in fields(cls)
        }
        if values:
            raise TypeError(f"not a pit parameter: {', '.join(values)}")
        return cls(**filled)


ORDINARY: dict[str, float] = {
    "set_point": 128.0,
    "gas_heat": 14e3,
    "steel_heat": 58e3,
    "firebox_heat": 20e3,
    "firebox_to_gas": 30.0,
    "gas_to_steel": 60.0,
    "steel_loss": 25.0,
    "flue": 20.0,
    "lid": 160.0,
    "flame": 620.0,
    "glow": 2200.0,
    "efficiency": 0.85,
}


class Pits:
    """N pits with their fires. `damper` (1 = as usual) sets how fast wood burns. `lid_open`, `flare` (W of burning
    fat) may be set freely. Ledgers, J: `burned` (heat set free in the pit), `lost` (to the air outside)."""

    def __init__(self, parameters: PitParameters, ambient: Array | float = 12.0) -> None:
        self.parameters = parameters
        n = parameters.set_point.size
        self.gas: Array = np.full(n, 0.0) + ambient
        self.steel: Array = self.gas.copy()
        self.firebox: Array = self.gas.copy()
        self.fresh: Array = np.zeros(n)
        self.flaming: Array = np.zeros(n)
        self.unlit_char: Array = np.zeros(n)
        self.char: Array = np.zeros(n)
        self.damper: Array = np.ones(n)
        self.flare: Array = np.zeros(n)
        self.lid_open: Mask = np.zeros(n, bool)
        self.burned: Array = np.zeros(n)
        self.lost: Array = np.zeros(n)
        self.power: Array = np.zeros(n)

    def light(self, which: Mask | None = None, embers: float = 6e6) -> None:
        """A chimney of lit charcoal (J) goes into the firebox."""
        self.char = self.char + (embers if which is None else np.where(which, embers, 0.0))

    def add_logs(self, which: Mask, joules: Array | float) -> None:
        """Put wood worth `joules` (before losses) on the fires in the mask."""
        heat = np.where(which, joules, 0.0) * self.parameters.efficiency
        self.fresh = self.fresh + VOLATILE_SHARE * heat
        self.unlit_char = self.unlit_char + (1 - VOLATILE_SHARE) * heat

    def settle(self, ambient: Array | float) -> None:
        """Bring the lumps to the set point with the steel in balance, and embers to carry it: a pit that has been
        tended a while."""
        p = self.parameters
        need = self.needed_power(ambient)
        self.gas = p.set_point.copy()
        self.steel = (p.gas_to_steel * self.gas + p.steel_loss * ambient) / (p.gas_to_steel + p.steel_loss)
        self.firebox = self.gas + need / p.firebox_to_gas
        self.char = 0.4 * need * p.glow
        self.flaming = 0.6 * need * p.flame
        self.fresh = self.flaming.copy()

    def needed_power(self, ambient: Array | float) -> Array:
        """W that hold the set point in still dry air."""
        p = self.parameters
        through_steel = p.gas_to_steel * p.steel_loss / (p.gas_to_steel + p.steel_loss)
        return np.asarray((through_steel + p.flue) * (p.set_point - ambient))

    def expected_power(self, seconds: float) -> Array:
        """What the wood already on the fire will give in `seconds`, W, at the present damper."""
        p = self.parameters
        wood = self.fresh + self.flaming
        flame = wood / p.flame * np.exp(-0.5 * self.damper * seconds / p.flame)
        glow = (self.char + self.unlit_char) / p.glow
        return np.asarray(self.damper * (0.8 * flame + glow))

    def radiant(self) -> Array:
        """Temperature of the walls the meat sees, °C."""
        return self.gas - RADIANT_FROM_STEEL * (self.gas - self.steel)

    def place(self, share: Array | float) -> Array:
        """Gas temperature, °C, at a grate place that gets `share` of the firebox's excess (0.06 near the firebox,
        -0.05 far away)."""
        return np.asarray(self.gas + share * (self.firebox - self.gas))

    def step(
        self, seconds: float, ambient: Array | float, wind: Array | float = 0.0, rain: Array | float = 0.0
    ) -> None:
        p = self.parameters
        self.power = self._burn(seconds) / seconds + self.flare
        self.burned += self.power * seconds
        flue = p.flue * (0.4 + 0.6 * self.damper) + np.where(self.lid_open, p.lid, 0.0)
        steel_loss = p.steel_loss * (1 + WIND_LOSS * np.asarray(wind) + RAIN_LOSS * np.asarray(rain))

        # firebox - gas - steel is a chain: eliminate both ends, solve for the gas, go back
        fire_c, gas_c, steel_c = p.firebox_heat / seconds, p.gas_heat / seconds, p.steel_heat / seconds
        fire_d = fire_c + p.firebox_to_gas
        fire_r = fire_c * self.firebox + self.power
        steel_d = steel_c + p.gas_to_steel + steel_loss
        steel_r = steel_c * self.steel + steel_loss * ambient
        gas_d = gas_c + p.firebox_to_gas + p.gas_to_steel + flue
        gas_d = gas_d - p.firebox_to_gas**2 / fire_d - p.gas_to_steel**2 / steel_d
        gas_r = (
            gas_c * self.gas + flue * ambient + p.firebox_to_gas * fire_r / fire_d + p.gas_to_steel * steel_r / steel_d
        )
        self.gas = gas_r / gas_d
        self.firebox = (fire_r + p.firebox_to_gas * self.gas) / fire_d
        self.steel = (steel_r + p.gas_to_steel * self.gas) / steel_d
        self.lost += (flue * (self.gas - ambient) + steel_loss * (self.steel - ambient)) * seconds

    def heat_content(self) -> Array:
        """J held by the three lumps above 0 °C."""
        p = self.parameters
        return np.asarray(p.gas_heat * self.gas + p.steel_heat * self.steel + p.firebox_heat * self.firebox)

    def wood_left(self) -> Array:
        """J of wood and char that have not burned yet."""
        return np.asarray(self.fresh + self.flaming + self.unlit_char + self.char)

    def _burn(self, seconds: float) -> Array:
        """J set free. Each store empties exponentially into the next, so no wood is lost or made."""
        p = self.parameters
        embers = self.flaming + self.char
        lit = np.clip((embers - EMBERS_DEAD) / (EMBERS_GOOD - EMBERS_DEAD), 0.0, 1.0)
        caught = -np.expm1(-seconds * self.damper * lit / p.flame)
        flamed = -np.expm1(-seconds * self.damper / p.flame)
        glowed = -np.expm1(-seconds * self.damper / p.glow)
        catching, charring = self.fresh * caught, self.unlit_char * caught
        flame, glow = self.flaming * flamed, self.char * glowed
        self.fresh = self.fresh - catching
        self.flaming = self.flaming + catching - flame
        self.unlit_char = self.unlit_char - charring
        self.char = self.char + charring - glow
        return np.asarray(flame + glow)


class Stokers:
    """N people tending N pits: each looks every few minutes, sets the damper by what the pit does, and adds a log when the fire
    will not carry it. skill: sd of the misjudgement of the fire, as a share. away[i] True: nobody looks."""

    def __init__(
        self,
        pits: Pits,
        rng: np.random.Generator,
        *,
        look_every: Array | float = 480.0,
        skill: Array | float = 0.15,
        log_kg: Array | float = 0.55,
        tends_damper: Array | bool = True,
    ) -> None:
        n = pits.gas.size
        self._pits, self._rng = pits, rng
        self._look_every = np.broadcast_to(np.asarray(look_every, float), (n,))
        self._skill = np.broadcast_to(np.asarray(skill, float), (n,))
        self._log_kg = np.broadcast_to(np.asarray(log_kg, float), (n,))
        self._tends_damper = np.broadcast_to(np.asarray(tends_damper, bool), (n,))
        self._next_look = rng.uniform(0, 1, n) * self._look_every
        self._last_log = np.full(n, -1e9)
        self._last_seen: Array | None = None
        self.away: Mask = np.zeros(n, bool)

    def act(self, now: float, seen: Array, ambient: Array | float) -> tuple[Mask, Mask]:
        """Look, if it is time to, at pits that read `seen` °C. Returns (log added, damper changed by more than 0.15) masks."""
        none = np.zeros(seen.size, bool)
        looking = (self._next_look <= now) & ~self.away
        if not looking.any():
            return none, none
        pits, rng, n = self._pits, self._rng, seen.size
        self._next_look = np.where(looking, now + self._look_every * rng.uniform(0.5, 1.5, n), self._next_look)
        last_seen = seen if self._last_seen is None else self._last_seen
        error = pits.parameters.set_point - seen - 0.5 * np.clip(seen - last_seen, -20.0, 20.0)
        self._last_seen = np.where(looking, seen, last_seen)
        wanted = np.clip(1.0 + 0.035 * error + 0.1 * rng.standard_normal(n), LEAST_DAMPER, MOST_DAMPER)
        wanted = pits.damper + 0.7 * (wanted - pits.damper)
        moves = looking & self._tends_damper & (np.abs(wanted - pits.damper) > 0.08)
        before = pits.damper.copy()
        pits.damper = np.where(moves, wanted, pits.damper)

        need = pits.needed_power(ambient) + 90.0 * error
        judged = (
            pits.expected_power(900.0) / np.maximum(pits.damper, 0.6) * np.exp(self._skill * rng.standard_normal(n))
        )
        feeds = looking & (judged < 0.93 * need) & (now - self._last_log > 420.0) & (error > -5.0)
        if feeds.any():
            pits.light(feeds & (pits.flaming + pits.char < EMBERS_GOOD), RELIGHT)
            pits.add_logs(feeds, WOOD_HEAT * self._log_kg * rng.uniform(0.7, 1.3, n))
            self._last_log = np.where(feeds, now, self._last_log)
        return feeds, moves & (np.abs(pits.damper - before) > 0.15)
