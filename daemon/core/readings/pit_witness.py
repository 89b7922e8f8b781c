"""One probe of a pit tells of a fire that goes out, and the others of one that burns.

Which of them is right cannot be known: a probe that fell reads so, and so does the only one that is not stuck while the fire
dies. So neither is believed for certain, and somebody is asked to look. What has always read so hangs in a cold place.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import takewhile
from math import isnan
from statistics import median

from daemon.core.readings.middle import middle

# Every number below: our choices, no source.
READS_FOR = 10
"""Minutes through which it reads so: longer than an open lid."""
BELOW, AGREES = 15.0, 10.0
"""°C under the foot of the band from which a probe tells of a dying fire, and above which it does so no longer."""
APART = 12.0
"""°C by which the two came further apart than they were: five times the tolerance of a class 2 probe (IEC 60584-1)."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """warm, cold: °C of the others and of the one that tells of a dying fire, whose name is `colder`. surely: it begins now; else
    it may stand. lasts: minutes for which the colder one has told of it without a break."""

    warm: float
    cold: float
    surely: bool
    colder: str = ""
    lasts: int = 0


def contradiction(pits: Mapping[str, Sequence[float]], low: float) -> Contradiction | None:
    """pits: minute medians of the probes of one pit, °C, newest last, NaN where nothing plausible was read, believed or not.
    low: foot of the band, °C."""
    late = {name: list(values[-READS_FOR:]) for name, values in pits.items()}
    read = {name: median(v) for name, v in late.items() if len(v) == READS_FOR and not any(map(isnan, v))}
    if len(read) < 2:
        return None
    coldest = min(read, key=read.__getitem__)
    warm, cold = middle([v for name, v in read.items() if name != coldest]), read[coldest]
    if cold >= low - AGREES or warm < low - AGREES:
        return None
    others = [values for name, values in pits.items() if name != coldest]
    minutes = min(map(len, pits.values()))
    habit = [
        apart
        for back in range(minutes, READS_FOR, -1)
        if (mine := pits[coldest][-back]) >= low and not isnan(apart := middle([o[-back] for o in others]) - mine)
    ]
    parted = len(habit) >= READS_FOR and warm - cold - median(habit) >= APART
    lasts = sum(1 for _ in takewhile(lambda celsius: celsius < low - BELOW, reversed(pits[coldest])))
    return Contradiction(warm, cold, parted and lasts >= READS_FOR, coldest, lasts)
