"""When the fire wants wood: one decision on one distribution of the time until the pit leaves its band if nobody comes."""

from __future__ import annotations

from collections.abc import Iterator
from math import isnan

from daemon.core.alarms.conditions.process import TURNING, Finding, ProcessSnapshot, quiet
from daemon.core.alarms.rules import Condition
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.said import Text, say

MINUTE = 60.0
LATELY = 60 * MINUTE
"""s for which a marked log may be one that failed. Common practice, no source."""
WELL_BELOW = 8.0
"""°C under the band from which a fire may count as lost; until there the prompt for wood says it all. Ours, no source."""
FEED, NOT_CAUGHT = "pit-falling", "log-not-caught"


def feed_conditions(process: ProcessSnapshot, guards: tuple[str, ...], slope: float) -> Iterator[Condition]:
    """The prompt to add wood, and the one that says why the last log did not help: never both. guards: process conditions
    that hold; slope: °C/min of the pit, 0 if unknown. While the pit cannot be read the last forecast stands and ages."""
    rule, low, pit = process.rules[FEED], process.band.low, process.pit
    told = process.settings.announcing
    ahead = told.sleeper.lead + rule.on_delay + (told.merge_within if process.joint else 0.0)
    sense = process.sense(ahead)
    below = pit < low  # never true of NaN
    stays_low = below and pit >= low - WELL_BELOW and process.stays_low  # lower, the fire is called lost
    chance = 1.0 if below else sense.chance or 0.0
    left = 0.0 if below else sense.left
    climbs = slope > TURNING or sense.climbs
    # what climbs above its band has the whole band before it, and nobody lays wood on what may be burning fat: what burns does
    # not fall
    high, away = (process.band.high + process.rules[which].margin for which in ("pit-high", "runaway"))
    flares = pit > (high if sense.climbs else away) and not sense.falls
    wanted = chance >= sense.begins and not (flares or (below and climbs))
    # somebody is up, not late, and has said nothing of sleeping
    wanted = wanted and (below or process.asleep or not sense.tended)
    # the log that was marked has yet to show, or is catching: but not for ever below the band
    wanted = wanted and (stays_low or not (sense.answering or sense.slackens))
    # nobody can act on two stories at once; the pit tells soon which of them is true
    wanted = wanted and (below or process.stands(FEED) or not sense.undecided)
    unknown = isnan(pit) and sense.chance is None  # neither raises nor clears
    failed = sense.not_caught and chance >= sense.begins and not climbs
    # nor did any that was laid on a pit that stays below its band: more of them are no help
    failed = failed or (stays_low and process.fire.fed_within(process.now, LATELY))
    # and below the band it is so until the pit climbs or another log goes on: a fall slackens by itself as a fire dies
    failed = failed or (below and process.stands(NOT_CAUGHT) and not (climbs or sense.answering))
    # that the pit falls on must be seen: the last that was read may be a probe's fall off the grate
    failed = failed and (not isnan(pit) or process.stands(NOT_CAUGHT))
    # who was called need not be called louder; but what was ordered stays ordered until it is done or the call is over: a
    # forecast that wavers would take an order back and give it again within minutes
    holds = sense.recedes and process.stands(FEED) and not (below or isnan(pit))
    active = wanted and not failed
    within = not wanted and (
        sense.climbs
        or (below and climbs)
        or (not stays_low and (sense.answering or sense.slackens))
        or failed
        or (chance < sense.ends and not unknown)
    )
    silent = process.goes_without_saying(FEED, process.pit_subject, active, within)
    found = Finding(
        active=active,
        within=within,
        because="" if silent else _because(process, sense, slope),
        value=None if isnan(pit) else pit,
        limit=low,
        consequence_in=left,
        severity=int(pit < low - sense.margin),
        improving=(climbs and below) or holds,
        mends=not silent and below and process.fire.heading > 0,
        between=None if below else sense.between,
        last=process.last,
    )
    yield process.condition(FEED, process.pit_subject, found, guards)
    if process.goes_without_saying(NOT_CAUGHT, process.pit_subject, failed, within=False):
        yield quiet(NOT_CAUGHT, process.pit_subject.id)
        return
    found = Finding(
        active=failed,
        within=not failed,
        because=say("alarm.log-not-caught.because-unseen", since=process.unseen_since, carried=carried(process))
        if isnan(pit)
        else say("alarm.log-not-caught.because", pit=pit),
        value=None if isnan(pit) else pit,
        limit=low,
        consequence_in=left,
        improving=(climbs or sense.slackens) and not stays_low,
        between=None if below else sense.between,
        last=process.last,
    )
    yield process.condition(NOT_CAUGHT, process.pit_subject, found, guards)


def _because(process: ProcessSnapshot, sense: FeedSense, slope: float) -> Text:
    """Why wood is called for."""
    if process.pit < process.band.low:
        return say("alarm.pit-falling.because-below", pit=process.pit)
    if isnan(process.pit):
        return say("alarm.pit-falling.because-unseen", since=process.unseen_since, carried=carried(process))
    when = sense.left if sense.between is None else sense.between  # the message's own figure
    trend = slope if isnan(process.fire.trend) else process.fire.trend
    return say("alarm.pit-falling.because", pit=process.pit, rate=60 * trend, left=when)


def carried(process: ProcessSnapshot) -> Text:
    """What was foretold of a pit that is not seen any more, with its age; "" of one that is seen, or where nothing stands."""
    made = process.fire.forecast_made_at
    if not isnan(process.pit) or made is None:
        return ""
    sense = process.sense()
    if sense.between is None:
        return ""
    return say("alarm.carried", made=made, ago=process.now - made, left=sense.between)
