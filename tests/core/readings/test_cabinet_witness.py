"""No air makes a core colder than itself: what a held core says against its cabinet's probe."""

from __future__ import annotations

import json
from math import exp, nan, sin

import pytest

from daemon.core.readings.cabinet_witness import FALLS_FOR, MINUTE, SMOOTHED, CabinetWitness

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


def told(core: list[float], first: int = 100) -> list[int]:
    """The minutes from `first` on in which one that was found in that minute is told still."""
    witness = CabinetWitness()
    assert witness.minute(first * MINUTE, AIR[:first], [core[:first]], held=True)
    assert witness.since == (first - FALLS_FOR) * MINUTE and witness.air == pytest.approx(65.0, abs=0.2)
    later = range(first + 1, len(core))
    return [m for m in later if witness.minute(m * MINUTE, AIR[:m], [core[:m]], held=True)]


def test_what_was_found_lasts_until_meat_and_air_agree_for_as_long() -> None:
    core = cooling(66.0, 20.0, 4.0, 100)
    warmed = [65.0 + (core[99] - 65.0) * exp(-m / 60.0 / 4.0) for m in range(120)]
    ended = told([*core, *warmed])[-1] - 100
    assert FALLS_FOR - SMOOTHED <= ended <= FALLS_FOR + 10, "the heater is on again"


def test_a_core_that_falls_no_more_because_it_is_cold_does_not_acquit_the_air() -> None:
    core = cooling(66.0, 20.0, 1.0)
    assert told(core)[-1] == len(core) - 1
    warmer_morning = [*core, *(20.0 + m / 120.0 for m in range(1, 240))]
    air = AIR + AIR
    witness = CabinetWitness()
    assert all(witness.minute(m * MINUTE, air[:m], [warmer_morning[:m]], held=True) for m in range(100, 839))


def test_a_fall_that_comes_and_goes_is_one_finding() -> None:
    """The heater trips and comes back a little while later, again and again."""
    core = [66.0]
    for minute in range(1, 590):
        core.append(core[-1] + ((20.0 if minute < 100 or minute % 40 < 25 else 65.0) - core[-1]) / 240.0)
    assert told(core) == list(range(101, 590))


def test_where_no_core_tells_it_stays_until_nothing_is_held() -> None:
    core, witness = cooling(66.0, 20.0, 4.0, 200), CabinetWitness()
    assert witness.minute(100 * MINUTE, AIR[:100], [core[:100]], held=True)
    assert witness.minute(101 * MINUTE, AIR[:101], [[*core[:100], nan]], held=True)
    assert witness.minute(102 * MINUTE, AIR[:102], [], held=True)
    assert not witness.minute(103 * MINUTE, AIR[:103], [core[:103]], held=False)
