"""The meat of the simulator against theory, published values and what cooks commonly report."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from drivers.simulated import meat
from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.properties import properties, saturation_pressure

DATA = Path(__file__).parents[2] / "data"
PIT, WALLS = 128.0, 117.0
VAPOUR = 5000.0


# --- against theory --------------------------------------------------------------------------------


def roots(equation: Callable[[float], float], low: float, high: float) -> float:
    """Bisection."""
    for _ in range(200):
        middle = (low + high) / 2
        if equation(low) * equation(middle) <= 0:
            high = middle
        else:
            low = middle
    return (low + high) / 2


def slab_centre(biot: float, fourier: float, terms: int = 30) -> float:
    """Series for a plane wall cooled by convection: roots of z tan z = Bi (Carslaw & Jaeger, Conduction of Heat in
    Solids, 3.10; the same equation is printed in every heat transfer handbook)."""
    total = 0.0
    for n in range(terms):
        z = roots(lambda z: z * np.sin(z) - biot * np.cos(z), n * np.pi + 1e-9, n * np.pi + np.pi / 2)
        total += 4 * np.sin(z) / (2 * z + np.sin(2 * z)) * np.exp(-(z**2) * fourier)
    return total


def sphere_centre(biot: float, fourier: float, terms: int = 30) -> float:
    """Series for a sphere: roots of 1 - z cot z = Bi (Carslaw & Jaeger 9.4)."""
    total = 0.0
    for n in range(terms):
        z = roots(lambda z: (1 - biot) * np.sin(z) - z * np.cos(z), n * np.pi + 1e-6, (n + 1) * np.pi - 1e-9)
        total += 4 * (np.sin(z) - z * np.cos(z)) / (2 * z - np.sin(2 * z)) * np.exp(-(z**2) * fourier)
    return total


def test_the_series_gives_the_handbook_table() -> None:
    """One-term coefficients for Bi = 1 as printed in handbooks: wall 0.8603 and 1.1191, sphere 1.5708 and 1.2732
    (values from memory)."""
    assert slab_centre(1.0, 1.0) == pytest.approx(1.1191 * np.exp(-(0.8603**2)), rel=1e-3)
    assert sphere_centre(1.0, 1.0) == pytest.approx(1.2732 * np.exp(-(1.5708**2)), rel=1e-3)


@pytest.mark.parametrize(("shape", "series"), [(0.0, slab_centre), (2.0, sphere_centre)])
@pytest.mark.parametrize("biot", [0.5, 1.0, 4.0])
def test_conduction_follows_the_series(shape: float, series: Callable[[float, float], float], biot: float) -> None:
    composition = np.array([[0.7], [0.2], [0.09], [0.01]])
    k, rho, cp = (float(v[0]) for v in properties(composition, 40.0))
    rho = float(properties(composition, 20.0)[1][0])  # the simulator holds density at 20 °C
    half = 0.05
    convection = biot * k / half
    bodies = MeatBodies(
        MeatParameters.uniform(
            thickness=2 * half, shape=shape, start=5.0, water=0.7, protein=0.2, fat=0.09, convection=convection
        ),
        cells=40, dry=True, constant=True,
    )  # fmt: skip
    seconds = 0.0
    for fourier in (0.3, 0.6, 1.0):
        until = fourier * half**2 * rho * cp / k
        while seconds < until:
            step = min(10.0, until - seconds)
            bodies.step(step, 105.0, 105.0, 0.0)
            seconds += step
        left = (105.0 - float(bodies.core()[0])) / 100.0
        assert left == pytest.approx(series(biot, fourier), abs=0.004)


def test_saturation_pressure_agrees_with_if97() -> None:
    """tests/data/boiling_pressure.csv: saturation temperatures by IAPWS-IF97."""
    with (DATA / "boiling_pressure.csv").open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert len(rows) >= 10
    for row in rows:
        at = np.array([float(row["Tsat_C_IF97"])])
        assert float(saturation_pressure(at)[0]) == pytest.approx(100 * float(row["pressure_hPa"]), rel=0.003)


def test_lean_beef_holds_as_much_heat_as_tables_say() -> None:
    """Lean beef, 72 % water: 3.43 kJ/kgK (Geankoplis, Transport Processes and Separation Process Principles, table A.4-1)."""
    _, _, cp = properties(np.array([[0.72], [0.22], [0.05], [0.01]]), 20.0)
    assert float(cp[0]) == pytest.approx(3430.0, rel=0.05)


# --- conservation and stability ---------------------------------------------------------------------


def mixed_lot() -> MeatBodies:
    """From a thin slab to a ball."""
    return MeatBodies(
        MeatParameters.uniform(
            5, thickness=np.array([0.04, 0.07, 0.1, 0.12, 0.16]), shape=np.array([0.0, 0.5, 1.0, 1.5, 2.0])
        )
    )


def test_heat_and_water_are_booked() -> None:
    bodies = mixed_lot()
    water_density = bodies.density * bodies.parameters.water
    for i in range(6 * 120):
        if i == 480:
            bodies.wrap(np.array([True, False, True, False, False]), "foil")
        before, heat = bodies.temperature.copy(), bodies.heat_in.copy()
        capacity = bodies._polynomial(bodies._c, before) * bodies._volume  # the scheme takes them at the step's start
        bodies.step(30.0, PIT, WALLS, VAPOUR)
        after = bodies.temperature
        assert (capacity * (after - before)).sum(axis=0) == pytest.approx(bodies.heat_in - heat, rel=1e-6, abs=1e-3)
    released = ((1 - bodies.retained) * bodies._volume).sum(axis=0) * water_density
    from_front = bodies.evaporated + bodies.dripped + bodies.film - released
    unwrapped = np.array([1, 3, 4])
    most = bodies.crust * water_density
    assert (from_front[unwrapped] <= most[unwrapped] + 1e-6).all()
    assert (from_front[unwrapped] >= most[unwrapped] * bodies.retained[-1][unwrapped] - 1e-6).all()
    assert (bodies.mass_left() > 0.45).all() and (bodies.mass_left() < 0.95).all()


@pytest.mark.parametrize("step", [10.0, 60.0, 300.0])
def test_any_step_is_stable(step: float) -> None:
    bodies = mixed_lot()
    for _ in range(int(10 * 3600 / step)):
        bodies.step(step, PIT, WALLS, VAPOUR)
        assert (bodies.temperature > 0).all() and (bodies.temperature < 100.1).all()


def test_few_pieces_are_solved_to_the_bit_as_many_are(monkeypatch: pytest.MonkeyPatch) -> None:
    rng, cells, pieces = np.random.default_rng(5), 14, 3
    capacity, between = rng.uniform(500, 5000, (cells, pieces)), rng.uniform(1, 60, (cells - 1, pieces))
    before, surface, source = (
        rng.uniform(3, 95, (cells, pieces)),
        rng.uniform(1, 80, pieces),
        rng.uniform(-500, 5000, pieces),
    )
    few = meat._solve_shells(capacity, between, before, surface, source)
    monkeypatch.setattr(meat, "FEW", 0)
    np.testing.assert_array_equal(few, meat._solve_shells(capacity, between, before, surface, source))
    assert few.flags.c_contiguous, "sums over shells round by the order in which they lie"


def test_meat_in_its_own_temperature_stays_there() -> None:
    bodies = MeatBodies(MeatParameters.uniform(start=20.0))
    for _ in range(240):
        bodies.step(30.0, 20.0, 20.0, float(saturation_pressure(np.array([20.0]))[0]))
    assert float(bodies.core()[0]) == pytest.approx(20.0, abs=0.05)
    assert float(bodies.evaporated[0]) == pytest.approx(0.0, abs=1e-3)


# --- common practice, no source ---------------------------------------------------------------------


def hours_to(
    targets: list[float],
    pit: float,
    wrap_at: float | None = None,
    material: str = "foil",
    hours: float = 18.0,
    step: float = 30.0,
) -> list[float]:
    """Hours until the core of a large bone-in shoulder passes each target; infinite if it does not."""
    bodies = MeatBodies(MeatParameters.uniform())
    passed = [float("inf")] * len(targets)
    wrapped = False
    for i in range(int(hours * 3600 / step)):
        bodies.step(step, pit, pit - 11.0, VAPOUR)
        core = float(bodies.core()[0])
        for j, target in enumerate(targets):
            if core >= target and passed[j] == float("inf"):
                passed[j] = (i + 1) * step / 3600
        if wrap_at is not None and core >= wrap_at and not wrapped:
            bodies.wrap(np.array([True]), material)
            wrapped = True
    return passed


def test_a_large_shoulder_at_128_keeps_the_common_times() -> None:
    """Common practice, no source: 74 °C at about 5 h, 82 °C at about 6.5 h, tender (95 °C) at about 8 h when wrapped at 82 °C."""
    at74, at82, at95 = hours_to([74.0, 82.0, 95.0], PIT, wrap_at=82.0, hours=10)
    assert at74 == pytest.approx(5.0, abs=0.4)
    assert at82 == pytest.approx(6.5, abs=0.4)
    assert at95 == pytest.approx(8.0, abs=0.5)


def test_the_common_times_lie_between_both_ends_of_the_usual_band() -> None:
    """Common practice, no source: the same times are told of pits from 121 to 135 °C, so neither end may be far from them."""
    cool, hot = (hours_to([74.0, 82.0, 95.0], pit, wrap_at=82.0, hours=12) for pit in (121.0, 135.0))
    for late, common, early in zip(cool, (5.0, 6.5, 8.0), hot, strict=True):
        assert early < common < late < 1.25 * common
        assert early > 0.8 * common


def test_a_tender_shoulder_held_overnight_ends_near_the_cabinets_temperature() -> None:
    """Common practice, no source: tender after 8 h, then held at 66 °C (150 °F) until the next day; never under 57 °C there."""
    bodies = MeatBodies(MeatParameters.uniform())
    for _ in range(10 * 120):
        bodies.step(30.0, PIT, WALLS, VAPOUR)
        if float(bodies.core()[0]) >= 82.0:
            bodies.wrap(np.array([True]), "foil")
        if float(bodies.core()[0]) >= 95.0:
            break
    assert float(bodies.core()[0]) >= 95.0
    cores = []
    for _ in range(12 * 120):
        bodies.step(30.0, 66.0, 66.0, 12_000.0, 0.5)
        cores.append(float(bodies.core()[0]))
    assert max(cores) < 97.0 and min(cores) > 57.2
    assert cores[-1] == pytest.approx(66.0, abs=2.0)


def test_a_low_pit_has_a_plateau_of_hours() -> None:
    """Common practice, no source: 107 °C unwrapped stalls for hours around 66-77 °C; the same climb below is much faster."""
    at40, at51, at66, at77 = hours_to([40.0, 51.0, 66.0, 77.0], 107.0, hours=12)
    assert at77 - at66 > 2.0
    assert at77 - at66 > 3 * (at51 - at40)


def test_wraps_rank_as_cooks_say() -> None:
    """Common practice, no source: foil is fastest, then paper, then a boat, then nothing."""
    times = [hours_to([93.0], 121.0, wrap_at=74.0, material=m)[0] for m in ("foil", "paper", "boat", "none")]
    assert times[0] + 0.1 < times[1] < times[2] < times[3]
    assert times[-1] > times[0] + 1.0


def rested(air: float, hours: float, draught: float = 0.5) -> tuple[float, float]:
    """Core at the end and highest core, °C, of a wrapped shoulder off the pit at 90 °C core."""
    bodies = MeatBodies(MeatParameters.uniform())
    bodies.wrap(np.array([True]), "foil")
    while float(bodies.core()[0]) < 90.0:
        bodies.step(30.0, PIT, WALLS, VAPOUR)
    highest = 90.0
    for _ in range(int(hours * 120)):
        bodies.step(30.0, air, air, 1500.0, draught)
        highest = max(highest, float(bodies.core()[0]))
    return float(bodies.core()[0]), highest


def test_rest_carries_over_and_a_cabinet_holds() -> None:
    """Common practice, no source: the core climbs a little off the fire, and an overnight hold at 66 °C (150 °F) ends
    near 66 °C."""
    end, highest = rested(66.0, 10.0)
    assert 90.05 < highest < 94.0
    assert end == pytest.approx(66.0, abs=3.0)


def test_on_the_table_it_falls_below_the_hold_floor_in_hours() -> None:
    """Common practice, no source: a wrapped shoulder on the table stays above 57 °C for two to seven hours."""
    early, _ = rested(20.0, 2.0)
    late, _ = rested(20.0, 7.0)
    assert early > 57.2 > late
