"""Probes that lie slowly: faults that only minutes, or a second channel, can show.

Every minute each fault of each channel is asked one question with three answers: seen, not seen, cannot tell. A fault
begins after so many minutes of "seen" in a row and ends after so many of "not seen" (`PATIENCE`); "cannot tell"
leaves all as it is. What the cook is handling is not judged, and its minutes before that are forgotten.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import inf, isnan, nan
from statistics import median
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.readings.middle import middles
from daemon.core.readings.pit_coupling import COUPLING_WINDOW, Coupling, coupling
from daemon.core.said import Text, plain, said, say
from daemon.core.settings import ChannelSettings, Role

PATIENCE: dict[ProbeFault, tuple[int, int]] = {
    ProbeFault.DRIFT: (15, 15),
    ProbeFault.NOT_IN_MEAT: (5, 15),
    ProbeFault.SWAPPED: (5, 15),
    ProbeFault.PULLED: (1, 10),
    ProbeFault.COLD_JUNCTION_HOT: (2, 10),
    ProbeFault.AMBIENT_LEAK: (10, 30),
}
"""Minutes in a row to begin and to end. All limits in this file are our choices, tried on simulated cooks."""

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
ABOVE_BOILING = 3.0
"""°C above the site's boiling point that wet meat cannot read."""
ABOVE_BOILING_FOR = 10

STEP_MINUTES = 3
STEP_LEAST = 6.0
"""°C in `STEP_MINUTES` that no core does, on top of what its size allows."""
FASTEST_BODY = 6.0
"""Largest slope of the centre of a sphere over dimensionless time (alpha t / R^2) after a step of 1 at its surface."""
DIFFUSIVITY = 1.45e-7
"""m^2/s, raw meat, from the Choi and Okos (1986) property models; hardly differs between species."""
NO_PIECE_THICKNESS = 0.05
"""m taken for a meat channel without a piece: thin, so that little is called impossible."""
ROOM = 20.0
"""°C a pulled probe falls towards."""
QUIET = 2.0
"""°C in `STEP_MINUTES` within which a probe is at rest."""
NEAR_PIT = 10.0
"""°C from the pit within which a pulled probe may still hang in it."""
NEAR_BEFORE = 8.0
"""°C from where it was within which it is back."""

TRADED_IN, TRADED_WITHIN = 10, 3.0
"""Minutes in which two probes are pulled and pushed in again, and °C within which each then reads what the other did."""

PLACE_FAULTS = (ProbeFault.PULLED, ProbeFault.NOT_IN_MEAT, ProbeFault.SWAPPED, ProbeFault.AMBIENT_LEAK)
"""What is forgotten of a probe whose piece is not on."""
NOT_SWAPPED = tuple(fault for fault in PLACE_FAULTS if fault is not ProbeFault.SWAPPED)
"""What is forgotten of one that is being handled."""

SWAPPED_BY = 15.0
"""°C a meat channel must read above a pit channel to be taken for it."""
SWAPPED_MINUTES = 15
LEFT_THE_CORE = 8.0
"""°C from what it read in the meat beyond which a pit probe is no longer in it."""

PIT_MARGIN, PAIR_MARGIN = 15.0, 8.0
"""°C two probes of a pair may differ beyond their tolerances: on a grate, and elsewhere (two places in
one muscle)."""
DRIFT_MINUTES = 15
DRIFT_END = 0.7
STEADY = 15.0
"""°C within `DRIFT_MINUTES`; while a pit climbs or falls faster, its places rightly differ."""

