"""When the fire wants wood: the condition of the feed prompt, from the forecast exit and from the present fall."""

from __future__ import annotations

from math import isnan, nan

from daemon.core.alarms.process import FAR_OFF, TURNING, Finding, ProcessSnapshot
from daemon.core.alarms.rules import Condition
from daemon.core.inputs import Interval

FALL_IN_SIGHT = 3.5
"""A forecast exit counts as urgent only while the present fall alone would get there within this many leads: a forecast
learned from quicker pits must not call a cook out to a pit that stands still. Ours, tried on simulated nights."""
FALLS_FASTER = 1.75
"""A dying fire falls faster and faster: in the lower half of the band it has left it after about 1/1.75 of the time that
its lasting fall alone would take, and a forecast that says more is not believed. Ours, tried on simulated nights."""
LEVELLING = 0.8
"""In the upper half of the band a fire that dies falls slowly at first and then faster. What comes down at once, or ever more
slowly (the last minutes less than this share of the last twenty), comes back from too much heat and wants no wood. As above."""


def early_quarter(interval: Interval) -> float:
    """A quarter of the way from an interval's early end to its middle: what the lead for a fire is counted back from. A
    fire left alone gives less time than meat, and half way gave less than the lead in 3 of 31 calls on simulated nights of
    a fire going out, this in 1 of 139."""
    return (3 * interval.p05 + interval.p50) / 4


def feed_condition(process: ProcessSnapshot, guards: tuple[str, ...], slope: float) -> Condition:
    """The prompt to add wood. guards: process conditions that hold; slope: °C/min of the pit, 0 if unknown."""
    rule, band, due = process.rules["pit-falling"], process.band, process.fire.log_due
    left = None if due is None else max(0.0, early_quarter(due) - process.now)
    low = process.pit < band.low
    lead = process.lead(rule)
    lasting = process.fire.lasting_slope if slope < 0 else nan  # it counts only while the pit falls
    fall = slope if isnan(lasting) else max(slope, lasting)
    by_slope = (process.pit - band.low) / -fall * 60.0 if fall < 0 else FAR_OFF
    dying = True
    if not isnan(lasting) and process.pit < (band.low + band.high) / 2:
        left = None if left is None else min(left, max(0.0, by_slope / FALLS_FASTER))
    elif not isnan(lasting):
        dying = process.pit <= band.high and by_slope >= lead and slope <= LEVELLING * lasting
    urgent = dying and left is not None and left <= lead and by_slope <= FALL_IN_SIGHT * lead
    calm = left is None or left > lead + 300.0 or slope > TURNING or by_slope > 2 * FALL_IN_SIGHT * lead
    because = f"{process.pit:.0f} °C, " + (
        "below the band" if low else f"leaves the band in {(left or 0) / 60:.0f} min"
    )
    found = Finding(
        active=low or urgent,
        within=calm and process.pit > band.low + (0 if slope > TURNING else rule.deadband),
        because=because,
        value=process.pit,
        limit=band.low,
        consequence_in=0.0 if low else left,
        severity=int(low),
        improving=slope > TURNING,
    )
    return process.condition(rule.id, process.pit_subject, found, guards)
