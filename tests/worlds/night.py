"""Nights: n pits of one world, their cooks and their weather, run minute by minute, saved on the way.

`Night.minute()` goes on by one minute; between two minutes an examiner may `call` some of the cooks.
`Night.run()` goes to the end. What was saved can be run on with nobody coming (`unfed`).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from tests.worlds.fire.fire_world import KINDLING, FireWorld, Hands
from tests.worlds.fire.proving import pits_of
from tests.worlds.lanes import PER_MINUTE, Flags, Floats, Lanes, copied, log_uniform
from tests.worlds.people import WET_SHARE, Habits, People, draw_habits
from tests.worlds.probes import CHANNELS, Mishap, PitProbes, draw_probes, probe_step
from tests.worlds.weather import Weather, draw_weather, stormy

MISHAPS = {"fell": Mishap.FELL, "moved": Mishap.MOVED, "shaded": Mishap.SHADED}
OF_TWO = {f"{name}-of-two": mishap for name, mishap in MISHAPS.items()}
BY_THE_FIRE = "by-the-fire"
UNMARKED = ("nothing-marked", "logs-unmarked", "wraps-unmarked")
"""Stresses of what the cooks write down; see `marks.draw_marking`."""
STRESSES = (
    *MISHAPS,
    *OF_TWO,
    BY_THE_FIRE,
    "lid-left-open",
    "damper-moved",
    "wet-logs",
    "wind",
    "shower",
    "fire-dies",
    *UNMARKED,
)
"""What can be asked for on top of a usual night; see `draw_night`. A mishap befalls the only pit probe, or the first of two."""
WET_WOODPILE = 0.5
"""Share of the logs that do not catch well where that is the stress."""
SETTINGS = (0.4, 0.6, 1.5, 1.9)
"""To which a damper is moved, 1 = its usual place."""
HEATING_AT_LEAST, HEATING_AT_MOST = 35, 210
"""min before the meat goes on."""
ALONE = 300
"""min for which the weather is drawn beyond the end, for pits that are run on with nobody coming."""


@dataclass(frozen=True)
class Saved:
    """A night at one step: enough to run on."""

    step: int
    state: Lanes
    seen: Floats
    damper: Floats
    lid_until: Floats


@dataclass(frozen=True)
class LogPut:
    """One log: step, pit, amount in usual logs, green (1 = lights easily, 3 and more = hardly)."""

    step: int
    pit: int
    amount: float
    green: float


@dataclass(frozen=True)
class LidPlan:
    """Openings of each pit, arrays (openings, pits): step, and steps it stays open. Step NEVER = no such opening."""

    start: Floats
    length: Floats


class Night:
    """Arrays fill up as it runs. air (steps, pits) °C; seen, shown (CHANNELS, steps, pits); lid, damper (steps, pits)."""

    def __init__(self, world: FireWorld, nature: Lanes, weather: Weather, habits: Habits, probes: PitProbes, lids: LidPlan,
                 minutes: int, seed: int, start_hour: Floats, *, save_every: int = 5) -> None:  # fmt: skip
        self.world, self.nature, self.weather, self.probes, self.lids = world, nature, weather, probes, lids
        self.start_hour, self.save_every, self.steps = start_hour, save_every * PER_MINUTE, minutes * PER_MINUTE
        self.people = People(habits, nature, np.random.default_rng([seed, 77]))
        self.rng = np.random.default_rng([seed, 78])
        n = self.pits = len(nature["set"])
        ambient = weather.ambient[0]
        self.state = world.lit(nature, ambient)
        self.now_seen = np.repeat(ambient[None], CHANNELS, axis=0)
        self.lid_until, self.meat_on = np.full(n, -1.0), np.full(n, -1, dtype=np.int64)
        self.warm_since = np.full(n, np.inf)
        self.ready_after = np.round(log_uniform(self.rng, 4, 45, n) * PER_MINUTE)
        self.air, self.lid, self.damper = (np.zeros((self.steps, n)) for _ in range(3))
        self.seen, self.shown = np.zeros((CHANNELS, self.steps, n)), np.zeros((CHANNELS, self.steps, n))
        self.logs: list[LogPut] = []
        self.dampers: list[tuple[int, int, float]] = []
        self.called: list[tuple[int, int]] = []
        self.saved: list[Saved] = []
        self.abandoned_from, self.abandoned_until = np.full(n, np.inf), np.full(n, np.inf)
        self.wet_share = WET_SHARE
        self.forgets_from, self.forgets_for = np.full(n, np.inf), np.zeros(n)
        """Step from which the lid is left open by whoever is up next, and steps."""
        self.knocked_at, self.knocked_to = np.full(n, np.inf), np.ones(n)
        """Step at which the damper moves by itself, and to what."""
        self.step = 0

    def run(self) -> Night:
        while self.step < self.steps:
            self._step()
        return self

    def minute(self) -> bool:
        """One minute further; False at the end."""
        for _ in range(PER_MINUTE):
            if self.step >= self.steps:
                return False
            self._step()
        return True

    def call(self, pits: Flags, wood: Flags | None = None) -> None:
        """Call the cooks of these pits now (pits,). wood: those of them who are told to add some."""
        self.called += [(self.step, int(pit)) for pit in np.flatnonzero(pits)]
        self.people.call(pits, self.step, wood)

    def _step(self) -> None:
        i, w = self.step, self.weather.at(self.step)
        heating = self.meat_on < 0
        last = self.shown[0, i - 1] if i else self.now_seen[0]
        self.people.barred_until = np.where(i >= self.abandoned_from, self.abandoned_until, -1.0)
        logs, moved = self.people.act(i, last, self.world.fuel(self.nature, self.state), heating)
        self._mishaps(i)
        luck = self.rng.standard_normal((2, self.pits))
        wet = self.rng.random((2, self.pits))
        green = np.where(wet[0] < self.wet_share, 2.0 + 2.5 * wet[1], np.exp(0.12 * luck[1]))
        # a fire that is nearly out is built up again with kindling
        green = np.where(last < self.nature["low"] - 20, KINDLING, green)
        self._lids(i)
        opened = (i < self.lid_until).astype(float)
        hands = Hands(logs, green, luck[0], opened, self.people.damper)
        self.world.step(self.nature, self.state, w, hands)
        excess = self.state["hot"] - self.state["air"] - self.nature["excess"]
        self.now_seen = probe_step(self.probes.values, self.now_seen, self.state["air"], excess, w, i)
        self.air[i], self.lid[i], self.damper[i] = self.state["air"], opened, self.people.damper
        self.seen[:, i], self.shown[:, i] = self.now_seen, self.probes.shown(self.now_seen, i)
        self.logs += [LogPut(i, int(j), float(logs[j]), float(green[j])) for j in np.flatnonzero(logs)]
        self.dampers += [(i, int(j), float(self.people.damper[j])) for j in np.flatnonzero(moved)]
        self._meat(i)
        self.step += 1
        if self.step % self.save_every == 0:
            self.saved.append(
                Saved(i, copied(self.state), self.now_seen.copy(), self.people.damper.copy(), self.lid_until.copy())
            )

    def _mishaps(self, i: int) -> None:
        knocked = self.knocked_at == i
        self.people.damper = np.where(knocked, self.knocked_to, self.people.damper)
        self.people.astray |= knocked
        # who comes because he was called shuts a lid that he finds open
        self.lid_until = np.where(self.people.arrived, np.minimum(self.lid_until, i + PER_MINUTE), self.lid_until)
        forgets = (i >= self.forgets_from) & self.people.awake(i) & (self.meat_on >= 0)
        self.lid_until = np.where(forgets, np.maximum(self.lid_until, i + self.forgets_for), self.lid_until)
        self.forgets_from = np.where(forgets, np.inf, self.forgets_from)

    def _lids(self, i: int) -> None:
        starts = (self.lids.start == i) & self.people.awake(i) & (self.meat_on >= 0)
        self.lid_until = np.maximum(self.lid_until, np.where(starts, i + self.lids.length, -1.0).max(axis=0))

    def _meat(self, i: int) -> None:
        """The meat goes on when the pit has been warm for a while, or when the cook's patience ends."""
        warm = self.state["air"] > self.nature["low"] + 1
        self.warm_since = np.where(warm, np.minimum(self.warm_since, i), np.inf)
        ripe = (i - self.warm_since >= self.ready_after) & (i > HEATING_AT_LEAST * PER_MINUTE)
        goes_on = (self.meat_on < 0) & (ripe | (i >= HEATING_AT_MOST * PER_MINUTE))
        self.meat_on = np.where(goes_on, i, self.meat_on)
        self.lid_until = np.where(goes_on, i + 3 * PER_MINUTE, self.lid_until)


