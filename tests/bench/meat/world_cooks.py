"""Cooks of the worlds in `tests.worlds` as records that the benches of forecast and stall can ask about.

Each meat world lies on the pits of every fire world, so that no meat is known by its fire alone. A piece is what a cook file
says of it: its weight, its thickness only where the cook said so (else the cut table's), the wrap as told.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np

from config.cuts import CUTS
from drivers.simulated.records import CookRecord
from tests.bench.meat.cook_sets import cached
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, Floats
from tests.worlds.meat.meal import EVERY, Meal, cooked, stalls_of
from tests.worlds.meat.pieces import CUT_SIZES, MATERIALS
from tests.worlds.meats import MEAT_WORLDS
from tests.worlds.night import Night, draw_night

HOURS = 20.0
"""Long enough for slow pieces to be tender too: else only quick ones would be asked about."""
LEFT_AFTER_OFF = 30
"""Minutes of record kept after off."""
COARSE = PER_MINUTE // EVERY


def world_cooks(meat: str, seed: int, pits: int) -> list[CookRecord]:
    """Pieces that became tender on the fire, of `pits` pits of each fire world."""
    return cached(f"world-{meat}-{seed}-{pits}", lambda: _made(meat, seed, pits), _digest())


def _digest() -> str:
    here = Path(__file__)
    sources = [*sorted((here.parents[1] / "worlds").rglob("*.py")), here]
    return hashlib.sha256(b"".join(p.read_bytes() for p in sources)).hexdigest()[:12]


def _made(meat: str, seed: int, pits: int) -> list[CookRecord]:
    found: list[CookRecord] = []
    for number, fire in enumerate(FIRE_WORLDS.values()):
        night = draw_night(fire, seed + number, pits, hours=HOURS, save_every=10**6).run()
        meal = cooked(MEAT_WORLDS[meat], night, seed + number)
        found += [r for lane in range(len(meal.pieces.pit)) if (r := _record(night, meal, lane, fire.name)) is not None]
    return found


def _minutes(values: Floats, start: int, per_minute: int) -> Floats:
    """Medians of whole minutes from step `start` on."""
    count = (len(values) - start) // per_minute
    whole: Floats = np.nanmedian(values[start : start + count * per_minute].reshape(count, per_minute), axis=1)
    return whole


def _record(night: Night, meal: Meal, lane: int, fire: str) -> CookRecord | None:
    pieces, pit = meal.pieces, int(meal.pieces.pit[lane])
    on, off = int(meal.on[lane]), float(meal.off[lane])
    if on >= len(meal.core):
        return None
    word = CUT_SIZES[int(pieces.cut[lane])].word
    cut, weight, said = CUTS[word], float(pieces.said_weight[lane]), float(pieces.said_thickness[lane])
    assert cut.tender is not None and cut.fat_percent is not None
    probes = int(night.probes.count[pit])
    last = len(meal.core) if off < 0 else min(len(meal.core), int(off) + LEFT_AFTER_OFF * COARSE)
    with np.errstate(all="ignore"):
        pit_read = np.nanmean([_minutes(night.shown[c, :, pit], on * EVERY, PER_MINUTE) for c in range(probes)], axis=0)
    core = _minutes(meal.core[:last, lane], on, COARSE)
    air = _minutes(night.air[:, pit], on * EVERY, PER_MINUTE)[: core.size]
    wrapped = int(meal.wrapped[lane] - on) // COARSE if meal.wrapped[lane] >= 0 else None
    until = min(
        [x for x in (wrapped, int(off - on) // COARSE if off >= 0 else None) if x is not None], default=core.size
    )
    tender = _first(core, cut.tender[0])
    if tender is None or (off >= 0 and tender > (off - on) // COARSE):
        return None
    told = bool(pieces.told_wrap[lane])
    wrap_at = float(pieces.wrap_at[lane]) if told else None
    material = MATERIALS[int(pieces.material[lane])]
    return CookRecord(
        name=f"{meal.world.name}/{fire}/{lane}", cut=word, weight=weight,
        thickness=said / 100.0 if np.isfinite(said) else cut.thickness_at(weight), shape=cut.shape,
        fat_percent=cut.fat_percent, band_low=float(night.nature["low"][pit]), band_high=float(night.nature["high"][pit]),
        plan_wrap=material if told else None, plan_wrap_at=wrap_at, tender_low=cut.tender[0],
        pit_true=air, pit_read=pit_read[: core.size], core_true=core,
        core_read=_minutes(meal.shown[:last, lane], on, COARSE), evaporating_share=np.zeros(core.size),
        wrapped=material if wrapped is not None else None, wrapped_minute=wrapped,
        plan_broken=told != (wrapped is not None), wrap_minute=None if wrap_at is None else _first(core, wrap_at),
        tender_minute=tender, stalls=tuple(stalls_of(core, air, float(night.nature["low"][pit]), until)),
        logs=(), damper_changes=(), lid_openings=(), dips=(),
        ambient=float(np.mean(night.weather.ambient[: night.steps, pit])), mass_left=1.0,
    )  # fmt: skip


def _first(core: Floats, level: float) -> int | None:
    above = core >= level
    return int(above.argmax()) if above.any() else None
