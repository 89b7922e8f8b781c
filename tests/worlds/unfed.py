"""The truth about the fire: a saved night run on with nobody coming, thousands of lanes side by side.

The weather goes on as it was drawn; logs that lie in the fire burn; the damper stays; a lid that is open is
shut when its time has come; probes keep (or lose) their place. Nobody feeds, whatever the cook did in truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.worlds.fire.fire_world import Hands
from tests.worlds.lanes import PER_MINUTE, Flags, Floats, Lanes, Whole, joined, take
from tests.worlds.night import Night
from tests.worlds.probes import CHANNELS, probe_step

OUT_AFTER = 10
"""min below the low edge in one piece that count as out of the band."""
GONE_AFTER = 45
"""min below the low edge after which a lane is no longer followed: nothing that lies in a fire takes longer to catch."""
CAP = 300
"""min; a pit that stays in its band for longer counts as this."""
LANES_AT_ONCE = 4096


@dataclass(frozen=True)
class Unfed:
    """minute (k,): whole minutes of the night, after which nobody comes. Arrays (k, pits), min, at most CAP.

    air: until the true air begins a stretch of OUT_AFTER min below the low edge (0 = it is in one now).
    seen (CHANNELS, k, pits): the same for what each probe stands at, without noise.
    for_good: until the true air was last at or above the low edge.
    """

    minute: Whole
    air: Floats
    seen: Floats
    for_good: Floats


def unfed(night: Night, *, every: int = 1, cap: int = CAP) -> Unfed:
    """Minutes left at each `every`-th saved minute of a night that has been run."""
    saved = night.saved[::every]
    n = night.pits
    air, good = np.empty((len(saved), n)), np.empty((len(saved), n))
    seen = np.empty((CHANNELS, len(saved), n))
    group = max(1, LANES_AT_ONCE // n)
    for first in range(0, len(saved), group):
        some = saved[first : first + group]
        state = joined([s.state for s in some])
        step = np.repeat(np.array([s.step for s in some]), n)
        probe = np.concatenate([s.seen for s in some], axis=-1)
        damper, lid = (np.concatenate([getattr(s, key) for s in some]) for key in ("damper", "lid_until"))
        parts = _alone(night, state, probe, step, damper, lid, cap)
        where = slice(first, first + len(some))
        air[where], good[where] = (part.reshape(len(some), n) for part in (parts[0], parts[3]))
        seen[:, where] = parts[1:3].reshape(CHANNELS, len(some), n)
    minute = np.array([(s.step + 1) // PER_MINUTE for s in saved])
    return Unfed(minute, air, seen, good)


def followed(night: Night, minute: int, minutes: int) -> Floats:
    """What the probes stand at, without noise, at the end of each of `minutes` after a saved minute if nobody comes: shape
    (minutes, CHANNELS, pits), °C. Raises StopIteration if the minute was not saved."""
    saved = next(s for s in night.saved if (s.step + 1) // PER_MINUTE == minute)
    state, seen, pit = joined([saved.state]), saved.seen, np.arange(night.pits)
    found = np.empty((minutes, CHANNELS, night.pits))
    for j in range(1, minutes * PER_MINUTE + 1):
        at = np.full(night.pits, saved.step + j)
        lanes = night.nature, night.probes.values, saved.damper, saved.lid_until
        seen = _left_alone(night, state, seen, at, pit, *lanes)
        if j % PER_MINUTE == 0:
            found[j // PER_MINUTE - 1] = seen
    return found


def _left_alone(night: Night, state: Lanes, seen: Floats, at: Whole, pit: Whole, nature: Lanes, values: Lanes, damper: Floats,
                lid_until: Floats) -> Floats:  # fmt: skip
    """One step, the state in place; what the probes then stand at."""
    now, nothing = night.weather.of(at, pit), np.zeros(len(pit))
    opened = (at < lid_until).astype(float)
    night.world.step(nature, state, now, Hands(nothing, nothing + 1, nothing, opened, damper))
    excess = state["hot"] - state["air"] - nature["excess"]
    return probe_step(values, seen, state["air"], excess, now, at.astype(float))


def _alone(
    night: Night, state: Lanes, probe: Floats, step: Whole, damper: Floats, lid_until: Floats, cap: int
) -> Floats:
    """(4, lanes): minutes left of the air, of both probes, and until the air is lost for good."""
    lanes = len(step)
    result = np.full((4, lanes), float(cap))
    alive = np.arange(lanes)
    pit = np.arange(lanes) % night.pits
    nature, values = take(night.nature, pit), take(night.probes.values, pit)
    run, last = np.zeros((3, lanes)), np.zeros(lanes)
    for j in range(1, (cap + GONE_AFTER) * PER_MINUTE + 1):
        at = step + j
        probe = _left_alone(night, state, probe, at, pit, nature, values, damper, lid_until)
        below = np.concatenate([state["air"][None], probe]) < nature["low"]
        run = np.where(below, run + 1, 0)
        found = (run == OUT_AFTER * PER_MINUTE) & (result[:3][:, alive] >= cap)
        if found.any():
            began = max(j / PER_MINUTE - OUT_AFTER, 0.0)
            for row in range(3):
                result[row, alive[found[row]]] = min(began, cap)
        last = np.where(below[0], last, j / PER_MINUTE)
        if j % (10 * PER_MINUTE) == 0:
            gone: Flags = np.min(run, axis=0) >= GONE_AFTER * PER_MINUTE
            if gone.any():
                result[3, alive[gone]] = np.minimum(last[gone], cap)
                keep: Flags = np.logical_not(gone)
                if not keep.any():
                    return result
                state, nature, values = take(state, keep), take(nature, keep), take(values, keep)
                probe, run, last, alive = probe[:, keep], run[:, keep], last[keep], alive[keep]
                step, pit, damper, lid_until = step[keep], pit[keep], damper[keep], lid_until[keep]
    result[3, alive] = np.minimum(last, cap)
    return result
