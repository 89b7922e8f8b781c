"""A fire watch that has nothing to say, for tests of other alarms."""

from __future__ import annotations

from math import nan
from types import SimpleNamespace
from typing import Any

from daemon.core.pit.feed_sense import FeedSense


def quiet_fire(sense: FeedSense | None = None, **said: Any) -> Any:
    """said: what it says all the same, by the names of `FireWatch`."""
    usual = {
        "slope": 0.0, "trend": 0.0, "climb": 0.0, "steady_climb": 0.0, "log_due": None, "lid_open": False,
        "lid_recovering": False, "heading": 0, "lower_each_time": False, "lid_from": nan,
        "slackens": False, "forecast_made_at": None, "regained": 0.0, "rise_ahead": 0.0, "climb_is_a_log": lambda now: False,
        "fed_within": lambda now, within: False, "excused": lambda now: False, "stays_low": lambda now: False,
        "feed": lambda now, within: sense or FeedSense(),
    }  # fmt: skip
    return SimpleNamespace(**{**usual, **said})
