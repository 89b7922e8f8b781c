"""Forecasts of past cooks stand once in the journal, in the input that brought them; their events are made from it again."""

from __future__ import annotations

import json
from collections.abc import Iterable
from typing import Any

from daemon.core.events import ForecastMade
from daemon.core.inputs import ForecastArrived
from daemon.shell.journal.packed_inputs import BUNDLE, placed_in
from daemon.shell.journal.reading_pack import PackDamaged
from daemon.shell.wording import event_to_dict, input_from_json

SHORTENED = '"outlooks":[],"fan":[]}'
"""How the body of an event ends whose forecast stands in its input only."""

Arrived = dict[tuple[float, str], bytes]
"""(engine time, piece) -> JSON of a ForecastArrived."""


def shortened(event: dict[str, Any]) -> str:
    """The body that is left of a forecast's event: what finds its input again."""
    return json.dumps({**event, "outlooks": [], "fan": []}, ensure_ascii=False, separators=(",", ":"))


def forecast_event(time: float, wall_offset: float, arrived: bytes) -> dict[str, Any]:
    """The event that this input led to."""
    item = input_from_json("ForecastArrived", arrived)
    assert isinstance(item, ForecastArrived)
    made = ForecastMade(time, item.piece, item.asked_at, item.outlooks, item.fan)
    event: dict[str, Any] = json.loads(json.dumps(event_to_dict(made, wall_offset)))
    return event


def arrived_forecasts(rows: Iterable[tuple[float, str, bytes]]) -> Arrived:
    """Those in rows (time, kind, body) of inputs of any kind."""
    found: Arrived = {}
    for time, kind, body in rows:
        if kind == "ForecastArrived":
            found[time, json.loads(body)["piece"]] = body
        elif kind == BUNDLE:
            try:
                inside = placed_in(body)
            except PackDamaged:
                continue
            for placed in inside:
                found[placed.time, json.loads(placed.body)["piece"]] = placed.body.encode()
    return found


def whole_event(body: str, time: float, wall_offset: float, arrived: Arrived) -> dict[str, Any]:
    """An event as it was written, a shortened forecast filled in again."""
    event: dict[str, Any] = json.loads(body)
    if body.endswith(SHORTENED) and (found := arrived.get((time, event["piece"]))) is not None:
        return forecast_event(time, wall_offset, found)
    return event
