"""Thermocouple arithmetic against NIST's functions in a second transcription and against published worked examples."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.codecs import thermocouple as tc

DATA = Path(__file__).parents[2] / "data"
LETTERS = "KJTNESRB"
ALLOWED = 0.01
"""°C over the whole table"""


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")))


TABLE = rows("its90_emf.csv")


@pytest.mark.parametrize("letter", LETTERS)
def test_the_whole_table_agrees_with_a_second_transcription_of_nist_monograph_175(letter: str) -> None:
    """tests/data/its90_emf.csv: PyPI thermocouples_reference, every 10 °C."""
    mine = [row for row in TABLE if row["type"] == letter]
    assert len(mine) > 60
    for row in mine:
        celsius, millivolt = float(row["celsius"]), float(row["millivolt"])
        assert tc.voltage(letter, celsius) == pytest.approx(millivolt, abs=2e-6)
        if letter == "B" and not 250 <= celsius < 1820:
            continue  # two temperatures for one voltage below 0.291 mV; its inverse ends at 13.820 mV
        low, high = tc.voltage(letter, tc.span(letter)[0]), tc.voltage(letter, tc.span(letter)[1])
        inverted = tc.temperature(letter, min(max(millivolt, low), high))
        assert inverted == pytest.approx(celsius, abs=ALLOWED), row


PUBLISHED = {  # mV at °C, NIST table values to 3 decimals; srdata.nist.gov type_t.tab and instrumentation.com emfk_c
    "T": {-270: -6.258, -200: -5.603, -100: -3.379, -40: -1.475},
    "K": {-270: -6.458, -200: -5.891, -140: -4.669},
}


@pytest.mark.parametrize(("letter", "celsius"), [(letter, t) for letter, table in PUBLISHED.items() for t in table])
def test_published_table_values(letter: str, celsius: int) -> None:
    assert round(tc.voltage(letter, celsius), 3) == PUBLISHED[letter][celsius]


@pytest.mark.parametrize(("millivolt", "fahrenheit"), [(2.55, 195), (6.21, 357), (10.93, 567), (18.83, 904)])
def test_type_k_worked_examples_with_terminals_at_84_f(millivolt: float, fahrenheit: float) -> None:
    """instrumentationtools.com, "Calculate the thermocouple's measurement junction temperature": whole degrees F."""
    found = tc.temperature("K", millivolt, cold_junction=(84 - 32) / 1.8)
    assert found * 1.8 + 32 == pytest.approx(fahrenheit, abs=0.5)


@pytest.mark.parametrize(("millivolt", "celsius"), [(5.05, 112), (31.44, 586), (40.29, 732)])
def test_type_j_worked_examples_with_terminals_at_17_c(millivolt: float, celsius: float) -> None:
    """The same page; its answer for 17.82 mV disagrees with its own neighbours and with NIST and is left out."""
    assert tc.temperature("J", millivolt, cold_junction=17) == pytest.approx(celsius, abs=0.5)


@pytest.mark.parametrize(
    ("celsius", "millivolt"),
    [(-200, -6.4733), (-100, -4.2489), (-20, -1.6271), (0, -0.8703), (10, -0.4793), (20, -0.0807)],
)
def test_type_t_table_with_the_reference_at_22_c(celsius: float, millivolt: float) -> None:
    """William & Mary physics laboratory, type T data (the page prints the values without their sign)."""
    assert tc.voltage("T", celsius) - tc.voltage("T", 22) == pytest.approx(millivolt, abs=5e-4)
    assert tc.temperature("T", millivolt, cold_junction=22) == pytest.approx(celsius, abs=0.03)


@given(letter=st.sampled_from(LETTERS), part=st.floats(0, 1), cold=st.floats(0, 60))
def test_every_hot_junction_comes_back(letter: str, part: float, cold: float) -> None:
    low, high = tc.span(letter)
    low = max(low, 260.0 if letter == "B" else -260.0)
    celsius = low + 0.1 + part * (high - low - 0.2)  # rounding at the very ends falls off the table
    measured = tc.voltage(letter, celsius) - tc.voltage(letter, cold)
    assert tc.temperature(letter, measured, cold) == pytest.approx(celsius, abs=ALLOWED)


@pytest.mark.parametrize("letter", LETTERS)
def test_beyond_the_table_there_is_no_temperature(letter: str) -> None:
    with pytest.raises(tc.OutOfRange):
        tc.temperature(letter, 200.0)
    with pytest.raises(tc.OutOfRange):
        tc.voltage(letter, 3000.0)


@pytest.mark.parametrize("row", rows("max31855k_linear.csv"), ids=lambda row: row["true_hot_C"])
def test_the_linear_chip_and_its_correction(row: dict[str, str]) -> None:
    """tests/data/max31855k_linear.csv; the correction starts from the reading rounded to the chip's 0.25 °C."""
    cold, hot, shown = (float(row[name]) for name in ("cold_junction_C", "true_hot_C", "ideal_chip_reading_C"))
    sensitivity = tc.SENSITIVITY_MAX31855["K"]
    assert tc.linear_chip_shows("K", hot, cold, sensitivity) == pytest.approx(shown, abs=6e-4)
    corrected = tc.corrected("K", float(row["reading_quantised_0.25_C"]), cold, sensitivity)
    assert corrected == pytest.approx(float(row["corrected_C"]), abs=6e-4)
    assert corrected == pytest.approx(hot, abs=0.14)  # what half a step of 0.25 °C leaves


@pytest.mark.parametrize("letter", "KJNESR")
def test_each_chip_type_takes_the_mean_sensitivity_up_to_1000_c(letter: str) -> None:
    assert tc.SENSITIVITY_MAX31855[letter] == pytest.approx(tc.voltage(letter, 1000) / 1000, abs=6e-7)


def test_the_type_t_chip_takes_the_mean_sensitivity_up_to_400_c() -> None:
    assert tc.SENSITIVITY_MAX31855["T"] == pytest.approx(tc.voltage("T", 400) / 400, abs=6e-7)


def test_what_the_max6675_loses_by_not_telling_its_cold_junction() -> None:
    worst = max(
        abs(
            tc.corrected(
                "K",
                tc.linear_chip_shows("K", hot, cold, tc.SENSITIVITY_MAX6675),
                tc.ASSUMED_COLD_JUNCTION,
                tc.SENSITIVITY_MAX6675,
            )
            - hot
        )
        for hot in range(-20, 401, 10)
        for cold in range(0, 61, 5)
    )
    assert 0.5 < worst < 0.7


def test_adding_temperatures_instead_of_voltages_would_be_wrong() -> None:
    measured = tc.voltage("K", 121.1) - tc.voltage("K", 30)
    assert tc.temperature("K", measured, 30) == pytest.approx(121.1, abs=ALLOWED)
    assert tc.temperature("K", measured) + 30 == pytest.approx(121.92, abs=0.01)
