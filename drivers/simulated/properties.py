"""Published properties of meat and water. Units: °C, Pa, W/mK, kg/m³, J/kgK."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

ANTOINE = (8.07131, 1730.63, 233.426)
"""Of water, 1-100 °C, log10 of mmHg, as commonly printed."""
MILLIMETRE_OF_MERCURY = 133.322
"""Pa."""


# Choi & Okos (1986) as printed in food engineering handbooks (ASHRAE Refrigeration, thermal properties of foods):
# value = a + b T + c T², T in °C. Rows: water, protein, fat, ash.
CONDUCTIVITY = np.array(
    [
        [0.57109, 1.7625e-3, -6.7036e-6],
        [0.17881, 1.1958e-3, -2.7178e-6],
        [0.18071, -2.7604e-4, -1.7749e-7],
        [0.32962, 1.4011e-3, -2.9069e-6],
    ]
)
DENSITY = np.array(
    [
        [997.18, 3.1439e-3, -3.7574e-3],
        [1329.9, -0.51840, 0.0],
        [925.59, -0.41757, 0.0],
        [2423.8, -0.28063, 0.0],
    ]
)
HEAT_CAPACITY = np.array(
    [
        [4176.2, -9.0864e-2, 5.4731e-3],
        [2008.2, 1.2089, -1.3129e-3],
        [1984.2, 1.4733, -4.8008e-3],
        [1092.6, 1.8896, -3.6817e-3],
    ]
)


def saturation_pressure(celsius: Array) -> Array:
    """Saturated vapour pressure of water, Pa, 1-100 °C (Antoine equation)."""
    return np.asarray(MILLIMETRE_OF_MERCURY * 10.0 ** (ANTOINE[0] - ANTOINE[1] / (ANTOINE[2] + celsius)))


def properties(composition: Array, celsius: float) -> tuple[Array, Array, Array]:
    """(k W/mK, rho kg/m³, cp J/kgK) of meat, parallel mixing rule (Choi & Okos 1986).

    composition: mass fractions (4, N): water, protein, fat, ash.
    """
    powers = np.array([1.0, celsius, celsius**2])
    density = (DENSITY @ powers)[:, None]
    rho = 1.0 / (composition / density).sum(axis=0)
    cp = ((HEAT_CAPACITY @ powers)[:, None] * composition).sum(axis=0)
    k = rho * ((CONDUCTIVITY @ powers)[:, None] * composition / density).sum(axis=0)
    return k, rho, cp
