"""For tests of what is said: the sentence as a reader of °C gets it."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from config.loader import load_both
from config.problems import Problem, Remedy
from daemon.core.said import Text
from daemon.shell.wording import with_texts
from daemon.texts.composer import Composer
from daemon.texts.problems import in_a_line, told
from daemon.texts.reader import Reader
from daemon.wiring.composers import composer_of

_METRIC = Composer()


def in_english(text: Text) -> str:
    return _METRIC.say(text)


def events_in_words(events: Iterable[dict[str, Any]], rig: Path, wall_offset: float) -> list[dict[str, Any]]:
    """Events of a journal as its readers get them. rig: the rig file of its people."""
    composer = composer_of(load_both(rig, None)[0]).at(wall_offset)
    return [composer.spoken(with_texts(event)) for event in events]


def problem_in_english(problem: Problem, fahrenheit: bool = False) -> str:
    """The line that `pitvigil check` prints of it."""
    return in_a_line(problem, Composer(Reader(fahrenheit)))


def told_in_english(remedy: Remedy | None) -> str:
    """What a device, a driver or a calibration says."""
    return "" if remedy is None else _METRIC.say(told(remedy))


def remedy_in_english(problem: Problem) -> str:
    return _METRIC.say(told(problem.remedy))
