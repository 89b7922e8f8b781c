"""How often a number that flickers is told: a history keeps every change it hears, and a quarter of a degree to and fro
fills it for nothing. Alarms are judged before any of this and are told at once."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import datetime

SOONEST = 10.0
"""s between two tellings, however far the number has moved."""


@dataclass(frozen=True, slots=True)
class Pace:
    """Told when it moved by `deadband` (in its own unit; s for an instant) and `every` s have passed; after `SOONEST` when
    it moved by `jump`. Words are told at once, but after `every` s when only the figures in them differ; so is what becomes
    known or unknown. No sources: common practice."""

    deadband: float
    every: float
    jump: float = math.inf


STEP = Pace(0.75, 60.0, 5.0)
"""°C: a temperature. Three steps of an amplifier that knows quarters, so that its flicker alone is hardly ever told, and less
than any probe's tolerance. A lid that opens is seen within seconds."""
WORDS = Pace(0.0, 300.0)
"""A sentence with figures in it."""
SLOW = Pace(120.0, 300.0, 1800.0)
"""s: an instant that a forecast moves about."""


class Pacer:
    """Remembers what was told last of each topic."""

    def __init__(self) -> None:
        self._told: dict[str, tuple[str, float]] = {}

    def paced(self, topic: str, text: str, pace: Pace | None, now: float) -> str:
        """What to tell now: the text, or what was told before. now: s that only go forward."""
        before, at = self._told.get(topic, ("", now))
        if pace is None or not before or not text or text == before or _due(before, text, pace, now - at):
            if text != before:
                self._told[topic] = (text, now)
            return text
        return before

    def forget(self, topics: set[str]) -> None:
        for topic in topics:
            self._told.pop(topic, None)


def _due(before: str, text: str, pace: Pace, since: float) -> bool:
    moved = _moved(before, text)
    if moved is None:
        return since >= pace.every or _without_figures(before) != _without_figures(text)
    return (moved >= pace.deadband and since >= pace.every) or (moved >= pace.jump and since >= SOONEST)


def _without_figures(text: str) -> str:
    return re.sub(r"\d", "", text)


def _moved(before: str, text: str) -> float | None:
    """By how much; None for what is neither number nor instant."""
    try:
        return abs(float(text) - float(before))
    except ValueError:
        pass
    try:
        return abs((datetime.fromisoformat(text) - datetime.fromisoformat(before)).total_seconds())
    except (ValueError, TypeError):
        return None
