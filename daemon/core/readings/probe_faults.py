"""Probes that lie slowly: faults that only minutes, or a second channel, can show.

Where a meat probe is and how hot its amplifier is are judged here; what takes two probes to see has a file each. What the
cook is handling is not judged, and its minutes before that are forgotten. All limits are our choices, tried on simulated
cooks.
"""

from __future__ import annotations

from math import isnan, nan
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import (
    ABOVE_BOILING,
    NOT_SWAPPED,
    PLACE_FAULTS,
    QUIET,
    STEP_LEAST,
    STEP_MINUTES,
    FaultLatches,
    Finding,
    ProbeMinutes,
    largest_step,
)
from daemon.core.readings.middle import middles
from daemon.core.readings.paired_probes import PairedProbes
from daemon.core.readings.pit_coupling import COUPLING_WINDOW, Coupling, coupling
from daemon.core.readings.swapped_probes import SwappedProbes
from daemon.core.readings.traded_probes import TradedProbes
from daemon.core.said import Text, say
from daemon.core.settings import Role

FOLLOWS = 0.35
"""Share of the pit's swings that shows in a probe hanging in the air; in meat it is near nothing."""
LEAKS = 0.08
"""Share that shows when the shaft carries pit heat to the tip."""
LEAK_FROM = 40.0
"""°C: a colder core is in its first climb, which rises with the pit and only looks like a leak; tried on simulated nights."""
LEAK_SUSPECT = 5.0
"""°C the shaft's heat may falsify before the value is not to be believed."""
SURELY = 0.7
"""Correlation below which a share means nothing."""
ABOVE_BOILING_FOR = 10
"""Minutes of it."""
FASTEST_BODY = 6.0
"""Largest slope of the centre of a sphere over dimensionless time (alpha t / R^2) after a step of 1 at its surface."""
DIFFUSIVITY = 1.45e-7
"""m^2/s, raw meat, from the Choi and Okos (1986) property models; hardly differs between species."""
NO_PIECE_THICKNESS = 0.05
"""m taken for a meat channel without a piece: thin, so that little is called impossible."""
ROOM = 20.0
"""°C a pulled probe falls towards."""
NEAR_PIT = 10.0
"""°C from the pit within which a pulled probe may still hang in it."""
NEAR_BEFORE = 8.0
"""°C from where it was within which it is back."""

JUNCTION_WARM, JUNCTION_RISING = 50.0, 0.25
"""°C, and °C per minute: a box already hot and getting hotter lies too near the pit."""
JUNCTION_HOT = 60.0
JUNCTION_SUSPECT = 70.0
"""°C. Common amplifiers state their cold junction only to 85 °C; gradients at the terminals falsify before that."""
JUNCTION_COOL = 48.0


