"""Falls and climbs that slacken: what a log that catches does to a fall, and how far a climb has still to go."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from math import inf, isnan
from statistics import fmean

from daemon.core.pit.signs import slope

SLACK_SPAN, SLACK = 4, 0.6
"""Minutes, and the share of the fall before them that they may show at most, for a fall to slacken. A pit without a fire cools
along an exponential with a time constant of a quarter of an hour or more, and keeps two thirds of its pace in that time."""
PLUNGE_SPAN, PLUNGE_FOR, PLUNGE = 12, 3, 25.0
"""Minutes in which a pit falls by more than so many °C, and the last of them for which it lies as far under its band: a log on
embers comes sooner, and a lid that is open is known of. A quick pit's fall slackens all the way down, with no log that catches.
Ours, no source."""
RISE_SPAN, RISE_AT_MOST = 4, 2.5
"""Minute values that tell how fast a climb slackens; minutes for which one that does not slacken is taken to go on. This and the
last: common practice, no source."""


def slackens(minutes: list[float]) -> bool:
    """Is the fall of the last minutes less than SLACK of what it was just before? °C, one a minute, NaN where unknown."""
    now, before = slope(minutes[-SLACK_SPAN:]), slope(minutes[-3 * SLACK_SPAN : -SLACK_SPAN])
    return before < 0 and now > SLACK * before  # NaN is neither


def plunges(minutes: Sequence[float], low: float) -> bool:
    """Does no log that was laid hold this fall? low: of the band, °C. minutes: °C, one a minute, NaN where unknown."""
    recent = minutes[-PLUNGE_SPAN:]
    under = len(recent) == PLUNGE_SPAN and all(pit < low - PLUNGE for pit in recent[-PLUNGE_FOR:])
    return under and recent[0] - recent[-1] > PLUNGE  # of NaN neither is true


def rise_ahead(minutes: Sequence[float], climb: float) -> float:
    """°C still to gain by a climb, °C/min, that goes on to slacken as in the last minutes (a parabola), and for RISE_AT_MOST
    minutes if it does not slacken; 0 without a climb."""
    if isnan(climb) or climb <= 0:
        return 0.0
    recent, most = minutes[-RISE_SPAN:], RISE_AT_MOST * climb
    slackening = (recent[1] - recent[0] - climb) / (RISE_SPAN - 1) if len(recent) == RISE_SPAN else 0.0
    return min(most, climb * climb / (2 * slackening)) if slackening > 0 else most  # NaN is not


def most_regained(minutes: Sequence[float]) -> float:
    """°C by which a pit has come up from the lowest it had been before."""
    lowest, most = inf, 0.0
    for pit in minutes:  # of NaN nothing is true
        if pit < lowest:
            lowest = pit
        elif pit - lowest > most:
            most = pit - lowest
    return most


@lru_cache(maxsize=16)  # a minute's answer is asked for at every scan, by several
def heading(minutes: tuple[float, ...], span: int, least: float) -> int:
    """Where it is going, °C one a minute, by means of `span` known minutes: 1 up, -1 down, 0 where it never moved by `least` °C.
    It turns only where it has come back by as much from its highest or lowest since the last turn: less is noise."""
    known = [pit for pit in minutes if not isnan(pit)]
    way, lowest, highest = 0, inf, -inf
    for end in range(span, len(known) + 1):
        pit = fmean(known[end - span : end])
        lowest, highest = min(lowest, pit), max(highest, pit)
        if way <= 0 and pit - lowest >= least:
            way, highest = 1, pit
        elif way >= 0 and highest - pit >= least:
            way, lowest = -1, pit
    return way


def without_turn(minutes: Sequence[float], least: float) -> int:
    """How many of the newest minutes have nowhere come up by `least` °C."""
    highest = -inf
    for number, pit in enumerate(reversed(minutes)):
        highest = max(highest, pit)
        if highest - pit >= least:
            return number
    return len(minutes)
