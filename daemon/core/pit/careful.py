"""What is said of a pit whose state lies beyond everything that was learned from: less late, and less sure.

Trees say of what lies beyond the same as of the last they saw, and in worlds that were left out the intervals held less often
there. Plain figures of this pit alone (its trend, its own earlier fires) are further off still, so they do not take the place
of what was learned: where they say that less is left, the forecast goes towards them as far as its own early half allows, and
its interval widens either way.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import log

from daemon.core.pit.exit_model import LEVELS, MIDDLE, SHIFT
from daemon.core.pit.fire_features import FEATURES, UNKNOWN

WIDER = 1.3
"""Times as wide. With it intervals hold as often beyond what was learned as within it, in worlds that were left out."""
PLAIN_SPREAD = 0.67
"""Logarithm by which the early end lies below what the plain figures say at least: three in four of their errors are less."""
AT = {name: i for i, name in enumerate(FEATURES)}


def plain_minutes(features: Sequence[float]) -> float:
    """Minutes left by this pit's own figures, the lesser of its trend and of what its earlier fires did from here."""
    trend = min(features[AT["to the edge at slope 12"]], features[AT["to the edge at slope 20"]])
    own = (features[AT[name]] for name in ("as earlier fires", "as earlier falls", "height at the usual fall"))
    return min(trend, next(minutes for minutes in own if minutes != UNKNOWN))  # the last is always known


def carefully(logs_left: Sequence[float], plain: float) -> list[float]:
    """log(minutes + SHIFT) at each of LEVELS, of what lies beyond what was learned. plain: minutes."""
    middle, own = logs_left[MIDDLE], log(plain + SHIFT)
    told = [middle + WIDER * (left - middle) for left in logs_left]
    told[MIDDLE] = max(logs_left[MIDDLE - 1], min(middle, own))
    told[MIDDLE - 1] = min(told[MIDDLE - 1], told[MIDDLE])
    told[0] = min(told[0], told[MIDDLE - 1], own - PLAIN_SPREAD)
    lowest = log(SHIFT)  # nothing is left
    return [max(lowest, *told[: i + 1]) for i in range(len(LEVELS))]
