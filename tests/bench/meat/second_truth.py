"""A second truth, built on other physics than drivers/simulated, so that a forecaster's figures mean more than "it
knows its own model".

Other in structure: a rectangle section in two dimensions with a bone in it, explicit in time (asserted stable); water
that diffuses and is squeezed towards the surface instead of a dry front that moves in; a sorption curve instead of a crust;
shrinking meat; a foil wrap as a humid envelope; a pit drawn as a disturbed signal instead of a heat balance. Its
plateau goes flat, and in some cooks the core falls for a while. It shares the record type and the stall label with
drivers/simulated and nothing else.

    cooks: list[CookRecord] = second_cooks(seed=77, n=100)

Numbers marked "chosen" have no source: they were set so that a large shoulder meets common practice (74 °C after about 5 h, 82 °C
after about 6.5 h, tender at about 8 h when wrapped at 82 °C, in a pit of 121-135 °C).
Units: °C, s, m, kg/m³, W, Pa; record minutes as in drivers.simulated.records.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from drivers.simulated.records import CookRecord, stall_label

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

ACROSS, ALONG = 8, 10
"""Cells of the quarter section: half thickness, half width."""
STEP, MINUTE = 10.0, 60.0
LONGEST = 22 * 60

MEAT_CONDUCTIVITY, BONE_CONDUCTIVITY = 0.48, 0.35
"""W/mK (from memory, cooked meat and cortical-spongy bone)."""
SOLID_HEAT, WATER_HEAT = 2000.0, 4190.0
"""J/kgK of dry matter and of water (from memory)."""
SOLID_DENSITY = 370.0
"""kg of dry matter in a m³ of raw meat (chosen)."""
BONE_HEAT = 2.0e6
"""J/m³K (from memory)."""
LATENT = 2.30e6
"""J/kg near 75 °C (steam tables, from memory)."""
VAPOUR_CONSTANT = 461.5
"""J/kgK, gas constant of water vapour."""
EMISSIVITY_SIGMA = 0.92 * 5.67e-8
AIR_PRESSURE = 101_325.0
RUNS_AT, RUNS_WITHIN = 67.0, 2.5
"""°C around which contracting muscle lets its water run (chosen)."""
TRAVELS_FOR = 4500.0
"""s, from the fibre to the surface (chosen)."""
POOL_FULL = 3.0
"""kg/m² of juice that the surface can carry (chosen)."""


@dataclass
class Pieces:
    """N pieces. half: half thickness, m. aspect: width over thickness. bone: (ACROSS, ALONG, N) mask. water: kg/m³ raw.
    diffusion: m²/s cold; squeezed: how many times faster water moves once the muscle contracts; critical: share of
    the raw water below which the surface is no longer wet; shrink: share of the lost water's volume by which the
    piece shrinks. drip: share of the water that hot muscle lets run; sweat: share of that which wets the surface on
    its way. beads: kg/m² of juice at which the whole surface turns wet."""

    half: Array
    aspect: Array
    start: Array
    bone: Mask
    water: Array
    convection: Array
    diffusion: Array
    squeezed: Array
    critical: Array
    shrink: Array
    drip: Array
    sweat: Array
    beads: Array


def saturated(celsius: Array) -> Array:
    """Pa over water: Magnus form with the constants of Alduchov & Eskridge (1996), from memory; within 1 % up to 100 °C."""
    return np.asarray(
        610.94 * np.exp(17.625 * celsius / (celsius + 243.04)) * (1 - 2.2e-6 * np.maximum(celsius - 20, 0) ** 2)
    )


class Sections:
    """The state of N sections. wrap[i]: "", "foil", "paper" or "boat"."""

    def __init__(self, p: Pieces) -> None:
        self.p, n = p, p.half.size
        self.dx, self.dy = p.half / ACROSS, p.half * p.aspect / ALONG
        self.t: Array = np.broadcast_to(p.start, (ACROSS, ALONG, n)).copy()
        self.w: Array = np.where(p.bone, 0.0, p.water)
        self.raw: Array = self.w.copy()
        self.top: Array = np.broadcast_to(p.start, (ALONG, n)).copy()
        self.side: Array = np.broadcast_to(p.start, (ACROSS, n)).copy()
        self.evaporated, self.dripped = np.zeros(n), np.zeros(n)
        self.share = np.zeros(n)
        self.k = np.where(p.bone, BONE_CONDUCTIVITY, MEAT_CONDUCTIVITY)
        self.kx = 2 * self.k[1:] * self.k[:-1] / (self.k[1:] + self.k[:-1])
        self.ky = 2 * self.k[:, 1:] * self.k[:, :-1] / (self.k[:, 1:] + self.k[:, :-1])
        self.tight, self.vent = np.zeros(n), np.ones(n)
        self.boat = np.zeros(n, bool)
        self.held = np.ones_like(self.w)
        self.on_its_way, self.pool, self.sweating = np.zeros(n), np.zeros(n), np.zeros(n, bool)
        self.face_per_volume = 1 / p.half + 1 / (p.half * p.aspect)
        worst = MEAT_CONDUCTIVITY / (SOLID_DENSITY * SOLID_HEAT + 0.3 * p.water * WATER_HEAT)
        courant = worst * STEP * (3 / self.dx**2 + 3 / self.dy**2)
        assert (courant < 1).all(), "the explicit step is too long for the thinnest piece"

    def wrap(self, which: Mask, material: str) -> None:
        if material == "boat":
            self.boat |= which
            return
        self.tight[which] = 1.0
        self.vent[which] = 0.0 if material == "foil" else 0.06

    def core(self) -> Array:
        """Temperature of the middle, °C."""
        core: Array = self.t[0, 0]
        return core

    def lost(self) -> Array:
        """Share of the raw mass that has left."""
        return np.asarray((self.evaporated + self.dripped) / (SOLID_DENSITY + self.p.water))

    def step(self, gas: Array, walls: Array, vapour: Array) -> None:
        p = self.p
        size = 1 - p.shrink * np.clip(self.lost(), 0, 0.5) / 3
        heat = np.where(p.bone, BONE_HEAT, SOLID_DENSITY * SOLID_HEAT + self.w * WATER_HEAT)
        mobility = self._mobility()
        top_heat, top_water, top_got = self._face(
            self.t[-1], self.w[-1], mobility[-1], self.top, self.dx, gas, walls, vapour, False
        )
        side_heat, side_water, side_got = self._face(
            self.t[:, -1], self.w[:, -1], mobility[:, -1], self.side, self.dy, gas, walls, vapour, True
        )
        flow_x, flow_y = self.kx * np.diff(self.t, axis=0), self.ky * np.diff(self.t, axis=1)
        gain = self._divergence(flow_x, flow_y, size)
        gain[-1] += top_heat * size**2 / self.dx
        gain[:, -1] += side_heat * size**2 / self.dy
        self.t = np.minimum(self.t + gain * STEP / heat, 100.5)

        bar = p.bone[1:] | p.bone[:-1]
        bay = p.bone[:, 1:] | p.bone[:, :-1]
        water_x = np.where(bar, 0.0, 0.5 * (mobility[1:] + mobility[:-1]) * np.diff(self.w, axis=0))
        water_y = np.where(bay, 0.0, 0.5 * (mobility[:, 1:] + mobility[:, :-1]) * np.diff(self.w, axis=1))
        change = self._divergence(water_x, water_y, size)
        from_meat = np.where(self.sweating, 0.0, size**2)
        change[-1] -= top_water * from_meat / self.dx
        change[:, -1] -= side_water * from_meat / self.dy
        self.w = np.maximum(self.w + change * STEP, 0.0)
        cells = ACROSS * ALONG
        out = ((top_water * size**2 / self.dx).sum(0) + (side_water * size**2 / self.dy).sum(0)) / cells
        got = ((top_got / self.dx).sum(0) + (side_got / self.dy).sum(0)) / cells
        self.evaporated += out * STEP
        self.share = np.clip(out * LATENT / np.maximum(got * size**2, 1e-9), 0, 1)
        self.pool = np.where(self.sweating, self.pool - out * STEP / self.face_per_volume, self.pool)
        self._drip()

    def _divergence(self, flow_x: Array, flow_y: Array, size: Array) -> Array:
        total = np.zeros_like(self.t)
        total[:-1] += flow_x * (size / self.dx**2)
        total[1:] -= flow_x * (size / self.dx**2)
        total[:, :-1] += flow_y * (size / self.dy**2)
        total[:, 1:] -= flow_y * (size / self.dy**2)
        return total

    def _mobility(self) -> Array:
        """How fast water moves, m²/s: little in raw meat, much when contracting fibres press it out, less again when
        it gets scarce."""
        contracting = 1 / (1 + np.exp(-(self.t - 60.0) / 3.5))
        left = self.w / np.maximum(self.raw, 1.0)
        return np.asarray(self.p.diffusion * (1 + self.p.squeezed * contracting) * left**1.5)

    def _face(
        self,
        t: Array,
        w: Array,
        mobility: Array,
        surface: Array,
        d: Array,
        gas: Array,
        walls: Array,
        vapour: Array,
        side: bool,
    ) -> tuple[Array, Array, Array]:
        """One face: (heat into the cells, water out, heat received), per m². `surface` (°C) is moved half way to its
        balance, which damps it."""
        p = self.p
        kelvin, wall_kelvin = surface + 273.15, walls + 273.15
        radiation = EMISSIVITY_SIGMA * (kelvin**2 + wall_kelvin**2) * (kelvin + wall_kelvin)
        bare = p.convection + radiation
        outside = (p.convection * gas + radiation * walls) / bare
        covered = self.tight if not side else np.maximum(self.tight, self.boat)
        vent = self.vent if not side else np.where(self.boat, 0.0, self.vent)
        wrapped = 1 / (1 / (p.convection + 0.35 * radiation) + 1 / 60.0)
        h = np.where(covered > 0, wrapped, bare)

        transfer = p.convection / (1050.0 * 0.92) * vent / (VAPOUR_CONSTANT * kelvin)
        pressure = saturated(np.minimum(surface, 99.8))
        lift = AIR_PRESSURE / np.maximum(AIR_PRESSURE - 0.5 * (pressure + vapour), 5000.0)
        critical = p.critical * p.water
        wet = transfer * lift * (pressure - vapour)
        pull = 2 * np.maximum(mobility, 1e-12) / d
        drying = (
            transfer * lift * (pressure * w / critical - vapour) / (1 + transfer * lift * pressure / (critical * pull))
        )
        water = np.where(self.sweating | (w - wet / pull >= critical), wet, np.minimum(wet, drying))
        water = np.clip(water, -2e-3, np.where(self.sweating, np.inf, w * d / STEP * 0.2))
        inward = 2 * MEAT_CONDUCTIVITY / d
        balance = (h * outside + inward * t - LATENT * water) / (h + inward)
        surface += 0.5 * (balance - surface)
        received = h * (outside - surface)
        return received - LATENT * water, water, np.maximum(received, 0.0)

    def _drip(self) -> None:
        """Contracting muscle lets some of its water run, and never takes it back. What sweats out wets the whole
        surface until it has dried: this is what holds the core still, or lets it fall."""
        held = 1 - self.p.drip / (1 + np.exp(-(self.t - RUNS_AT) / RUNS_WITHIN))
        held = np.minimum(self.held, held)
        gone = self.w * (1 - held / self.held)
        self.held = held
        self.w -= gone
        freed = gone.mean(axis=(0, 1))
        sweat = np.where(self.tight > 0, 0.0, self.p.sweat * freed)
        self.on_its_way += sweat
        arriving = self.on_its_way * STEP / TRAVELS_FOR
        self.on_its_way -= arriving
        self.pool += arriving / self.face_per_volume
        spill = np.where(self.tight > 0, self.pool, np.maximum(self.pool - POOL_FULL, 0.0))
        self.pool -= spill
        self.dripped += freed - sweat + spill * self.face_per_volume
        self.sweating = np.where(self.sweating, self.pool > 0.0, self.pool > self.p.beads)


# --- a pit as a signal -----------------------------------------------------------------------------


@dataclass
class Signal:
    """Pit temperatures by minute, (minutes, N), and what made them."""

    gas: Array
    logs: list[list[float]]
    lids: list[list[tuple[float, float]]]
    dips: list[list[tuple[float, float]]]


def draw_pit(rng: np.random.Generator, set_point: Array, ambient: Array) -> Signal:
    """Set point, slow wander, a bump for each log, a notch for each look, and a decay with a slow return for a
    night's neglect."""
    n = set_point.size
    minutes = np.arange(LONGEST, dtype=float)
    gas = np.zeros((LONGEST, n))
    signal = Signal(gas, [], [], [])
    for i in range(n):
        wander = np.zeros(LONGEST)
        steps = rng.standard_normal(LONGEST) * 0.45
        for m in range(1, LONGEST):
            wander[m] = 0.99 * wander[m - 1] + steps[m]
        dips = []
        if rng.random() < 0.4:
            start = float(rng.integers(90, 600))
            dips.append((start, start + float(rng.integers(40, 100))))
        logs, fed = [], float(rng.uniform(0, 30))
        while fed < LONGEST:
            if not any(a <= fed <= b for a, b in dips):
                logs.append(round(fed))
            fed += float(np.clip(rng.normal(36, 8), 15, 60))
        bumps, rise = np.zeros(LONGEST), float(rng.uniform(9, 15))
        for log in logs:
            age = np.maximum(minutes - log, 0.0)
            bumps += float(rng.uniform(9, 17)) * (age / rise) * np.exp(1 - age / rise)
        line = set_point[i] + wander + bumps - bumps.mean()
        for start, end in dips:
            share = np.ones(LONGEST)
            fall = (minutes >= start) & (minutes < end)
            share[fall] = np.exp(-(minutes[fall] - start) / 75.0)
            after = minutes >= end
            bottom = np.exp(-(end - start) / 75.0)
            share[after] = 1 - (1 - bottom) * np.exp(-(minutes[after] - end) / 18.0)
            line = ambient[i] + (line - ambient[i]) * share
        lids = sorted((float(rng.integers(15, 1080)), float(rng.uniform(40, 150))) for _ in range(rng.integers(3, 9)))
        for at, length in lids:
            age = minutes - at
            line -= np.where(age >= 0, min(60.0, 0.45 * length) * np.exp(-np.maximum(age, 0) / 4.0), 0.0)
        gas[:, i] = np.maximum(line, ambient[i])
        signal.logs.append([float(x) for x in logs])
        signal.lids.append(lids)
        signal.dips.append(dips)
    return signal


