"""The meat on a night's pits: driven by the true air, wrapped, taken off, rested and held as its cooks see fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.worlds.lanes import STEP, Floats
from tests.worlds.meat.meat_world import MEAT_STEP, Around, MeatWorld
from tests.worlds.meat.pieces import CoreProbes, Pieces, draw_core_probes, draw_pieces
from tests.worlds.night import Night
from tests.worlds.weather import drifting

EVERY = round(MEAT_STEP / STEP)
"""Steps of a fire world for one of a meat world."""
WRAPPING: dict[str, tuple[tuple[float, float], tuple[float, float], float]] = {
    "foil": ((120.0, 350.0), (0.01, 0.05), 0.5),
    "paper": ((250.0, 600.0), (0.05, 0.22), 0.9),
    "boat": ((1e9, 1e9), (0.45, 0.65), 0.9),
}
"""Material: W/m2K of the gap, share of the vapour that gets out, share of the radiation. Guessed; no source found."""
REST_MINUTES = 45
ROOM = 20.0
"""°C where it rests."""


@dataclass(frozen=True)
class Meal:
    """A meat world's pieces over a night. core, shown: (meat steps, pieces) °C, true slowest point and what its probe says.

    wrapped, off: step of the meat, -1 = never. tender: the first at which the true core has reached its range.
    """

    world: MeatWorld
    pieces: Pieces
    probes: CoreProbes
    core: Floats
    shown: Floats
    lost: Floats
    on: Floats
    wrapped: Floats
    off: Floats
    tender: Floats


def cooked(world: MeatWorld, night: Night, seed: int, *, like: Meal | None = None) -> Meal:
    """The meal of a night that has been run. like: the same pieces again (on a night run anew)."""
    rng = np.random.default_rng([seed, 4])
    pieces = like.pieces if like else draw_pieces(rng, night.pits)
    n = len(pieces.pit)
    probes = like.probes if like else draw_core_probes(rng, n)
    cooking = Cooking(world, night, pieces, probes, np.random.default_rng([seed, 5]))
    for i in range(cooking.steps):
        cooking.step(i)
    return cooking.meal()


class Cooking:
    """The pieces of a night, one step of the meat after the other: after the night has been run, or beside it as it runs.

    `step(i)` may be asked once the night has passed step `i * EVERY`. off, wrapped: step, -1 = not yet. due_off: step from
    which a cook who is up takes it off, inf = not yet.
    """

    def __init__(
        self, world: MeatWorld, night: Night, pieces: Pieces, probes: CoreProbes, rng: np.random.Generator
    ) -> None:
        self.world, self.night, self.pieces, self.probes = world, night, pieces, probes
        n, steps = len(pieces.pit), night.steps // EVERY
        self.steps, self.lane = steps, np.arange(n)
        self.nature = world.draw(rng, pieces.truth)
        self.state = world.raw(self.nature)
        self.gap, self.breathes, self.shine = (np.full((3, n), np.nan) for _ in range(3))
        for row, word in enumerate(WRAPPING):
            bounds, vapour, through = WRAPPING[word]
            self.gap[row], self.breathes[row] = rng.uniform(*bounds, n), rng.uniform(*vapour, n)
            self.shine[row] = through
        self.drift = drifting(rng, steps // 10 + 1, rng.uniform(15, 40, n))
        self.noise = rng.standard_normal((steps, n)) * probes.sd
        self.before = np.where(rng.random(n) < 0.6, pieces.truth["start"] + 1, ROOM)
        self.core, self.shown, self.lost = (np.zeros((steps, n)) for _ in range(3))
        self.wrapped, self.off = np.full(n, -1.0), np.full(n, -1.0)
        self.due_wrap, self.due_off = np.full(n, np.inf), np.full(n, np.inf)
        self.said, self.slow = self.before.copy(), np.full(n, ROOM)
        self.wait = np.round(pieces.patience * 60 / MEAT_STEP)

    def on(self) -> Floats:
        """Step at which each goes on the fire, as far as is known; beyond the end = not yet."""
        on: Floats = np.floor(self.night.meat_on[self.pieces.pit] / EVERY)
        return np.where(on < 0, self.steps + 1.0, on)

    def step(self, i: int) -> None:
        night, pieces, nature, state, lane = self.night, self.pieces, self.nature, self.state, self.lane
        i_fire, on = i * EVERY, self.on()
        awake = night.people.awake(min(i_fire, night.steps - 1))[pieces.pit]
        on_pit, cold = (i >= on) & (self.off < 0), i < on
        ripe = pieces.wraps & on_pit & (self.said >= pieces.wrap_at)
        self.due_wrap = np.where(ripe, np.minimum(self.due_wrap, i + self.wait), self.due_wrap)
        self.wrapped = np.where((self.wrapped < 0) & on_pit & awake & (i >= self.due_wrap), i, self.wrapped)
        done = on_pit & (self.said >= pieces.truth["tender"] + pieces.off_at)
        self.due_off = np.where(done, np.minimum(self.due_off, i + self.wait), self.due_off)
        self.off = np.where((self.off < 0) & on_pit & awake & (i >= self.due_off), i, self.off)
        off, wrapped = self.off, self.wrapped
        air = night.air[i_fire, pieces.pit] + pieces.truth["place"]
        minutes_off = np.where(off >= 0, (i - off) * MEAT_STEP / 60, 0)
        resting = (off >= 0) & ~(pieces.holds & (minutes_off > REST_MINUTES))
        held = (off >= 0) & ~resting
        air = np.where(resting, ROOM, np.where(held, pieces.box, air))
        is_wrapped = (wrapped >= 0) | (off >= 0)
        kind = np.where(wrapped >= 0, pieces.material, 0)
        turn = self.drift[i // 10]
        around = Around(
            air=air,
            walls=np.where(off >= 0, air, air - 8),
            convection=np.where(off >= 0, 5.0, pieces.truth["convection"] * np.exp(0.08 * turn)),
            vapour=np.where(off >= 0, 1200.0, pieces.truth["vapour"] * np.exp(0.15 * turn)),
            gap=np.where(is_wrapped, self.gap[kind, lane], 1e9),
            breathes=np.where(is_wrapped, self.breathes[kind, lane], 1.0),
            shine=np.where(is_wrapped, self.shine[kind, lane], 1.0),
        )
        kept = {key: value.copy() for key, value in state.items()} if cold.any() else {}
        self.world.step(nature, state, around)
        for key, value in kept.items():
            state[key] = np.where(cold, value, state[key])
        self.core[i], self.lost[i] = self.world.at(nature, state, np.zeros(len(lane))), self.world.lost(nature, state)
        self.slow += (air - self.slow) * (1 - np.exp(-MEAT_STEP / 60 / 20))
        minutes = (i - on) * MEAT_STEP / 60
        said = _reading(self.world, nature, state, self.probes, minutes, air, self.slow, self.said)
        self.said = np.where(cold, self.before, said)
        self.shown[i] = np.round((self.said + self.noise[i]) * 4) / 4

    def meal(self) -> Meal:
        """All of it, at the end."""
        reached = self.core >= self.pieces.truth["tender"]
        tender = np.where(reached.any(axis=0), np.argmax(reached, axis=0), -1.0)
        return Meal(
            self.world, self.pieces, self.probes, self.core, self.shown, self.lost, self.on(), self.wrapped, self.off, tender,
        )  # fmt: skip


def _reading(world: MeatWorld, nature: dict[str, Floats], state: dict[str, Floats], probes: CoreProbes, minutes: Floats,
             air: Floats, slow: Floats, before: Floats) -> Floats:  # fmt: skip
    moved = minutes >= probes.moved
    out = moved & (minutes < probes.moved + probes.out_for)
    depth = np.where(moved, probes.depth_then, probes.depth)
    inside = world.at(nature, state, depth) + np.where(moved, probes.bias_then, probes.bias)
    inside = inside + probes.bone * (slow - inside) * ~moved
    goal = np.where(out, air, inside)
    lag = np.where(out, 1.0, probes.lag)
    result: Floats = before + (goal - before) * (1 - np.exp(-MEAT_STEP / 60 / lag))
    return result


def stalls_of(core: Floats, air: Floats, low: float, minutes: int) -> list[tuple[int, int]]:
    """Stalls of one piece by its true core: (from, until) in min. core, air: a value a minute from meat-on;
    minutes: until wrap or off.

    Core between 55 and 85 °C, the pit's mean of 45 min not below its band by more than 3 K, rising less than 6
    °C/h over 30 min and less than 0.4 of its best so far, for 30 min or longer; gaps under 25 min are bridged.
    """
    found: list[tuple[int, int]] = []
    best = 0.0
    start: int | None = None
    last = 0
    for m in range(30, min(minutes, len(core))):
        slope = float(core[m] - core[m - 30]) * 2
        best = max(best, slope)
        warm = float(air[max(0, m - 45) : m + 1].mean()) > low - 3
        if warm and 55 <= core[m] <= 85 and slope < 6 and slope < 0.4 * best:
            if start is not None and m - last > 25:
                found.append((start, last))
                start = None
            start = m if start is None else start
            last = m
    if start is not None:
        found.append((start, last))
    return [(a, b) for a, b in found if b - a >= 30]
