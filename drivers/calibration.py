"""Two fixed points that any kitchen has: melting ice and boiling water. Standard library only.

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

SAMPLES = 20
"""readings that must agree (our choice)"""
STEADY_SPREAD = 0.5
"""°C between the highest and lowest of them (our choice: two steps of a 0.25 °C amplifier)"""
PATIENCE = 600
"""readings after which a point is given up"""
LARGEST_ERROR = 5.0
"""°C: twice a class 2 probe's tolerance (IEC 60584-1: 2.5 °C); more is a fault to mend, not to correct away"""
LOWEST_SLOPE, HIGHEST_SLOPE = 0.9, 1.1
REMIND_AFTER_DAYS = 183
"""common practice, no source: twice a year"""


class CalibrationRefused(Exception):
    """The readings cannot be a calibration; the text says why and what to do."""


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
    """Air pressure, hPa, of the standard atmosphere. Raises ValueError outside -430..5500 m."""
    if not LOWEST_ALTITUDE <= altitude_m <= HIGHEST_ALTITUDE:
        raise ValueError(f"altitude {altitude_m} m: give {LOWEST_ALTITUDE:g} to {HIGHEST_ALTITUDE:g} m")
    return SEA_LEVEL_HPA * math.pow(1.0 - ALTITUDE_FACTOR * altitude_m, ALTITUDE_POWER)


def boiling_point(*, altitude_m: float | None = None, pressure_hpa: float | None = None) -> float:
    """Where water boils, °C. pressure_hpa: at the place itself, not reduced to sea level; it goes before altitude.

    Raises ValueError when neither is given or when either is impossible.
    """
    if pressure_hpa is None:
        if altitude_m is None:
            raise ValueError("give the altitude or the pressure")
        pressure_hpa = standard_pressure(altitude_m)
    if not LOWEST_PRESSURE <= pressure_hpa <= HIGHEST_PRESSURE:
        raise ValueError(f"pressure {pressure_hpa} hPa: give {LOWEST_PRESSURE:g} to {HIGHEST_PRESSURE:g} hPa")
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
        raise CalibrationRefused("The two points are swapped: the ice reads hotter than the boiling water.")
    low, high = _mean(ice, "ice", ICE_POINT), _mean(boiling, "boiling", boils_at)
    result = Calibration(low, (boils_at - ICE_POINT) / (high - low), on, 0.0, "ice-and-boiling")
    if not LOWEST_SLOPE <= result.slope <= HIGHEST_SLOPE:
        raise CalibrationRefused(f"The slope would be {result.slope:.3f}: a wrong probe type, or a broken probe.")
    left = [abs(result.apply(s) - ICE_POINT) for s in ice] + [abs(result.apply(s) - boils_at) for s in boiling]
    return Calibration(result.offset, result.slope, on, max(left), result.method)


def _mean(samples: Sequence[float], name: str, reference: float) -> float:
    if not steady(samples):
        raise CalibrationRefused(
            f"The {name} point is not steady: {SAMPLES} readings within {STEADY_SPREAD} °C are needed. Stir and wait."
        )
    mean = fmean(samples)
    if abs(mean - reference) > LARGEST_ERROR:
        raise CalibrationRefused(
            f"The probe reads {mean:.1f} °C at the {name} point, {abs(mean - reference):.1f} °C off. "
            f"More than {LARGEST_ERROR:g} °C is a fault: look at the probe type, the wires, the bath."
        )
    return mean


def age_reminder(on: date, today: date) -> str | None:
    """Words when a calibration is old, or dated in the future (the board's clock was wrong); else None."""
    days = (today - on).days
    if days < 0:
        return f"calibrated on {on}, which is still to come: check the date"
    if days > REMIND_AFTER_DAYS:
        return f"calibrated {days} days ago ({on}): do it again with `pitvigil calibrate`"
    return None


def stanza(channel: str, calibration: Calibration) -> str:
    """The line for the rig file, to stand under the channel it belongs to."""
    return (
        f'# in [[channels]] with id = "{channel}" ({calibration.method}):\n'
        f"calibration = {{ ice = {calibration.offset:.3f}, slope = {calibration.slope:.5f}, "
        f"on = {calibration.date.isoformat()}, residual = {calibration.residual:.3f} }}\n"
    )


ICE_GUIDE = (
    "Ice point. Fill a tall cup to the top with crushed ice, add clean cold water until the ice just floats, and stir.",
    "Put the probe at least 5 cm deep in the middle, touching neither side nor bottom. Keep stirring; keep ice in it.",
    "The probe must be clean, and cool enough to hold: a hot one burns you and cracks glass. Use a metal cup.",
)
BOILING_GUIDE = (
    "Boiling point. Bring a deep pot of plain water to a rolling boil on a steady stove, away from children.",
    "Boiling water and steam burn at once. Wear dry gloves, hold the probe with tongs or a rack, stand clear of the"
    " steam, and keep the cable off the flame. Lower it slowly; never lean over the pot.",
    "Put the tip in the middle of the water, touching neither side nor bottom. Only the part made for it may get wet.",
    "Use a stove outdoors or in a room with fresh air: a flame or charcoal indoors makes carbon monoxide, which kills.",
)


async def lead(
    read_sample: Callable[[], Awaitable[float]],
    ask: Callable[[str], Awaitable[str]],
    say: Callable[[str], None],
    *,
    channel: str,
    boils_at: float,
    today: date,
) -> Calibration:
    """Lead a person through both points and say the line for the rig file.

    read_sample: the next uncorrected reading, °C (NaN for a fault); its pace is the pace of the guide.
    ask: shows a text and waits for an answer; "skip" at the boiling point leaves it at the offset.
    Raises CalibrationRefused.
    """
    for line in ICE_GUIDE:
        say(line)
    await ask("Press Enter when the probe is in the ice.")
    ice = await _settle(read_sample, say, "ice")
    if abs(fmean(ice) - ICE_POINT) > LARGEST_ERROR:
        ice_point(ice, today)  # refuses, in words, before anybody boils water
    say(f"Ice point: the probe reads {fmean(ice):.2f} °C.")
    for line in BOILING_GUIDE:
        say(line)
    say(f"Here water boils at {boils_at:.2f} °C.")
    answer = await ask('Press Enter when the probe is in the boiling water, or write "skip".')
    if answer.strip().lower() == "skip":
        result = ice_point(ice, today)
    else:
        boiling = await _settle(read_sample, say, "boiling")
        result = two_point(ice, boiling, boils_at, today)
    say(f"Done. Largest error left: {result.residual:.2f} °C. Let the probe cool before you touch it.")
    say(stanza(channel, result))
    return result


async def _settle(
    read_sample: Callable[[], Awaitable[float]], say: Callable[[str], None], name: str
) -> tuple[float, ...]:
    window: deque[float] = deque(maxlen=SAMPLES)
    for number in range(1, PATIENCE + 1):
        window.append(await read_sample())
        if steady(window):
            return tuple(window)
        if number % SAMPLES == 0:
            say(f"{name}: {window[-1]:.2f} °C, not steady yet ...")
    raise CalibrationRefused(f"The {name} point did not become steady in {PATIENCE} readings. Stir, wait, start again.")