# --- whole cooks -----------------------------------------------------------------------------------

TYPICAL = {
    "convection": 12.0,
    "diffusion": 2.5e-10,
    "squeezed": 20.0,
    "critical": 0.37,
    "drip": 0.28,
    "sweat": 0.9,
    "beads": 0.45,
}
"""Chosen; see the head of this file."""
_CUTS = (
    # name, weight kg, thickness m, width/thickness, bone, fat %, tender °C, declared shape
    ("beef-chuck-roll", (4.0, 8.0), (0.105, 0.140), (1.0, 1.4), False, 15.0, 95.0, 1.05),
    ("beef-brisket", (4.0, 7.0), (0.080, 0.105), (2.2, 3.2), False, 10.0, 95.0, 0.45),
    ("pork-shoulder", (3.0, 5.5), (0.098, 0.130), (1.0, 1.35), True, 17.0, 95.0, 1.2),
    ("lamb-shoulder", (2.0, 3.5), (0.080, 0.100), (1.2, 1.8), True, 15.0, 92.0, 0.9),
)


def draw_pieces(rng: np.random.Generator, cut: npt.NDArray[np.int64]) -> tuple[Pieces, Array]:
    """Pieces of the cuts, and the thickness a ruler shows."""
    n = cut.size
    seen = np.array([rng.uniform(*_CUTS[c][2]) for c in cut])
    aspect = np.array([rng.uniform(*_CUTS[c][3]) for c in cut])
    bone = np.zeros((ACROSS, ALONG, n), bool)
    for i, c in enumerate(cut):
        if _CUTS[c][4]:
            x, y = int(rng.integers(2, 5)), int(rng.integers(2, 6))
            bone[x : x + 2, y : y + 2, i] = True
    pieces = Pieces(
        half=np.maximum(seen * rng.normal(1, 0.04, n) / 2, 0.038),
        aspect=aspect,
        start=rng.uniform(3, 12, n),
        bone=bone,
        water=rng.normal(690, 20, n),
        convection=rng.lognormal(np.log(TYPICAL["convection"]), 0.15, n),
        diffusion=rng.lognormal(np.log(TYPICAL["diffusion"]), 0.2, n),
        squeezed=rng.lognormal(np.log(TYPICAL["squeezed"]), 0.2, n),
        critical=np.clip(rng.normal(TYPICAL["critical"], 0.05, n), 0.1, 0.9),
        shrink=rng.uniform(0.6, 1.0, n),
        drip=np.clip(rng.normal(TYPICAL["drip"], 0.05, n), 0.02, 0.4),
        sweat=np.clip(rng.normal(TYPICAL["sweat"], 0.1, n), 0.1, 0.98),
        beads=rng.uniform(0.5, 1.6, n) * TYPICAL["beads"],
    )
    return pieces, seen


