"""What the believed readings say now and said minute by minute: of one channel, of one pit as a whole, of a role."""

from __future__ import annotations

from math import isnan

from daemon.core.events import ProbeFault
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.evenness import Evenness, evenness
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.control_value import ControlValue
from daemon.core.readings.pit_witness import Contradiction
from daemon.core.readings.trace import Trace, control
from daemon.core.said import Text, say
from daemon.core.settings import Band, Role, WatchSettings
from daemon.core.since import LastSeen
from drivers.reading import Quality

EVENNESS_MINUTES = 60
"""Minutes whose mean makes the map of the grate: two logs' worth, for meat feels hours and not moments."""
SEEN_AT_ONCE = frozenset({ProbeFault.DEVICE_FAULT, ProbeFault.STALE, ProbeFault.SPIKE, ProbeFault.IMPLAUSIBLE})
"""Doubts that say nothing of the readings before."""
CORE_MINUTES = 30
"""Minutes over which the rise of a core is told."""


class Readout:
    """Reads the conditioner and the trace of one watch and learns one pit's control value. pit: its id, "" = the first."""

    def __init__(self, settings: WatchSettings, conditioner: Conditioner, trace: Trace, pit: str = "") -> None:
        self._settings, self._conditioner, self._trace = settings, conditioner, trace
        self.control = ControlValue()
        self._own = [c for c in settings.with_role(Role.PIT) if c.pit == pit]
        self.pit_channels = [c.id for c in self._own]
        self._control = control(pit)
        self.seen_anew: list[float] = []
        """The minutes before the one just closed, °C, as the others have them of which one was just found to lie."""

    def good(self, channel: str | None) -> float | None:
        """The newest value of a channel, °C, if it may be believed."""
        return None if channel is None else self._conditioner.believed(channel)

    def doubt(self, channel: str | None) -> Text:
        """Why nothing may be foretold from this channel now: what is wrong with it, or empty; of no channel nothing is."""
        if channel is None:
            return ""
        sample = self._conditioner.current(channel)
        if sample is None:
            return say("probe.no-value")
        if sample.quality is Quality.GOOD:
            return ""
        if sample.fault is not None:
            return say("probe.device-reports", fault=sample.fault)
        return ", ".join(doubt.replace("-", " ") for doubt in sample.doubts) or "doubted"

    @property
    def lain(self) -> float:
        """s for which the pit's probes have lain off the grate, all of them; 0 if not all do."""
        return self._conditioner.lain(self.pit_channels)

    def contradiction(self, band: Band) -> Contradiction | None:
        """What its probes say against each other of the fire."""
        return self._conditioner.contradiction(self.pit_channels, band)

    def pit_now(self) -> float:
        """Control value of the good pit channels, °C, NaN if there is none."""
        return self.control.of(self._good_now())

    def pit_seen(self, before: LastSeen | None) -> LastSeen | None:
        """The newest value of the pit that may be believed. before: the one until now, which stands while nothing can be read,
        unless one of its probes is found to have read something else than the pit for a while."""
        good = self._good_now()
        if good:
            at = max(map(self._conditioner.read_at, good))
            return LastSeen(at, self.control.of(good), tuple(good))
        if before is None or any(self._read_wrong(channel) for channel in before.channels):
            return None
        return before

    def reads_now(self) -> tuple[float, ...]:
        """°C that each good pit channel reads now, as it reads it."""
        return tuple(self._good_now().values())

    def _good_now(self) -> dict[str, float]:
        believed = self._conditioner.believed
        return {c: v for c in self.pit_channels if (v := believed(c)) is not None}

    def _read_wrong(self, channel: str) -> bool:
        """A doubt that took minutes to be found: the readings before it are in doubt, too."""
        sample = self._conditioner.current(channel)
        return sample is not None and not SEEN_AT_ONCE.issuperset(sample.doubts)

    def pit_of_minute(self, minute: int) -> float:
        """Control value of the minute just closed, °C; the habits of the channels are learned from it. Once a minute."""
        liars = {c for c in self.pit_channels if self.good(c) is None and self._read_wrong(c)}
        self.seen_anew = self.control.lying(liars)
        good = {c: v for c, v in self._good_minutes(minute, minute)[0].items() if c not in liars}
        pit = self.control.of(good)
        self.control.minute(good)
        self._trace.put(self._control, minute, pit)
        return pit

    def pit_minutes(self, first: int, last: int) -> list[float]:
        """Control value of each minute as it was said when it closed, °C, NaN where no pit channel was good. What the channels'
        habits are found to be later does not change what was: a forecast is carried on along it."""
        said = self._trace.since(self._control, first, last)
        if not any(map(isnan, said)):
            return said
        good = self._good_minutes(first, last)  # a checkpoint of an earlier release holds the channels only
        return [self.control.of(g) if isnan(v) else v for v, g in zip(said, good, strict=True)]

    def air_minutes(self, place: str | None, first: int, last: int) -> list[float]:
        """As `pit_minutes`, but by the probe that lies at this place of the grate in the minutes in which it was good."""
        air = self.pit_minutes(first, last)
        channel = self._at(place)
        if channel is None:
            return air
        return [a if isnan(v) else v for a, v in zip(air, self._trace.since(channel, first, last), strict=True)]

    def habit(self, place: str | None) -> float:
        """°C by which the probe at this place usually reads more than the control value; 0 where none lies there."""
        channel = self._at(place)
        return 0.0 if channel is None else self.control.offset(channel)

    def _at(self, place: str | None) -> str | None:
        return None if place is None else next((c.id for c in self._own if (c.place or c.name) == place), None)

    def mean_of(self, role: Role, minute: int) -> float | None:
        """Mean of the good channels of a role in a minute, °C, None if there is none."""
        values = (self._trace.window(c.id, minute, 1)[0] for c in self._settings.with_role(role))
        known = [v for v in values if not isnan(v)]
        return sum(known) / len(known) if known else None

    def evenness(self, minute: int, pieces: Pieces) -> Evenness:
        """How evenly the pit has heated over the last hour. pieces: those on it."""
        pit = {c.place or c.name: c for c in self._own}
        places = {place: self._trace.window(c.id, minute, EVENNESS_MINUTES) for place, c in pit.items()}
        cores = {
            p.settings.name: (p.settings.place, self._trace.window(p.settings.channel, minute, CORE_MINUTES))
            for p in pieces.on_fire().values()
            if p.settings.channel is not None
        }
        tolerances = {place: c.tolerance for place, c in pit.items()}
        return evenness(places, cores, tolerances)

    def _good_minutes(self, first: int, last: int) -> list[dict[str, float]]:
        """The pit channels that were good, minute by minute; a recorded log may have none at all."""
        minutes: list[dict[str, float]] = [{} for _ in range(first, last + 1)]
        for channel in self.pit_channels:
            for good, value in zip(minutes, self._trace.since(channel, first, last), strict=True):
                if not isnan(value):
                    good[channel] = value
        return minutes
