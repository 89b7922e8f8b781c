"""The bodies of the forecast off the fire, against published cooling times and carry-over of large pieces.

Sources stand in the files of tests/data. The pieces are known by shape and size only, as the watch knows them: a published
time must lie within the ninety per cent that the bodies span before they have read anything. The rolled pieces also bound
the middle: with heat transfer known (17 to 19 W/m2K at 1.2 m/s, a one-dimensional check) only size and meat are open."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from daemon.core.forecast.body import Array, MeatEnsemble, Surroundings
from daemon.core.forecast.members import MEMBERS, prior, traits_of
from daemon.core.settings import MeatKind, PieceSettings

DATA = Path(__file__).parents[2] / "data"
STEP = 300.0
NO_EVAPORATION = 99_999.0
"""Pa about a piece in a bag: wrapped pieces do not dry."""


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def published(ids: str, start: float, end: float) -> list[float]:
    """Hours; both ends where a range is given."""
    wanted = (ids, start, end)
    found = [r for r in rows("cooling.csv") if (r["id"], float(r["from_c"] or "nan"), float(r["to_c"])) == wanted]
    assert found
    return [float(h) for h in found[0]["hours"].split(" to ")]


def hours_to(end: float, thickness: float, shape: float, start: float, air: float, convection: float) -> Array:
    """p05, median and p95 of the bodies' hours until their core has cooled to `end`, in a bag."""
    piece = PieceSettings("p", "p", "beef", MeatKind.WHOLE_ROAST, "c", 3.0, thickness, shape)
    ensemble = MeatEnsemble(traits_of(prior(), piece, start))
    around, took = Surroundings.bare(MEMBERS), np.full(MEMBERS, np.nan)
    everyone = np.ones(MEMBERS)
    for step in range(1, 400):
        ensemble.step(STEP, air * everyone, convection * everyone, NO_EVAPORATION * everyone, around, 0.0)
        took = np.where(np.isnan(took) & (ensemble.centre <= end), step * STEP / 3600.0, took)
    spread: Array = np.quantile(took, (0.05, 0.5, 0.95))
    return spread


@pytest.mark.parametrize("ids", ["B2", "B3"])
def test_a_rolled_piece_in_moving_air_cools_as_published(ids: str) -> None:
    (hours,) = published(ids, 70.0, 10.0)
    low, middle, high = hours_to(10.0, 0.110, 1.0, 70.0, 0.0, 12.5)
    assert low < hours < high
    assert middle == pytest.approx(hours, rel=0.15)


@pytest.mark.parametrize(
    ("ids", "thickness", "start", "air"),
    [("B11", 0.203, 72.0, 13.0), ("B12", 0.165, 82.0, 28.0)],  # the air's mean over the first hours
)
def test_a_piece_in_a_bag_in_still_air_cools_as_published(ids: str, thickness: float, start: float, air: float) -> None:
    low, _, high = hours_to(50.0, thickness, 1.0, start, air, 5.0)
    for hours in published(ids, start, 50.0):
        assert low < hours < high


@pytest.mark.parametrize("row", rows("carry_over.csv"), ids=lambda r: r["piece"])
def test_a_roast_goes_on_rising_as_published(row: dict[str, str]) -> None:
    """From an oven at 150 °C (the usual one of those tables) to a kitchen."""
    out, peak = float(row["out_c"]), float(row["peak_c"])
    piece = PieceSettings("p", "p", "beef", MeatKind.WHOLE_ROAST, "c", 3.0, 0.12, 1.0)
    ensemble = MeatEnsemble(traits_of(prior(), piece, 5.0))
    around = Surroundings.bare(MEMBERS)
    off, highest = np.zeros(MEMBERS, dtype=bool), np.zeros(MEMBERS)
    for _ in range(200):
        air = np.where(off, 22.0, 150.0)
        ensemble.step_mixed(STEP, air, off, around)
        off |= ensemble.centre >= out
        highest = np.maximum(highest, ensemble.centre)
    assert off.mean() > 0.9
    low, high = np.quantile(highest[off] - out, (0.05, 0.95))
    assert low <= peak - out <= high