def second_cooks(seed: int, n: int, watch: Callable[[Sections, Array], None] | None = None) -> list[CookRecord]:
    """n cooks of the second truth, each until an hour after it is tender (at most 22 h). 100 cooks take 5-15 s. watch: is
    shown the sections and their tender temperatures, °C, every minute."""
    rng = np.random.default_rng(seed)
    cut = rng.choice(len(_CUTS), n, p=[0.3, 0.2, 0.3, 0.2])
    pieces, seen = draw_pieces(rng, cut)
    sections = Sections(pieces)
    set_point: Array = np.where(rng.random(n) < 0.65, rng.uniform(121, 135, n), rng.uniform(110, 121, n)).round()
    ambient = rng.uniform(2, 24, n)
    pit = draw_pit(rng, set_point, ambient)
    tender = np.array([_CUTS[c][6] for c in cut])
    wall_gap, vapour = rng.uniform(8, 15, n), rng.uniform(4000, 7000, n)
    plans = rng.random(n) < 0.7
    broken = rng.random(n) < 0.12
    wrap_at = np.round(rng.uniform(71, 82, n))
    material = rng.choice(np.array(["foil", "paper", "boat"]), n, p=[0.55, 0.35, 0.1])
    due, wrapped_minute = np.full(n, np.inf), np.full(n, -1)
    delay = rng.uniform(0, 30, n)
    pit_bias, core_bias, core_noise = rng.normal(0, 2, n), rng.normal(0, 0.6, n), rng.uniform(0.1, 0.3, n)

    rows: dict[str, list[Array]] = {k: [] for k in ("core", "core_read", "pit_read", "share", "lost")}
    tip, tender_for = pit.gas[0].copy(), np.zeros(n)
    for minute in range(LONGEST):
        core, gas = sections.core(), pit.gas[minute]
        if watch is not None:
            watch(sections, tender)
        tip += 0.7 * (gas - tip)
        core_read = np.round((core + core_bias + core_noise * rng.standard_normal(n)) * 4) / 4
        pit_read = np.round((tip + pit_bias + 0.4 * rng.standard_normal(n)) * 4) / 4
        for key, value in zip(rows, (core, core_read, pit_read, sections.share, sections.lost()), strict=True):
            rows[key].append(value.copy())
        tender_for += core >= tender
        if (tender_for > 60).all():
            break
        reached = (plans ^ broken) & np.isinf(due) & (core_read >= wrap_at)
        due = np.where(reached, minute + delay, due)
        now = (due <= minute) & (wrapped_minute < 0)
        for name in np.unique(material[now]):
            sections.wrap(now & (material == name), str(name))
        wrapped_minute[now] = minute
        for _ in range(round(MINUTE / STEP)):
            sections.step(gas, gas - wall_gap, vapour)

    traces = {k: np.array(v) for k, v in rows.items()}
    records = []
    for i in range(n):
        core = traces["core"][:, i]
        name, weight, _, _, _, fat, tender_low, shape = _CUTS[cut[i]]
        crossed = np.flatnonzero(core >= tender_low)
        tender_minute = int(crossed[0]) if crossed.size else None
        stop = core.size if tender_minute is None else min(core.size, tender_minute + 61)
        # the surface is wet in spells; the label asks for the mean of 45 min
        share = np.convolve(traces["share"][:stop, i], np.ones(45) / 45, mode="same")
        core, gas = core[:stop], pit.gas[:stop, i]
        wrapped = int(wrapped_minute[i]) if 0 <= wrapped_minute[i] < stop else None
        low = float(set_point[i]) - 7
        at_target = np.flatnonzero(core >= wrap_at[i])
        records.append(
            CookRecord(
                name=f"second-{seed}-{i}",
                cut=name,
                weight=round(float(rng.uniform(*weight)), 1),
                thickness=round(float(seen[i]), 3),
                shape=shape,
                fat_percent=fat,
                band_low=low,
                band_high=low + 14,
                plan_wrap=str(material[i]) if plans[i] else None,
                plan_wrap_at=float(wrap_at[i]) if plans[i] else None,
                tender_low=tender_low,
                pit_true=gas,
                pit_read=traces["pit_read"][:stop, i],
                core_true=core,
                core_read=traces["core_read"][:stop, i],
                evaporating_share=share,
                wrapped=None if wrapped is None else str(material[i]),
                wrapped_minute=wrapped,
                plan_broken=bool(broken[i]),
                wrap_minute=int(at_target[0]) if plans[i] and at_target.size else None,
                tender_minute=tender_minute,
                stalls=stall_label(core, gas, share, low, wrapped),
                logs=tuple(m for m in pit.logs[i] if m < stop),
                damper_changes=(),
                lid_openings=tuple(x for x in pit.lids[i] if x[0] < stop),
                dips=tuple(x for x in pit.dips[i] if x[0] < stop),
                ambient=float(ambient[i]),
                mass_left=1 - float(traces["lost"][stop - 1, i]),
            )
        )
    return records
