"""Two fixed points that any kitchen has: melting ice and boiling water.

Boiling point: IAPWS R7-97(2012), equation 31 (saturation temperature from pressure). Pressure from altitude:
the ICAO standard atmosphere (ISO 2533), troposphere. The weather moves the true pressure by some 30 hPa, which
is 1 °C: give the station pressure where it is known.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import fmean

from config.problems import Remedy, Unfit, remedy
from config.units import PRESSURES

ICE_POINT = 0.0
"""°C, melting ice in water, as any thermometer handbook has it"""

SATURATION = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)
"""IAPWS R7-97(2012), table 34"""
HPA_PER_MPA = 10_000.0
KELVIN = 273.15

SEA_LEVEL_HPA = 1013.25
ALTITUDE_FACTOR = 2.25577e-5
"""1/m: lapse rate 0.0065 K/m over 288.15 K (ISO 2533)"""
ALTITUDE_POWER = 5.25588
"""g M / (R L) of ISO 2533"""
LOWEST_ALTITUDE, HIGHEST_ALTITUDE = -430.0, 5500.0
"""m, the Dead Sea shore to the highest homes"""
LOWEST_PRESSURE, HIGHEST_PRESSURE = 500.0, 1090.0
"""hPa, what air on the ground can have"""

SKIP = "skip"
"""what is answered by whoever leaves the boiling point out"""
SAMPLES = 20
"""readings that must agree (our choice)"""
STEADY_SPREAD = 0.5
"""°C between the highest and lowest of them (our choice: two steps of a 0.25 °C amplifier)"""
PATIENCE = 600
"""readings after which a point is given up"""
LARGEST_ERROR = 5.0
"""°C: twice a class 2 probe's tolerance (IEC 60584-1: 2.5 °C); more is a fault to mend, not to correct away"""
LOWEST_SLOPE, HIGHEST_SLOPE = 0.9, 1.1
BATHS = {"ice": "calibration.bath-ice", "boiling": "calibration.bath-boiling"}
"""What each point is called."""
ICE_DEPTH = 0.05
"""m (common practice, no source)"""
ICE_GUIDE = (
    remedy("calibration.ice-cup"),
    remedy("calibration.ice-depth", depth=ICE_DEPTH),
    remedy("calibration.ice-care"),
)
BOILING_GUIDE = (
    remedy("calibration.boiling-pot"),
    remedy("calibration.boiling-care"),
    remedy("calibration.boiling-depth"),
    remedy("calibration.boiling-air"),
)


class CalibrationRefused(Unfit):
    """The readings cannot be a calibration; `remedy` says why and what to do."""


@dataclass(frozen=True, slots=True)
class Calibration:
    """corrected = (read - offset) * slope.

    offset: what the probe reads in ice, °C. residual: the largest error, °C, left in any sample after correction.
    method: "ice" or "ice-and-boiling".
    """

    offset: float
    slope: float
    date: date
    residual: float
    method: str

    def apply(self, celsius: float) -> float:
        return (celsius - self.offset) * self.slope


def standard_pressure(altitude_m: float) -> float:
    """Air pressure, hPa, of the standard atmosphere. Raises Unfit outside -430..5500 m."""
    if not LOWEST_ALTITUDE <= altitude_m <= HIGHEST_ALTITUDE:
        raise Unfit("calibration.altitude", lowest=LOWEST_ALTITUDE, highest=HIGHEST_ALTITUDE)
    return SEA_LEVEL_HPA * math.pow(1.0 - ALTITUDE_FACTOR * altitude_m, ALTITUDE_POWER)


def boiling_point(*, altitude_m: float = 0.0, pressure_hpa: float | None = None) -> float:
    """Where water boils, °C. pressure_hpa: at the place itself, not reduced to sea level; it goes before altitude.

    Without either it is that of the sea's level. Raises Unfit when either is impossible.
    """
    if pressure_hpa is None:
        pressure_hpa = standard_pressure(altitude_m)
    if not LOWEST_PRESSURE <= pressure_hpa <= HIGHEST_PRESSURE:
        inches = LOWEST_PRESSURE <= pressure_hpa * PRESSURES["inhg"] <= HIGHEST_PRESSURE
        key = "calibration.pressure-or-inches" if inches else "calibration.pressure"
        raise Unfit(key, lowest=LOWEST_PRESSURE, highest=HIGHEST_PRESSURE, given=pressure_hpa)
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = SATURATION
    beta = math.pow(pressure_hpa / HPA_PER_MPA, 0.25)
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f**2 - 4.0 * e * g))
    return (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) / 2.0 - KELVIN


