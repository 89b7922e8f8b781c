"""Lethality against the published tables themselves (sources in the head of each file under tests/data)."""

from __future__ import annotations

import csv
from math import inf, log10
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.food_safety.lethality import LethalityTable, celsius, lethality_table
from daemon.core.settings import MeatKind

DATA = Path(__file__).parents[2] / "data"


def rows(name: str) -> list[dict[str, str]]:
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


MEAT = rows("fsis_meat_table2.csv")
POULTRY = rows("fsis_poultry_tables3_4.csv")
ROAST = lethality_table(MeatKind.WHOLE_ROAST)


def held(table: LethalityTable, core: float, seconds: float) -> float:
    return table.gained(core, seconds)


@pytest.mark.parametrize(
    ("kind", "column"),
    [(MeatKind.WHOLE_ROAST, "seconds_6.5log"), (MeatKind.GROUND, "seconds_7log"), (MeatKind.OTHER, "seconds_7log")],
)
def test_each_row_of_the_meat_table_held_for_its_time_is_exactly_enough(kind: MeatKind, column: str) -> None:
    table = lethality_table(kind)
    assert len(MEAT) == 31
    for row in MEAT:
        core, seconds = celsius(float(row["temp_F"])), float(row[column])
        assert held(table, core, seconds) == pytest.approx(1.0, abs=1e-12)
        if seconds:
            assert held(table, core, seconds - 1.0) < 1.0
            assert held(table, core - 0.01, seconds) < 1.0


def test_each_cell_of_the_poultry_tables_held_for_its_time_is_exactly_enough() -> None:
    assert len(POULTRY) == 720
    for row in POULTRY:
        table = lethality_table(MeatKind.POULTRY, f"{row['species']}-whole", float(row["fat_pct"]))
        core, seconds = celsius(float(row["temp_F"])), float(row["seconds"])
        assert held(table, core, seconds) == pytest.approx(1.0, abs=1e-12), row
        if seconds:
            assert held(table, core, seconds * 0.99) < 1.0


def test_the_roast_column_is_also_the_food_codes_roast_table() -> None:
    food_code = rows("food_code_roasts.csv")
    assert len(food_code) == 17
    for row in food_code:
        assert ROAST.seconds_needed(celsius(float(row["temp_F"]))) == float(row["seconds"])


def test_nothing_counts_below_the_lowest_row_and_158_fahrenheit_is_instant() -> None:
    assert ROAST.seconds_needed(54.4) == inf  # the printed, rounded figure of 130 °F lies below it
    assert ROAST.gained(54.4, 1e9) == 0.0
    assert lethality_table(MeatKind.POULTRY).gained(57.7, 1e9) == 0.0
    assert ROAST.gained(celsius(158.0), 0.0) == 1.0
    assert ROAST.seconds_needed(celsius(157.9)) == 14.0


def test_slope_is_that_of_the_guideline() -> None:
    """z = 10.01 °F for the 6.5-log column from 130 to 157 °F: least squares over the printed rows."""
    points = [(float(r["temp_F"]), log10(float(r["seconds_6.5log"]))) for r in MEAT if float(r["seconds_6.5log"])]
    mean_f = sum(f for f, _ in points) / len(points)
    mean_log = sum(y for _, y in points) / len(points)
    slope = sum((f - mean_f) * (y - mean_log) for f, y in points) / sum((f - mean_f) ** 2 for f, _ in points)
    assert -1 / slope == pytest.approx(10.01, abs=0.01)
    between = ROAST.seconds_needed(celsius(139.0)) / ROAST.seconds_needed(celsius(149.0))
    assert between == pytest.approx(10.0, rel=0.1)


@given(st.floats(50.0, 80.0), st.floats(50.0, 80.0), st.sampled_from(list(MeatKind)))
def test_hotter_never_needs_longer(one: float, other: float, kind: MeatKind) -> None:
    table = lethality_table(kind)
    low, high = sorted((one, other))
    assert table.seconds_needed(high) <= table.seconds_needed(low)


def test_unknown_or_high_fat_uses_twelve_per_cent_and_other_birds_the_longer_time() -> None:
    at = celsius(150.0)
    assert lethality_table(MeatKind.POULTRY, "chicken-whole").seconds_needed(at) == pytest.approx(4.2 * 60)
    assert lethality_table(MeatKind.POULTRY, "chicken-whole", 30.0).seconds_needed(at) == pytest.approx(4.2 * 60)
    assert lethality_table(MeatKind.POULTRY, "turkey-whole", 0.5).seconds_needed(at) == pytest.approx(3.8 * 60)
    assert lethality_table(MeatKind.POULTRY, "duck-whole").seconds_needed(at) == pytest.approx(4.9 * 60)
    at_136 = celsius(136.0)
    assert lethality_table(MeatKind.POULTRY, "duck-whole").seconds_needed(at_136) == pytest.approx(81.4 * 60)
