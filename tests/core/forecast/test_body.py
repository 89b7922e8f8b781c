"""The bodies behind the forecast against handbook values and exact solutions."""

import numpy as np
import pytest

from daemon.core.forecast.body import (
    JUICE_SHARE,
    BodyTraits,
    MeatEnsemble,
    Surroundings,
    air_pressure,
    meat_properties,
    saturation_pressure,
    thermal_properties,
)
from daemon.core.forecast.members import MEMBERS, prior, traits_of
from daemon.core.settings import MeatKind, PieceSettings, Wrap


def body(shape: float, **changed: float) -> BodyTraits:
    """One dry body (no vapour leaves it) of the usual meat, unless changed."""
    meat = meat_properties(15.0)
    values = {
        "half_thickness": 0.06, "conductivity": meat.conductivity, "volumetric_heat": meat.density * meat.heat_capacity,
        "convection": 12.0, "wall_offset": 0.0, "vapour_pressure": 5000.0, "skin": 320.0, "skin_growth": 5500.0,
        "skin_power": 1.0, "skin_insulation": 0.012, "juice_feed": 0.6, "juice_middle": 62.0, "juice_spread": 8.0,
        "juice_delay": 600.0, "shrinking": 0.0, "water_density": meat.density * meat.water, "wrap_vapour": 1.0,
        "wrap_gap": 1.0, "depth": 0.0, "start": 5.0, "probe_bias": 0.0, "pit_bias": 0.0,
    } | changed  # fmt: skip
    return BodyTraits(shape, *(np.array([values[name]]) for name in BodyTraits.__slots__[1:]))


def test_a_piece_that_loses_its_juice_heats_the_quicker() -> None:
    # Heat capacity by the mass balance of Choi & Okos' mixture: with the juice gone its water's 4.19 MJ/m3K are gone. Where
    # nothing else changes, time runs faster inside by just that share.
    meat = meat_properties(15.0)
    lost = JUICE_SHARE * meat.density * meat.water / 1000.0 * 4.19e6 / (meat.density * meat.heat_capacity)
    released = {"juice_middle": -200.0, "juice_feed": 0.0, "vapour_pressure": 90_000.0}
    plain = MeatEnsemble(body(1.0, **released))
    shrunk = MeatEnsemble(body(1.0, shrinking=1.0, **released))
    for _ in range(60):
        for ensemble, step in ((plain, 60.0), (shrunk, 60.0 * (1.0 - lost))):
            ensemble.step(step, one(120.0), one(12.0), one(90_000.0), Surroundings.bare(1))
    assert shrunk.centre[0] == pytest.approx(plain.centre[0], abs=0.3)


def one(value: float) -> np.ndarray:
    return np.array([value])


@pytest.mark.parametrize(
    ("component", "conductivity", "density", "heat_capacity"),
    [
        # Choi & Okos (1986) as printed in ASHRAE Handbook - Refrigeration, "Thermal Properties of Foods", evaluated by hand
        # at 0 °C, where only the constants of the table remain.
        ((1.0, 0.0, 0.0, 0.0), 0.57109, 997.18, 4176.2),
        ((0.0, 1.0, 0.0, 0.0), 0.17881, 1329.9, 2008.2),
        ((0.0, 0.0, 1.0, 0.0), 0.18071, 925.59, 1984.2),
        ((0.0, 0.0, 0.0, 1.0), 0.32962, 2423.8, 1092.6),
    ],
)
def test_pure_components_are_the_handbooks(
    component: tuple[float, float, float, float], conductivity: float, density: float, heat_capacity: float
) -> None:
    found = thermal_properties(*component, 0.0)
    assert found.conductivity == pytest.approx(conductivity)
    assert found.density == pytest.approx(density)
    assert found.heat_capacity == pytest.approx(heat_capacity)


def test_fat_conducts_less_when_hot_but_never_negatively() -> None:
    # Misprints of the fat row (2.7604e-3, -2.7604e-3) are about; with the latter fat stops conducting at 65 °C.
    assert 0.14 < thermal_properties(0.0, 0.0, 1.0, 0.0, 90.0).conductivity < 0.18


def test_meat_lies_where_measured_meat_lies() -> None:
    # ASHRAE Refrigeration, thermal diffusivity of foods: cooked and raw beef, pork and ham 1.1e-7 to 1.4e-7 m2/s at room
    # temperature (from memory); a little more when warm.
    for fat in (3.0, 15.0, 25.0):
        assert 1.2e-7 < meat_properties(fat, 40.0).diffusivity < 1.6e-7


@pytest.mark.parametrize(("celsius", "kilopascal"), [(20.0, 2.339), (60.0, 19.946), (80.0, 47.414), (100.0, 101.42)])
def test_saturation_pressure_is_the_steam_tables(celsius: float, kilopascal: float) -> None:
    # IAPWS-IF97 saturation pressures, as in every steam table (from memory); Antoine is good to 0.5 %.
    assert float(saturation_pressure(one(celsius))[0]) / 1000.0 == pytest.approx(kilopascal, rel=5e-3)


def test_air_is_thinner_where_water_boils_sooner() -> None:
    assert air_pressure(100.0) == pytest.approx(101_325.0, rel=2e-3)
    assert air_pressure(95.0) == pytest.approx(84_530.0, rel=5e-3)  # IAPWS-IF97, from memory


