"""Who can be reached: which delivery channels serve an audience, which of them work, and who is told instead."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from typing import Any, cast

from daemon.core.annunciation.escalation import FALL_OVER, LOUDER, NOTICE, PHONE
from daemon.core.inputs import Delivered, Outcome


@dataclass(slots=True)
class Sent:
    """One wake message on its way. Names of audiences, of channels that gave it up, of audiences that have it."""

    at: float
    audiences: list[str]
    failed: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


class Reach:
    """Hears of every delivery, and of channels that stop or begin to work. All but the audiences' channels outlives a restart."""

    def __init__(self, audiences: tuple[tuple[str, tuple[str, ...]], ...]) -> None:
        self._channels = dict(audiences)
        self._sent: dict[str, Sent] = {}
        self._down: list[str] = []

    def sent(self, message: str, audiences: Iterable[str], now: float, forget_after: float) -> None:
        """A wake message leaves. What left more than `forget_after` s ago is forgotten."""
        self._sent = {k: s for k, s in self._sent.items() if s.at >= now - forget_after}
        self._sent[message] = Sent(now, list(audiences))

    def delivered(self, report: Delivered) -> list[str]:
        """A channel succeeded or gave up. Returns the audiences that this leaves unannunciated."""
        if report.outcome is Outcome.SENT:
            self._down = [name for name in self._down if name != report.channel]
        elif report.outcome is Outcome.FAILED and report.channel not in self._down:
            self._down.append(report.channel)
        sent = self._sent.get(report.notification)
        if sent is None:
            return []
        reached = [a for a in sent.audiences if report.channel in self.channels_of(a)]
        if report.outcome is Outcome.SENT:
            sent.told += reached
            return []
        sent.failed.append(report.channel)
        return [a for a in reached if a not in sent.told and set(self.channels_of(a)) <= set(sent.failed)]

    def channel(self, name: str, works: bool) -> None:
        """What is known of a channel without a message."""
        self._down = [other for other in self._down if other != name] + ([] if works else [name])

    def channels_of(self, audience: str) -> tuple[str, ...]:
        """Their names; "louder" is the phone again where it has no channels of its own."""
        return self._channels.get(audience) or (self._channels.get(PHONE, ()) if audience == LOUDER else ())

    def unserved(self) -> tuple[str, ...]:
        """Audiences that no delivery serves."""
        return tuple(a for a in (PHONE, *FALL_OVER, NOTICE) if not self.channels_of(a))

    def existing(self, audiences: tuple[str, ...]) -> tuple[str, ...]:
        """These, or where none of them is served the first one that is: nobody waits for an absent phone."""
        if any(self.channels_of(a) for a in audiences):
            return audiences
        first = next((a for a in (PHONE, *FALL_OVER) if self.channels_of(a)), None)
        return audiences if first is None else (first,)

    def is_down(self, audience: str) -> bool:
        """Every one of its channels failed last time."""
        channels = self.channels_of(audience)
        return bool(channels) and set(channels) <= set(self._down)

    def instead(self, tried: Iterable[str]) -> str | None:
        """The next audience to fall over to."""
        already = set(tried)
        return next((a for a in FALL_OVER if a not in already and self.channels_of(a)), None)

    def dump(self) -> dict[str, object]:
        """Plain values only."""
        return {"sent": {k: asdict(s) for k, s in self._sent.items()}, "down": self._down}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._sent = {k: Sent(**cast(dict[str, Any], s)) for k, s in dumped["sent"].items()}
        self._down = list(dumped["down"])
