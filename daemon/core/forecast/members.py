"""The ensemble behind a forecast: what is believed of a piece beforehand, and what its readings leave of it.

Every member is one row of standard normal numbers (z) that become the traits of one body. `assimilation` carries the bodies
along the measured pit and moves them towards the core readings. All random numbers are drawn once from a constant seed.
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np

from daemon.core.forecast.body import Array, BodyTraits, meat_properties
from daemon.core.settings import PieceSettings

MEMBERS: Final = 120
SEED: Final = 20_11_25
USUAL_FAT_PERCENT: Final = 15.0

PRIOR: Final[dict[str, tuple[float, float, str]]] = {
    # what: (middle, spread, kind); kind "log": middle x exp(spread z), "add": middle + spread z
    "half_thickness": (1.08, 0.2, "log"),  # factor on half the declared thickness: a ruler on a bent thing, bone in it
    "conductivity": (0.98, 0.11, "log"),  # factor on Choi & Okos, whose error on meat is 5-10 %
    "convection": (12.5, 0.28, "log"),  # W/m2K, between natural (5-10) and a fan oven (15-30)
    "wall_offset": (13.0, 10.0, "add"),  # °C: steel that loses heat to the night stands below its gas
    "vapour_pressure": (4800.0, 0.35, "log"),  # Pa: outdoor air plus the water of wood and meat
    "skin": (320.0, 1.0, "log"),  # s/m
    "skin_growth": (4000.0, 1.4, "log"),  # s/m at 1 kg/m2
    "skin_power": (1.3, 0.55, "log"),  # from a front that recedes evenly to a skin that closes
    "skin_insulation": (0.012, 1.0, "log"),  # m2K/W per kg/m2: 1.5 mm of dried meat that conducts 0.1-0.2 W/mK
    "juice_feed": (0.52, 0.23, "add"),
    "juice_middle": (62.5, 3.5, "add"),  # °C: collagen shrinks at 53-65 °C and presses the water out
    "juice_spread": (7.5, 0.42, "log"),  # °C
    "juice_delay": (1300.0, 0.85, "log"),  # s
    "shrinking": (0.5, 0.4, "add"),  # 1: only the heat of the lost juice counts, and not that the piece conducts worse
    "wrap_vapour": (0.5, 0.9, "log"),
    "wrap_gap": (0.9, 0.5, "log"),
    "depth": (0.10, 0.14, "add"),  # of the half thickness
    "start": (-0.3, 1.1, "add"),  # °C about the first ten minutes' readings
    "probe_bias": (-0.2, 0.8, "add"),  # °C, within class 2 of IEC 60584-1
    "pit_bias": (3.3, 4.5, "add"),  # °C from the pit probe to the air at the meat: cold meat shades a probe beside it
}
"""What is believed of any piece beforehand: handbook ranges where one is named. The middles of the others lie between where the
posteriors of the worlds' cooks lie (`tests/bench/meat/calibrate_forecast.py --priors` shows how far they are off), towards the
slow side; the spreads are wide, as a piece of meat is under no duty to be like the simulated ones."""
NAMES: Final = tuple(PRIOR)
SHARED: Final = [NAMES.index(name) for name in ("convection", "wall_offset", "vapour_pressure", "pit_bias")]
"""Rows of z that tell of the pit rather than the piece."""
SEAT: Final = [NAMES.index(name) for name in ("depth", "probe_bias")]
"""Rows of z that tell of where a probe is, and with what it is read."""
SEATED_ANYWHERE: Final = 2.5
"""Factor on the spread of these where a probe is put back in haste over a hot pit: up to half way to the surface. Ours, no
source."""
UNREAD_START: Final = 4.0
"""Factor on the spread of the start where nobody read it: the meat may come from a cold room or have stood out (no source)."""


@cache
def _prior() -> Array:
    """Latin hypercube by shuffled normal scores, so that the members fill every trait evenly."""
    generator = np.random.Generator(np.random.PCG64(SEED))
    level = (np.arange(MEMBERS) + 0.5) / MEMBERS
    # Quantiles of the normal by Tukey's lambda, good to 0.005 within +/- 2.8 sd: enough for a prior.
    score = (level**0.1349 - (1.0 - level) ** 0.1349) / 0.1975
    return np.array([generator.permutation(score) for _ in NAMES])


@cache
def fixed_scores() -> Array:
    """Normal scores (members,) for what no reading tells of, unrelated to every trait."""
    return np.random.Generator(np.random.PCG64(SEED + 1)).permutation(_prior()[0])


def prior() -> Array:
    """z (traits, members) before anything was read."""
    return _prior().copy()


def drift(number: int) -> Array:
    """Standard normal numbers (traits, members) for the drift of the traits after one block, always the same ones."""
    drawn: Array = np.random.Generator(np.random.PCG64((SEED, number))).standard_normal((len(NAMES), MEMBERS))
    return drawn


def seated_anew(z: Array, number: int) -> Array:
    """The same members with a probe that sits anywhere: put back, or another, in block `number`. Always the same."""
    again = z.copy()
    chance = np.random.Generator(np.random.PCG64((SEED, number, 1)))
    again[SEAT] = SEATED_ANYWHERE * chance.standard_normal((len(SEAT), z.shape[1]))
    return again


def traits_of(z: Array, piece: PieceSettings, start: float, read: bool = True) -> BodyTraits:
    """Bodies for members z of one piece that went on at about `start` °C, whether it was read or is only supposed."""
    value: dict[str, Array] = {}
    for row, (name, (middle, spread, kind)) in zip(z, PRIOR.items(), strict=True):
        value[name] = middle * np.exp(spread * row) if kind == "log" else middle + spread * row
    fat = piece.fat_percent if piece.fat_percent is not None else USUAL_FAT_PERCENT
    meat = meat_properties(fat)
    members = z.shape[1]
    return BodyTraits(
        shape=min(max(piece.shape, 0.0), 2.0),
        half_thickness=0.5 * piece.thickness * value["half_thickness"],
        conductivity=meat.conductivity * value["conductivity"],
        volumetric_heat=np.full(members, meat.density * meat.heat_capacity),
        convection=value["convection"],
        wall_offset=np.maximum(value["wall_offset"], 0.0),
        vapour_pressure=value["vapour_pressure"],
        skin=value["skin"],
        skin_growth=value["skin_growth"],
        skin_power=value["skin_power"],
        skin_insulation=value["skin_insulation"],
        juice_feed=np.clip(value["juice_feed"], 0.0, 1.2),
        juice_middle=value["juice_middle"],
        juice_spread=value["juice_spread"],
        juice_delay=value["juice_delay"],
        shrinking=np.clip(value["shrinking"], 0.0, 1.3),
        water_density=np.full(members, meat.density * meat.water),
        wrap_vapour=value["wrap_vapour"],
        wrap_gap=value["wrap_gap"],
        depth=np.clip(value["depth"], 0.0, 0.6),
        start=start + (1.0 if read else UNREAD_START) * value["start"],
        probe_bias=value["probe_bias"],
        pit_bias=value["pit_bias"],
    )
