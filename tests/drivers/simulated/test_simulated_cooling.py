"""The pieces of both simulated truths off the fire, against published cooling times and carry-over of large pieces.

Sources stand in the files of tests/data; tests/published_cooling.py gives each piece the shape that its size and weight ask for.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.properties import Array, saturation_pressure
from tests.bench.meat import second_truth
from tests.published_cooling import PIECES, Row, carry_over_rows, cooling_rows

STEP = 60.0
LONGEST = 9.0
"""h that any of the pieces takes to cool."""
ROASTING = 16.0
ROASTS = 200


def named(row: Row) -> str:
    return f"{row.piece} {row.start:g} to {row.end:g}"


def bound(row: Row) -> float:
    """Share by which the published time may be missed; a first hour begins from a piece that is not even inside."""
    return 0.2 if row.hours[0] > 2 else 0.5


STARTS = sorted({(row.piece, row.start) for row in cooling_rows()})


@cache
def cores() -> Array:
    """(steps, pieces of STARTS) of cores in bags, from which no vapour goes."""
    pieces = [PIECES[name] for name, _ in STARTS]
    values = {
        "thickness": [2 * piece.form.half for piece in pieces],
        "shape": [piece.form.exponent for piece in pieces],
        "convection": [piece.convection for piece in pieces],
        "start": [start for _, start in STARTS],
    }
    bodies = MeatBodies(MeatParameters.uniform(len(pieces), **{name: np.array(v) for name, v in values.items()}))
    air, found = np.array([piece.air for piece in pieces]), []
    for _ in range(round(LONGEST * 3600 / STEP)):
        bodies.step(STEP, air, air, saturation_pressure(bodies.front))
        found.append(bodies.core())
    return np.array(found)


@pytest.mark.parametrize("row", cooling_rows(), ids=named)
def test_a_simulated_piece_cools_as_published(row: Row) -> None:
    cold = cores()[:, STARTS.index((row.piece, row.start))] <= row.end
    assert cold.any()
    hours = (np.argmax(cold) + 1) * STEP / 3600
    assert hours == pytest.approx(sum(row.hours) / 2, rel=bound(row))


BARS = [row for row in cooling_rows() if row.piece not in ("B1", "B5", "B6")]
"""B1 is too thin for the second truth's step, and an oval is no bar."""


@cache
def bars() -> list[float]:
    """Hours of each of BARS: long bars with as much surface to their volume as the piece, in foil."""
    n, pieces = len(BARS), [PIECES[row.piece] for row in BARS]
    half = np.array([piece.form.half for piece in pieces])
    width = np.array([1 / (piece.form.surface_to_volume - 1 / piece.form.half) for piece in pieces])
    values = {name: np.full(n, value) for name, value in second_truth.TYPICAL.items()}
    values |= {"half": half, "aspect": width / half, "water": np.full(n, 690.0), "shrink": np.full(n, 0.8)}
    values |= {"start": np.array([row.start for row in BARS]), "convection": np.array([p.convection for p in pieces])}
    bone = np.zeros((second_truth.ACROSS, second_truth.ALONG, n), bool)
    section = second_truth.Sections(second_truth.Pieces(bone=bone, **values))
    section.wrap(np.ones(n, bool), "foil")
    air, end = np.array([piece.air for piece in pieces]), np.array([row.end for row in BARS])
    hours = np.zeros(n)
    while (section.core() > end).any() and hours.max() < LONGEST:
        hours += np.where(section.core() > end, second_truth.STEP / 3600, 0.0)
        section.step(air, air, np.full(n, 600.0))
    return [float(taken) for taken in hours]


@pytest.mark.parametrize("row", BARS, ids=named)
def test_the_second_truth_cools_as_published(row: Row) -> None:
    """Published bags lie closer than foil and are a little quicker."""
    assert bars()[BARS.index(row)] == pytest.approx(sum(row.hours) / 2, rel=0.4)


def test_roasts_go_on_rising_as_published() -> None:
    """Kitchen roasts of 6 to 15 cm, between plate and ball, from ovens of 120 to 180 °C; the tables give neither. The
    five rises agree in the mean; the leg of lamb's one degree is that of a small roast from a slow oven."""
    rng = np.random.default_rng(1)
    thickness, shape = rng.uniform(0.06, 0.15, ROASTS), rng.uniform(0.5, 2.0, ROASTS)
    oven, differences = rng.uniform(120.0, 180.0, ROASTS), []
    for _, out, rise in carry_over_rows():
        bodies = MeatBodies(MeatParameters.uniform(ROASTS, thickness=thickness, shape=shape, start=5.0))
        off, highest = np.zeros(ROASTS, bool), np.zeros(ROASTS)
        for _ in range(round(ROASTING * 3600 / STEP)):
            air = np.where(off, 22.0, oven)
            bodies.step(STEP, air, air, np.where(off, 1200.0, 5000.0), np.where(off, 0.6, 1.0))
            off |= bodies.core() >= out
            highest = np.where(off, np.maximum(highest, bodies.core()), highest)
        assert off.mean() > 0.9
        risen = highest[off] - out
        assert risen.min() <= rise + 0.5 and rise - 0.5 <= risen.max()  # the table has whole degrees
        differences.append(np.median(risen) - rise)
    assert np.mean(differences) == pytest.approx(0.0, abs=1.0)