JUNCTION_WARM, JUNCTION_RISING = 50.0, 0.25
"""°C, and °C per minute: a box already hot and getting hotter lies too near the pit."""
JUNCTION_HOT = 60.0
JUNCTION_SUSPECT = 70.0
"""°C. Common amplifiers state their cold junction only to 85 °C; gradients at the terminals falsify before that."""
JUNCTION_COOL = 48.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One fault that holds now. suspect: the value is not to be believed; else it is a hint. evidence: one line."""

    fault: ProbeFault
    suspect: bool
    evidence: Text


@dataclass(frozen=True, slots=True)
class ProbeMinutes:
    """One channel as the slow judges see it, newest minute last, NaN where nothing plausible was read.

    celsius, cold_junction: °C. in_use: a piece is on that it should be in. handled: the cook is handling it now.
    thickness: thinnest dimension of its piece, m, None if it has no piece."""

    settings: ChannelSettings
    celsius: Sequence[float]
    cold_junction: Sequence[float]
    in_use: bool
    handled: bool
    thickness: float | None


@dataclass(slots=True)
class _Latch:
    """One fault of one channel. minutes: how long in a row the answer was against the present state."""

    active: bool = False
    minutes: int = 0
    suspect: bool = True
    evidence: Text = ""

    def answer(self, fault: ProbeFault, seen: bool | None, evidence: Text, suspect: bool = True) -> None:
        if seen is None:
            return
        if seen == self.active:
            self.minutes = 0
            if seen and suspect and not self.suspect:
                self.suspect, self.evidence = True, evidence
            return
        self.minutes += 1
        begin, end = PATIENCE[fault]
        if self.minutes >= (end if self.active else begin):
            self.active, self.minutes, self.suspect, self.evidence = seen, 0, suspect, evidence


class ProbeFaults:
    """The slow faults of all channels of a rig."""

    def __init__(self) -> None:
        self._latches: dict[str, dict[ProbeFault, _Latch]] = {}
        self._settled: dict[str, int] = {}
        self._before_pull: dict[str, float] = {}
        self._pulled_for: dict[str, int] = {}
        """Minutes since each probe was pulled, or traded for another."""
        self._traded: dict[str, str] = {}
        """Each of two meat probes that lie in each other's piece."""
        self._swapped: dict[str, tuple[str, float]] = {}
        """meat channel -> the pit channel that it is exchanged with, and what that one last read in the meat, °C."""
        self.leaked: dict[str, float] = {}
        """°C that the shaft adds to each probe, as last judged."""

    def minute(self, channels: dict[str, ProbeMinutes], boiling_point: float) -> dict[str, tuple[Finding, ...]]:
        """One closed minute of all channels; the faults that hold now, by channel."""
        pit = _pit_level(channels)
        self._settle(channels)
        self._swaps(channels, boiling_point)
        for name, channel in channels.items():
            self._cold_junction(name, channel)
            if self._settled.get(name):
                self._meat(name, channel, pit, boiling_point)
        self._trades(channels)
        self._pairs(channels)
        return {name: self._found(name) for name in channels}

    def dump(self) -> dict[str, object]:
        """Plain values for JSON."""
        return {
            "latches": {
                name: {
                    fault: [one.active, one.minutes, one.suspect, plain(one.evidence)] for fault, one in latches.items()
                }
                for name, latches in self._latches.items()
            },
            "settled": dict(self._settled),
            "before_pull": dict(self._before_pull),
            "pulled_for": dict(self._pulled_for),
            "traded": dict(self._traded),
            "swapped": {name: list(pair) for name, pair in self._swapped.items()},
            "leaked": dict(self.leaked),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._latches = {
            name: {
                ProbeFault(fault): _Latch(active, minutes, suspect, said(why))
                for fault, (active, minutes, suspect, why) in latches.items()
            }
            for name, latches in dumped["latches"].items()
        }
        self._settled = dict(dumped["settled"])
        self._before_pull = dict(dumped["before_pull"])
        self._pulled_for, self._traded = dict(dumped.get("pulled_for", {})), dict(dumped.get("traded", {}))
        self._swapped = {name: (other, core) for name, (other, core) in dumped.get("swapped", {}).items()}
        self.leaked = dict(dumped.get("leaked", {}))  # not in the checkpoints of earlier versions

    def _latch(self, name: str, fault: ProbeFault) -> _Latch:
        return self._latches.setdefault(name, {}).setdefault(fault, _Latch())

    def _found(self, name: str) -> tuple[Finding, ...]:
        latches = self._latches.get(name, {})
        return tuple(Finding(fault, one.suspect, one.evidence) for fault, one in latches.items() if one.active)

    def _forget(self, name: str, *faults: ProbeFault) -> None:
        for fault in faults:
            self._latches.get(name, {}).pop(fault, None)

    # --- where a meat probe is --------------------------------------------------------------------

    def _settle(self, channels: dict[str, ProbeMinutes]) -> None:
        """Count the minutes each meat probe was left alone in its piece; forget what was said of one that is moved."""
        meats = {name: channel for name, channel in channels.items() if channel.settings.role is Role.MEAT}
        for name, channel in meats.items():
            if channel.in_use and not channel.handled:
                self._settled[name] = min(self._settled.get(name, 0) + 1, len(channel.celsius))
            else:
                self._settled[name] = 0
                keeps = channel.in_use or name in self._swapped
                self._forget(name, *(NOT_SWAPPED if keeps else PLACE_FAULTS))
        if not any(channel.in_use for channel in meats.values()):
            for name in channels.keys() - self._in_exchange():
                self._forget(name, ProbeFault.SWAPPED)

    def _meat(self, name: str, channel: ProbeMinutes, pit: list[float], boiling: float) -> None:
        settled = self._settled[name]
        values, air = list(channel.celsius[-settled:]), pit[-settled:]
        coupled = coupling(values[-COUPLING_WINDOW:], air[-COUPLING_WINDOW:])
        if self._latch(name, ProbeFault.SWAPPED).active:
            self._forget(name, ProbeFault.NOT_IN_MEAT, ProbeFault.PULLED, ProbeFault.AMBIENT_LEAK)
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
        latch = self._latch(name, ProbeFault.PULLED)
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
        restless = _largest_step(values[-2 * STEP_MINUTES :])
        follows = coupled is not None and coupled.share >= FOLLOWS and coupled.correlation >= SURELY
        elsewhere = before < newest <= boiling + ABOVE_BOILING and not abs(newest - air) <= NEAR_PIT
        back = abs(newest - before) <= NEAR_BEFORE or elsewhere
        again = None if isnan(newest) else not (back and restless <= QUIET and not (follows and restless > QUIET))
        latch.answer(ProbeFault.PULLED, again, latch.evidence)
        if not latch.active:
            self._settled[name] = 1
        return latch.active

    def _trades(self, channels: dict[str, ProbeMinutes]) -> None:
        """Two probes that were pulled together and read on from each other's core. Until they are traded back, or somebody
        says that he has moved one, neither tells of its own piece."""
        for name in list(self._traded):
            other = self._traded.get(name)
            if other is not None and not (self._is_pulled(name) and self._is_pulled(other)):
                del self._traded[name], self._traded[other]
        pulled = sorted(name for name in channels if self._is_pulled(name))
        away = {name: minutes for name, minutes in self._pulled_for.items() if name not in channels}
        self._pulled_for = away | {name: self._pulled_for.get(name, -1) + 1 for name in pulled}
        now, before = {}, {}
        for name in pulled:
            values = channels[name].celsius
            now[name] = values[-1]
            traded = len(values) > TRADED_IN and name in self._traded
            before[name] = values[-1 - TRADED_IN] if traded else self._before_pull.get(name, nan)
        for one, other in combinations(pulled, 2):
            ages = self._pulled_for[one], self._pulled_for[other]
            if self._traded.get(one) == other:
                together = min(ages) > TRADED_IN
            else:
                together = not {one, other} & self._traded.keys() and abs(ages[0] - ages[1]) <= TRADED_IN
            apart = abs(before[one] - before[other])
            off = max(abs(now[one] - before[other]), abs(now[other] - before[one]))
            if not (together and apart > 2 * TRADED_WITHIN and off <= TRADED_WITHIN):  # of NaN nothing is true
                continue
            if one in self._traded:
                del self._traded[one], self._traded[other]
                for name in (one, other):
                    self._forget(name, ProbeFault.PULLED)
                    self._settled[name] = 1
                continue
            self._traded |= {one: other, other: one}
            for name, with_ in ((one, other), (other, one)):
                self._pulled_for[name] = 0
                self._latch(name, ProbeFault.PULLED).evidence = say("probe.traded", mine=now[name], other=with_)

    def _is_pulled(self, name: str) -> bool:
        return self._latch(name, ProbeFault.PULLED).active

    def _not_in_meat(
        self, name: str, values: list[float], pit: list[float], boiling: float, coupled: Coupling | None
    ) -> None:
        latch = self._latch(name, ProbeFault.NOT_IN_MEAT)
        recent = [value for value in values[-ABOVE_BOILING_FOR:] if not isnan(value)]
        too_hot = len(recent) == ABOVE_BOILING_FOR and min(recent) > boiling + ABOVE_BOILING
        follows = None if coupled is None else coupled.share >= FOLLOWS and coupled.correlation >= SURELY
        if too_hot:
            evidence: Text = say("probe.boils", celsius=recent[-1], lasted=ABOVE_BOILING_FOR * 60.0, boiling=boiling)
        elif follows and coupled is not None:
            evidence = say("probe.follows", share=coupled.share, correlation=coupled.correlation)
        else:
            evidence = ""
        in_meat = (
            len(recent) == ABOVE_BOILING_FOR and pit[-1] - recent[-1] > NEAR_PIT and _largest_step(recent) <= QUIET
        )
        seen = too_hot or (follows if follows is not None else (False if in_meat or not latch.active else None))
        latch.answer(ProbeFault.NOT_IN_MEAT, seen, evidence)

    def _leak(self, name: str, values: list[float], pit: list[float], coupled: Coupling | None) -> None:
        latch = self._latch(name, ProbeFault.AMBIENT_LEAK)
        if self._latch(name, ProbeFault.NOT_IN_MEAT).active or not values or values[-1] < LEAK_FROM:
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

    # --- meat and pit probe exchanged -------------------------------------------------------------

    def _in_exchange(self) -> set[str]:
        return {*self._swapped, *(other for other, _ in self._swapped.values())}

    def _swaps(self, channels: dict[str, ProbeMinutes], boiling: float) -> None:
        """A meat channel lives like a pit probe while a pit channel lies as still and cool as meat. A meat channel hotter than
        meat gets is judged by what it read before it was handled, too: no mark makes it the piece's."""
        told: dict[str, tuple[str, str, float]] = {}
        judged: set[str] = set()
        pits = {name: _whole(pit.celsius) for name, pit in channels.items() if pit.settings.role is Role.PIT}
        for name, channel in channels.items():
            if channel.settings.role is not Role.MEAT or name in self._swapped:
                continue
            mine = _whole(channel.celsius) if channel.in_use else []
            boils = bool(mine) and min(mine) > boiling + ABOVE_BOILING
            if not mine or not (boils or self._settled.get(name, 0) >= SWAPPED_MINUTES):
                continue
            judged.add(name)
            lively = boils or _largest_step(mine) > STEP_LEAST
            for other, theirs in pits.items():
                if not theirs:
                    continue
                judged.add(other)
                still = max(theirs) < boiling and _largest_step(theirs) <= QUIET
                if lively and still and median(map(float.__sub__, mine, theirs)) > SWAPPED_BY:
                    told[name] = told[other] = name, other, theirs[-1]
        for name in sorted(judged - self._in_exchange()):
            meat, other, core = told.get(name, ("", "", nan))
            why = (
                say("probe.swapped", name=meat, mine=channels[meat].celsius[-1], other=other, theirs=core)
                if meat
                else ""
            )
            latch = self._latch(name, ProbeFault.SWAPPED)
            latch.answer(ProbeFault.SWAPPED, bool(meat), why)
            if latch.active and meat == name:
                self._swapped[name] = other, core
        for name, (other, _) in list(self._swapped.items()):
            if (name in channels) != (other in channels):  # the piece lies on another pit now
                del self._swapped[name]
                self._forget(name, ProbeFault.SWAPPED)
                self._forget(other, ProbeFault.SWAPPED)
        for name in sorted(self._swapped.keys() & channels.keys()):
            self._exchanged(name, channels, boiling)

    def _exchanged(self, name: str, channels: dict[str, ProbeMinutes], boiling: float) -> None:
        """It stands until it is undone: a pit that dies passes every value that a core may have, but the other probe is still
        in the meat."""
        other, core = self._swapped[name]
        mine = channels[name]
        theirs = channels[other].celsius[-1]
        left = abs(theirs - core) > LEFT_THE_CORE
        if not (left or isnan(theirs)):
            self._swapped[name] = other, theirs
        hangs_in_the_pit = left and theirs - mine.celsius[-1] > SWAPPED_BY and mine.celsius[-1] < boiling
        undone = hangs_in_the_pit and (mine.handled or abs(mine.celsius[-1] - core) <= LEFT_THE_CORE)
        stands = None if isnan(theirs) else not (undone or (left and not mine.in_use))
        for one in (name, other):
            latch = self._latch(one, ProbeFault.SWAPPED)
            latch.answer(ProbeFault.SWAPPED, stands, latch.evidence)
        if not self._latch(name, ProbeFault.SWAPPED).active:
            del self._swapped[name]
            self._settled[name] = min(1, self._settled.get(name, 0))

    # --- two that should agree --------------------------------------------------------------------

    def _pairs(self, channels: dict[str, ProbeMinutes]) -> None:
        pairs = {
            (min(name, channel.settings.pair), max(name, channel.settings.pair))
            for name, channel in channels.items()
            if channel.settings.pair in channels and channel.settings.pair not in (None, name)
        }
        told: dict[str, Text] = {}
        judged: set[str] = set()
        for one, other in sorted(pairs):
            if any(self._out_of_place(name) or channels[name].handled for name in (one, other)):
                self._forget(one, ProbeFault.DRIFT)
                self._forget(other, ProbeFault.DRIFT)
                continue
            drifted = self._drift(one, other, channels)
            if drifted is not None:
                judged.update((one, other))
                told |= drifted
        for name in sorted(judged):
            self._latch(name, ProbeFault.DRIFT).answer(ProbeFault.DRIFT, name in told, told.get(name, ""))

    def _out_of_place(self, name: str) -> bool:
        """Its partner is not to be blamed for what a pulled or swapped probe reads."""
        return any(self._latch(name, fault).active for fault in PLACE_FAULTS[:-1])

    def _drift(self, one: str, other: str, channels: dict[str, ProbeMinutes]) -> dict[str, Text] | None:
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
        doubted = [name for name in (one, other) if self._latch(name, ProbeFault.DRIFT).active]
        if doubted:
            return dict.fromkeys(doubted, evidence) if far > DRIFT_END * limit else {}
        return dict.fromkeys(self._further_off(one, other, channels, limit), evidence) if far > limit else {}

    def _further_off(self, one: str, other: str, channels: dict[str, ProbeMinutes], limit: float) -> tuple[str, ...]:
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

    # --- the amplifier's own temperature ----------------------------------------------------------

    def _cold_junction(self, name: str, channel: ProbeMinutes) -> None:
        latch = self._latch(name, ProbeFault.COLD_JUNCTION_HOT)
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


def _largest_step(values: Sequence[float]) -> float:
    """Largest change over `STEP_MINUTES`, °C; inf when nothing can be said."""
    steps = [abs(late - early) for early, late in zip(values, values[STEP_MINUTES:], strict=False)]
    known = [step for step in steps if not isnan(step)]
    return max(known, default=inf)


def _whole(values: Sequence[float]) -> list[float]:
    """The last `SWAPPED_MINUTES` minutes, or nothing if one is missing."""
    recent = list(values[-SWAPPED_MINUTES:])
    return recent if len(recent) == SWAPPED_MINUTES and not any(map(isnan, recent)) else []
