"""Pit probes that came to disagree, too slowly for a fall off the grate: shaded by the meat, moved, or wrong.

Each is held against the middle of the others and against what it read itself: who left his own range of the last hour while the
others stayed in theirs is doubted. While both did or neither, nobody can tell which is right: both are believed as before, and
it is said that they disagree. It ends when they agree again, or when the one swings with the others as a probe in the same air
does: then it hangs in a new place, and is taken from there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import isnan
from statistics import median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import Finding
from daemon.core.readings.middle import middles
from daemon.core.readings.pit_coupling import coupling
from daemon.core.said import Text, plain, said, say

# Every number below: our choices, tried on the worlds in tests/worlds.
WINDOW, LATE = 90, 15
"""Minutes looked at, and the last of them, through all of which they must have been further apart than usual."""
KNOWN = 40
"""Minutes of the others that must have been read for a habit."""
LEAST = 12.0
"""°C further apart than usual: five times the tolerance of a class 2 probe, and more than meat on the grate shades."""
UNREST = 8.0
"""Times the usual unrest of what they are apart by: a probe by the firebox leaps."""
CLIMBS = 60.0
"""°C between the lowest and the highest of the others: a pit that is lit or dies, whose places rightly differ."""
OWN = 3.0
"""°C beyond what it has read in the last hour that are more than noise."""
AGREES_FOR = 5
"""Minutes within half of what was too far."""
SETTLED = 60
"""Minutes after which one that swings with the others is taken from its new place."""
SAME_AIR, SURELY = 0.6, 0.7
"""Share of the others' swings that shows in a probe in the same air, and its correlation: what lies on the floor shows less."""


class PitDisagreement:
    """One per rig."""

    def __init__(self) -> None:
        self._found: dict[str, tuple[float, float, int, bool]] = {}
        """channel -> usual °C above the others, °C that were too far from it, minutes since, and whether it is doubted."""
        self._evidence: dict[str, Text] = {}

    def minute(self, pits: Mapping[str, Sequence[float]]) -> dict[str, tuple[Finding, ...]]:
        """One closed minute of one pit: minute medians, °C, newest last, NaN where nothing plausible was read. Only of probes
        with which nothing else is wrong."""
        before = {name for name in pits if name in self._found}
        for name, values in pits.items():
            believed = [v for other, v in pits.items() if other != name and not self.doubts(other)]
            if not believed:
                if not self.doubts(name):
                    self.forget(name)  # it has become plain that the other one is wrong
                continue
            others = middles(believed, min(WINDOW, len(values)))
            if name not in before:
                self._look(name, list(values[-len(others) :]), others)
            else:
                self._follow(name, list(values[-len(others) :]), others)
        return {
            name: (Finding(ProbeFault.DISAGREES, self._found[name][3], self._evidence[name]),)
            for name in pits
            if name in self._found
        }

    def doubts(self, name: str) -> bool:
        """It is this one that is not to be believed."""
        return name in self._found and self._found[name][3]

    def _look(self, name: str, mine: list[float], others: list[float]) -> None:
        apart = [a - b for a, b in zip(mine, others, strict=True)]
        known, late = [d for d in apart[:-LATE] if not isnan(d)], apart[-LATE:]
        if len(known) < KNOWN or any(map(isnan, late)):
            return
        usual = median(known)
        too_far = max(LEAST, UNREST * median([abs(d - usual) for d in known]))
        if not (all(d - usual >= too_far for d in late) or all(d - usual <= -too_far for d in late)):
            return
        if _spread(others) > CLIMBS:
            return
        if _left_its_range(others) and not _left_its_range(mine):
            return  # the others are looked at by themselves
        self._say(name, usual, too_far, 0, mine, others)

    def _say(self, name: str, usual: float, too_far: float, age: int, mine: list[float], others: list[float]) -> None:
        alone = _left_its_range(mine) and not _left_its_range(others)
        self._found[name] = usual, too_far, age, alone
        more = abs(mine[-1] - others[-1] - usual)
        if alone:
            self._evidence[name] = say("probe.left-the-others", mine=mine[-1], others=others[-1], more=more)
        else:
            self._evidence[name] = say("probe.disagrees", mine=mine[-1], others=others[-1], more=more)

    def _follow(self, name: str, mine: list[float], others: list[float]) -> None:
        usual, too_far, age, doubted = self._found[name]
        self._found[name] = usual, too_far, age + 1, doubted
        late = [a - b - usual for a, b in zip(mine[-AGREES_FOR:], others[-AGREES_FOR:], strict=True)]
        agrees = all(abs(d) <= too_far / 2 for d in late)  # of NaN nothing is true
        if agrees or (age >= SETTLED and swings_with(mine, others)):
            self.forget(name)
        elif not doubted and age < LATE and not isnan(mine[-1] + others[-1]):
            self._say(name, usual, too_far, age + 1, mine, others)  # which it is may show as the pit swings on

    def forget(self, name: str) -> None:
        """Something else is wrong with it."""
        self._found.pop(name, None)
        self._evidence.pop(name, None)

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "found": {name: list(row) for name, row in self._found.items()},
            "evidence": {name: plain(why) for name, why in self._evidence.items()},
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._found = {name: (usual, far, age, doubted) for name, (usual, far, age, doubted) in dumped["found"].items()}
        self._evidence = {name: said(why) for name, why in dumped["evidence"].items()}


def swings_with(mine: Sequence[float], others: Sequence[float]) -> bool:
    """A probe shows what the others show, as one in the same air does. Minute medians of the last hour, °C, same length."""
    both = coupling(mine[-SETTLED:], others[-SETTLED:])
    return both is not None and both.share >= SAME_AIR and both.correlation >= SURELY


def _left_its_range(values: list[float]) -> bool:
    before = [v for v in values[:-LATE] if not isnan(v)]
    late = [v for v in values[-LATE:] if not isnan(v)]
    return bool(before and late) and not min(before) - OWN <= median(late) <= max(before) + OWN


def _spread(values: list[float]) -> float:
    known = [v for v in values if not isnan(v)]
    return max(known) - min(known) if known else 0.0
