"""For tests of what is said: the sentence as a reader of °C gets it."""

from __future__ import annotations

from daemon.core.said import Text
from daemon.texts.composer import Composer

_METRIC = Composer()


def in_english(text: Text) -> str:
    return _METRIC.say(text)
