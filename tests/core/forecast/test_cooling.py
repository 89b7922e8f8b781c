"""The bodies of the forecast off the fire, against published cooling times and carry-over of large pieces.

Sources stand in the files of tests/data. The pieces are known by shape and size only, as the watch knows them: a published
time must lie within the ninety per cent that the bodies span before they have read anything, and near their middle."""

from __future__ import annotations

import numpy as np
import pytest

from daemon.core.forecast.body import Array, MeatEnsemble, Surroundings
from daemon.core.forecast.members import MEMBERS, prior, traits_of
from daemon.core.settings import MeatKind, PieceSettings
from tests.published_cooling import PIECES, Row, carry_over_rows, cooling_rows

STEP = 300.0
NO_EVAPORATION = 99_999.0
"""Pa about a piece in a bag: wrapped pieces do not dry."""


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


@pytest.mark.parametrize("row", cooling_rows(), ids=lambda r: f"{r.piece} {r.start:g} to {r.end:g}")
def test_a_piece_cools_as_published(row: Row) -> None:
    piece = PIECES[row.piece]
    low, middle, high = hours_to(
        row.end, 2 * piece.form.half, piece.form.exponent, row.start, piece.air, piece.convection
    )
    assert low < row.hours[0] and row.hours[1] < high
    mean = sum(row.hours) / 2
    assert middle == pytest.approx(mean, rel=0.2 if mean > 2 else 0.5)  # a first hour begins from an uneven piece


@pytest.mark.parametrize(("roast", "out", "rise"), carry_over_rows())
def test_a_roast_goes_on_rising_as_published(roast: str, out: float, rise: float) -> None:
    """From an oven at 150 °C (the usual one of those tables) to a kitchen."""
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
    assert low <= rise <= high
