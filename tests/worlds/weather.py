"""What the sky does to a pit: air temperature, wind, rain, and the flicker of the fire itself. Drawn ahead,
whatever the cook does."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.worlds.lanes import MINUTES_A_STEP, PER_MINUTE, Floats, Whole, log_uniform, uniform

SHOWER_SHARE = 0.25
"""Share of the cooks that see a shower. No source."""
SHOWER_RISE = 6.0
"""min until a shower has its full strength."""
STRONGEST = 18.0
"""m/s, the most that a pit stands in."""
STORM, STORM_LASTS = (7.0, 14.0), (60.0, 240.0)
"""m/s of a fresh breeze to a near gale (Beaufort 4 to 7, WMO), and min that it blows."""


@dataclass(frozen=True)
class Now:
    """The weather of one step, each of shape (lanes,): °C, m/s, share of a downpour 0 to 1, factor on the
    burning around 1."""

    ambient: Floats
    wind: Floats
    rain: Floats
    flicker: Floats


@dataclass(frozen=True)
class Weather:
    """Arrays (steps, pits). showers: (start minute, length) of each pit, NaN where it stays dry."""

    ambient: Floats
    wind: Floats
    rain: Floats
    flicker: Floats
    showers: Floats

    def at(self, step: int) -> Now:
        return Now(self.ambient[step], self.wind[step], self.rain[step], self.flicker[step])

    def of(self, step: Whole, pit: Whole) -> Now:
        """One step for each lane: lane j is pit[j] at step[j]. Beyond the end the last step stands."""
        step = np.minimum(step, self.ambient.shape[0] - 1)
        return Now(self.ambient[step, pit], self.wind[step, pit], self.rain[step, pit], self.flicker[step, pit])


def drifting(rng: np.random.Generator, steps: int, minutes: Floats) -> Floats:
    """Noise of mean 0 and deviation 1 that forgets itself with a time constant of `minutes` (pits,). Shape (steps, pits)."""
    keep = np.exp(-MINUTES_A_STEP / minutes)
    push = np.sqrt(1 - keep**2)
    noise = rng.standard_normal((steps, len(minutes)))
    for i in range(1, steps):
        noise[i] = keep * noise[i - 1] + push * noise[i]
    return noise


def draw_weather(
    rng: np.random.Generator, usual: Floats, steps: int, start_hour: Floats, *, rain: bool = False
) -> Weather:
    """Weather of pits whose usual air temperature is `usual` (n,). start_hour: local hour of step 0 (n,).
    rain: a shower for everybody."""
    n = len(usual)
    minute = np.arange(steps)[:, None] / PER_MINUTE
    hour = start_hour + minute / 60
    mean, swing = usual + uniform(rng, -5, 4, n), uniform(rng, 1, 6, n)
    # warmest in mid-afternoon, about 15 h local time: common knowledge
    ambient = mean + swing * np.cos(2 * np.pi * (hour - 15) / 24) + 0.6 * drifting(rng, steps, uniform(rng, 20, 60, n))
    breeze = np.where(rng.random(n) < 0.3, 0.3, log_uniform(rng, 0.5, 6, n))
    slow, gust = drifting(rng, steps, uniform(rng, 60, 200, n)), drifting(rng, steps, uniform(rng, 1, 6, n))
    wind = breeze * np.exp(0.35 * slow + uniform(rng, 0.1, 0.6, n) * gust)
    flicker = np.exp(log_uniform(rng, 0.02, 0.18, n) * drifting(rng, steps, uniform(rng, 1.5, 8, n)))
    wet = np.ones(n, bool) if rain else rng.random(n) < SHOWER_SHARE
    start = uniform(rng, 0.35, 0.85, n) * steps / PER_MINUTE
    length, strength = log_uniform(rng, 12, 90, n), uniform(rng, 0.25, 1.0, n)
    rise = np.clip((minute - start) / SHOWER_RISE, 0, 1) * np.clip((start + length - minute) / SHOWER_RISE, 0, 1)
    shower = np.where(wet, rise * strength, 0.0)
    cooled = ambient - 3.0 * shower
    return Weather(
        cooled, np.minimum(wind, STRONGEST), shower, flicker, np.where(wet, np.stack([start, length]), np.nan)
    )


def stormy(weather: Weather, rng: np.random.Generator, steps: int) -> Weather:
    """The same with a storm for everybody, that rises and falls within SHOWER_RISE."""
    n = weather.wind.shape[1]
    minute = np.arange(len(weather.wind))[:, None] / PER_MINUTE
    start = uniform(rng, 0.4, 0.7, n) * steps / PER_MINUTE
    lasts, level = log_uniform(rng, *STORM_LASTS, n), uniform(rng, *STORM, n)
    share = np.clip((minute - start) / SHOWER_RISE, 0, 1) * np.clip((start + lasts - minute) / SHOWER_RISE, 0, 1)
    gust = np.exp(0.25 * drifting(rng, len(weather.wind), uniform(rng, 1, 6, n)))
    return replace(weather, wind=np.minimum(np.maximum(weather.wind, share * level * gust), STRONGEST))
