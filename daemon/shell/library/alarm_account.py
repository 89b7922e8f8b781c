"""The alarm figures of kept cooks: of one cook, or of many as a season."""

from __future__ import annotations

from collections.abc import Sequence

from daemon.core.alarms.figures import AlarmFigures, Transition, alarm_figures
from daemon.core.annunciation.test_call import TEST_WAKE
from daemon.core.events import AlarmState
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import event_time


def figures_of(cooks: Sequence[KeptCook]) -> AlarmFigures:
    """Of one cook, or of several laid end to end: what stands between two cooks counts for neither."""
    transitions: list[Transition] = []
    verdicts: list[bool] = []
    laid = 0.0
    for cook in cooks:
        ended = cook.started + _length(cook)
        shift = laid - cook.started
        transitions += [
            Transition(event_time(cook, e) + shift, f"{e['alarm']}", AlarmState(e["before"]), AlarmState(e["after"]),
                       e["prompt"])
            for e in cook.events if e["event"] == "alarm"
        ]  # fmt: skip
        tests = {e["id"] for e in cook.events if e["event"] == "notification" and e["alarm"] == TEST_WAKE}
        verdicts += [e["needed"] for e in cook.events if e["event"] == "wake-judged" and e["notification"] not in tests]
        laid += ended - cook.started
    return alarm_figures(transitions, 0.0, laid, verdicts)


def _length(cook: KeptCook) -> float:
    """s, to its end, or to the last minute read while it runs."""
    if cook.ended is not None:
        return cook.ended - cook.started
    return 60.0 * len(cook.minutes)
