"""Hundreds of cooks and fires at once, with their truth, for benches that score what the watch says.

    cooks: list[CookRecord] = simulate_cooks(seed=9009, n=110)
    shifted = simulate_cooks(9010, 70, vapour=1.3, convection=1.15, film=0.75, crust=1.35, thickness=1.06, kept=0.03)
    fires: list[FireEpisode] = simulate_fires(seed=31, n=200)

All minutes count from the moment the meat goes on (cooks) or the record starts (fires). Index i of every trace is minute i.
Units: °C, min, kg, m. Seeds fix everything; cook i depends on n as well as on the seed.
300 cooks take well under a minute on one core.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.pit import PitParameters, Pits, Stokers
from drivers.simulated.records import CookRecord, FireEpisode, stall_label
from drivers.simulated.sensor import Probes, shadowed

__all__ = ["CUTS", "CookRecord", "Cut", "FireEpisode", "simulate_cooks", "simulate_fires", "stall_label"]

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

PIT_STEP, MEAT_STEP, MINUTE = 15.0, 30.0, 60.0
"""s."""
LONGEST_COOK = 22 * 60
"""Minutes after which a cook that is not tender is given up (its tender_minute is None)."""
BAND_HALF_WIDTH = 7.0
"""°C either side of the set point."""


@dataclass(frozen=True, slots=True)
class Cut:
    """How a cut is drawn. Ranges are uniform. water, protein, fat: mass fractions. tender_low: °C, as cooks commonly
    say (no source)."""

    name: str
    weight: tuple[float, float]
    thickness: tuple[float, float]
    shape: tuple[float, float]
    water: float
    protein: float
    fat: float
    tender_low: float
    share: float


CUTS = (
    Cut("beef-chuck-roll", (4.0, 8.0), (0.110, 0.145), (1.05, 1.45), 0.67, 0.19, 0.13, 95.0, 0.3),
    Cut("beef-brisket", (4.0, 7.0), (0.070, 0.100), (0.25, 0.70), 0.70, 0.20, 0.09, 95.0, 0.2),
    Cut("pork-shoulder", (3.0, 5.5), (0.105, 0.135), (1.10, 1.60), 0.645, 0.175, 0.17, 95.0, 0.3),
    Cut("lamb-shoulder", (2.0, 3.5), (0.080, 0.105), (0.80, 1.30), 0.66, 0.18, 0.15, 92.0, 0.2),
)


def simulate_cooks(
    seed: int,
    n: int,
    *,
    vapour: float = 1.0,
    convection: float = 1.0,
    film: float = 1.0,
    crust: float = 1.0,
    thickness: float = 1.0,
    kept: float = 0.0,
    pit_hotter: float = 0.0,
) -> list[CookRecord]:
    """n cooks. The keywords shift the truth away from what it usually is: factors on the pit's vapour pressure, the
    convection, the juice film, the crust's diffusivity and the true thickness; `kept` is added to the share of water kept;
    `pit_hotter` °C to set points."""
    rng = np.random.default_rng(seed)
    cut = rng.choice(len(CUTS), n, p=[c.share for c in CUTS])
    meat, drawn = _draw_meat(rng, cut, convection, film, crust, thickness, kept)
    pit, weather = _draw_pit(rng, n, pit_hotter)
    plan = _Plan(rng, n)
    run = _Kitchen(rng, meat, pit, weather, plan, 4000.0 + 3500.0 * rng.beta(2, 2, n), vapour)
    tender_low = np.array([CUTS[c].tender_low for c in cut])
    run.cook(tender_low)
    return [_record(f"{seed}-{i}", i, CUTS[cut[i]], drawn, run, plan, float(tender_low[i])) for i in range(n)]


def _uniform(rng: np.random.Generator, cut: npt.NDArray[np.int64], ranges: list[tuple[float, float]]) -> Array:
    low, high = np.array(ranges)[cut].T
    return np.asarray(rng.uniform(low, high))


def _draw_meat(
    rng: np.random.Generator,
    cut: npt.NDArray[np.int64],
    convection: float,
    film: float,
    crust: float,
    thickness: float,
    kept: float,
) -> tuple[MeatParameters, dict[str, Array]]:
    n = cut.size

    def spread(middle: float, log_sd: float) -> Array:
        return np.asarray(middle * np.exp(log_sd * rng.standard_normal(n)))

    seen_thickness = _uniform(rng, cut, [c.thickness for c in CUTS])
    fat_swing = rng.normal(0, 0.03, n)
    fat = np.maximum(np.array([c.fat for c in CUTS])[cut] + fat_swing, 0.03)
    water = np.array([c.water for c in CUTS])[cut] - 0.75 * (fat - np.array([c.fat for c in CUTS])[cut])
    protein = np.minimum(np.array([c.protein for c in CUTS])[cut], 0.985 - fat - water)
    meat = MeatParameters.uniform(
        n,
        thickness=seen_thickness * spread(1.0, 0.04) * thickness,
        shape=_uniform(rng, cut, [c.shape for c in CUTS]),
        start=rng.uniform(3, 12, n),
        water=water,
        protein=protein,
        fat=fat,
        conductivity_factor=spread(1.0, 0.06),
        convection=spread(9.8, 0.15) * convection,
        pellicle=spread(350.0, 0.3),
        crust_diffusivity=spread(9e-7, 0.5) * crust,
        film_cap=spread(0.25, 0.35) * film,
        film_share=np.clip(rng.normal(0.78, 0.07, n), 0.5, 0.95),
        kept_water=np.clip(rng.normal(0.74, 0.03, n) + kept, 0.5, 0.85),
    )
    drawn = {
        "weight": _uniform(rng, cut, [c.weight for c in CUTS]),
        "thickness": np.round(seen_thickness, 3),
        "shape": np.array([round(sum(c.shape) / 2, 2) for c in CUTS])[cut],
        "fat_percent": np.array([100 * c.fat for c in CUTS])[cut],
    }
    return meat, drawn


def _draw_pit(rng: np.random.Generator, n: int, hotter: float) -> tuple[PitParameters, dict[str, Array]]:
    warm = rng.random(n) < 0.65
    aims = np.where(warm, rng.uniform(121, 135, n), rng.uniform(107, 121, n))
    set_point = np.asarray(np.round(aims) + hotter, dtype=np.float64)
    size = rng.uniform(0.7, 1.4, n)
    pit = PitParameters.uniform(
        n,
        set_point=set_point,
        gas_heat=14e3 * size,
        steel_heat=58e3 * size * rng.uniform(0.8, 1.3, n),
        steel_loss=25.0 * rng.uniform(0.75, 1.25, n),
        lid=160.0 * rng.uniform(0.7, 1.3, n),
        flame=rng.uniform(500, 800, n),
        glow=rng.uniform(1800, 2700, n),
        efficiency=rng.uniform(0.75, 0.95, n),
    )
    weather = {
        "ambient": rng.uniform(2, 24, n),
        "swing": rng.uniform(2, 6, n),
        "hour": rng.uniform(0, 24, n),
        "wind": rng.gamma(2.0, 1.0, n),
        "rain": np.where(rng.random(n) < 0.15, rng.uniform(0.5, 4, n), 0.0),
    }
    return pit, weather


class _Plan:
    """What each cook means to do about wrapping, and what will be done (12 % break their plan)."""

    def __init__(self, rng: np.random.Generator, n: int) -> None:
        material = rng.choice(np.array(["foil", "paper", "boat"]), n, p=[0.55, 0.35, 0.10])
        self.at = np.round(rng.uniform(71, 82, n))
        plans = rng.random(n) < 0.7
        self.broken = rng.random(n) < 0.12
        self.planned: list[str | None] = [str(m) if p else None for m, p in zip(material, plans, strict=True)]
        does = plans ^ self.broken
        # half of the broken plans to wrap are a wrap after all, but at another temperature
        late = plans & self.broken & (rng.random(n) < 0.5)
        self.does: Mask = does | late
        self.does_at = np.where(late, self.at + rng.choice(np.array([-8.0, 6.0]), n), self.at)
        self.material = material
        self.delay = rng.uniform(0, 30, n)


class _Kitchen:
    """Runs all cooks side by side and keeps what happened."""

    def __init__(
        self,
        rng: np.random.Generator,
        meat: MeatParameters,
        pit: PitParameters,
        weather: dict[str, Array],
        plan: _Plan,
        vapour_pressure: Array,
        vapour: float,
    ) -> None:
        n = self.n = meat.start.size
        self.rng, self.plan, self.weather = rng, plan, weather
        self.meat, self.pits = MeatBodies(meat), Pits(pit)
        self.pits.settle(weather["ambient"])
        self.stokers = Stokers(
            self.pits,
            rng,
            look_every=rng.uniform(240, 720, n),
            skill=rng.uniform(0.05, 0.3, n),
            log_kg=rng.uniform(0.35, 0.65, n),
        )
        self.pit_probe = Probes(rng, n, lag=rng.uniform(20, 60, n), noise=0.4, bias=rng.normal(-1, 2.5, n))
        self.core_probe = Probes(rng, n, lag=20.0, noise=rng.uniform(0.1, 0.3, n), bias=rng.normal(0, 0.6, n))
        self.probe_depth = rng.uniform(0.0, 0.3, n)
        self.share = rng.uniform(-0.05, 0.06, n)
        self.vapour_pressure, self.vapour = vapour_pressure, vapour
        self.drift_phase = rng.uniform(0, 2 * np.pi, (2, n))
        self.drift_period = rng.uniform(3 * 3600, 9 * 3600, (2, n))
        self.lids = _draw_lids(rng, n)
        self.dips = _draw_dips(rng, n)
        self.logs: list[list[float]] = [[] for _ in range(n)]
        self.dampers: list[list[float]] = [[] for _ in range(n)]
        self.wrap_due = np.full(n, np.inf)
        self.wrapped_minute = np.full(n, -1)
        self.traces: dict[str, Array] = {}

    def cook(self, tender_low: Array) -> None:
        rows: dict[str, list[Array]] = {
            k: [] for k in ("pit_true", "pit_read", "core_true", "core_read", "share", "mass")
        }
        tender_for = np.zeros(self.n)
        for minute in range(LONGEST_COOK):
            core = self.meat.core()
            air = self.pits.place(self.share)
            if minute == 0:
                self._follow(air)
            read = self.core_probe.read()
            pit_read = self.pit_probe.read()
            for key, value in zip(
                rows, (air, pit_read, core, read, self.meat.evaporating_share, self.meat.mass_left()), strict=True
            ):
                rows[key].append(value.copy())
            tender_for += core >= tender_low
            if (tender_for > MINUTE).all():
                break
            self._wrap(minute, read)
            self._minute(minute, pit_read)
        self.traces = {k: np.array(v) for k, v in rows.items()}

    def _ambient(self, seconds: float) -> Array:
        w = self.weather
        return np.asarray(w["ambient"] + w["swing"] * np.sin(2 * np.pi * (w["hour"] - 9 + seconds / 3600) / 24))

    def _wrap(self, minute: int, read: Array) -> None:
        plan = self.plan
        reached = plan.does & np.isinf(self.wrap_due) & (read >= plan.does_at)
        self.wrap_due = np.where(reached, minute + plan.delay, self.wrap_due)
        now = (self.wrap_due <= minute) & (self.wrapped_minute < 0)
        for material in np.unique(plan.material[now]):
            self.meat.wrap(now & (plan.material == material), str(material))
        self.wrapped_minute[now] = minute
        for i in np.flatnonzero(now):
            self.lids[i].append((float(minute), float(self.rng.uniform(50, 120))))

    def _minute(self, minute: int, pit_read: Array) -> None:
        w, pits = self.weather, self.pits
        start = minute * MINUTE
        ambient = self._ambient(start)
        self.stokers.away = np.array([any(a <= minute < b for a, b in dips) for dips in self.dips])
        swing = np.sin(self.drift_phase + 2 * np.pi * start / self.drift_period)
        vapour = self.vapour * self.vapour_pressure * (1 + 0.15 * swing[0])
        draught = 1 + 0.10 * swing[1]
        open_for = np.array(
            [max((a * MINUTE + s - start for a, s in lids if a <= minute), default=0.0) for lids in self.lids]
        )
        fed, moved = self.stokers.act(start, pit_read, ambient)
        for i in map(int, np.flatnonzero(fed)):
            self.logs[i].append(float(minute))
        for i in map(int, np.flatnonzero(moved)):
            self.dampers[i].append(float(minute))
        steps = round(MINUTE / PIT_STEP)
        for part in range(steps):
            pits.lid_open = open_for > (part + 0.5) * PIT_STEP
            pits.step(PIT_STEP, ambient, w["wind"], w["rain"])
            self._follow(pits.place(self.share))
            if (part + 1) * PIT_STEP % MEAT_STEP == 0:
                self.meat.step(MEAT_STEP, pits.place(self.share), pits.radiant(), vapour, draught)

    def _follow(self, air: Array) -> None:
        self.pit_probe.follow(PIT_STEP, shadowed(air, self.meat.front))
        self.core_probe.follow(PIT_STEP, self.meat.at(self.probe_depth))


def _draw_lids(rng: np.random.Generator, n: int) -> list[list[tuple[float, float]]]:
    """3-8 looks in 18 h, 40-150 s each."""
    return [
        sorted((float(rng.integers(20, 18 * 60)), float(rng.uniform(40, 150))) for _ in range(rng.integers(3, 9)))
        for _ in range(n)
    ]


def _draw_dips(rng: np.random.Generator, n: int) -> list[list[tuple[float, float]]]:
    """In 45 % of cooks nobody tends the fire for 35 to 110 min, once."""
    dips: list[list[tuple[float, float]]] = []
    for _ in range(n):
        start, length = float(rng.uniform(60, 660)), float(rng.uniform(35, 110))
        dips.append([(start, start + length)] if rng.random() < 0.45 else [])
    return dips


def _first(mask: Mask) -> int | None:
    return int(mask.argmax()) if mask.any() else None


def _record(
    name: str, i: int, cut: Cut, drawn: dict[str, Array], run: _Kitchen, plan: _Plan, tender_low: float
) -> CookRecord:
    core = run.traces["core_true"][:, i]
    tender = _first(core >= tender_low)
    stop = core.size if tender is None else min(core.size, tender + 61)
    core = core[:stop]
    trace = {k: v[:stop, i] for k, v in run.traces.items()}
    planned = plan.planned[i]
    wrapped_minute = int(run.wrapped_minute[i]) if 0 <= run.wrapped_minute[i] < stop else None
    set_point = float(run.pits.parameters.set_point[i])
    low = set_point - BAND_HALF_WIDTH
    return CookRecord(
        name=name,
        cut=cut.name,
        weight=round(float(drawn["weight"][i]), 1),
        thickness=float(drawn["thickness"][i]),
        shape=float(drawn["shape"][i]),
        fat_percent=float(drawn["fat_percent"][i]),
        band_low=low,
        band_high=set_point + BAND_HALF_WIDTH,
        plan_wrap=planned,
        plan_wrap_at=None if planned is None else float(plan.at[i]),
        tender_low=tender_low,
        pit_true=trace["pit_true"],
        pit_read=trace["pit_read"],
        core_true=core,
        core_read=trace["core_read"],
        evaporating_share=trace["share"],
        wrapped=None if wrapped_minute is None else str(plan.material[i]),
        wrapped_minute=wrapped_minute,
        plan_broken=bool(plan.broken[i]),
        wrap_minute=None if planned is None else _first(core >= plan.at[i]),
        tender_minute=tender,
        stalls=stall_label(core, trace["pit_true"], trace["share"], low, wrapped_minute),
        logs=tuple(m for m in run.logs[i] if m < stop),
        damper_changes=tuple(m for m in run.dampers[i] if m < stop),
        lid_openings=tuple(x for x in run.lids[i] if x[0] < stop),
        dips=tuple(x for x in run.dips[i] if x[0] < stop),
        ambient=float(run.weather["ambient"][i]),
        mass_left=float(trace["mass"][-1]),
    )


def simulate_fires(
    seed: int, n: int, *, longest: float = 300.0, mass: float = 1.0, losses: float = 1.0
) -> list[FireEpisode]:
    """n fires, each tended for 3-7 h and then left alone until the pit is 25 °C below its band, or for `longest`
    minutes. The few that were not in their band after the last log are left out. mass, losses: factors on the pits'
    heavy parts and on what they lose through walls and flue: 3 and 0.4 make slow, heavily insulated pits."""
    rng = np.random.default_rng(seed)
    pit, weather = _draw_pit(rng, n, 0.0)
    pit = replace(pit, steel_heat=pit.steel_heat * mass, steel_loss=pit.steel_loss * losses, flue=pit.flue * losses)
    pits = Pits(pit)
    pits.settle(weather["ambient"])
    stokers = Stokers(
        pits,
        rng,
        look_every=rng.uniform(240, 720, n),
        skill=rng.uniform(0.05, 0.3, n),
        log_kg=rng.uniform(0.35, 0.65, n),
    )
    probe = Probes(rng, n, lag=rng.uniform(20, 60, n), noise=0.4)
    low = pit.set_point - BAND_HALF_WIDTH
    left_alone = rng.integers(180, 420, n)
    lids = [[x for x in looks if x[0] < left_alone[i]] for i, looks in enumerate(_draw_lids(rng, n))]
    logs: list[list[float]] = [[] for _ in range(n)]
    dampers: list[list[tuple[float, float]]] = [[] for _ in range(n)]
    true_rows, read_rows = [], []
    probe.follow(PIT_STEP, pits.gas)
    for minute in range(int(left_alone.max() + longest)):
        true_rows.append(pits.gas.copy())
        read_rows.append(probe.read())
        if minute > left_alone.max() and (pits.gas < low - 25).all():
            break
        ambient = weather["ambient"] + weather["swing"] * np.sin(2 * np.pi * (weather["hour"] - 9 + minute / 60) / 24)
        stokers.away = minute >= left_alone
        fed, moved = stokers.act(minute * MINUTE, read_rows[-1], ambient)
        for i in map(int, np.flatnonzero(fed)):
            logs[i].append(float(minute))
        for i in map(int, np.flatnonzero(moved)):
            dampers[i].append((float(minute), float(pits.damper[i])))
        open_for = np.array(
            [max(((a - minute) * MINUTE + s for a, s in looks if a <= minute), default=0.0) for looks in lids]
        )
        for part in range(round(MINUTE / PIT_STEP)):
            pits.lid_open = open_for > (part + 0.5) * PIT_STEP
            pits.step(PIT_STEP, ambient, weather["wind"], weather["rain"])
            probe.follow(PIT_STEP, pits.gas)
    true, read = np.array(true_rows), np.array(read_rows)
    episodes = []
    for i in range(n):
        inside = np.flatnonzero(true[:, i] >= low[i])
        gone = int(inside[-1]) + 1 if inside.size else 0
        far = np.flatnonzero(true[gone:, i] < low[i] - 25)
        stop = min(true.shape[0], gone + (int(far[0]) if far.size else true.shape[0]) + 1)
        if gone >= true.shape[0] or not logs[i] or gone <= logs[i][-1]:
            continue
        episodes.append(
            FireEpisode(
                name=f"{seed}-{i}",
                set_point=float(pit.set_point[i]),
                band_low=float(low[i]),
                band_high=float(pit.set_point[i]) + BAND_HALF_WIDTH,
                pit_true=true[:stop, i],
                pit_read=read[:stop, i],
                logs=tuple(logs[i]),
                lid_openings=tuple(lids[i]),
                damper_changes=tuple(dampers[i]),
                left_alone=int(left_alone[i]),
                last_log=logs[i][-1],
                exit_minute=gone,
                ambient=float(weather["ambient"][i]),
            )
        )
    return episodes
