"""Cooks: who feeds by the clock, by the number, by look; too much, too little; who sleeps, and who comes when called.

Until the meat is on everybody stands by the pit and heats it up. Afterwards each keeps to his habit. A cook
who is called gets up after his delay, looks, feeds unless the pit is hot, stays up for a while and goes back to bed.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum

import numpy as np

from tests.worlds.lanes import PER_MINUTE, Flags, Floats, Lanes, Whole, log_uniform, uniform

WET_SHARE = 0.04
"""Share of the logs that do not catch well (wet or too big). No source."""
STAYS_UP = 8
"""min that a cook who was called stays by the pit."""


class Habit(IntEnum):
    CLOCK = 0
    NUMBER = 1
    LOOK = 2
    MUCH = 3
    LITTLE = 4


@dataclass(frozen=True)
class Habits:
    """One value a pit. every min, threshold °C, mark and amount in usual logs. asleep (steps, pits)."""

    habit: Whole
    every: Floats
    threshold: Floats
    mark: Floats
    amount: Floats
    unsteady: Floats
    look: Floats
    uses_damper: Flags
    obeys: Flags
    delay: Floats
    asleep: Flags


def draw_habits(
    rng: np.random.Generator, nature: Lanes, steps: int, *, obeys: bool | None = None, sleeps: bool | None = None
) -> Habits:
    """obeys: None = half of them come when called. sleeps: None = as it falls, False = none, True = all for hours."""
    n = len(nature["set"])
    habit = rng.choice(5, n, p=[0.22, 0.28, 0.22, 0.14, 0.14])
    much, little = habit == Habit.MUCH, habit == Habit.LITTLE
    amount = np.where(
        much, rng.uniform(1.3, 1.9, n), np.where(little, rng.uniform(0.45, 0.75, n), rng.uniform(0.85, 1.2, n))
    )
    rows = np.arange(steps)[:, None]
    asleep = np.zeros((steps, n), bool)
    sleeper = np.full(n, sleeps) if sleeps is not None else rng.random(n) < 0.55
    long = rng.random(n) < (0.6 if sleeps else 0.25)
    at = rng.uniform(0.25, 0.5, n) * steps
    for _ in range(5):
        length = np.where(long, log_uniform(rng, 150, 400, n), log_uniform(rng, 25, 120, n)) * PER_MINUTE
        asleep |= sleeper & (rows >= at) & (rows < at + length)
        at = at + length + log_uniform(rng, 40, 180, n) * PER_MINUTE
        long = rng.random(n) < 0.1
    share = uniform(rng, 0.25, 0.75, n)
    return Habits(
        habit=habit,
        every=nature["gap"] * np.where(much, amount, np.where(little, amount, 1.0)) * log_uniform(rng, 0.75, 1.2, n),
        threshold=nature["low"] + share * (nature["set"] - nature["low"]) + rng.uniform(-3, 4, n),
        mark=nature["fuel_before"] * log_uniform(rng, 0.5, 1.6, n),
        amount=amount,
        unsteady=uniform(rng, 0.03, 0.3, n),
        look=log_uniform(rng, 3, 14, n),
        uses_damper=rng.random(n) < 0.5,
        obeys=rng.random(n) < 0.5 if obeys is None else np.full(n, obeys),
        delay=log_uniform(rng, 3, 22, n),
        asleep=asleep,
    )


@dataclass
class People:
    """The cooks of n pits at work. Everything that is drawn here comes from `rng`, the same number of draws every step."""

    habits: Habits
    nature: Lanes
    rng: np.random.Generator
    last_log: Floats = field(init=False)
    next_look: Floats = field(init=False)
    before: Floats = field(init=False)
    wake_at: Floats = field(init=False)
    up_until: Floats = field(init=False)
    damper: Floats = field(init=False)
    barred_until: Floats = field(init=False)
    more: Floats = field(init=False)
    told: Flags = field(init=False)
    """Called for wood, and on the way."""
    arrived: Flags = field(init=False)
    """Called, and there at this step."""
    astray: Flags = field(init=False)
    """The damper was moved by nobody's will: also who leaves it alone puts it back when he sees that the pit is off."""

    def __post_init__(self) -> None:
        n = len(self.nature["set"])
        self.last_log, self.next_look = np.zeros(n), np.zeros(n)
        self.before, self.damper = np.zeros(n), np.ones(n)
        self.wake_at, self.up_until = np.full(n, np.inf), np.full(n, -1.0)
        self.more, self.told = np.ones(n), np.zeros(n, bool)
        self.arrived, self.astray = np.zeros(n, bool), np.zeros(n, bool)
        self.barred_until = np.full(n, -1.0)
        """No log before this step, whatever happens (a fire that is left to die)."""

    def call(self, pits: Flags, step: int, wood: Flags | None = None) -> None:
        """Somebody calls: those who obey and are not already on the way get up after their delay. wood: they are told to add
        some, and do so though the pit still stands high."""
        self.told |= pits & self.habits.obeys & (False if wood is None else wood)
        comes = pits & self.habits.obeys & np.isinf(self.wake_at)
        self.wake_at = np.where(comes, step + self.habits.delay * PER_MINUTE, self.wake_at)

    def awake(self, step: int) -> Flags:
        awake: Flags = ~self.habits.asleep[step] | (step < self.up_until)
        return awake

    def act(self, step: int, shown: Floats, fuel: Floats, heating: Flags) -> tuple[Floats, Flags]:
        """(logs put on now, damper moved). shown: what the first pit probe says, NaN if it says nothing. fuel:
        usual logs left."""
        p, h = self.nature, self.habits
        n = len(fuel)
        draws = self.rng.random((4, n))
        up = self.wake_at <= step
        self.wake_at, self.arrived = np.where(up, np.inf, self.wake_at), up
        self.up_until = np.where(up, step + STAYS_UP * PER_MINUTE, self.up_until)
        looking = (self.awake(step) & (step >= self.next_look)) | up
        since = (step - self.last_log) / PER_MINUTE
        seen = np.where(np.isnan(shown), self.before, shown)
        rising = seen > self.before + 1.0
        known_turn = 1.2 * p["turn"] + 2
        by_number = (seen < h.threshold) & (since > known_turn) & ~rising
        guess = fuel * np.exp(0.25 * (draws[3] - 0.5))
        by_look = (guess < h.mark) & (since > 0.7 * known_turn)
        by_clock = (since > h.every / self.more * (0.9 + 0.2 * draws[3])) & (seen < p["high"] - 2)
        wish = np.select([h.habit == Habit.CLOCK, h.habit == Habit.LOOK], [by_clock, by_look], by_number)
        wish &= seen < p["high"] + 4
        rescue = (seen < p["low"] - 2) & (since > 1.3 * p["turn"] + 4) & ~rising
        # whoever stands there sees that the last log is still whole
        plenty = guess > p["fuel_before"] + np.where(h.habit == Habit.MUCH, 1.1, 0.75)
        # unless it lies there black: then the fire is built up again
        rescue &= ~plenty | (since > 30 + p["turn"])
        wish &= ~plenty
        hungry = p["fuel_before"] + 0.5 + np.clip((p["low"] - seen) / (p["low"] - p["mean_ambient"]), 0, 1)
        warm_up = (seen < p["set"] - 4) & (since > np.minimum(0.3 * p["gap"], 20)) & (guess < hungry)
        # who was called feeds, unless it is plainly not wanted
        answered = up & ((seen < p["high"] - 3) | self.told) & (since > p["turn"])
        self.told &= ~up
        feed = looking & np.where(heating, warm_up, wish | rescue | answered) & (step >= self.barred_until)
        amount = h.amount * np.exp(h.unsteady * 2 * (draws[0] - 0.5))
        amount = np.where(
            heating, 1.0, np.where(seen < p["low"] - 4, np.maximum(amount, 1.0) * (1 + 0.5 * draws[1]), amount)
        )
        amount = np.where(heating, amount, amount * self.more)
        # a pit that runs low gets more at a time, one that runs high less: nobody needs figures for that
        low_by = np.clip((p["set"] - seen) / (p["set"] - p["low"]), -1.5, 1.5)
        better = np.clip(self.more * np.exp(0.12 * (low_by - 0.35)), 0.7, 1.7)
        self.more = np.where(feed & ~heating, better, self.more)
        self.last_log = np.where(feed, step, self.last_log)
        moved = self._damper(looking, seen)
        self.before = np.where(looking, seen, self.before)
        pause = np.where(heating, 4.0, h.look) * (0.6 + 0.8 * draws[2]) * PER_MINUTE
        self.next_look = np.where(looking, step + pause, self.next_look)
        return np.where(feed, amount, 0.0), moved

    def _damper(self, looking: Flags, seen: Floats) -> Flags:
        p = self.nature
        off = (seen < p["low"]) | (seen > p["high"])
        hand = looking & (self.habits.uses_damper | (self.astray & off))
        shut = hand & (seen > p["high"] - 2) & (self.damper > 0.55)
        usual = hand & (seen < p["set"]) & (self.damper < 1)
        opened = hand & (seen < p["low"]) & (self.damper == 1)
        back = hand & (seen > p["set"]) & (self.damper > 1)
        self.damper = np.where(shut, np.maximum(self.damper * 0.72, 0.5), self.damper)
        self.damper = np.where(usual | back, 1.0, np.where(opened, 1.3, self.damper))
        moved: Flags = shut | usual | opened | back
        self.astray &= ~moved
        return moved
