"""The pit of the simulator: heat and wood are conserved, and it behaves as small pits are said to (common practice,
no source)."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.simulated.pit import WOOD_HEAT, PitParameters, Pits, Stokers

AMBIENT = 12.0


def tended(n: int = 40, hours: float = 8.0, seed: int = 5) -> tuple[Pits, Stokers, np.ndarray, np.ndarray]:
    """Pits after some tended hours, their stokers, gas by step (steps, n), and logs by step (steps, n)."""
    rng = np.random.default_rng(seed)
    pits = Pits(PitParameters.uniform(n), AMBIENT)
    pits.settle(AMBIENT)
    stokers = Stokers(pits, rng)
    gas, logs = [], []
    for i in range(int(hours * 240)):
        fed, _ = stokers.act(i * 15.0, pits.gas, AMBIENT)
        pits.step(15.0, AMBIENT, wind=2.0)
        gas.append(pits.gas.copy())
        logs.append(fed)
    return pits, stokers, np.array(gas), np.array(logs)


@pytest.mark.parametrize("step", [1.0, 15.0, 120.0])
def test_heat_and_wood_are_conserved(step: float) -> None:
    """First law: heat held = burned - lost; wood given = burned + still there."""
    pits = Pits(PitParameters.uniform(2), AMBIENT)
    held = pits.heat_content()
    pits.light(embers=3e6)
    given = np.full(2, 3e6)
    rng = np.random.default_rng(1)
    for i in range(int(4 * 3600 / step)):
        if i % int(1800 / step) == 0:
            pits.add_logs(np.array([True, i == 0]), 0.5 * WOOD_HEAT)
            given += 0.5 * WOOD_HEAT * pits.parameters.efficiency * np.array([True, i == 0])
        pits.lid_open[:] = rng.random() < 0.05
        pits.step(step, AMBIENT, wind=3.0, rain=1.0)
        assert (pits.gas > AMBIENT - 1e-9).all() and (pits.gas < 400).all()
    assert pits.heat_content() - held == pytest.approx(pits.burned - pits.lost, rel=1e-9)
    assert pits.burned + pits.wood_left() == pytest.approx(given, rel=1e-9)


def test_a_tended_pit_keeps_near_its_set_point() -> None:
    """Common practice, no source: within ±7 °C for more than half of the time, one to three small logs an hour."""
    _, _, gas, logs = tended()
    late = gas[240:]
    assert abs(late.mean() - 128.0) < 6.0
    assert np.mean(np.abs(late - 128.0) < 7.0) > 0.5
    assert 1.0 < logs.sum() / (40 * 8) < 3.0


def test_a_damper_habit_is_a_habit_and_steadies_the_pit() -> None:
    swings = {}
    for tends in (True, False):
        pits = Pits(PitParameters.uniform(200), AMBIENT)
        pits.settle(AMBIENT)
        stokers = Stokers(pits, np.random.default_rng(5), tends_damper=tends)
        gas, moves = [], 0
        for i in range(6 * 240):
            _, moved = stokers.act(i * 15.0, pits.gas, AMBIENT)
            pits.step(15.0, AMBIENT, wind=2.0)
            gas.append(pits.gas.copy())
            moves += int(moved.sum())
        assert (moves > 0) is tends
        assert (pits.damper != 1.0).any() == tends
        swings[tends] = float(np.std(gas[240:], axis=0).mean())
    assert swings[True] < swings[False]


def test_left_alone_it_leaves_the_band_within_the_hour() -> None:
    """Common practice, no source: a small pit without a stoker falls out of its band after some 10 to 60 minutes."""
    pits, _, _, _ = tended()
    below = np.full(40, np.nan)
    for i in range(4 * 90):
        pits.step(15.0, AMBIENT, wind=2.0)
        below = np.where(np.isnan(below) & (pits.gas < 121.0), i / 4, below)
    assert np.isfinite(below).all()
    assert 10 < np.median(below) < 60


def test_a_look_under_the_lid_is_made_good_in_a_quarter_of_an_hour() -> None:
    """Common practice, no source: 90 s of open lid cost tens of degrees, and most of it is back within 15 minutes."""
    pits = Pits(PitParameters.uniform(1), AMBIENT)
    pits.settle(AMBIENT)
    before = float(pits.gas[0])
    pits.lid_open[:] = True
    for _ in range(6):
        pits.step(15.0, AMBIENT)
    lowest = float(pits.gas[0])
    pits.lid_open[:] = False
    pits.add_logs(np.array([True]), 0.5 * WOOD_HEAT)
    for _ in range(60):
        pits.step(15.0, AMBIENT)
    assert 20 < before - lowest < 90
    assert float(pits.gas[0]) > before - 0.2 * (before - lowest)


def test_wood_on_a_dead_fire_does_not_burn() -> None:
    pits = Pits(PitParameters.uniform(2), AMBIENT)
    pits.light(np.array([True, False]))
    pits.add_logs(np.array([True, True]), WOOD_HEAT)
    for _ in range(240):
        pits.step(15.0, AMBIENT)
    assert pits.gas[0] > 60.0
    assert pits.gas[1] == pytest.approx(AMBIENT, abs=0.1)


def test_wind_and_rain_cool_and_the_firebox_end_is_hotter() -> None:
    pits = Pits(PitParameters.uniform(3), AMBIENT)
    pits.settle(AMBIENT)
    assert (pits.place(0.06) > pits.gas).all() and (pits.place(-0.05) < pits.gas).all()
    assert (pits.radiant() < pits.gas).all() and (pits.gas - pits.radiant() < 20).all()
    for _ in range(120):
        pits.step(15.0, AMBIENT, wind=np.array([0.0, 6.0, 0.0]), rain=np.array([0.0, 0.0, 4.0]))
    assert pits.gas[0] > pits.gas[1] and pits.gas[0] > pits.gas[2]


def test_an_open_damper_burns_hotter_and_shorter() -> None:
    pits = Pits(PitParameters.uniform(2), AMBIENT)
    pits.settle(AMBIENT)
    pits.damper = np.array([1.0, 1.8])
    pits.add_logs(np.array([True, True]), WOOD_HEAT)
    hottest = np.zeros(2)
    for _ in range(240):
        pits.step(15.0, AMBIENT)
        hottest = np.maximum(hottest, pits.gas)
    assert hottest[1] > hottest[0] + 15
    assert pits.wood_left()[1] < pits.wood_left()[0]


def test_unknown_parameters_are_refused() -> None:
    with pytest.raises(TypeError, match="not a pit parameter: colour"):
        PitParameters.uniform(1, colour=1.0)
