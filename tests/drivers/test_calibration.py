"""Boiling points against IAPWS-IF97 and a published table; calibration against made-up probes with known errors."""

from __future__ import annotations

import csv
import math
import tomllib
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws.iapws97 import _TSat_P

from config.problems import Remedy, Unfit
from config.rig import CalibrationSection
from drivers.calibration import (
    PATIENCE,
    SAMPLES,
    Calibration,
    CalibrationRefused,
    boiling_point,
    ice_point,
    lead,
    stanza,
    two_point,
)
from tests.texts.english import told_in_english

DATA = Path(__file__).parents[1] / "data"
TODAY = date(2026, 9, 12)
BOILS_AT = 99.0


def rows(name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(line for line in (DATA / name).read_text().splitlines() if not line.startswith("#")))


@pytest.mark.parametrize("row", rows("boiling_altitude.csv"), ids=lambda r: r["altitude_ft"])
def test_boiling_point_from_altitude(row: dict[str, str]) -> None:
    found = boiling_point(altitude_m=float(row["altitude_m"]))
    assert found == pytest.approx(float(row["Tsat_C(IF97)"]), abs=0.05)
    # The published table is in whole tenths of °F by another formula; it lies within 0.2 °F of IF97.
    assert found * 1.8 + 32 == pytest.approx(float(row["published_F"]), abs=0.2)


@pytest.mark.parametrize("row", rows("boiling_pressure.csv"), ids=lambda r: r["pressure_hPa"])
def test_boiling_point_from_pressure(row: dict[str, str]) -> None:
    assert boiling_point(pressure_hpa=float(row["pressure_hPa"])) == pytest.approx(float(row["Tsat_C_IF97"]), abs=1e-3)


@given(st.floats(500, 1090))
def test_boiling_point_is_that_of_the_reference_library(pressure: float) -> None:
    assert boiling_point(pressure_hpa=pressure) == pytest.approx(_TSat_P(pressure / 10_000) - 273.15, abs=1e-6)


@pytest.mark.parametrize("given_", [{"altitude_m": 9000.0}, {"pressure_hpa": 30.0}, {"pressure_hpa": math.nan}])
def test_impossible_places_are_refused(given_: dict[str, float]) -> None:
    with pytest.raises(Unfit) as refused:
        boiling_point(**given_)
    said = told_in_english(refused.value.remedy)
    assert "give" in said and ("write 30inHg" in said) == (given_.get("pressure_hpa") == 30.0)


def flat(celsius: float, ripple: float = 0.0) -> list[float]:
    return [celsius + ripple * (-1) ** n for n in range(SAMPLES)]


@given(st.floats(-4, 4), st.floats(-4, 4))
def test_two_points_undo_any_straight_error(at_ice: float, at_boiling: float) -> None:
    found = two_point(flat(at_ice), flat(BOILS_AT + at_boiling), BOILS_AT, TODAY)
    slope = (BOILS_AT + at_boiling - at_ice) / BOILS_AT
    for true in (0.0, 63.0, 93.4, 121.1):
        assert found.apply(at_ice + slope * true) == pytest.approx(true, abs=1e-9)
    assert found.residual < 1e-9


def test_residual_is_the_largest_error_left() -> None:
    found = two_point(flat(1.0, 0.2), flat(100.0, 0.1), BOILS_AT, TODAY)
    assert found.residual == pytest.approx(0.2, abs=1e-6)
    ice = ice_point(flat(-0.5, 0.1), TODAY)
    assert (ice.offset, ice.residual) == pytest.approx((-0.5, 0.1))
    assert ice == Calibration(ice.offset, 1.0, TODAY, ice.residual, "ice")


@pytest.mark.parametrize(
    ("ice", "boiling", "words"),
    [
        (flat(6.0), flat(99.0), "which is 6.0 °C off"),
        (flat(0.0), flat(93.0), "which is 6.0 °C off"),
        (flat(99.0), flat(0.0), "swapped"),
        (flat(0.0)[:-1], flat(99.0), "not steady"),
        (flat(0.0, 0.3), flat(99.0), "not steady"),
        (flat(0.0), [*flat(99.0)[1:], math.nan], "not steady"),
        ([], flat(99.0), "not steady"),
    ],
)
def test_nonsense_is_refused(ice: list[float], boiling: list[float], words: str) -> None:
    with pytest.raises(CalibrationRefused) as refused:
        two_point(ice, boiling, BOILS_AT, TODAY)
    assert words in told_in_english(refused.value.remedy)


def test_steep_slope_is_refused_high_up() -> None:
    with pytest.raises(CalibrationRefused, match="slope"):
        two_point(flat(4.5), flat(81.0 - 4.5), 81.0, TODAY)


def test_stanza_is_read_back_by_the_rig_schema() -> None:
    text = stanza("chuck", Calibration(0.312, 1.0042, TODAY, 0.12, "ice-and-boiling"))
    section = CalibrationSection.model_validate(tomllib.loads(text)["calibration"])
    assert (section.ice, section.slope, section.on, section.residual) == (0.312, 1.0042, TODAY, 0.12)
    assert section.apply(50.0) == pytest.approx(Calibration(0.312, 1.0042, TODAY, 0.12, "x").apply(50.0))


class Kitchen:
    """A probe that reads 1 °C high, settling slowly after each move, and a person who follows the guide."""

    def __init__(self, answers: list[str]) -> None:
        self.answers, self.truth, self.shown = answers, 20.0, 20.0
        self.said: list[Remedy] = []

    async def read(self) -> float:
        self.shown += 0.4 * (self.truth - self.shown)
        return self.shown + 1.0

    async def ask(self, question: Remedy) -> str:
        self.truth = 0.0 if "in the ice" in told_in_english(question) else BOILS_AT
        return self.answers.pop(0)


async def test_the_guide_leads_through_both_points() -> None:
    kitchen = Kitchen(["", ""])
    found = await lead(kitchen.read, kitchen.ask, kitchen.said.append, boils_at=BOILS_AT, today=TODAY)
    assert found.offset == pytest.approx(1.0, abs=0.1)
    assert found.apply(64.0) == pytest.approx(63.0, abs=0.3)
    text = "\n".join(map(told_in_english, kitchen.said))
    for caution in ("burn", "steam", "gloves", "carbon monoxide", "at least 5 cm deep"):
        assert caution in text


async def test_the_guide_takes_ice_alone_and_gives_up_on_a_restless_probe() -> None:
    kitchen = Kitchen(["", "skip"])
    found = await lead(kitchen.read, kitchen.ask, kitchen.said.append, boils_at=BOILS_AT, today=TODAY)
    assert (found.method, found.slope) == ("ice", 1.0)
    reads = 0

    async def restless() -> float:
        nonlocal reads
        reads += 1
        return float(reads % 3)

    with pytest.raises(CalibrationRefused, match="restless"):
        await lead(restless, Kitchen([""]).ask, lambda _: None, boils_at=BOILS_AT, today=TODAY)
    assert reads == PATIENCE
