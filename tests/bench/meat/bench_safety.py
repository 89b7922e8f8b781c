"""Counts where the food-safety record departs from the published tables; there is no chance in it, and no seed.

    python -m tests.bench.figures --only safety

Sources stand in the head of each file under tests/data. The integral over a rising core is worked out here from the
printed rows alone. Zero departures mean that the tables are told right; they make no food safe.
"""

from __future__ import annotations

import csv
from pathlib import Path

from daemon.core.food_safety.lethality import celsius, lethality_table
from daemon.core.food_safety.record import SafetyRecord
from daemon.core.settings import HoldSettings, MeatKind, PieceSettings
from drivers.calibration import boiling_point
from tests.bench.figure import Figure

DATA = Path(__file__).parents[2] / "data"
RAMPS = (2.0, 4.0, 6.0, 10.0, 15.0, 25.0)
"""°C/h by which a core rises from START to END."""
START, END = 48.0, 74.0
COLUMNS = (
    (MeatKind.WHOLE_ROAST, "seconds_6.5log"),
    (MeatKind.GROUND, "seconds_7log"),
    (MeatKind.OTHER, "seconds_7log"),
)


def rows(name: str) -> list[dict[str, str]]:
    """The lines of a table of tests/data."""
    with (DATA / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def _exact(kind: MeatKind, cut: str, fat: float | None, fahrenheit: float, seconds: float) -> bool:
    """Held for the printed time it is just enough, and a hundredth less is not."""
    table, core = lethality_table(kind, cut, fat), celsius(fahrenheit)
    enough = abs(table.gained(core, seconds) - 1.0) < 1e-9
    return enough and (seconds == 0.0 or table.gained(core, 0.99 * seconds) < 1.0)


def table_figures() -> list[Figure]:
    """Cells of the printed tables told wrong."""
    meat, poultry, code = rows("fsis_meat_table2.csv"), rows("fsis_poultry_tables3_4.csv"), rows("food_code_roasts.csv")
    wrong_meat = sum(
        not _exact(kind, "", None, float(r["temp_F"]), float(r[column])) for kind, column in COLUMNS for r in meat
    )
    wrong_poultry = sum(
        not _exact(MeatKind.POULTRY, r["species"], float(r["fat_pct"]), float(r["temp_F"]), float(r["seconds"]))
        for r in poultry
    )
    wrong_code = sum(not _exact(MeatKind.WHOLE_ROAST, "", None, float(r["temp_F"]), float(r["seconds"])) for r in code)
    named = (
        ("FSIS cooking guideline, Table 2, cells told wrong", wrong_meat, len(meat) * len(COLUMNS)),
        ("FSIS cooking guideline, Tables 3 and 4, cells told wrong", wrong_poultry, len(poultry)),
        ("Food Code 3-401.11 (B), rows told wrong", wrong_code, len(code)),
    )
    return [Figure(name, wrong, "0", wrong == 0, f"of {count}") for name, wrong, count in named]


def integral_figures() -> list[Figure]:
    """When a rising core has had the required lethality: told against the integral of the printed rows, second by second."""
    printed = [(celsius(float(r["temp_F"])), float(r["seconds_6.5log"])) for r in rows("fsis_meat_table2.csv")]
    late = [(_annunciated(ramp) - _integrated(printed, ramp)) / 60.0 for ramp in RAMPS]
    return [
        Figure("lethality of a rising core: told too early, most min", max(0.0, -min(late)), "0", min(late) >= 0.0,
               f"rises of {RAMPS[0]:.0f}-{RAMPS[-1]:.0f} °C/h; sum of the printed rows"),
        Figure("lethality of a rising core: told late, most min", max(late), "<= 3", max(late) <= 3.0,
               "common practice, no source: minutes are taken at their lower end"),
    ]  # fmt: skip


def _annunciated(ramp: float) -> float:
    piece = PieceSettings("roast", "Roast", "beef-chuck-roll", MeatKind.WHOLE_ROAST, "core", 3.0, 0.1, 1.0)
    record = SafetyRecord(piece, HoldSettings(), 0.0)
    record.minute(0.0, 4.0, "waiting")
    for minute in range(int((END - START) / ramp * 60) + 1):
        record.minute(60.0 * minute, START + ramp * minute / 60, "cooking")
        if record.view.lethality_fraction >= 1.0:
            return 60.0 * minute
    return 60.0 * ((END - START) / ramp * 60)


def _integrated(printed: list[tuple[float, float]], ramp: float) -> float:
    total, second = 0.0, 0
    timed = [(c, s) for c, s in printed if s > 0]
    while total < 1.0:
        core = START + ramp * second / 3600
        second += 1
        if core >= printed[len(timed)][0]:
            return float(second)
        below = [(c, s) for c, s in timed if c <= core]
        if not below:
            continue
        (c, s), above = below[-1], timed[len(below) : len(below) + 1]
        needed = s if not above else s * (above[0][1] / s) ** ((core - c) / (above[0][0] - c))
        total += 1 / needed
    return float(second)


def boiling_figures() -> list[Figure]:
    """The hottest a wet core can be, by altitude and by pressure."""
    by_altitude = max(
        abs(boiling_point(altitude_m=float(r["altitude_m"])) - float(r["Tsat_C(IF97)"]))
        for r in rows("boiling_altitude.csv")
    )
    by_pressure = max(
        abs(boiling_point(pressure_hpa=float(r["pressure_hPa"])) - float(r["Tsat_C_IF97"]))
        for r in rows("boiling_pressure.csv")
    )
    return [
        Figure("boiling point by altitude, most °C from IAPWS-IF97", by_altitude, "<= 0.05", by_altitude <= 0.05),
        Figure("boiling point by pressure, most °C from IAPWS-IF97", by_pressure, "<= 0.001", by_pressure <= 0.001),
    ]


def figures() -> list[Figure]:
    """Every figure of this bench."""
    return [*table_figures(), *integral_figures(), *boiling_figures()]