class ProbeFaults:
    """The slow faults of all channels of a rig."""

    def __init__(self) -> None:
        self._latches = FaultLatches()
        self._before_pull: dict[str, float] = {}
        """What each probe read before it was pulled, °C."""
        self._traded = TradedProbes(self._latches)
        self._swapped = SwappedProbes(self._latches)
        self._paired = PairedProbes(self._latches)
        self.leaked: dict[str, float] = {}
        """°C that the shaft adds to each probe, as last judged."""

    def minute(self, channels: dict[str, ProbeMinutes], boiling_point: float) -> dict[str, tuple[Finding, ...]]:
        """One closed minute of all channels; the faults that hold now, by channel."""
        pit = _pit_level(channels)
        self._settle(channels)
        self._swapped.minute(channels, boiling_point)
        for name, channel in channels.items():
            self._cold_junction(name, channel)
            if self._latches.settled.get(name):
                self._meat(name, channel, pit, boiling_point)
        self._traded.minute(channels, self._before_pull)
        self._paired.minute(channels)
        return {name: self._latches.found(name) for name in channels}

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            **self._latches.dump(),
            **self._traded.dump(),
            **self._swapped.dump(),
            "before_pull": dict(self._before_pull),
            "leaked": dict(self.leaked),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        for part in (self._latches, self._traded, self._swapped):
            part.load(dumped)
        self._before_pull = dict(dumped["before_pull"])
        self.leaked = dict(dumped.get("leaked", {}))  # not in the checkpoints of earlier versions

    # --- where a meat probe is --------------------------------------------------------------------

    def _settle(self, channels: dict[str, ProbeMinutes]) -> None:
        """Count the minutes each meat probe was left alone in its piece; forget what was said of one that is moved."""
        meats = {name: channel for name, channel in channels.items() if channel.settings.role is Role.MEAT}
        for name, channel in meats.items():
            if channel.in_use and not channel.handled:
                self._latches.settled[name] = min(self._latches.settled.get(name, 0) + 1, len(channel.celsius))
            else:
                self._latches.settled[name] = 0
                keeps = channel.in_use or name in self._swapped
                self._latches.forget(name, *(NOT_SWAPPED if keeps else PLACE_FAULTS))
        if not any(channel.in_use for channel in meats.values()):
            for name in channels.keys() - self._swapped.names():
                self._latches.forget(name, ProbeFault.SWAPPED)

    def _meat(self, name: str, channel: ProbeMinutes, pit: list[float], boiling: float) -> None:
        settled = self._latches.settled[name]
        values, air = list(channel.celsius[-settled:]), pit[-settled:]
        coupled = coupling(values[-COUPLING_WINDOW:], air[-COUPLING_WINDOW:])
        if self._latches.stands(name, ProbeFault.SWAPPED):
            self._latches.forget(name, ProbeFault.NOT_IN_MEAT, ProbeFault.PULLED, ProbeFault.AMBIENT_LEAK)
        elif not self._pulled(name, channel, values, air, boiling, coupled):
            self._not_in_meat(name, values, air, boiling, coupled)
            self._leak(name, values, air, coupled)

    def _pulled(
        self,
        name: str,
        channel: ProbeMinutes,
        values: list[float],
        pit: list[float],
        boiling: float,
        coupled: Coupling | None,
    ) -> bool:
        """Pulled out (and perhaps pushed in again): a step no core can do, towards the pit or towards the room."""
        latch = self._latches.of(name, ProbeFault.PULLED)
        newest, air = values[-1], pit[-1]
        if not latch.active:
            earlier = values[-1 - STEP_MINUTES] if len(values) > STEP_MINUTES else nan
            step = newest - earlier
            allowed = STEP_LEAST + STEP_MINUTES * _fastest(earlier, newest, air, channel.thickness)
            seen = None if isnan(step) else abs(step) > allowed
            if seen:
                self._before_pull[name] = earlier
            latch.answer(
                ProbeFault.PULLED,
                seen,
                say("probe.pulled", moved=(earlier, newest), minutes=STEP_MINUTES * 60.0, allowed=allowed),
            )
            return latch.active
        if name in self._traded:
            return True  # what it reads is possible, but it is the other one's
        before = self._before_pull.get(name, newest)
        restless = largest_step(values[-2 * STEP_MINUTES :])
        follows = coupled is not None and coupled.share >= FOLLOWS and coupled.correlation >= SURELY
        elsewhere = before < newest <= boiling + ABOVE_BOILING and not abs(newest - air) <= NEAR_PIT
        back = abs(newest - before) <= NEAR_BEFORE or elsewhere
        again = None if isnan(newest) else not (back and restless <= QUIET and not (follows and restless > QUIET))
        latch.answer(ProbeFault.PULLED, again, latch.evidence)
        if not latch.active:
            self._latches.settled[name] = 1
        return latch.active

    def _not_in_meat(
        self, name: str, values: list[float], pit: list[float], boiling: float, coupled: Coupling | None
    ) -> None:
        latch = self._latches.of(name, ProbeFault.NOT_IN_MEAT)
        recent = [value for value in values[-ABOVE_BOILING_FOR:] if not isnan(value)]
        too_hot = len(recent) == ABOVE_BOILING_FOR and min(recent) > boiling + ABOVE_BOILING
        follows = None if coupled is None else coupled.share >= FOLLOWS and coupled.correlation >= SURELY
        if too_hot:
            evidence: Text = say("probe.boils", celsius=recent[-1], lasted=ABOVE_BOILING_FOR * 60.0, boiling=boiling)
        elif follows and coupled is not None:
            evidence = say("probe.follows", share=coupled.share, correlation=coupled.correlation)
        else:
            evidence = ""
        in_meat = len(recent) == ABOVE_BOILING_FOR and pit[-1] - recent[-1] > NEAR_PIT and largest_step(recent) <= QUIET
        seen = too_hot or (follows if follows is not None else (False if in_meat or not latch.active else None))
        latch.answer(ProbeFault.NOT_IN_MEAT, seen, evidence)

    def _leak(self, name: str, values: list[float], pit: list[float], coupled: Coupling | None) -> None:
        latch = self._latches.of(name, ProbeFault.AMBIENT_LEAK)
        if self._latches.stands(name, ProbeFault.NOT_IN_MEAT) or not values or values[-1] < LEAK_FROM:
            return
        if coupled is None:  # the pit is steady: nothing can leak in, so an old finding must not stand for ever
            latch.answer(ProbeFault.AMBIENT_LEAK, False if latch.active else None, say("probe.steady"))
            return
        error = coupled.share * (pit[-1] - values[-1])
        if error > 0 and coupled.share < FOLLOWS:  # not of NaN
            self.leaked[name] = error / (1.0 - coupled.share)  # the tip stands between the core and the pit
        leaks = LEAKS / 2 if latch.active else LEAKS
        latch.answer(
            ProbeFault.AMBIENT_LEAK,
            coupled.share >= leaks and coupled.correlation >= SURELY,
            say("probe.leaks", share=coupled.share, error=error),
            suspect=error > LEAK_SUSPECT,
        )

    # --- the amplifier's own temperature ----------------------------------------------------------

    def _cold_junction(self, name: str, channel: ProbeMinutes) -> None:
        latch = self._latches.of(name, ProbeFault.COLD_JUNCTION_HOT)
        recent = [value for value in channel.cold_junction[-10:] if not isnan(value)]
        if not recent:
            return
        hot, rise = recent[-1], (recent[-1] - recent[0]) / max(1, len(recent) - 1)
        if latch.active:
            seen = hot > JUNCTION_COOL
        else:
            seen = hot >= JUNCTION_HOT or (hot >= JUNCTION_WARM and rise >= JUNCTION_RISING)
        evidence = say("probe.amplifier", celsius=hot, rise=rise)
        latch.answer(ProbeFault.COLD_JUNCTION_HOT, seen, evidence, suspect=hot >= JUNCTION_SUSPECT)


def _pit_level(channels: dict[str, ProbeMinutes]) -> list[float]:
    """Minute by minute, the median of the pit channels that were read; NaN throughout where this pit has none."""
    pits = [channel.celsius for channel in channels.values() if channel.settings.role is Role.PIT]
    if not pits:
        return [nan] * max((len(channel.celsius) for channel in channels.values()), default=0)
    return middles(pits, len(pits[0]))


def _fastest(earlier: float, newest: float, air: float, thickness: float | None) -> float:
    """°C per minute the centre of the piece could do at most: a sphere of its thickness, its surface put at once at the
    pit's temperature (or the room's, when falling)."""
    radius = (thickness or NO_PIECE_THICKNESS) / 2
    towards = ROOM if newest < earlier else (air if air > earlier else earlier)
    return FASTEST_BODY * DIFFUSIVITY / radius**2 * 60.0 * abs(towards - earlier)
