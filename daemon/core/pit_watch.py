"""One pit of a watch, kept together: what its probes read, its fire, its stage, its band, and what it taught.

What is one for all pits (alarms, messages, pieces, plan) is the watch's; see `WatchState`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from math import isnan, nan
from typing import Any

from daemon.core.events import Event, FireNoticed, FireSign, StageChanged
from daemon.core.marks import Said
from daemon.core.orders import Mark
from daemon.core.pieces.meat_witness import (
    FALLS_FOR,
    HEATS_IN,
    LEFT_ALONE,
    ColdMeat,
    Course,
    cold_meat,
    courses,
    left_alone,
)
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.evenness import Evenness
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.signs import NOT_SEEN
from daemon.core.pit.stage import HOT, PitPhase, PitStage
from daemon.core.pit_profile import PitProfile
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.pit_witness import AGREES, Contradiction
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.readout import Readout
from daemon.core.settings import Band, WatchSettings, subject_of
from daemon.core.since import Since

SIGNS_SHOWN = 20
LOST = frozenset({PitPhase.OUT, PitPhase.COOLING})
"""Stages in which a fire that is marked lit is a new one, however hot the pit still is."""
LIDS = (FireSign.LID_OPENED, FireSign.LID_CLOSED)


class PitWatch:
    """Reads the conditioner and the trace of the watch; nobody but the engine changes it."""

    def __init__(self, id_: str, settings: WatchSettings, conditioner: Conditioner, trace: Trace) -> None:
        """id_: "" is the first."""
        self.id = id_
        self.subject = subject_of(id_)
        self.readout = Readout(settings, conditioner, trace, id_)
        self.fire = FireWatch(settings.learned.fire)
        self.stage = PitStage()
        self.band = settings.band_of(id_)
        self.profile = PitProfile()
        self.evenness = Evenness()
        self.fires: list[FireNoticed] = []
        """Newest signs first."""
        self.since = Since()
        self.celsius = nan
        """Control value at this scan, °C, NaN while nothing may be believed."""
        self.contradiction: Contradiction | None = None
        """One of its probes tells of a fire that goes out or burns too hot, and the others do not."""
        self.cold_meat: ColdMeat | None = None
        """What lies on it cools while it is said to be hot."""
        self.meat: dict[str, Course] = {}
        """What the cores of the pieces on it do, by piece id."""
        self._heard_at: tuple[int | None, Band, bool] | None = None

    def scan(self, now: float) -> list[FireNoticed]:
        """Every 5 s, after the conditioner: the fast signs."""
        self.celsius = self.readout.pit_now()
        return self.told(self.fire.scan(now, self.celsius))

    def minute(self, now: float, minute: int, ambient: float) -> tuple[float, list[Event]]:
        """One closed minute: its control value, °C, and what it showed."""
        pit = self.readout.pit_of_minute(minute)
        if self.readout.seen_anew:
            self.fire.seen_anew(self.readout.seen_anew)
        events: list[Event] = [*self.told(self.fire.minute(now, pit, self.band, ambient))]
        events += self.moved(self.stage.minute(now, pit, self.fire.slope, self.band, self.fire.lid_open))
        return pit, events

    def hear_witnesses(self, pieces: Pieces, trace: Trace, said: Iterable[Said], minute: int | None) -> None:
        """What speaks against that it burns as it is said to. pieces: those on it; said: what people said; minute: the last that
        was closed, None before the first. Costs nothing within a minute."""
        unseen = isnan(self.celsius)
        if (minute, self.band, unseen) == self._heard_at:
            return
        self._heard_at = minute, self.band, unseen
        self.contradiction, self.cold_meat = self.readout.contradiction(self.band), None
        if minute is None:
            self.meat = {}
            return
        said = tuple(said)
        self.meat = courses(pieces, trace, said, minute, self.readout.pit_minutes(minute - HEATS_IN + 1, minute))
        if any(
            sign.sign in LIDS and sign.confidence > NOT_SEEN and sign.at >= (minute - LEFT_ALONE) * MINUTE
            for sign in self.fires
        ):
            return
        pit = self.readout.pit_minutes(minute - FALLS_FOR + 1, minute)
        cores = (core for _, core in left_alone(pieces, trace, said, minute))
        self.cold_meat = cold_meat(pit, self.band.low - AGREES, cores)

    def mark(self, mark: Mark, done: float) -> list[StageChanged]:
        """What was done at the pit. done: engine time."""
        minute = int(done // MINUTE)
        then = self.readout.pit_minutes(minute, minute)[0]
        pit = self.celsius if isnan(then) else then
        burns = pit >= min(HOT, self.band.low) and self.stage.stage not in LOST
        self.fire.mark(mark, done, burns)
        return self.moved(self.stage.mark(mark, done))

    def follow(self, pieces: Pieces, now: float) -> list[Event]:
        """The stage after the meat: when all is off the fire may die."""
        if pieces.all_off():
            return self.finish(now)
        return [*self.moved(self.stage.meat_on(now))] if pieces.need_fire() else []

    def finish(self, now: float) -> list[Event]:
        """All meat is off."""
        return [*self.moved(self.stage.finish(now))]

    def told(self, signs: list[FireNoticed]) -> list[FireNoticed]:
        """As signs of this pit."""
        return [replace(sign, pit=self.id) for sign in signs] if self.id else signs

    def moved(self, changes: list[StageChanged]) -> list[StageChanged]:
        """As changes of this pit."""
        return [replace(change, subject=self.subject) for change in changes] if self.id else changes

    def scanned(self, events: Iterable[Event], now: float) -> None:
        """The end of the scan that led to these events: its signs are kept for whoever looks."""
        own = [e for e in events if isinstance(e, FireNoticed) and e.pit == self.id]
        if own:
            self.fires = [*own, *self.fires][:SIGNS_SHOWN]
        self.since.scan(now, self.celsius, self.fire.lid_open, self.readout.pit_seen(self.since.seen))

    def band_at(self, place: str | None) -> Band:
        """What a place of the grate is kept at while the pit is kept in its band."""
        habit = self.readout.habit(place)
        return replace(self.band, low=self.band.low + habit, high=self.band.high + habit)

    def learned(self) -> PitProfile:
        """What is known of this pit, the fires of this watch included."""
        return replace(self.profile, fire=self.fire.learned())

    def use_profile(self, profile: PitProfile) -> None:
        self.profile = profile
        self.fire.use_profile(profile.fire)

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {
            "profile": self.profile.to_plain(),
            "control": self.readout.control.dump(),
            "fire": self.fire.dump(),
            "pit_stage": self.stage.dump(),
            "band": [self.band.low, self.band.high],
            "fires": [[f.time, f.sign, f.at, f.confidence] for f in self.fires],
            "evenness": self.evenness.dump(),
            "since": self.since.dump(),
        }

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.profile = PitProfile.from_plain(dumped["profile"])
        self.readout.control.load(dumped["control"])
        self.fire.load(dumped["fire"])
        self.stage.load(dumped["pit_stage"])
        self.band = replace(self.band, low=dumped["band"][0], high=dumped["band"][1])
        self.fires = [FireNoticed(time, FireSign(sign), at, how, self.id) for time, sign, at, how in dumped["fires"]]
        self.evenness = Evenness.loaded(dumped["evenness"])
        self.since.load(dumped["since"])


def renamed_pit(before: Iterable[str], now: Iterable[str]) -> dict[str, str]:
    """The pit that was given another id in the rig, old -> new: where just one is no more and just one is new. Ids of the pits
    beside the first, which is known by its place."""
    gone, new = set(before) - set(now), set(now) - set(before) - {""}
    return {gone.pop(): new.pop()} if len(gone) == len(new) == 1 else {}
