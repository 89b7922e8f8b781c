"""Pieces: what the cook believes about them and what they are; probes in them; what the cook means to do with them.

Sizes are round figures of the trade, no source. Weight is known to 10 %, thickness to 15 % or not at all.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.worlds.lanes import Flags, Floats, Lanes, Whole, log_uniform, uniform


@dataclass(frozen=True, slots=True)
class CutSize:
    """A cut: mass kg, half of the thinnest dimension m, form 0 slab to 2 ball, tender range °C."""

    word: str
    mass: float
    half: float
    form: float
    tender: tuple[float, float]


CUT_SIZES = (
    CutSize("beef-brisket", 5.5, 0.048, 0.45, (93.0, 97.0)),
    CutSize("pork-shoulder", 4.2, 0.062, 1.1, (92.0, 96.0)),
    CutSize("beef-chuck-roll", 6.5, 0.070, 0.9, (92.0, 97.0)),
    CutSize("lamb-shoulder", 2.4, 0.042, 0.7, (90.0, 95.0)),
    CutSize("beef-chuck-roast", 1.8, 0.040, 0.8, (92.0, 97.0)),
    CutSize("pork-neck", 2.4, 0.050, 1.0, (91.0, 96.0)),
    CutSize("mutton-shoulder", 3.2, 0.048, 0.7, (92.0, 96.0)),
    CutSize("beef-plate-ribs", 2.6, 0.031, 0.3, (94.0, 98.0)),
)
MATERIALS = ("foil", "paper", "boat")


@dataclass(frozen=True)
class Pieces:
    """One value a piece. truth: what the meat worlds need. pit: whose pit it lies on."""

    truth: Lanes
    pit: Whole
    cut: Whole
    said_weight: Floats
    said_thickness: Floats
    """cm, NaN where the cook does not say."""
    wraps: Flags
    wrap_at: Floats
    material: Whole
    told_wrap: Flags
    """Whether the cook file tells of the wrap."""
    patience: Floats
    """min that pass until a cook who is up does what is due."""
    off_at: Floats
    """°C above the low end of the tender range at which it comes off."""
    holds: Flags
    box: Floats
    """°C of the box it is held in."""


@dataclass(frozen=True)
class CoreProbes:
    """One value a piece; the second set counts from `moved` min after meat-on (NaN = never)."""

    depth: Floats
    bias: Floats
    bone: Floats
    moved: Floats
    out_for: Floats
    depth_then: Floats
    bias_then: Floats
    sd: Floats
    lag: Floats


def draw_pieces(rng: np.random.Generator, pits: int) -> Pieces:
    """One piece on every pit, and a second on a quarter of them."""
    pit = np.concatenate([np.arange(pits), np.flatnonzero(rng.random(pits) < 0.25)])
    n = len(pit)
    cut = rng.integers(0, len(CUT_SIZES), n)
    usual = {key: np.array([getattr(c, key) for c in CUT_SIZES])[cut] for key in ("mass", "half", "form")}
    mass = usual["mass"] * np.exp(rng.normal(0, 0.2, n))
    half = usual["half"] * (mass / usual["mass"]) ** (1 / 3) * np.exp(rng.normal(0, 0.1, n))
    truth = {
        "mass": mass,
        "half": half,
        "form": np.clip(usual["form"] + rng.normal(0, 0.15, n), 0.0, 1.6),
        "water": uniform(rng, 0.56, 0.73, n),
        "start": np.where(rng.random(n) < 0.15, uniform(rng, 8, 18, n), uniform(rng, 1.5, 8, n)),
        "tender": np.array([c.tender[0] for c in CUT_SIZES])[cut],
        "place": rng.normal(0, 3, n),
        "convection": uniform(rng, 6, 14, n),
        "vapour": log_uniform(rng, 2200, 8000, n),
    }
    wraps = rng.random(n) < 0.65
    return Pieces(
        truth=truth,
        pit=pit,
        cut=cut,
        said_weight=np.round(mass * rng.uniform(0.9, 1.1, n), 1),
        said_thickness=np.where(rng.random(n) < 0.5, np.round(200 * half * rng.uniform(0.85, 1.15, n)), np.nan),
        wraps=wraps,
        wrap_at=np.round(uniform(rng, 68, 80, n)),
        material=rng.integers(0, 3, n),
        # one cook in ten does otherwise than the file says
        told_wrap=wraps ^ (rng.random(n) < 0.1),
        patience=log_uniform(rng, 1, 30, n),
        off_at=uniform(rng, 0, 3, n),
        holds=rng.random(n) < 0.5,
        box=uniform(rng, 58, 70, n),
    )


def draw_core_probes(rng: np.random.Generator, n: int) -> CoreProbes:
    near_bone = rng.random(n) < 0.15
    return CoreProbes(
        depth=np.abs(rng.normal(0, 0.16, n)),
        bias=rng.uniform(-2.0, 2.0, n),
        bone=np.where(near_bone, rng.uniform(0.03, 0.10, n), 0.0),
        moved=np.where(rng.random(n) < 0.15, rng.uniform(60, 500, n), np.nan),
        out_for=rng.uniform(1, 4, n),
        depth_then=np.abs(rng.normal(0, 0.3, n)),
        bias_then=rng.uniform(-2.0, 2.0, n),
        sd=log_uniform(rng, 0.04, 0.3, n),
        lag=log_uniform(rng, 0.3, 1.5, n),
    )
