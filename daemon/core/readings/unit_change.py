"""A device that came back from a restart and tells degrees Fahrenheit where it told Celsius: all its channels leap at once, each
to what it read last in the other unit. No fire moves the pit, the core of the meat and the air outside so. Nothing of it is
believed until it leaps back, or its unit is put right.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.channel_judge import ChannelJudge
from daemon.core.readings.findings import Finding
from daemon.core.said import Text, plain, said, say

LEAPT_WITHIN = 30.0
"""s between the leaps of one device's channels, which are read in turn. Ours."""
LIKE = 4.0
"""°F by which a value may miss what it was: it has moved on in the seconds between. Ours."""
LEAST = 2
"""Channels that must have leapt alike: of one alone nobody can tell. Ours."""


class UnitChange:
    """One per rig."""

    def __init__(self, devices: Mapping[str, str]) -> None:
        """devices: device by channel."""
        self._devices = devices
        self._channels = {device: [c for c, own in devices.items() if own == device] for device in devices.values()}
        self._found: dict[str, Text] = {}
        """By device, what was seen."""

    def scan(self, now: float, judges: Mapping[str, ChannelJudge]) -> bool:
        """Every 5 s. Whether it has begun or ended for a device."""
        before = set(self._found)
        for device, channels in self._channels.items():
            told = [judges[name] for name in channels if not _silent(judges[name], now)]
            leaps = list(_leaps(told, now))
            if len(leaps) < max(LEAST, len(told)):
                continue
            if device in self._found:
                if all(_alike(celsius, fahrenheit) for fahrenheit, celsius in leaps):
                    del self._found[device]
            elif all(_alike(celsius, fahrenheit) for celsius, fahrenheit in leaps):
                self._found[device] = say("probe.unit-changed", moved=leaps[0])
        return set(self._found) != before

    def findings(self, channel: str) -> tuple[Finding, ...]:
        """What holds now of one channel."""
        evidence = self._found.get(self._devices.get(channel, ""))
        return () if evidence is None else (Finding(ProbeFault.UNIT_CHANGED, True, evidence),)

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {device: plain(evidence) for device, evidence in self._found.items()}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._found = {device: said(evidence) for device, evidence in dumped.items()}


def _silent(judge: ChannelJudge, now: float) -> bool:
    return judge.newest is None or judge.heard_at is None or now - judge.heard_at > judge.stale_after


def _leaps(judges: list[ChannelJudge], now: float) -> Iterator[tuple[float, float]]:
    """What each that leapt just now read before and what it reads since, °C."""
    for judge in judges:
        if judge.leapt_from is not None and judge.newest is not None and now - judge.leapt_at <= LEAPT_WITHIN:
            yield judge.leapt_from, judge.newest


def _alike(celsius: float, fahrenheit: float) -> bool:
    return abs(1.8 * celsius + 32.0 - fahrenheit) <= LIKE
