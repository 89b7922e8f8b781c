"""Thermocouple probes: they lag, lie a little, speak in steps of 0.25 °C, and fail in the ways their amplifiers can
and cannot tell.

Many probes are read at once; arrays are (N,). Units: °C, s.

    probes = Probes(rng, n, lag=40.0, noise=0.4, bias=-2.0)
    probes.follow(15.0, true)     # the tip comes closer to `true`
    probes.read()                 # °C, quantised
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from drivers.reading import Fault, Measurement, Quality

Array = npt.NDArray[np.float64]

STEP = 0.25
"""°C, thermocouple resolution of a common amplifier (MAX31855 data sheet 19-5793)."""
AIR_SEEN = 0.93
"""Share of the air in what a pit probe beside a large piece feels; the rest is the piece's cooler surface. Chosen, no source."""


def shadowed(air: Array, meat: Array) -> Array:
    """°C where a pit probe lies beside meat whose surface is at `meat` °C, in air at `air` °C: low by some degrees early in
    a cook, by less as the surface warms."""
    return AIR_SEEN * air + (1 - AIR_SEEN) * meat


class Probes:
    """N probes. lag: s, first order. noise: sd, °C, of one reading. bias: °C. step: °C of the last digit."""

    def __init__(
        self,
        rng: np.random.Generator,
        n: int,
        *,
        lag: Array | float = 0.0,
        noise: Array | float = 0.1,
        bias: Array | float = 0.0,
        step: float = STEP,
    ) -> None:
        self._rng = rng
        self._lag = np.broadcast_to(np.asarray(lag, float), (n,))
        self._noise = np.broadcast_to(np.asarray(noise, float), (n,))
        self._bias = np.broadcast_to(np.asarray(bias, float), (n,))
        self._step = step
        self._tip: Array | None = None

    def follow(self, seconds: float, true: Array) -> None:
        """Let the tips follow `true` for `seconds`; the first call puts them there."""
        if self._tip is None:
            self._tip = true.astype(float).copy()
            return
        self._tip += (true - self._tip) * -np.expm1(-seconds / np.maximum(self._lag, 1e-6))

    def read(self) -> Array:
        """One reading of every probe, °C."""
        if self._tip is None:
            raise RuntimeError("a probe must follow something before it is read")
        value = self._tip + self._bias + self._noise * self._rng.standard_normal(self._noise.size)
        return np.asarray(np.round(value / self._step) * self._step)


class Failing(StrEnum):
    """How a probe fails. The first three are told by fault bits of the amplifier, the rest must be found out."""

    OPEN = "open"
    SHORT_TO_GROUND = "short-to-ground"
    SHORT_TO_SUPPLY = "short-to-supply"
    STUCK = "stuck"
    SPIKES = "spikes"
    SILENT = "silent"
    DRIFT = "drift"
    PULLED_OUT = "pulled-out"
    HOT_JUNCTION = "hot-junction"
    """The box with the amplifier gets hot; the reading errs with it."""


_BITS = {
    Failing.OPEN: Fault.OPEN_CIRCUIT,
    Failing.SHORT_TO_GROUND: Fault.SHORT_TO_GROUND,
    Failing.SHORT_TO_SUPPLY: Fault.SHORT_TO_SUPPLY,
}
SPIKE_EVERY = 40.0
"""s between spikes, on average."""
DRIFT_RATE = 12.0 / 3600
"""°C/s a wet or pinched joint drifts away."""
JUNCTION_RISE = 45.0
"""°C above ambient of a box that lies against the pit."""


@dataclass(frozen=True, slots=True)
class ProbeFailure:
    """channel fails from start to end (s of the cook)."""

    channel: str
    kind: Failing
    start: float
    end: float


def fail(
    measurement: Measurement, failures: tuple[ProbeFailure, ...], now: float, held: float, air: float, chance: float
) -> Measurement | None:
    """What the amplifier says when the probe is failing; None when it says nothing.

    held: the value at the start of the failure, °C (for a stuck probe). air: pit gas, °C (for a probe pulled out of the meat).
    chance: a random number 0..1 of this second.
    """
    source, celsius, junction = measurement.source, measurement.celsius, measurement.cold_junction
    for f in failures:
        if f.channel != source or not f.start <= now < f.end or celsius is None:
            continue
        match f.kind:
            case Failing.OPEN | Failing.SHORT_TO_GROUND | Failing.SHORT_TO_SUPPLY:
                return Measurement(source, None, _BITS[f.kind], Quality.BAD, junction)
            case Failing.SILENT:
                return None
            case Failing.STUCK:
                celsius = held
            case Failing.SPIKES if chance < 1 / SPIKE_EVERY:
                celsius += 120.0 if chance * SPIKE_EVERY < 0.5 else -60.0
            case Failing.SPIKES:
                pass
            case Failing.DRIFT:
                celsius -= DRIFT_RATE * (now - f.start)
            case Failing.PULLED_OUT:
                celsius = air + (celsius - air) * float(np.exp(-(now - f.start) / 60.0))
            case Failing.HOT_JUNCTION:
                rise = JUNCTION_RISE * float(-np.expm1(-(now - f.start) / 1200.0))
                celsius += 0.12 * rise
                junction = None if junction is None else junction + rise
        celsius = round(celsius / STEP) * STEP
    return Measurement(source, celsius, measurement.fault, measurement.quality, junction)
