"""What woke the cook, what was held back, and whether it was needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from daemon.core.annunciation.test_call import TEST_WAKE
from daemon.core.readings.trace import MINUTE
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import done_time, event_time

ANSWERED_WITHIN = 60 * MINUTE
"""A deed later than this after a call was hardly an answer to it. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Call:
    """A message that woke, with its repeats. needed: the cook's own judgement. deed: what was marked or seen next, and
    when."""

    time: float
    text: str
    alarm: str
    times: int
    acknowledged_at: float | None = None
    needed: bool | None = None
    deed: tuple[float, str] | None = None

    @property
    def test(self) -> bool:
        return self.alarm == TEST_WAKE


@dataclass(frozen=True, slots=True)
class HeldBack:
    time: float
    text: str
    why: str


def calls(cook: KeptCook) -> tuple[Call, ...]:
    """Wakes, one for each occurrence of an alarm, oldest first."""
    told: dict[tuple[str, int], list[Mapping[str, Any]]] = {}
    for event in named(cook, "notification"):
        if event["level"] == "wake":
            told.setdefault((event["alarm"], event["occurrence"]), []).append(event)
    judged = {e["notification"]: e["needed"] for e in named(cook, "wake-judged")}
    return tuple(_call(cook, alarm, occurrence, events, judged) for (alarm, occurrence), events in told.items())


def _call(
    cook: KeptCook, alarm: str, occurrence: int, told: Sequence[Mapping[str, Any]], judged: Mapping[str, bool]
) -> Call:
    time = event_time(cook, told[0])
    seen = (
        event_time(cook, e)
        for e in named(cook, "alarm")
        if e["alarm"] == alarm and e["occurrence"] == occurrence and e["after"].endswith("acknowledged")
        and not e["after"].endswith("unacknowledged")
    )  # fmt: skip
    deeds = sorted(
        (done_time(cook, e), e["kind"])
        for e in named(cook, "mark")
        if time < done_time(cook, e) <= time + ANSWERED_WITHIN
    )
    verdicts = [judged[e["id"]] for e in told if e["id"] in judged]
    return Call(
        time, told[0]["text"], alarm, len(told), next(seen, None), verdicts[-1] if verdicts else None,
        deeds[0] if deeds and alarm != TEST_WAKE else None,
    )  # fmt: skip


def held_back(cook: KeptCook) -> tuple[HeldBack, ...]:
    """What was told without a noise although it might have made one, oldest first."""
    return tuple(
        HeldBack(event_time(cook, e), e["text"], e["held_back"]) for e in named(cook, "notification") if e["held_back"]
    )


def named(cook: KeptCook, *names: str) -> list[Mapping[str, Any]]:
    """Events of these names, oldest first."""
    return [event for event in cook.events if event["event"] in names]
