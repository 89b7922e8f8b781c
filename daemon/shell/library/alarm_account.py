"""The alarm figures of kept cooks: of a night, of one cook, or of many as a season."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.core.alarms.figures import AlarmFigures, Transition, alarm_figures
from daemon.core.annunciation.test_call import TEST_WAKE
from daemon.core.events import AlarmState
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import utc_seconds

TRAIL_EVENTS = ("alarm", "notification", "wake-judged")
"""Words of the events that the figures are counted from."""


@dataclass(frozen=True, slots=True)
class AlarmTrail:
    """What was said of alarms in one cook, and nothing else of it. started, ended: engine time, s; of one that still runs the
    newest instant. events: of the event file, oldest first."""

    started: float
    ended: float
    wall_offset: float
    events: tuple[Mapping[str, Any], ...]

    def at(self, event: Mapping[str, Any]) -> float:
        """Engine time, s."""
        return utc_seconds(event["time"]) - self.wall_offset


@dataclass(frozen=True, slots=True)
class Window:
    """UTC, s, from and until."""

    start: float = float("-inf")
    end: float = float("inf")


def trail_of(cook: KeptCook) -> AlarmTrail:
    ended = cook.started + 60.0 * len(cook.minutes) if cook.ended is None else cook.ended
    return AlarmTrail(cook.started, ended, cook.wall_offset, cook.events)


def figures_of(trails: Sequence[AlarmTrail], window: Window | None = None) -> AlarmFigures:
    """Of one cook, or of several laid end to end: what stands between two cooks counts for neither. window: only what happened
    in it; what stood at its start stands on, without being raised anew."""
    seen = window or Window()
    transitions: list[Transition] = []
    verdicts: list[bool] = []
    laid = 0.0
    for trail in trails:
        start = max(trail.started, seen.start - trail.wall_offset)
        end = min(trail.ended, seen.end - trail.wall_offset)
        if end > start:
            transitions += _changes(trail, start, end, laid)
            verdicts += _verdicts(trail, start, end)
            laid += end - start
    return alarm_figures(transitions, 0.0, laid, verdicts)


def _changes(trail: AlarmTrail, start: float, end: float, laid: float) -> Iterator[Transition]:
    """Those of the span, with `laid` as its start; an alarm that stood then comes first, unchanged, and none stands beyond its
    end."""
    standing: dict[str, Transition] = {}
    inside: list[Transition] = []
    for event in trail.events:
        if event["event"] != "alarm":
            continue
        at, alarm, after = trail.at(event), str(event["alarm"]), AlarmState(event["after"])
        if at < start:
            standing[alarm] = Transition(laid, alarm, after, after, event["prompt"])
        elif at <= end:
            before = AlarmState(event["before"])
            inside.append(Transition(at - start + laid, alarm, before, after, event["prompt"]))
    yield from standing.values()
    yield from inside
    at_rest = AlarmState.NORMAL
    for alarm in {change.alarm: None for change in (*standing.values(), *inside)}:
        yield Transition(end - start + laid, alarm, at_rest, at_rest)


def _verdicts(trail: AlarmTrail, start: float, end: float) -> list[bool]:
    """The cook's word on each call of the span, whenever it was said. A test is no call."""
    calls = {
        event["id"]
        for event in trail.events
        if event["event"] == "notification" and event["alarm"] != TEST_WAKE and start <= trail.at(event) <= end
    }
    judged = {e["notification"]: bool(e["needed"]) for e in trail.events if e["event"] == "wake-judged"}
    return [needed for call, needed in judged.items() if call in calls]
