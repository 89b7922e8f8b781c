"""No air makes a core colder than itself: what a held core says against its cabinet's probe."""

from __future__ import annotations

import json
from math import exp, nan, sin

import pytest

from daemon.core.readings.cabinet_witness import FALLS_FOR, MINUTE, CabinetWitness

AIR = [65.0 + 0.1 * sin(1.7 * minute) for minute in range(600)]
"""°C a minute of a probe that stuck with its noise."""


def cooling(first: float, room: float, hours: float, minutes: int = 600) -> list[float]:
    """°C a minute of a core that nears `room` with a time constant of `hours`, in quarter degrees as amplifiers give them."""
    return [round(4 * (room + (first - room) * exp(-m / 60.0 / hours))) / 4 for m in range(minutes)]


def found_at(core: list[float], air: list[float] = AIR) -> int | None:
    """The minute in which it is found, over a restart in between."""
    witness = CabinetWitness()
    for minute in range(1, len(core)):
        again = CabinetWitness()
        again.load(json.loads(json.dumps(witness.dump())))
        witness = again
        if witness.minute(minute * MINUTE, air[:minute], [core[:minute]], held=True):
            return minute
    return None


@pytest.mark.parametrize("hours", [3.0, 6.0, 12.0])
def test_a_core_that_falls_on_below_the_air_is_found_within_an_hour(hours: float) -> None:
    core = cooling(80.0, 20.0, hours)
    below = next(minute for minute, celsius in enumerate(core) if celsius < 64.0)
    found = found_at(core)
    assert found is not None and below + FALLS_FOR <= found <= below + FALLS_FOR + 20


@pytest.mark.parametrize(
    ("room", "hours"),
    [(65.0, 3.0), (63.0, 1.0), (63.0, 4.0), (62.5, 0.7)],  # a probe by the heater reads up to 2.5 °C too warm
)
def test_a_core_that_comes_down_to_the_true_air_is_no_witness(room: float, hours: float) -> None:
    assert found_at(cooling(80.0, room, hours)) is None


def test_a_door_that_is_opened_and_a_heater_that_swings_are_no_witness() -> None:
    swings = [65.0 + 4.0 * sin(minute / 3.0) - 20.0 * (minute % 90 < 4) for minute in range(600)]
    assert found_at(cooling(75.0, 64.0, 2.0), swings) is None


def test_what_was_found_lasts_until_air_and_core_agree_or_nothing_is_held() -> None:
    core = cooling(66.0, 20.0, 4.0, 200)
    witness = CabinetWitness()
    assert witness.minute(100 * MINUTE, AIR[:100], [core[:100]], held=True)
    assert witness.since == (100 - FALLS_FOR) * MINUTE and witness.air == pytest.approx(65.0, abs=0.2)
    assert witness.minute(101 * MINUTE, AIR[:101], [[*core[:100], nan]], held=True), "no core tells"
    assert witness.minute(102 * MINUTE, AIR[:102], [], held=True)
    warmed = [*core[:100], *(core[99] + 0.1 * m for m in range(30))]
    assert not witness.minute(130 * MINUTE, AIR[:130], [warmed], held=True), "the heater is on again"
    assert witness.minute(100 * MINUTE, AIR[:100], [core[:100]], held=True)
    assert not witness.minute(101 * MINUTE, AIR[:101], [core[:101]], held=False)
