"""A pit probe that no longer reads the pit: it fell off the grate, or something befell it that the others did not see.

What a fire cannot do: lose most of its heat within minutes and then stay there. A dying fire sinks on, an open lid is shut again,
a log's opened door takes less. A probe that left the pit's air falls with its own time constant, and
follows the pit a little from there. With a second probe it is told sooner: a step that only one of them made. The probe's own
unrest counts: one by the firebox may leap where one in the middle may not. All that go cold together within minutes were lifted
out, with the grate that they hang on. One that leapt up within seconds: see `pit_leap`; two that came apart slowly: see
`pit_disagreement`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import accumulate
from math import inf, isnan, nan
from statistics import fmean, median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import Finding
from daemon.core.readings.middle import middle, middles
from daemon.core.readings.pit_disagreement import SETTLED as AT_HOME
from daemon.core.readings.pit_disagreement import PitDisagreement, swings_with
from daemon.core.readings.swings import Swings
from daemon.core.said import Text, plain, said, say

# Every number below: our choices, tried on the worlds in tests/worlds.
FLAT_FOR, FLAT_WITHIN = 6, 2.5
"""Minutes and °C from highest to lowest that no open lid and no fire stands so still for."""
STEP, BEGINS, AT_ONCE, SHARP = 25.0, 0.08, 0.5, 3
"""°C of the step, the share of it in its first minute, and the share that so many minutes must show."""
ALONE_STEP, ALONE_FOR, SHARED = 12.0, 4, 0.4
"""°C of a step that the other probes did not make, minutes for which it must last, and the share of it that they may show."""
SLOWER = 7
"""Minutes before the step in which the others must have been as still: a thick probe answers a lid later and for longer."""
UNREST = 4.0
"""Times a probe's own unrest against the others that a step must exceed."""
HABIT = 30
"""Minutes that make a probe's unrest."""
MOST, OUTSIDE = 0.45, 20.0
"""Share of the pit's warmth over the air outside that a probe loses which left the pit's air; °C of that air, which few rigs
measure. The door opened for a log takes a third."""
COMES_BACK_IN, ATTENDED_FOR = 9, 14
"""Minutes after such a step by which a lid is shut again; and if somebody was just at the pit, who has opened something."""
OUT_IN, LEFT_OVER = 10, 0.2
"""Minutes in which whatever was lifted out of a pit is nearly as cold as the air outside, and the share of the warmth that it has
left then: a pit without a fire takes a quarter of an hour and more for half of it, and over a fire an open one stays warmer."""
LOOKED_BACK = 4
"""Minutes further back that a step is looked for: its probe may have been slow."""
BEFORE = 5
"""Minutes that tell what was read before a step."""
SETTLED, COMING = 0.12, 0.3
"""Share of the step that the last `SHARP` minutes may still change, and that may have been regained meanwhile: more is a lid that
was shut."""
YOUNG, YOUNG_AT_ONCE = 10, 0.2
"""Minutes after it was found in which a lesser share, regained within `SHARP` minutes, is enough: a lid was shut late."""
BACK, BACK_AT_ONCE = 0.85, 0.3
"""Share of the step regained that says the probe reads the pit again, and the share if `SHARP` minutes show it: what lies on the
floor of a pit follows it a little, and a pit that climbs lifts it slowly."""
WARM = 80.0
"""°C: below, a pit has too little to lose."""
LEAP_WATCHED, FOLLOWS, CLIMBS_ON = 5, 0.15, 20.0
"""Minutes after a leap in which it may yet turn out to be a fire: the share of it that the others then show, or the °C that it
climbs on once it has come to rest."""
AT_REST = 2
"""Minutes in which a probe that was moved has come to rest."""
BY_THE_FIRE, NO_LONGER = 2.0, 1.6
"""Times the swing of the calmest probe of its pit from which one is said to hang by the fire, and below which no more."""


