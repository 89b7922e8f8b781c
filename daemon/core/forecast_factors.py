"""Made by `python tests/bench/calibrate_forecast.py --write`: do not edit by hand."""

from __future__ import annotations

from typing import Final

FACTORS: Final[dict[str, tuple[tuple[float, float, float, float], ...]]] = {
    # kind: rows of (predicted minutes left, centre, low, high)
    "bare": ((30.0, 1.0, 2.0, 3.0), (600.0, 1.1, 2.0, 3.0)),
    "wrapped": ((30.0, 1.0, 2.0, 2.0), (600.0, 1.0, 2.0, 2.0)),
    "wrap": ((30.0, 1.0, 2.0, 2.0), (600.0, 1.0, 2.0, 2.0)),
    "stall-end": ((30.0, 1.0, 2.0, 2.0), (600.0, 1.0, 2.0, 2.0)),
    "rest": ((30.0, 1.0, 2.0, 2.0), (600.0, 1.0, 2.0, 2.0)),
}
