"""Readings in, samples with quality and named doubts out. Nothing is ever repaired, and no doubt is silent.

`channel_judge` looks at one channel reading by reading; `probe_faults` looks at all channels minute by minute.
Here their findings meet: the worse quality and all doubts together are the channel's verdict, and `QualityChanged`
is told when the verdict changes and at no other time.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from math import inf, isnan, nan
from statistics import median
from types import MappingProxyType
from typing import Any

from daemon.core.events import ProbeFault, QualityChanged, Sample
from daemon.core.readings.cabinet_witness import SETTLES_IN, CabinetWitness
from daemon.core.readings.channel_judge import GOOD, NO_DOUBT, QUALITY_RANK, ChannelJudge
from daemon.core.readings.findings import PATIENCE, Finding, ProbeMinutes
from daemon.core.readings.pit_leap import PitLeaps
from daemon.core.readings.pit_probe_faults import PitProbeFaults
from daemon.core.readings.pit_witness import Contradiction, contradiction
from daemon.core.readings.probe_faults import ProbeFaults
from daemon.core.readings.unit_change import UnitChange
from daemon.core.said import plain, said, say
from daemon.core.settings import Band, ChannelSettings, Role, WatchSettings
from drivers.reading import Fault, Quality, Reading

MINUTE = 60.0
_new_sample = tuple.__new__
"""A third of what the name of the tuple costs, for what is made at every reading."""
NOBODY: Mapping[str, float | None] = MappingProxyType({})
HISTORY = 120
"""Minutes of medians kept for the slow faults. They are kept here, not in the trace, because the trace holds only
good minutes: a channel in doubt could never be seen to recover from it."""
CORROBORATING_MOVE = 10.0
"""°C another pit probe must have moved to bear corroborated that the pit moved. Our choice."""


class _Channel:
    """What is known of one channel: its judge, its slow findings, what was last told, and its minutes."""

    def __init__(self, settings: ChannelSettings) -> None:
        self.settings = settings
        self.judge = ChannelJudge(settings.role, settings.stale_after)
        self.findings: tuple[Finding, ...] = ()
        self.slow_doubts: tuple[ProbeFault, ...] = NO_DOUBT
        self.slow_quality = Quality.GOOD
        self.other_unit = False
        """Its minutes are unknown to whoever compares minutes."""
        self.told: tuple[Quality, tuple[ProbeFault, ...], Fault | None] = (Quality.GOOD, NO_DOUBT, None)
        self.measured_at = 0.0
        self.open_minute: list[float] = []
        self.minutes: list[float] = []
        self.cold_junction: float | None = None
        self.cold_minutes: list[float] = []
        self.in_use = False
        self.handled_until = -1.0
        self.corroboration_since = -1.0
        self.corroboration_values: dict[str, float] = {}

    def find(self, findings: tuple[Finding, ...]) -> None:
        self.findings = findings
        self.slow_doubts = tuple(finding.fault for finding in findings)
        self.slow_quality = Quality.SUSPECT if any(finding.suspect for finding in findings) else Quality.GOOD
        self.other_unit = ProbeFault.UNIT_CHANGED in self.slow_doubts

    def sample(self) -> Sample:
        judge = self.judge
        quality, doubts, fault = self.with_slow(judge.quality, judge.doubts, judge.fault)
        return Sample(self.settings.id, self.judge.newest, quality, self.measured_at, fault, doubts)

    def told_now(self, now: float) -> QualityChanged | None:
        """The change since what was last told, if there is one."""
        verdict = self.with_slow(*self.judge.lasting())
        if verdict == self.told:
            return None
        self.told = verdict
        quality, doubts, fault = verdict
        own = self.judge.lasting()[1]  # a trouble that is not told gives no reason either
        reasons = (*((self.judge.evidence,) if own else ()), *(f.evidence for f in self.findings))
        newest = self.judge.newest
        evidence = say("probe.believed-again") if newest is None else say("probe.believed", celsius=newest)
        if reasons:
            evidence = say("probe.reasons", reasons=reasons)
        return QualityChanged(now, self.settings.id, quality, doubts, fault, evidence)

    def with_slow(
        self, quality: Quality, doubts: tuple[ProbeFault, ...], fault: Fault | None
    ) -> tuple[Quality, tuple[ProbeFault, ...], Fault | None]:
        """A verdict on the newest reading with what is found slowly."""
        if self.slow_doubts:
            quality = max(quality, self.slow_quality, key=QUALITY_RANK.__getitem__)
            doubts += self.slow_doubts
        return quality, doubts, fault

    def close_minute(self) -> None:
        self.minutes.append(median(self.open_minute) if self.open_minute else nan)
        self.cold_minutes.append(nan if self.cold_junction is None else self.cold_junction)
        self.open_minute, self.cold_junction = [], None
        del self.minutes[:-HISTORY], self.cold_minutes[:-HISTORY]

    def dump(self) -> dict[str, Any]:
        quality, doubts, fault = self.told
        return {
            "judge": self.judge.dump(),
            "findings": [[finding.fault, finding.suspect, plain(finding.evidence)] for finding in self.findings],
            "told": [quality, list(doubts), fault],
            "measured_at": self.measured_at,
            "open_minute": list(self.open_minute),
            "minutes": _without_nan(self.minutes),
            "cold_junction": self.cold_junction,
            "cold_minutes": _without_nan(self.cold_minutes),
            "in_use": self.in_use,
            "handled_until": self.handled_until,
            "corroboration_since": self.corroboration_since,
            "corroboration_values": dict(self.corroboration_values),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        self.judge = ChannelJudge.loaded(dumped["judge"])
        self.judge.role, self.judge.stale_after = self.settings.role, self.settings.stale_after
        self.find(tuple(Finding(ProbeFault(fault), suspect, said(why)) for fault, suspect, why in dumped["findings"]))
        quality, doubts, fault = dumped["told"]
        self.told = (Quality(quality), tuple(map(ProbeFault, doubts)), None if fault is None else Fault(fault))
        self.measured_at = dumped["measured_at"]
        self.open_minute = list(dumped["open_minute"])
        self.minutes = _with_nan(dumped["minutes"])
        self.cold_junction = dumped["cold_junction"]
        self.cold_minutes = _with_nan(dumped["cold_minutes"])
        self.in_use = dumped["in_use"]
        self.handled_until = dumped["handled_until"]
        self.corroboration_since = dumped["corroboration_since"]
        self.corroboration_values = dict(dumped["corroboration_values"])


def _without_nan(values: list[float]) -> list[float | None]:
    return [None if isnan(value) else value for value in values]


def _with_nan(values: list[float | None]) -> list[float]:
    return [nan if value is None else value for value in values]


class Conditioner:
    """Judges every reading of every channel. Knows nothing of alarms or cooks beyond what the cook is handling."""

    def __init__(self, settings: WatchSettings) -> None:
        self.settings = settings
        self._channels = {channel.id: _Channel(channel) for channel in settings.channels}
        self._pits = [channel for channel in self._channels.values() if channel.settings.role is Role.PIT]
        self._faults = ProbeFaults()
        self._pit_faults = PitProbeFaults()
        self._leaps = {pit: PitLeaps() for pit in settings.pit_names}
        self._cabinet = CabinetWitness()
        self._units = UnitChange({c.id: c.device for c in settings.channels if c.device and c.role is not Role.SPOT})
        self._started: float | None = None
        self._lain_out: tuple[WatchSettings, dict[str, str]] | None = None
        """What `_lies_in` says, and of which settings: it is asked at every scan."""

    def judge(self, reading: Reading, now: float) -> tuple[Sample, QualityChanged | None]:
        """One reading: device fault, spike, stuck, implausible. Costs a few µs.

        A channel the rig does not name is handed on as suspect, unjudged."""
        name, celsius, at, fault, _, cold_junction = reading
        channel = self._channels.get(name)
        if channel is None:
            return Sample(name, celsius, Quality.SUSPECT, at, fault), None
        judge = channel.judge
        judge.judge(reading)
        channel.measured_at = at
        channel.cold_junction = cold_junction
        quality, doubts, fault = judge.quality, judge.doubts, judge.fault
        if quality is GOOD and celsius is not None and not channel.other_unit:
            channel.open_minute.append(celsius)
        if channel.slow_doubts:
            quality, doubts, fault = channel.with_slow(quality, doubts, fault)
        sample = _new_sample(Sample, (name, judge.newest, quality, at, fault, doubts))
        told = channel.told
        if doubts == told[1] and quality is told[0] and fault is told[2]:
            return sample, None
        return sample, channel.told_now(now)

    def scan(self, now: float) -> list[QualityChanged]:
        """Every 5 s: silence (stale), values that stand still, and a pit probe that leaps."""
        if self._started is None:
            self._started = now
        believed = [(p.settings.pit, p.settings.id, p.judge.newest) for p in self._pits if p.judge.believed_now()]
        lies_in = self._lies_in()
        pits: dict[str | None, list[tuple[str, float | None]]] = {}
        for name, channel in self._channels.items():
            pit = lies_in.get(name)
            if pit not in pits:
                pits[pit] = [(id_, newest) for of, id_, newest in believed if pit is None or pit == of]
            channel.judge.scan(now, self._started, _pit_moved(channel, pits[pit]))
        self._leap(now)
        if self._units.scan(now, {name: channel.judge for name, channel in self._channels.items()}):
            for name, channel in self._channels.items():
                told = tuple(f for f in channel.findings if f.fault is not ProbeFault.UNIT_CHANGED)
                channel.find((*told, *self._units.findings(name)))
        return self._changes(now)

    def minute(
        self,
        now: float,
        attended: Mapping[str, float | None] = NOBODY,
        held: Collection[tuple[str | None, float]] = (),
    ) -> list[QualityChanged]:
        """Every minute: the slow faults that need a longer look or a second channel (drift, swapped, pulled, ...). attended:
        for each pit the engine time at which somebody last told of what he did there. held: the channel of each piece in the
        cabinet, None: it has none, and the engine time since which it is there.

        They are judged on this room's own minutes of all plausible values, see `HISTORY`."""
        for channel in self._channels.values():
            channel.close_minute()
        thickness = {p.channel: p.thickness for p in self.settings.cook.pieces if p.channel is not None}
        seen = {
            name: ProbeMinutes(
                settings=channel.settings,
                celsius=channel.minutes,
                cold_junction=channel.cold_minutes,
                in_use=channel.in_use,
                handled=now < channel.handled_until,
                thickness=thickness.get(name),
            )
            for name, channel in self._channels.items()
        }
        found: dict[str, tuple[Finding, ...]] = {}
        fallen: dict[str, tuple[Finding, ...]] = {}
        lies_in = self._lies_in()
        for own in self.settings.pit_names:  # probes are held against those of the same pit
            mine = {name: minutes for name, minutes in seen.items() if (lies_in.get(name) or "") == own}
            found |= self._faults.minute(mine, self.settings.boiling_point)
            at = attended.get(own)
            swapped = self._swapped(mine, found)
            pits = {
                p.settings.id: p.minutes for p in self._pits if p.settings.pit == own and p.settings.id not in swapped
            }
            fallen |= self._pit_faults.minute(pits, inf if at is None else (now - at) / MINUTE)
        cabinet = self._channels.get(self.settings.cook.hold.channel or "")
        if cabinet is not None:
            settled = [c for c, since in held if c in seen and not seen[c].handled and now - since >= SETTLES_IN]
            sound = [seen[c].celsius for c in settled if not any(f.suspect for f in found.get(c, ()))]
            fallen[cabinet.settings.id] = self._cabinet.minute(now, cabinet.minutes, sound, bool(held))
        for name, channel in self._channels.items():
            channel.find((*found.get(name, ()), *fallen.get(name, ()), *self._units.findings(name)))
        return self._changes(now)

    def _swapped(self, names: Collection[str], found: Mapping[str, tuple[Finding, ...]]) -> set[str]:
        """Those that lie where another should: they are no measure for the pit's own probes, nor is what they read until they
        were put right."""
        swapped = {name for name in names if any(f.fault is ProbeFault.SWAPPED for f in found[name])}
        for name in names:
            channel = self._channels[name]
            if ProbeFault.SWAPPED in channel.slow_doubts and name not in swapped:
                before = len(channel.minutes) - PATIENCE[ProbeFault.SWAPPED][1]
                channel.minutes[: max(0, before)] = [nan] * max(0, before)
        return swapped

    def _leap(self, now: float) -> None:
        """Whatever leapt by itself is doubted at once."""
        for pit, leaps in self._leaps.items():
            own = (p for p in self._pits if p.settings.pit == pit and p.slow_quality is Quality.GOOD)
            newest = {p.settings.id: p.judge.newest for p in own if p.judge.believed_now()}
            celsius = {name: value for name, value in newest.items() if value is not None}
            for name, (before, after) in leaps.scan(now, celsius).items():
                others = median(value for other, value in celsius.items() if other != name)
                one = self._channels[name]
                one.find((*one.findings, self._pit_faults.leapt(name, before, after, others)))

    @property
    def doubted_air(self) -> float | None:
        """°C that the cabinet reads while what is held in it is colder and cools; None: nothing speaks against it."""
        return None if self._cabinet.since is None else self._cabinet.air

    def _lies_in(self) -> Mapping[str, str]:
        """Pit by channel, for what lies in one: a probe goes with its piece."""
        if self._lain_out is None or self._lain_out[0] is not self.settings:
            own = {c.id: c.pit for c in self.settings.channels if c.role in (Role.PIT, Role.MEAT)}
            own |= {piece.channel: piece.pit for piece in self.settings.cook.pieces if piece.channel in own}
            self._lain_out = self.settings, own
        return self._lain_out[1]

    def miss_minute(self) -> None:
        """A minute that nobody watched: unknown to whoever compares minutes."""
        for channel in self._channels.values():
            channel.close_minute()

    def current(self, channel: str) -> Sample | None:
        """The newest sample of a channel with the doubts that hold now; None if it was never heard."""
        known = self._channels.get(channel)
        return None if known is None or known.judge.heard_at is None else known.sample()

    def believed(self, channel: str) -> float | None:
        """The newest value of a channel, °C, if it may be believed. As `current` has it, without the sample: it is asked at every
        scan, by many."""
        known = self._channels.get(channel)
        if known is None or known.judge.quality is not GOOD or known.slow_quality is not GOOD:
            return None
        return known.judge.newest

    def read_at(self, channel: str) -> float:
        """Engine time of the newest sample of a channel that was heard."""
        return self._channels[channel].measured_at

    def stuck(self) -> dict[str, float]:
        """Engine time since which they stand still, of the channels that are found to be stuck; of a cabinet that tells of warm
        air over meat that cools the time since which it does."""
        still = {name: one.judge.still_since for name, one in self._channels.items() if one.judge.stuck}
        cabinet, since = self.settings.cook.hold.channel, self._cabinet.since
        return still if cabinet is None or since is None else {cabinet: since} | still

    def without_leak(self, channel: str) -> float | None:
        """What a meat probe would read, °C, without the heat that its shaft leads to its tip, where that is all there is against
        it; else None."""
        sample, leaked = self.current(channel), self._faults.leaked.get(channel)
        if sample is None or sample.celsius is None or leaked is None or sample.doubts != (ProbeFault.AMBIENT_LEAK,):
            return None
        return sample.celsius - leaked

    def lain(self, pits: Sequence[str]) -> float:
        """s for which all of these pit probes have lain off the grate; 0 if not all do."""
        return self._pit_faults.lies_for(pits) * MINUTE

    def contradiction(self, pits: Sequence[str], band: Band) -> Contradiction | None:
        """What these pit probes say against each other of the fire, see `pit_witness`; one that lies in the meat says nothing."""
        hang = (self._channels[name] for name in pits)
        in_the_pit = {c.settings.id: c.minutes for c in hang if ProbeFault.SWAPPED not in c.slow_doubts}
        return contradiction(in_the_pit, band.low, band.high)

    def expect_move(self, channel: str, until: float) -> None:
        """The cook is handling this probe or its meat (meat on or off, wrapped, rest, hold, probed): until engine time
        `until` a jump is no spike, neither pulled-out nor not-in-meat is judged, and what was found of these is
        forgotten."""
        known = self._channels.get(channel)
        if known is not None:
            known.handled_until = max(known.handled_until, until)
            known.judge.expect_move(until)

    def forget_move(self, channel: str, until: float) -> None:
        """The cook was not handling this probe after all, or only until engine time `until`."""
        known = self._channels.get(channel)
        if known is not None:
            known.handled_until = known.judge.moving_until = until

    def in_use(self, channel: str, used: bool) -> None:
        """Whether a piece is on that this meat channel should be in; until then its place is not judged."""
        known = self._channels.get(channel)
        if known is not None:
            known.in_use = used

    def dump(self) -> dict[str, object]:
        """State for a checkpoint, JSON-able."""
        return {
            "started": self._started,
            "channels": {name: channel.dump() for name, channel in self._channels.items()},
            "faults": self._faults.dump(),
            "pit_faults": self._pit_faults.dump(),
            "leaps": {pit: leaps.dump() for pit, leaps in self._leaps.items()},
            "cabinet": self._cabinet.dump(),
            "units": self._units.dump(),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`. Channels the rig no longer names are dropped, new ones start fresh."""
        self._started = dumped["started"]
        for name, state in dumped["channels"].items():
            if name in self._channels:
                self._channels[name].load(state)
        longest = max((len(channel.minutes) for channel in self._channels.values()), default=0)
        for channel in self._channels.values():
            channel.minutes = [nan] * (longest - len(channel.minutes)) + channel.minutes
            channel.cold_minutes = [nan] * (longest - len(channel.cold_minutes)) + channel.cold_minutes
        self._faults.load(dumped["faults"])
        if "pit_faults" in dumped:  # not in the checkpoints of earlier versions
            self._pit_faults.load(dumped["pit_faults"])
        for pit, leaps in self._leaps.items():
            leaps.load(dumped.get("leaps", {}).get(pit, {}))
        if "cabinet" in dumped:
            self._cabinet.load(dumped["cabinet"])
        self._units.load(dumped.get("units", {}))  # not in the checkpoints of earlier versions

    def _changes(self, now: float) -> list[QualityChanged]:
        changes = (channel.told_now(now) for channel in self._channels.values())
        return [change for change in changes if change is not None]


def _pit_moved(channel: _Channel, pits: list[tuple[str, float | None]]) -> bool:
    """Has another pit probe moved since this channel's value last changed? pits: newest of those that are believed, °C."""
    own = channel.settings.id
    if channel.corroboration_since != channel.judge.still_since:
        channel.corroboration_since = channel.judge.still_since
        channel.corroboration_values = {name: value for name, value in pits if value is not None and name != own}
        return False
    known = channel.corroboration_values
    for name, value in pits:
        if value is not None and name != own and abs(value - known.get(name, value)) >= CORROBORATING_MOVE:
            return True
    return False
