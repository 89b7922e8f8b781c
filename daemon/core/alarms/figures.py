"""How the alarm system itself does, by the names of the standards: how many alarms, how fast, how long unanswered, which ones.

Names after OPC UA Part 9 (AlarmMetrics) and ANSI/ISA-18.2 (performance monitoring), both from memory. Prompts, the expected
calls for wood and the like, are counted with the alarms that a person has to answer, and by themselves.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from daemon.core.events import AlarmState

RATE_SPAN = 600.0
"""s: ISA-18.2 counts alarms in each 10 min and operator (from memory)."""
CHATTERS_AT, CHATTERS_WITHIN = 3, 60.0
"""An alarm that is raised so often within so many s chatters: the usual threshold with ISA-18.2 (from memory)."""
STALE_AFTER = 24 * 3600.0
"""s an alarm stands without a break before it counts as stale: ISA-18.2 (from memory)."""
MOST_FREQUENT = 10
"""The list that the standards ask for."""
_Counts = Callable[[AlarmState], bool]


@dataclass(frozen=True, slots=True)
class Transition:
    """One change of an alarm's state. time: s. alarm: its key. prompt: an expected call for action."""

    time: float
    alarm: str
    before: AlarmState
    after: AlarmState
    prompt: bool = False


@dataclass(frozen=True, slots=True)
class Longest:
    """The alarm that was longest in a state, and for how many s."""

    alarm: str
    seconds: float


@dataclass(frozen=True, slots=True)
class AlarmFigures:
    """alarm_count: times any alarm was raised; prompt_count: those of them that are prompts. average_rate, maximum_rate: raised
    in 10 min. maximum_active: stood longest; maximum_unacknowledged: waited longest for an answer. top: (alarm, times).
    answer_median, answer_longest: s from a call to its answer, None without any. judged, needed: calls that the cook judged."""

    seconds: float
    alarm_count: int
    prompt_count: int
    average_rate: float
    maximum_rate: int
    maximum_active: Longest | None
    maximum_unacknowledged: Longest | None
    top: tuple[tuple[str, int], ...]
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    answers: int
    answer_median: float | None
    answer_longest: float | None
    judged: int
    needed: int


def alarm_figures(
    transitions: Sequence[Transition], start: float, end: float, verdicts: Iterable[bool] = ()
) -> AlarmFigures:
    """transitions: oldest first, from `start` to `end`, s. verdicts: the cook's own word on each call, was it needed."""
    raised = [t for t in transitions if _is_raised(t)]
    active = _spans(transitions, end, _stands)
    waiting = _spans(transitions, end, _waits)
    times = Counter(t.alarm for t in raised)
    answers = [seconds for _, seconds, ended in waiting if ended]
    said = list(verdicts)
    span = max(end - start, RATE_SPAN)
    return AlarmFigures(
        seconds=end - start,
        alarm_count=len(raised),
        prompt_count=sum(t.prompt for t in raised),
        average_rate=len(raised) * RATE_SPAN / span,
        maximum_rate=_most_within([t.time for t in raised], RATE_SPAN),
        maximum_active=_longest(active),
        maximum_unacknowledged=_longest(waiting),
        top=tuple(sorted(times.items(), key=lambda item: (-item[1], item[0]))[:MOST_FREQUENT]),
        chattering=tuple(sorted(alarm for alarm in times if _chatters(raised, alarm))),
        stale=tuple(sorted({alarm for alarm, seconds, _ in active if seconds > STALE_AFTER})),
        answers=len(answers),
        answer_median=median(answers) if answers else None,
        answer_longest=max(answers, default=None),
        judged=len(said),
        needed=sum(said),
    )


def _is_raised(change: Transition) -> bool:
    """From rest, or again before anybody had seen that it was over."""
    at_rest = change.before in (AlarmState.NORMAL, AlarmState.RETURNED_UNACKNOWLEDGED)
    return at_rest and change.after in (AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)


def _stands(state: AlarmState) -> bool:
    return state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def _waits(state: AlarmState) -> bool:
    return state in (
        AlarmState.UNACKNOWLEDGED,
        AlarmState.RETURNED_UNACKNOWLEDGED,
        AlarmState.LATCHED_UNACKNOWLEDGED,
    )


def _spans(transitions: Sequence[Transition], end: float, counts: _Counts) -> list[tuple[str, float, bool]]:
    """(alarm, s, ended by an answer) of every unbroken time in the states that count."""
    since: dict[str, float] = {}
    spans: list[tuple[str, float, bool]] = []
    for change in transitions:
        if counts(change.after):
            since.setdefault(change.alarm, change.time)
        elif change.alarm in since:
            answered = change.after in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED) or (
                change.before is AlarmState.RETURNED_UNACKNOWLEDGED and change.after is AlarmState.NORMAL
            )
            spans.append((change.alarm, change.time - since.pop(change.alarm), answered))
    return spans + [(alarm, max(0.0, end - began), False) for alarm, began in since.items()]


def _longest(spans: list[tuple[str, float, bool]]) -> Longest | None:
    if not spans:
        return None
    alarm, seconds, _ = max(spans, key=lambda span: span[1])
    return Longest(alarm, seconds)


def _most_within(times: Sequence[float], span: float) -> int:
    first = most = 0
    for last, time in enumerate(times):
        while times[first] <= time - span:
            first += 1
        most = max(most, last - first + 1)
    return most


def _chatters(raised: Sequence[Transition], alarm: str) -> bool:
    return _most_within([t.time for t in raised if t.alarm == alarm], CHATTERS_WITHIN) >= CHATTERS_AT
