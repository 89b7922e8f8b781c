"""One probe of a pit tells of a fire that goes out, or of one that burns too hot, and the others of one that burns as it should.

Which of them is right cannot be known: a probe that fell reads so, and so does the only one that is not stuck while the fire
dies. So neither is believed for certain, and somebody is asked to look at both: of a dying fire the colder one tells in time, of
one that runs away the warmer one. What has always read so hangs in a cold place, or by the fire.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile
from math import inf, isnan, nan
from statistics import median

from daemon.core.readings.middle import middle, middles

# Every number below: our choices, no source; tried on the worlds in tests/worlds.
READS_FOR = 10
"""Minutes through which it reads so: longer than an open lid."""
BELOW, AGREES = 15.0, 10.0
"""°C under the foot of the band from which a probe tells of a dying fire, and above which it does so no longer."""
APART = 12.0
"""°C by which the two came further apart than they were: five times the tolerance of a class 2 probe (IEC 60584-1)."""
UNREST = 8.0
"""Times the usual unrest of what they are apart by, beyond which it is more: a probe by the firebox leaps."""
MOVES, MOVES_FOR = 0.2, 5
"""°C per minute, and minutes: one that has left the band and sinks on tells of it sooner, and one that climbs on of a fire that
runs away; what was moved or shaded comes to rest."""
ABOVE = 10.0
"""°C over the head of the band from which a probe tells of a fire that burns too hot, as of the pit itself."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """warm, cold: °C of the one that tells of a need and of the others. hot: the warmer one does, of a fire that burns too
    hot; else the colder one, of one that goes out. surely: it begins now; else it may stand. colder: the name of the colder one,
    lasts: minutes for which it has told of a dying fire without a break."""

    warm: float
    cold: float
    surely: bool
    colder: str = ""
    lasts: int = 0
    hot: bool = False


def contradiction(pits: Mapping[str, Sequence[float]], low: float, high: float = inf) -> Contradiction | None:
    """pits: minute medians of the probes of one pit, °C, newest last, NaN where nothing plausible was read, believed or not.
    low, high: of the band, °C."""
    late = {name: list(values[-READS_FOR:]) for name, values in pits.items()}
    read = {name: median(v) for name, v in late.items() if len(v) == READS_FOR and not any(map(isnan, v))}
    if len(read) < 2:
        return None
    return _goes_out(pits, read, low) or _burns_too_hot(pits, read, high)


def _goes_out(pits: Mapping[str, Sequence[float]], read: Mapping[str, float], low: float) -> Contradiction | None:
    coldest = min(read, key=read.__getitem__)
    warm, cold, mine = middle([v for name, v in read.items() if name != coldest]), read[coldest], pits[coldest]
    if cold >= low or warm < low - AGREES:
        return None
    apart = [-above for above in _above_the_others(pits, coldest)]
    before = zip(apart[:-READS_FOR], mine[-len(apart) : -READS_FOR], strict=True)
    usual, too_far = _usual([a for a, celsius in before if celsius >= low])
    late, lasts = apart[-READS_FOR:], sum(1 for _ in takewhile(lambda celsius: celsius < low - BELOW, reversed(mine)))
    parted = warm - cold - usual >= APART and lasts >= READS_FOR  # of NaN nothing is true
    sinks = min(late) - usual >= too_far and mine[-MOVES_FOR] - mine[-1] >= MOVES * (MOVES_FOR - 1)
    if not (parted or sinks or cold < low - AGREES or warm - cold - usual >= APART / 2):
        return None
    return Contradiction(warm, cold, parted or sinks, coldest, lasts)


def _burns_too_hot(pits: Mapping[str, Sequence[float]], read: Mapping[str, float], high: float) -> Contradiction | None:
    hottest = max(read, key=read.__getitem__)
    mine, others = pits[hottest][-MOVES_FOR:], middle([v for name, v in read.items() if name != hottest])
    if min(mine) < high or others > high + ABOVE:
        return None
    apart = _above_the_others(pits, hottest)
    before = apart[:-MOVES_FOR]
    usual, too_far = _usual(before)
    # one by the fire leaps with every log, but no further than it has before
    parted = min(apart[-MOVES_FOR:]) >= max(usual + too_far, max((a for a in before if not isnan(a)), default=inf))
    parted = parted and min(mine) >= high + ABOVE
    return Contradiction(mine[-1], others, parted and mine[-1] - mine[0] >= MOVES * (MOVES_FOR - 1), hot=True)


def _above_the_others(pits: Mapping[str, Sequence[float]], name: str) -> list[float]:
    """°C by which it read more than the others, minute by minute, newest last."""
    minutes = min(map(len, pits.values()))
    others = middles([values for other, values in pits.items() if other != name], minutes)
    return [mine - theirs for mine, theirs in zip(pits[name][-minutes:], others, strict=True)]


def _usual(apart: Sequence[float]) -> tuple[float, float]:
    """°C that they are usually apart by, NaN where that is not known, and what is too far beyond it."""
    known = [a for a in apart if not isnan(a)]
    if len(known) < READS_FOR:
        return nan, inf
    usual = median(known)
    return usual, max(APART, UNREST * median([abs(a - usual) for a in known]))