class PitProbeFaults:
    """One per rig. channel -> (before, after): °C, of each pit probe that does not read the pit."""

    def __init__(self) -> None:
        self._fallen: dict[str, tuple[float, float]] = {}
        self._age: dict[str, int] = {}
        """Minutes since it was found."""
        self._lain: dict[str, int] = {}
        """Minutes that it had lain when it was found."""
        self._evidence: dict[str, Text] = {}
        self._leapt: dict[str, tuple[float, float]] = {}
        """Of those that leapt: °C of the others then, and of its own once at rest, NaN before."""
        self._back: dict[str, int] = {}
        """Minutes since one was found to read the pit again: what it read before is no habit of its."""
        self._apart = PitDisagreement()
        self._swings = Swings()
        self._by_the_fire: dict[str, Text] = {}

    def minute(self, pits: Mapping[str, Sequence[float]], attended: float = inf) -> dict[str, tuple[Finding, ...]]:
        """One closed minute of all pit channels: minute medians, °C, newest last, NaN where nothing plausible was read.
        attended: minutes since somebody told of what he did at the pit."""
        self._back = {name: since + 1 for name, since in self._back.items() if since < HABIT + ALONE_FOR}
        self._lifted_out({name: values for name, values in pits.items() if name not in self._fallen})
        for name, values in pits.items():
            others = [theirs for other, theirs in pits.items() if other != name and other not in self._fallen]
            if name in self._leapt and self._age[name] < LEAP_WATCHED:
                self._watch_leap(name, values, others)
            elif name in self._fallen:
                self._recovered(name, values, others)
            elif others:
                self._alone(name, values, others)
            else:
                self._gone(name, values, attended)
        found: dict[str, tuple[Finding, ...]] = {
            name: (Finding(ProbeFault.OFF_THE_GRATE, True, self._evidence[name]),)
            for name in pits
            if name in self._fallen
        }
        for name in found:
            self._apart.forget(name)
        standing = {name: values for name, values in pits.items() if name not in self._fallen}
        found |= self._apart.minute(standing)
        for name, hint in self._fires({name: values[-1] for name, values in standing.items()}).items():
            found[name] = (*found.get(name, ()), hint)
        return found

    def leapt(self, name: str, before: float, after: float, others: float) -> Finding:
        """It leapt by itself from one value to another, °C; others: what those of its pit read."""
        self._find(name, before, after, say("probe.leapt", moved=(before, after), others=others), 0)
        self._leapt[name] = others, nan
        return Finding(ProbeFault.OFF_THE_GRATE, True, self._evidence[name])

    def lies_for(self, names: Sequence[str]) -> int:
        """Minutes for which the last of these that fell has lain off the grate, 0 if not all of them do."""
        return min((self._lain[name] + self._age[name] if name in self._fallen else 0 for name in names), default=0)

    def _fires(self, celsius: Mapping[str, float]) -> dict[str, Finding]:
        """Which of a pit's probes hang by its fire: they leap with every log, and that is no fault."""
        self._swings.minute(celsius)
        for name, times in self._swings.beside(celsius).items():
            if times >= BY_THE_FIRE and name not in self._by_the_fire:
                self._by_the_fire[name] = say("probe.by-the-fire", times=times)
            elif times < NO_LONGER:
                self._by_the_fire.pop(name, None)
        near = {name: why for name, why in self._by_the_fire.items() if name in celsius}
        return {name: Finding(ProbeFault.BY_THE_FIRE, False, why) for name, why in near.items()}

    def _lifted_out(self, pits: Mapping[str, Sequence[float]]) -> None:
        """All of them went cold together: no dead fire, and nobody is to relight it, but nobody sees it either."""
        steps = {name: step for name, values in pits.items() if (step := _went_cold(values)) is not None}
        if steps.keys() == pits.keys():
            for name, (before, after, lain) in steps.items():
                self._find(name, before, after, say("probe.lifted-out", moved=(before, after)), lain)

    def _gone(self, name: str, values: Sequence[float], attended: float) -> None:
        """The only probe: most of the pit's heat, at once, and it does not come back."""
        for since in range(COMES_BACK_IN, ATTENDED_FOR + LOOKED_BACK):
            window = list(values[-since - BEFORE - 1 :])
            if len(window) < since + BEFORE + 1 or any(map(isnan, window)):
                return
            before, after = median(window[:BEFORE]), window[BEFORE:]
            still = max(after[-FLAT_FOR:]) - min(after[-FLAT_FOR:]) <= FLAT_WITHIN
            if since < ATTENDED_FOR and attended <= since + SHARP and not still:
                continue
            level = fmean(after[-SHARP:])
            step = before - level
            if (
                before > WARM
                and step >= max(STEP, MOST * (before - OUTSIDE))
                and after[0] - after[1] >= BEGINS * step
                and after[0] - after[SHARP] >= AT_ONCE * step
                and max(v - low for v, low in zip(after, accumulate(after, min), strict=True)) <= COMING * step
                and abs(after[-1] - after[-1 - SHARP]) <= SETTLED * step
            ):
                self._find(name, before, level, say("probe.off-the-grate", moved=(before, level)), since)
                return

    def _alone(self, name: str, values: Sequence[float], others: list[Sequence[float]]) -> None:
        """A step down that the other probes did not make. Up goes a probe by the fire with every log that catches."""
        mine = list(values[-min(HABIT + ALONE_FOR, self._back.get(name, HABIT + ALONE_FOR)) :])
        if len(mine) < HABIT // 2 + ALONE_FOR or any(map(isnan, mine[-ALONE_FOR - SHARP :])):
            return
        theirs = middles(others, len(mine))
        apart = [a - b for a, b in zip(mine, theirs, strict=True)]
        known = [d for d in apart[: -ALONE_FOR - SHARP] if not isnan(d)]
        late = apart[-ALONE_FOR:]
        if len(known) < HABIT // 2 - SHARP or any(map(isnan, late)):
            return
        habit = median(known)
        unrest = median([abs(d - habit) for d in known])
        steps = [d - habit for d in late]
        least = max(ALONE_STEP, 2 * UNREST * unrest)
        before, now = mine[-ALONE_FOR - SHARP - 1], mine[-1]
        moved = [t for t in theirs[-ALONE_FOR - SHARP - SLOWER :] if not isnan(t)]
        still = bool(moved) and max(moved) - min(moved) <= SHARED * (before - now)
        if still and before - now >= least and all(s <= -least for s in steps):
            self._find(name, before, now, say("probe.alone", moved=(before, now)), ALONE_FOR)

    def _watch_leap(self, name: str, values: Sequence[float], others: list[Sequence[float]]) -> None:
        """In doubt it is believed: a call for a fire that burns too hot must not wait."""
        before, after = self._fallen[name]
        then, rests = self._leapt[name]
        self._age[name] += 1
        if self._age[name] == AT_REST:
            self._leapt[name] = then, values[-1]
        follow = middle([o[-1] for o in others]) - then >= FOLLOWS * (after - before)
        unseen = not any(not isnan(o[-1]) for o in others)
        if follow or unseen or values[-1] - rests >= CLIMBS_ON:  # of NaN nothing is true
            self._forget(name)

    def _forget(self, name: str) -> None:
        del self._fallen[name], self._evidence[name], self._age[name], self._lain[name]
        self._leapt.pop(name, None)
        self._back[name] = 1

    def _recovered(self, name: str, values: Sequence[float], others: list[Sequence[float]]) -> None:
        before, after = self._fallen[name]
        if (values[-1] - after) * (before - after) < 0:  # it has yet to come to rest; of NaN nothing is true
            after = values[-1]
            self._fallen[name] = before, after
        newest = [(v - after) / (before - after) for v in values[-2:] if not isnan(v)]
        if len(newest) < 2:
            return
        earlier = [(v - after) / (before - after) for v in values[-2 - SHARP : -2] if not isnan(v)]
        self._age[name] += 1
        share = YOUNG_AT_ONCE if self._age[name] <= YOUNG else BACK_AT_ONCE
        at_once = min(newest) - min(earlier, default=0.0) >= share
        back = min(newest) >= BACK or (at_once and min(newest) >= share)
        if back or (others and self._age[name] >= AT_HOME and self._hangs_elsewhere(values, others)):
            self._forget(name)

    def _hangs_elsewhere(self, values: Sequence[float], others: list[Sequence[float]]) -> bool:
        """It swings with the others: it was moved, and reads the pit at its new place."""
        minutes = min(AT_HOME, len(values), *map(len, others))
        return swings_with(values[-minutes:], middles(others, minutes))

    def _find(self, name: str, before: float, after: float, why: Text, lain: int) -> None:
        self._fallen[name], self._age[name], self._lain[name] = (before, after), 0, lain
        self._evidence[name] = why

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "fallen": {name: list(pair) for name, pair in self._fallen.items()},
            "age": dict(self._age),
            "lain": dict(self._lain),
            "evidence": {name: plain(why) for name, why in self._evidence.items()},
            "leapt": {name: [then, None if isnan(rests) else rests] for name, (then, rests) in self._leapt.items()},
            "back": dict(self._back),
            "apart": self._apart.dump(),
            "swings": self._swings.dump(),
            "by_the_fire": {name: plain(why) for name, why in self._by_the_fire.items()},
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._fallen = {name: (pair[0], pair[1]) for name, pair in dumped["fallen"].items()}
        # not in the checkpoints of earlier versions
        self._age = {name: dumped.get("age", {}).get(name, YOUNG) for name in self._fallen}
        self._lain = {name: dumped.get("lain", {}).get(name, 0) for name in self._fallen}
        self._evidence = {name: said(why) for name, why in dumped["evidence"].items()}
        self._back = dict(dumped.get("back", {}))
        leapt = dumped.get("leapt", {})
        self._leapt = {name: (then, nan if rests is None else rests) for name, (then, rests) in leapt.items()}
        if "apart" in dumped:
            self._apart.load(dumped["apart"])
            self._swings.load(dumped["swings"])
            self._by_the_fire = {name: said(why) for name, why in dumped["by_the_fire"].items()}


def _went_cold(values: Sequence[float]) -> tuple[float, float, int] | None:
    """°C before and after, and minutes since it fell, of a probe that lost nearly all of the pit's warmth within `OUT_IN`."""
    newest = max(values[-2:])
    for since in range(2, min(OUT_IN, len(values) - BEFORE) + 1):
        window = values[-since - BEFORE :]
        before = nan if any(map(isnan, window)) else median(window[:BEFORE])  # of NaN nothing is true
        if before > WARM and newest - OUTSIDE <= LEFT_OVER * (before - OUTSIDE):
            return before, newest, since
    return None