@pytest.mark.parametrize(
    ("shape", "first_root", "first_factor"),
    [
        # First roots and coefficients of the one-term solution at Biot number 1: Incropera & DeWitt, Fundamentals of
        # Heat and Mass Transfer, table 5.1 (from memory).
        (0.0, 0.8603, 1.1191),
        (1.0, 1.2558, 1.2071),
        (2.0, 1.5708, 1.2732),
    ],
)
def test_conduction_follows_the_one_term_solution(shape: float, first_root: float, first_factor: float) -> None:
    """A body that neither dries nor radiates: foil-tight, no radiation, one conductance, Biot 1."""
    traits = body(shape, half_thickness=0.06, start=10.0, wrap_vapour=0.0)
    conductance = float(traits.conductivity[0]) / 0.06
    around = Surroundings(cover=one(1.0), radiation=one(0.0), gap=one(1e9), vapour=one(0.0))
    ensemble = MeatEnsemble(traits)
    air, steps, step = 70.0, 180, 60.0
    for _ in range(steps):
        ensemble.step(step, one(air), one(conductance), one(5000.0), around)
    diffusivity = float(traits.conductivity[0] / traits.volumetric_heat[0])
    fourier = diffusivity * steps * step / 0.06**2
    assert fourier > 0.2  # where one term is enough
    centre = air + (10.0 - air) * first_factor * np.exp(-(first_root**2) * fourier)
    assert float(ensemble.centre[0]) == pytest.approx(centre, abs=0.6)


@pytest.mark.parametrize(("step", "apart"), [(200.0, 1.2), (600.0, 4.0), (3600.0, 20.0)])
def test_a_long_step_is_stable_and_nearly_the_same(step: float, apart: float) -> None:
    fine, coarse = MeatEnsemble(body(1.2)), MeatEnsemble(body(1.2))
    around = Surroundings.bare(1)
    for ensemble, seconds in ((fine, 30.0), (coarse, step)):
        for _ in range(round(6 * 3600 / seconds)):
            ensemble.step(seconds, one(128.0), one(12.0), one(5000.0), around)
    assert float(coarse.centre[0]) == pytest.approx(float(fine.centre[0]), abs=apart)


def climb(**changed: float) -> np.ndarray:
    """Core of one bare body, °C every 5 min for 15 h at 120 °C."""
    ensemble, around = MeatEnsemble(body(1.2, **changed)), Surroundings.bare(1)
    path = []
    for _ in range(15 * 12):
        ensemble.step(300.0, one(120.0), one(12.0), one(5000.0), around)
        path.append(float(ensemble.centre[0]))
    return np.array(path)


def test_juice_let_go_at_once_holds_the_plateau_flat() -> None:
    # Cooks report cores that stand nearly still in the stall (common practice, no source).
    def slowest(path: np.ndarray) -> float:
        return float(12.0 * np.gradient(path)[(path > 55.0) & (path < 85.0)].min())

    assert (
        slowest(climb(juice_spread=2.0, juice_feed=1.0)) < 3.0 < slowest(climb(juice_spread=8.0, juice_feed=1.0))
    )  # °C/h


def test_a_skin_that_closes_ends_the_plateau_in_a_climb() -> None:
    even, closing = climb(skin_power=1.0), climb(skin_power=2.5)
    late = slice(-60, None)  # the last 5 h
    assert closing[late].mean() > even[late].mean() + 1.0


def test_wet_meat_never_passes_the_boiling_point() -> None:
    ensemble, around = MeatEnsemble(body(1.0), air_pressure(95.0)), Surroundings.bare(1)
    around.wrap(ensemble.traits, Wrap.FOIL, np.array([True]))
    for _ in range(400):
        ensemble.step(300.0, one(160.0), one(12.0), one(5000.0), around)
    assert 93.0 < float(ensemble.centre[0]) < 95.0


def test_the_prior_knows_the_trades_shoulder() -> None:
    """Common practice, no source: a large bone-in shoulder at 121-135 °C reaches 74 °C at about 5 h, 82 °C at about 6.5 h and,
    wrapped at 82 °C, is tender at about 8 h. The prior's median must lie near, and its spread contain it."""
    piece = PieceSettings("p", "p", "pork-shoulder", MeatKind.WHOLE_ROAST, "c", 4.5, 0.125, 1.3, fat_percent=16.0)
    traits = traits_of(prior(), piece, 5.0)
    ensemble, around = MeatEnsemble(traits), Surroundings.bare(MEMBERS)
    paths, wrapped = [], np.zeros(MEMBERS, dtype=bool)
    for _ in range(16 * 12):
        wrapped |= ensemble.core >= 82.0
        around.wrap(traits, Wrap.FOIL, wrapped)
        ensemble.step(300.0, 125.0 + traits.pit_bias, traits.convection, traits.vapour_pressure, around)
        paths.append(ensemble.core)
    for celsius, hours in ((74.0, 5.0), (82.0, 6.5), (95.0, 8.0)):
        reached = ((np.array(paths) >= celsius).argmax(axis=0) + 1) / 12.0
        assert np.median(reached) == pytest.approx(hours, rel=0.2)
        assert np.quantile(reached, 0.05) < hours < np.quantile(reached, 0.95)


def test_meat_at_rest_ends_at_the_temperature_of_its_room() -> None:
    ensemble = MeatEnsemble(body(1.0, wall_offset=13.0, start=80.0, juice_feed=0.0))
    for _ in range(200):
        ensemble.rest_step(600.0, one(20.0), Surroundings.bare(1))
    assert 12.0 < ensemble.centre[0] < 20.1  # a wet surface stays a little below the air, and nothing above it