def steady(samples: Sequence[float]) -> bool:
    """Whether these are enough finite readings, °C, that agree."""
    return len(samples) >= SAMPLES and all(map(math.isfinite, samples)) and max(samples) - min(samples) <= STEADY_SPREAD


def ice_point(ice: Sequence[float], on: date) -> Calibration:
    """An offset alone, from readings in melting ice. Raises CalibrationRefused."""
    offset = _mean(ice, "ice", ICE_POINT)
    return Calibration(offset, 1.0, on, max(abs(s - offset) for s in ice), "ice")


def two_point(ice: Sequence[float], boiling: Sequence[float], boils_at: float, on: date) -> Calibration:
    """Offset and slope from readings, °C, in ice and in boiling water that boils at `boils_at`.

    Raises CalibrationRefused.
    """
    if ice and boiling and fmean(ice) > fmean(boiling):
        raise CalibrationRefused("calibration.swapped")
    low, high = _mean(ice, "ice", ICE_POINT), _mean(boiling, "boiling", boils_at)
    result = Calibration(low, (boils_at - ICE_POINT) / (high - low), on, 0.0, "ice-and-boiling")
    if not LOWEST_SLOPE <= result.slope <= HIGHEST_SLOPE:
        raise CalibrationRefused("calibration.slope", slope=result.slope)
    left = [abs(result.apply(s) - ICE_POINT) for s in ice] + [abs(result.apply(s) - boils_at) for s in boiling]
    return Calibration(result.offset, result.slope, on, max(left), result.method)


def _mean(samples: Sequence[float], name: str, reference: float) -> float:
    if not steady(samples):
        raise CalibrationRefused(
            "calibration.unsteady", bath=remedy(BATHS[name]), samples=SAMPLES, spread=STEADY_SPREAD
        )
    mean = fmean(samples)
    if abs(mean - reference) > LARGEST_ERROR:
        off = abs(mean - reference)
        raise CalibrationRefused("calibration.off", bath=remedy(BATHS[name]), reads=mean, off=off, most=LARGEST_ERROR)
    return mean


def stanza(channel: str, calibration: Calibration) -> str:
    """The line for the rig file, to stand under the channel it belongs to."""
    return (
        f'# in [[channels]] with id = "{channel}" ({calibration.method}):\n'
        f"calibration = {{ ice = {calibration.offset:.3f}, slope = {calibration.slope:.5f}, "
        f"on = {calibration.date.isoformat()}, residual = {calibration.residual:.3f} }}\n"
    )


async def lead(
    read_sample: Callable[[], Awaitable[float]],
    ask: Callable[[Remedy], Awaitable[str]],
    say: Callable[[Remedy], None],
    *,
    boils_at: float,
    today: date,
) -> Calibration:
    """Lead a person through both points; `stanza` is then the line for the rig file.

    read_sample: the next uncorrected reading, °C (NaN for a fault); its pace is the pace of the guide.
    ask: shows a text and waits for an answer; "skip" at the boiling point leaves it at the offset.
    Raises CalibrationRefused.
    """
    for line in ICE_GUIDE:
        say(line)
    await ask(remedy("calibration.press-ice"))
    ice = await _settle(read_sample, say, "ice")
    if abs(fmean(ice) - ICE_POINT) > LARGEST_ERROR:
        ice_point(ice, today)  # refuses, in words, before anybody boils water
    say(remedy("calibration.ice-read", reads=fmean(ice)))
    for line in BOILING_GUIDE:
        say(line)
    say(remedy("calibration.boils-at", boils_at=boils_at))
    answer = await ask(remedy("calibration.press-boiling"))
    if answer.strip().lower() == SKIP:
        result = ice_point(ice, today)
    else:
        boiling = await _settle(read_sample, say, "boiling")
        result = two_point(ice, boiling, boils_at, today)
    say(remedy("calibration.done", left=result.residual))
    return result


async def _settle(
    read_sample: Callable[[], Awaitable[float]], say: Callable[[Remedy], None], name: str
) -> tuple[float, ...]:
    window: deque[float] = deque(maxlen=SAMPLES)
    for number in range(1, PATIENCE + 1):
        window.append(await read_sample())
        if steady(window):
            return tuple(window)
        if number % SAMPLES == 0:
            say(remedy("calibration.settling", bath=remedy(BATHS[name]), reads=window[-1]))
    raise CalibrationRefused("calibration.restless", bath=remedy(BATHS[name]), readings=PATIENCE)
