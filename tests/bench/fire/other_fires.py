"""Fires of one more structure, for the benches: no world of tests/worlds, and nothing is learned from them.

The pit is a small model of its own (gas, steel and firebox as three lumps; logs that give off gas, then char). A cook tends it by
eye for some hours, then stops. Pits differ in size, wood, weather, skill and probe.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from daemon.core.settings import Band

STEP = 15.0
"""s"""
TENDED = 240
"""Minutes the cook tends the fire at most, of which a random share at the end is not tended."""
LONGEST = 180
"""Minutes after the last log within which a fire must leave the band to count."""
WOOD = 15.0e6
"""J/kg, air-dry hardwood, lower heating value (common practice, no source)."""


@dataclass(frozen=True)
class Fire:
    """One tended, then abandoned fire. pit: measured °C by minute. logs, lids: minutes. left: minute at which the
    pit went under the low edge for good, or None. band: what the cook aimed at."""

    pit: list[float]
    logs: list[int]
    lids: list[int]
    dampers: list[int]
    left: int | None
    band: Band


def burn(rng: np.random.Generator, mass: float = 1.0, losses: float = 1.0) -> Fire:
    """One fire. Parameters are drawn wide: no pit in particular. mass, losses: factors on the pit's steel and on what it
    loses through walls and flue; logs are cut for an ordinary pit, so that a well insulated one is fed more seldom."""
    low = rng.uniform(100, 130)
    band = Band(low, low + rng.uniform(10, 20))
    aim = band.middle + rng.normal(0, 2)
    ambient = rng.uniform(-2, 25)
    gas_heat, steel_heat, box_heat = 14e3 * rng.uniform(0.7, 1.6), 58e3 * rng.uniform(0.6, 1.8), 20e3
    gas_steel, box_gas = 60 * rng.uniform(0.8, 1.25), 30 * rng.uniform(0.7, 1.5)
    loss, flue = 25 * (1 + 0.06 * rng.uniform(0, 6)) * rng.uniform(0.8, 1.3), 20 * rng.uniform(0.7, 1.4)
    log_size = _needed(aim - ambient, gas_steel, loss, flue) * 60 * rng.uniform(15, 35) / WOOD
    # kg: lasts an ordinary pit so many minutes by itself
    steel_heat, loss, flue = steel_heat * mass, loss * losses, flue * losses
    need = _needed(aim - ambient, gas_steel, loss, flue)
    believed = need * rng.uniform(0.6, 0.9)
    skill = rng.uniform(0.05, 0.35)
    lag = rng.uniform(10, 60)
    gas = steel = box = aim + rng.normal(0, 4)
    steel -= 15
    shown, damper = gas, 1.0
    burning: list[list[float]] = [[log_size * WOOD * 0.8, rng.uniform(0, 1500), 650.0, 2200.0] for _ in range(2)]
    stop = int(rng.uniform(110, TENDED) / losses)
    look, lid_until, left = 0.0, -1.0, None
    pit: list[float] = []
    logs: list[int] = []
    lids: list[int] = []
    dampers: list[int] = []
    for minute in range(int(TENDED / losses) + LONGEST):
        values = []
        for _ in range(int(60 / STEP)):
            heat = 0.0
            for log in burning:
                clock = log[1] = log[1] + STEP * damper
                gassing = clock / log[2] ** 2 * np.exp(-clock / log[2])
                heat += damper * log[0] * (0.65 * gassing + 0.35 / log[3] * np.exp(-clock / log[3]))
            lid = 150.0 if minute < lid_until else 0.0
            to_box, to_gas, to_steel = heat, box_gas * (box - gas), gas_steel * (gas - steel)
            box += STEP * (to_box - to_gas) / box_heat
            gas += STEP * (to_gas - to_steel - (flue * (0.5 + 0.5 * damper) + lid) * (gas - ambient)) / gas_heat
            steel += STEP * (to_steel - loss * (steel - ambient)) / steel_heat
            shown += STEP * (gas - shown) / max(lag, STEP)
            values.append(round((shown + rng.normal(0, 0.4)) * 4) / 4)
        pit.append(float(np.median(values)))
        burning = [log for log in burning if log[1] < 5 * log[3]]
        if minute < stop and minute >= look:
            look = minute + rng.uniform(4, 12)
            ahead = sum(_heat_ahead(log, 1200.0 * damper) for log in burning) * (1 + rng.normal(0, skill))
            error = shown - aim
            wanted = float(np.clip(1 - 0.05 * error * rng.uniform(0.3, 1.2), 0.45, 1.6))
            if abs(wanted - damper) > 0.12:
                damper = wanted
                dampers.append(minute)
            believed *= 1 - 0.008 * error  # a cook learns what the pit needs
            if ahead < believed * 1200 * rng.uniform(0.8, 1.0) and error < rng.uniform(0, 5):
                size = log_size * rng.lognormal(0, 0.2)
                burning.append(
                    [size * WOOD * rng.uniform(0.75, 0.95), 0.0, rng.uniform(450, 850), rng.uniform(1700, 2800)]
                )
                logs.append(minute)
            if rng.random() < 0.03:
                lids.append(minute)
                lid_until = minute + 2
        if minute >= stop and left is None and len(pit) >= 3 and max(pit[-3:]) < band.low:
            left = minute - 2
        if left is not None and minute > left + 10:
            break
    return Fire(pit, logs, lids, dampers, left, band)


def _needed(above: float, gas_steel: float, loss: float, flue: float) -> float:
    """W that hold a pit `above` K over the air outside."""
    return above * (flue + gas_steel * loss / (gas_steel + loss))


def _heat_ahead(log: list[float], clock: float) -> float:
    """J that a log still gives within `clock` s of its burn clock."""

    def given(at: float) -> float:
        return float(0.65 * (1 - (1 + at / log[2]) * np.exp(-at / log[2])) + 0.35 * (1 - np.exp(-at / log[3])))

    return log[0] * (given(log[1] + clock) - given(log[1]))
