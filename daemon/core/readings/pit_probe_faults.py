"""A pit probe that no longer reads the pit: it fell off the grate, or something befell it that the others did not see.

What a fire cannot do: lose a good part of its heat within minutes and then stand flat. A dying fire sinks on, an open lid is shut
again, a log answers. With a second probe it is told sooner: a step that only one of them made. The probe's own unrest counts: one
by the firebox may leap where one in the middle may not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from math import isnan, nan
from statistics import fmean, median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.probe_faults import Finding
from daemon.core.said import Text, plain, said, say

# Every number below: our choices, tried on the worlds in tests/worlds.
FLAT_FOR = 8
"""Minutes for which a probe must stand flat after its step."""
FLAT_WITHIN, FLAT_SLOPE = 2.5, 0.12
"""°C from highest to lowest, and °C/min, that count as flat; a noisy probe is given more of the first."""
STEP, WITHIN_MINUTES, AT_ONCE = 25.0, 10, 0.5
"""°C of the step, the minutes within which it must lie, and the share of it that a `SHARP` part of them must show."""
SHARP = 3
ALONE_STEP, ALONE_FOR, SHARED = 12.0, 4, 0.4
"""°C of a step that the other probes did not make, minutes for which it must last, and the share of it that they may show."""
UNREST = 4.0
"""Times a probe's own unrest against the others that a step must exceed."""
HABIT = 30
"""Minutes that make a probe's unrest."""
BACK, BACK_AT_ONCE = 0.6, 0.3
"""Share of the step regained that says the probe reads the pit again, and the share if `SHARP` minutes show it: what lies on the
floor of a pit follows it a little, and a pit that climbs lifts it slowly."""
WARM = 60.0
"""°C: below, no pit has anything to lose."""


class PitProbeFaults:
    """One per rig. channel -> (before, after): °C, of each pit probe that does not read the pit."""

    def __init__(self) -> None:
        self._fallen: dict[str, tuple[float, float]] = {}
        self._evidence: dict[str, Text] = {}

    def minute(self, pits: Mapping[str, Sequence[float]]) -> dict[str, tuple[Finding, ...]]:
        """One closed minute of all pit channels: minute medians, °C, newest last, NaN where nothing plausible was read."""
        for name, values in pits.items():
            others = [theirs for other, theirs in pits.items() if other != name and other not in self._fallen]
            if name in self._fallen:
                self._recovered(name, values)
            elif others:
                self._alone(name, values, others)
            else:
                self._flat(name, values)
        return {name: (Finding(ProbeFault.OFF_THE_GRATE, True, self._evidence[name]),) for name in self._fallen}

    def _flat(self, name: str, values: Sequence[float]) -> None:
        """The only probe: a step, then nothing."""
        window = list(values[-FLAT_FOR - WITHIN_MINUTES - 5 :])
        if len(window) < FLAT_FOR + WITHIN_MINUTES + 5 or any(map(isnan, window)):
            return
        flat, before = window[-FLAT_FOR:], median(window[:5])
        level = fmean(flat)
        step = before - level
        unrest = _unrest(values[-FLAT_FOR - WITHIN_MINUTES - HABIT : -FLAT_FOR - WITHIN_MINUTES])
        slope = (fmean(flat[FLAT_FOR // 2 :]) - fmean(flat[: FLAT_FOR // 2])) / (FLAT_FOR / 2)
        sharpest = max(a - b for a, b in zip(window, window[SHARP:], strict=False))
        if (
            before > WARM
            and step >= STEP
            and sharpest >= AT_ONCE * step
            and max(flat) - min(flat) <= max(FLAT_WITHIN, UNREST * unrest)
            and abs(slope) <= FLAT_SLOPE
        ):
            self._find(name, before, level, say("probe.off-the-grate", moved=(before, level)))

    def _alone(self, name: str, values: Sequence[float], others: list[Sequence[float]]) -> None:
        """A step that the other probes did not make."""
        mine = list(values[-HABIT - ALONE_FOR :])
        theirs = [_middle([o[-len(mine) + i] for o in others if len(o) >= len(mine) - i]) for i in range(len(mine))]
        if len(mine) < HABIT // 2 + ALONE_FOR or any(map(isnan, mine[-ALONE_FOR - SHARP :])):
            return
        apart = [a - b for a, b in zip(mine, theirs, strict=True)]
        known = [d for d in apart[: -ALONE_FOR - SHARP] if not isnan(d)]
        late = apart[-ALONE_FOR:]
        if len(known) < HABIT // 2 - SHARP or any(map(isnan, late)):
            return
        habit = median(known)
        unrest = median([abs(d - habit) for d in known])
        steps = [d - habit for d in late]
        least = max(ALONE_STEP, 2 * UNREST * unrest)
        all_off = all(s <= -least for s in steps) or all(s >= least for s in steps)
        before, now = mine[-ALONE_FOR - SHARP - 1], mine[-1]
        moved = [t for t in theirs[-ALONE_FOR - SHARP - 1 :] if not isnan(t)]
        still = bool(moved) and max(moved) - min(moved) <= SHARED * abs(now - before)
        if all_off and still and abs(now - before) >= least / 2:
            self._find(name, before, now, say("probe.alone", moved=(before, now)))

    def _recovered(self, name: str, values: Sequence[float]) -> None:
        before, after = self._fallen[name]
        newest = [(v - after) / (before - after) for v in values[-2:] if not isnan(v)]
        if len(newest) < 2:
            return
        earlier = [(v - after) / (before - after) for v in values[-2 - SHARP : -2] if not isnan(v)]
        at_once = min(newest) - min(earlier, default=0.0) >= BACK_AT_ONCE
        if min(newest) >= BACK or (at_once and min(newest) >= BACK_AT_ONCE):
            del self._fallen[name], self._evidence[name]

    def _find(self, name: str, before: float, after: float, why: Text) -> None:
        self._fallen[name] = (before, after)
        self._evidence[name] = why

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "fallen": {name: list(pair) for name, pair in self._fallen.items()},
            "evidence": {name: plain(why) for name, why in self._evidence.items()},
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._fallen = {name: (pair[0], pair[1]) for name, pair in dumped["fallen"].items()}
        self._evidence = {name: said(why) for name, why in dumped["evidence"].items()}


def _middle(values: Sequence[float]) -> float:
    known = [v for v in values if not isnan(v)]
    return median(known) if known else nan


def _unrest(values: Sequence[float]) -> float:
    """°C from minute to minute, the middle of it."""
    changes = [abs(b - a) for a, b in pairwise(values) if not isnan(b - a)]
    return median(changes) if changes else 0.0
