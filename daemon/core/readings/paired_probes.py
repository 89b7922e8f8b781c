"""Two probes that the rig calls a pair and that should agree."""

from __future__ import annotations

from collections.abc import Mapping
from math import isnan
from statistics import median

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import PLACE_FAULTS, FaultLatches, ProbeMinutes
from daemon.core.said import Text, say
from daemon.core.settings import Role

PIT_MARGIN, PAIR_MARGIN = 15.0, 8.0
"""°C two probes of a pair may differ beyond their tolerances: on a grate, and elsewhere (two places in
one muscle)."""
DRIFT_MINUTES = 15
DRIFT_END = 0.7
STEADY = 15.0
"""°C within `DRIFT_MINUTES`; while a pit climbs or falls faster, its places rightly differ."""


class PairedProbes:
    """Every pair, judged anew each minute; all that is remembered of it is in the latches."""

    def __init__(self, latches: FaultLatches) -> None:
        self._latches = latches

    def minute(self, channels: Mapping[str, ProbeMinutes]) -> None:
        """One closed minute of all channels."""
        pairs = {
            (min(name, channel.settings.pair), max(name, channel.settings.pair))
            for name, channel in channels.items()
            if channel.settings.pair in channels and channel.settings.pair not in (None, name)
        }
        told: dict[str, Text] = {}
        judged: set[str] = set()
        for one, other in sorted(pairs):
            if any(self._out_of_place(name) or channels[name].handled for name in (one, other)):
                self._latches.forget(one, ProbeFault.DRIFT)
                self._latches.forget(other, ProbeFault.DRIFT)
                continue
            drifted = self._drift(one, other, channels)
            if drifted is not None:
                judged.update((one, other))
                told |= drifted
        for name in sorted(judged):
            self._latches.of(name, ProbeFault.DRIFT).answer(ProbeFault.DRIFT, name in told, told.get(name, ""))

    def _out_of_place(self, name: str) -> bool:
        """Its partner is not to be blamed for what a pulled or swapped probe reads."""
        return any(self._latches.stands(name, fault) for fault in PLACE_FAULTS[:-1])

    def _drift(self, one: str, other: str, channels: Mapping[str, ProbeMinutes]) -> dict[str, Text] | None:
        """Evidence against those of a pair that differ by more than both tolerances and the place allow; None while
        nothing can be told. With a third pit probe the one further from it is in doubt; else both are: which of two is
        right nobody can tell."""
        first, second = channels[one], channels[other]
        a, b = first.celsius[-DRIFT_MINUTES:], second.celsius[-DRIFT_MINUTES:]
        apart = [abs(x - y) for x, y in zip(a, b, strict=True)]
        if len(apart) < DRIFT_MINUTES or any(map(isnan, apart)) or max(abs(a[-1] - a[0]), abs(b[-1] - b[0])) > STEADY:
            return None
        margin = PIT_MARGIN if first.settings.role is Role.PIT else PAIR_MARGIN
        limit = first.settings.tolerance + second.settings.tolerance + margin
        far = median(apart)
        evidence: Text = say("probe.drift", one=one, first=a[-1], other=other, second=b[-1], apart=far, allowed=limit)
        doubted = [name for name in (one, other) if self._latches.stands(name, ProbeFault.DRIFT)]
        if doubted:
            return dict.fromkeys(doubted, evidence) if far > DRIFT_END * limit else {}
        return dict.fromkeys(self._further_off(one, other, channels, limit), evidence) if far > limit else {}

    def _further_off(self, one: str, other: str, channels: Mapping[str, ProbeMinutes], limit: float) -> tuple[str, ...]:
        role = channels[one].settings.role
        thirds = [
            channel.celsius[-1]
            for name, channel in channels.items()
            if name not in (one, other) and channel.settings.role is role and not isnan(channel.celsius[-1])
        ]
        if role is not Role.PIT or not thirds:
            return one, other
        off = [abs(channels[name].celsius[-1] - median(thirds)) for name in (one, other)]
        if abs(off[0] - off[1]) < limit / 2:
            return one, other
        return (one,) if off[0] > off[1] else (other,)
