"""STUB, being written: when a piece reaches each goal, with honest intervals. Pure and deterministic."""

from __future__ import annotations

from daemon.core.events import ForecastRequest
from daemon.core.inputs import ForecastArrived

FIRST_MINUTES = 45
"""No forecast in the first 45 min: the core has not begun to answer."""


def forecast(request: ForecastRequest) -> ForecastArrived:
    """All goals under all scenarios. <= 1 s on a 2-core x86. Never raises for odd data: says `reason` instead."""
    raise NotImplementedError
