"""What the fire watch says when it is asked whether the fire wants wood."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class FeedSense:
    """chance: that the pit leaves its band at the bottom within the lead and the margin of the call rule, None without a
    forecast. left: s until it does, in the middle. begins, ends: chances at which a call begins and ends.
    between: s from when to when it does, for a message. Its early end is never later than the pit's present fall would have it,
    its late end is one that three fires in four do not reach: whoever waits for the last of twenty comes too late.

    answering: a log was marked so lately that it cannot have shown, or the pit comes back from an open lid. not_caught: a
    marked log has had its time, and the pit has fallen on as if it were not there. tended: somebody has fed the fire by
    himself, again and again and too often to have slept, and is not late yet. climbs: the last minutes climb by more than the
    noise. slackens: a log was marked lately and has not turned the pit yet, but the fall has slackened: that log is catching.
    falls: the last minutes fall by more than the noise. undecided: the forecast has begun to tell two stories at once, and the
    pit will soon show which. recedes: of the last ten minutes at least half were added to the time left, and it is more than
    half a lead: the pit holds. margin: °C beyond an edge that are more than noise."""

    chance: float | None = None
    left: float | None = None
    begins: float = 0.5
    ends: float = 0.3
    answering: bool = False
    not_caught: bool = False
    tended: bool = False
    climbs: bool = False
    falls: bool = False
    undecided: bool = False
    recedes: bool = False
    slackens: bool = False
    margin: float = 1.0
    between: tuple[float, float] | None = None