def draw_lids(rng: np.random.Generator, n: int, steps: int) -> LidPlan:
    """A third spritz often, some for long; the others look now and then."""
    most = 24
    spritzes = rng.random(n) < 0.33
    pause = np.where(spritzes, rng.uniform(35, 75, n), log_uniform(rng, 90, 400, n)) * PER_MINUTE
    length = np.where(rng.random(n) < 0.25, rng.uniform(5, 10, n), log_uniform(rng, 0.5, 3, n)) * PER_MINUTE
    jitter = rng.uniform(0.8, 1.2, (most, n))
    start = np.round(rng.uniform(0.18, 0.4, n) * steps + np.cumsum(pause * jitter, axis=0))
    lengths = np.maximum(np.round(length * rng.uniform(0.6, 1.6, (most, n))), 2)
    return LidPlan(start, lengths)


def draw_night(
    world: FireWorld,
    seed: int,
    n: int,
    *,
    hours: float = 12.0,
    obeys: bool | None = None,
    sleeps: bool | None = None,
    stress: str | None = None,
    save_every: int = 5,
    nature: Lanes | None = None,
) -> Night:
    """n pits with cooks, not yet run. stress: one of STRESSES, for all of them. nature: of n proven pits, in place of those that
    the seed draws. The same arguments give the same night."""
    if stress is not None and stress not in STRESSES:
        raise ValueError(f"unknown stress {stress!r}; known: {', '.join(STRESSES)}")
    # worlds differ in what the sky and the people do, too
    own = zlib.crc32(world.name.encode())
    rng = np.random.default_rng([seed, 1, own])
    minutes = round(hours * 60)
    steps = minutes * PER_MINUTE
    nature = pits_of(world, seed, n) if nature is None else copied(nature)
    hour = rng.uniform(14, 22, n)
    weather = draw_weather(rng, nature["mean_ambient"], steps + ALONE * PER_MINUTE, hour, rain=stress == "shower")
    habits = draw_habits(rng, nature, steps, obeys=obeys, sleeps=sleeps)
    mishap = (MISHAPS | OF_TWO).get(stress or "", Mishap.NONE)
    count = 1 if stress in MISHAPS else 2 if stress in OF_TWO or stress == BY_THE_FIRE else None
    probes = draw_probes(rng, nature, steps, mishap=mishap, count=count, by_the_fire=stress == BY_THE_FIRE)
    lids = draw_lids(rng, n, steps)
    chance = np.random.default_rng([seed, 6, own])
    if stress == "wind":
        weather = stormy(weather, chance, steps)
    night = Night(world, nature, weather, habits, probes, lids, minutes, seed, hour, save_every=save_every)
    if stress == "wet-logs":
        night.wet_share = WET_WOODPILE
    if stress == "lid-left-open":
        night.forgets_from = np.round(chance.uniform(0.4, 0.8, n) * steps)
        night.forgets_for = np.round(chance.uniform(25, 60, n)) * PER_MINUTE
    if stress == "damper-moved":
        night.knocked_at = np.round(chance.uniform(0.4, 0.8, n) * steps)
        night.knocked_to = chance.choice(SETTINGS, n)
    if stress == "fire-dies":
        # nobody comes for 2 to 4 h, called or not
        night.abandoned_from = np.round(rng.uniform(0.4, 0.65, n) * steps)
        night.abandoned_until = night.abandoned_from + rng.uniform(120, 240, n) * PER_MINUTE
    return night
