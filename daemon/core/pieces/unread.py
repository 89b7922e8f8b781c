"""For how long a channel has given nothing to believe."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan
from typing import Final

from daemon.core.readings.trace import MINUTE

GONE_AFTER: Final = 5 * MINUTE
"""s without a believed minute after which a channel tells nothing of what it watches: a plug is put back sooner. Ours."""


@dataclass(slots=True)
class Unread:
    """One channel, minute by minute. at: engine time of the last minute. since: engine time from which it gives nothing to
    believe, None while it does. value: °C of the last minute that was believed, None before the first."""

    at: float = 0.0
    since: float | None = None
    value: float | None = None

    def minute(self, now: float, celsius: float, still: float) -> None:
        """celsius: the median of this minute, NaN where nothing was believed. still: engine time since which the channel stands
        still, once it is found to be stuck; else now."""
        self.at = now
        if isnan(celsius) or still != now:
            self.since = still if self.since is None else min(self.since, still)
        else:
            self.since, self.value = None, celsius

    @property
    def gone(self) -> bool:
        """It has given nothing to believe for more than a moment."""
        return self.since is not None and self.at - self.since >= GONE_AFTER
