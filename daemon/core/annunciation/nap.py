""" "I am going to sleep": the green list, and until when.

Nobody is promised a sleep the watch cannot keep: each line that is not green is named, and no window is given without
a fire forecast.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daemon.core.events import NapPlanned
from daemon.core.health import HealthTable
from daemon.core.inputs import Part
from daemon.core.said import Text, say
from daemon.core.settings import AnnouncingSettings


class Wood(StrEnum):
    """Whether it lasts until the meat is off. NOT_KNOWN: it was counted, but some piece has no forecast."""

    NOT_COUNTED = "not-counted"
    LASTS = "lasts"
    SHORT = "short"
    NOT_KNOWN = "not-known"


@dataclass(frozen=True, slots=True)
class Readiness:
    """What the list is checked against. window: (until, latest) from the fire watch; lines: (words, holds)."""

    lines: tuple[tuple[Text, bool], ...]
    window: tuple[float, float] | None
    no_window: Text


def green_list(
    announcing: AnnouncingSettings,
    parts: HealthTable,
    *,
    test_wake: bool,
    clock: bool,
    probes: bool,
    answered: bool,
    wood: Wood = Wood.NOT_COUNTED,
    unseen: Sequence[str] = (),
) -> tuple[tuple[Text, bool], ...]:
    """What must hold before anybody may rely on being woken: (words, holds). The words of what does not hold are what to do.
    unseen: names of held pieces that nothing watches."""
    devices = _has_second_device(dict(announcing.audiences))
    channels = bool(announcing.wake_channels) and parts.well(Part.CHANNEL)
    lines: tuple[tuple[Text, bool], ...] = (
        (say("green.test-wake") if test_wake else say("missing.test-wake"), test_wake),
        (say("green.second-device") if devices else say("missing.second-device"), devices),
        (say("green.channels") if channels else say("missing.channels"), channels),
        (say("green.clock") if clock else say("missing.clock"), clock),
        (say("green.probes") if probes else say("missing.probes"), probes),
        (say("green.answered") if answered else say("missing.answered"), answered),
        (say("green.record") if (record := parts.well(Part.DISK)) else say("missing.record"), record),
    )
    if not parts.well(Part.RECORD):
        lines = (*lines, (say("missing.told"), False))
    if unseen:
        lines = (*lines, (say("missing.held-unseen", names=tuple(unseen)), False))
    match wood:
        case Wood.NOT_COUNTED:
            return lines
        case Wood.LASTS:
            return (*lines, (say("green.wood"), True))
        case Wood.SHORT:
            return (*lines, (say("missing.wood"), False))
        case Wood.NOT_KNOWN:
            return (*lines, (say("missing.wood-not-known"), False))


def _has_second_device(audiences: dict[str, tuple[str, ...]]) -> bool:
    """Something else than what is called first: one device with every audience is still one device."""
    first = set(audiences.get("phone", ()))
    others = {*audiences.get("sounder", ()), *audiences.get("second", ())}
    return bool(others - first) or (not first and len(others) > 1)


def earliest(windows: Sequence[tuple[float, float] | None]) -> tuple[float, float] | None:
    """The window of sleep by several fires: whichever wants wood first ends it; None: one of them promises none."""
    known = [window for window in windows if window is not None]
    if not known or len(known) < len(windows):
        return None
    return min(until for until, _ in known), min(latest for _, latest in known)


def rung_within(
    window: tuple[float, float] | None, clock: float | None, now: float, burning: bool
) -> tuple[float, float] | None:
    """The window of sleep with the hour that a kept plan rings at. burning: meat is on a fire, of which the window speaks; then
    an alarm clock only ends it sooner."""
    if clock is None or clock <= now:
        return window
    if window is not None:
        return min(window[0], clock), min(window[1], clock)
    return None if burning else (clock, clock)


def plan_nap(ready: Readiness, now: float) -> NapPlanned:
    """The answer to the cook."""
    green = tuple(words for words, holds in ready.lines if holds)
    unmet = tuple(words for words, holds in ready.lines if not holds)
    until, latest = ready.window if ready.window else (None, None)
    return NapPlanned(now, until, latest, green, unmet, "" if ready.window else ready.no_window)
