"""One scripted cook, second by second: pit, meat, holding cabinet, probes that fail, and hands that act.

    cook = SimulatedCook(demo_scenario(), seed=1)
    while cook.now < cook.scenario.length:
        cook.advance(1.0)                    # any number of seconds
        readings = cook.measure()            # tuple[Measurement, ...], one a channel; a silent probe is missing
        cook.do(Act.LOG, amount=2.0)         # what a virtual cook does when woken (takes effect within 10 s)
    cook.truth                               # list[TruthEvent]: what really happened so far

Times are s since the scenario's start; `scenario.start_hour` is the local hour of the day at that moment.
Units: °C, s, kg. A second costs some tens of microseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from drivers.reading import Measurement
from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.pit import MOST_DAMPER, WOOD_HEAT, PitParameters, Pits
from drivers.simulated.sensor import ProbeFailure, Probes, fail

Array = npt.NDArray[np.float64]

INNER_STEP = 10.0
"""s of physics at once; between, temperatures are interpolated."""
HOUR = 3600.0
REGULATOR_SHUT = 0.06
"""Damper setting of a shut draught regulator: what leaks past it."""
LIT_CHARCOAL = 5e6
"""J of a chimney of lit charcoal."""


class Act(StrEnum):
    """What hands (or bad luck) do. subject: a piece id where it concerns one. amount: see each."""

    LOG = "log"
    """amount: kg of wood."""
    LIGHT = "light"
    """Lit charcoal goes in: what a dead fire needs besides wood."""
    LID = "lid"
    """amount: s the lid stays open."""
    DAMPER = "damper"
    """amount: bias of the draught regulator, 1 = as usual."""
    PUT_ON = "put-on"
    WRAP_FOIL, WRAP_PAPER, WRAP_BOAT = "wrap-foil", "wrap-paper", "wrap-boat"
    REST = "rest"
    """Off the pit, onto the table."""
    HOLD = "hold"
    CHILL = "chill"
    SERVE = "serve"
    FLARE = "flare"
    """Fat burns. amount: W."""
    CABINET = "cabinet"
    """amount: new set point of the holding cabinet; 0 switches it off."""
    WIND = "wind"
    RAIN = "rain"


@dataclass(frozen=True, slots=True)
class ScriptedAct:
    time: float
    act: Act
    subject: str = ""
    amount: float = 0.0


@dataclass(frozen=True, slots=True)
class TruthEvent:
    """kind: an Act value, or "pit-low", "pit-back", "pit-high", "wrap-target", "tender-low", "tender-high", "cold" (a
    piece off the fire fell below the hold floor), "probe-fails", "probe-back". needs_person: somebody must act now,
    whatever the hour."""

    time: float
    kind: str
    subject: str
    celsius: float | None = None
    needs_person: bool = False


@dataclass(frozen=True, slots=True)
class Channel:
    """source: the name a driver gives it. kind: "pit" (share: of the firebox's excess), "meat" (piece; depth: 0
    centre to 1 surface), "outside" or "cabinet"."""

    source: str
    kind: str
    share: float = 0.0
    piece: str = ""
    depth: float = 0.0
    bias: float = 0.0
    noise: float = 0.15
    lag: float = 15.0


@dataclass(frozen=True, slots=True)
class Piece:
    """body: MeatParameters values that differ from the ordinary. share: of the firebox's excess where it lies."""

    id: str
    cut: str
    weight: float
    body: tuple[tuple[str, float], ...]
    share: float
    wrap_at: float
    tender_low: float
    tender_high: float


@dataclass(frozen=True, slots=True)
class Scenario:
    """regulator: share of full damper per °C that the pit's draught regulator gives."""

    name: str
    start_hour: float
    length: float
    band_low: float
    band_high: float
    set_point: float
    pit: tuple[tuple[str, float], ...]
    regulator: float
    channels: tuple[Channel, ...]
    pieces: tuple[Piece, ...]
    script: tuple[ScriptedAct, ...]
    failures: tuple[ProbeFailure, ...] = ()
    outside: float = 9.0
    outside_swing: float = 4.0
    indoors: float = 19.0
    fridge: float = 3.0
    cabinet: float = 66.0
    hold_floor: float = 57.2
    vapour_pressure: float = 5000.0


class SimulatedCook:
    """The scenario as it runs. Everything random comes from `seed`."""

    def __init__(self, scenario: Scenario, seed: int = 1) -> None:
        self.scenario, self.now = scenario, 0.0
        self.truth: list[TruthEvent] = []
        self._rng = np.random.default_rng(seed)
        self._pits = Pits(
            PitParameters.uniform(1, set_point=scenario.set_point, **dict(scenario.pit)), self._outside(0.0)
        )
        self._index = {p.id: i for i, p in enumerate(scenario.pieces)}
        bodies = [dict(p.body) for p in scenario.pieces]
        names = {name for body in bodies for name in body}
        self._meat = MeatBodies(
            MeatParameters.uniform(len(bodies), **{n: np.array([b[n] for b in bodies]) for n in names})
        )
        self._where = ["fridge"] * len(bodies)
        self._cabinet, self._cabinet_set = scenario.indoors, scenario.cabinet
        self._bias, self._wind, self._rain = 1.0, 1.5, 0.0
        self._lid_until = 0.0
        self._script = sorted(scenario.script, key=lambda s: s.time)
        self._pit_state, self._reached = "heating", [0] * len(bodies)
        self._failing: set[ProbeFailure] = set()
        self._held: dict[str, float] = {}
        channels = scenario.channels
        self._probes = Probes(
            self._rng,
            len(channels),
            lag=np.array([c.lag for c in channels]),
            noise=np.array([c.noise for c in channels]),
            bias=np.array([c.bias for c in channels]),
        )
        self._inner_time, self._after = 0.0, self._channel_temperatures()
        self._before = self._after
        self._probes.follow(1.0, self._after)

    # --- what anyone may do ---------------------------------------------------------------------

    def advance(self, seconds: float = 1.0) -> None:
        """Let time pass."""
        until = self.now + seconds
        while self.now < until:
            if self._inner_time <= self.now:
                self._before = self._after
                self._physics()
                self._after = self._channel_temperatures()
                self._watch_truth()
            step = min(until, self._inner_time) - self.now
            self.now += step
            self._probes.follow(step, self._interpolated())

    def do(self, act: Act, subject: str = "", amount: float = 0.0) -> None:
        """Act now. Raises KeyError for a piece that is not in the scenario."""
        self.truth.append(TruthEvent(self.now, act.value, subject))
        match act:
            case Act.LOG:
                self._pits.add_logs(np.array([True]), amount * WOOD_HEAT)
            case Act.LIGHT:
                self._pits.light(embers=LIT_CHARCOAL)
            case Act.LID:
                self._lid_until = self.now + amount
            case Act.DAMPER:
                self._bias = amount
            case Act.FLARE:
                self._pits.flare[:] = amount
            case Act.CABINET:
                self._cabinet_set = amount
            case Act.WIND:
                self._wind = amount
            case Act.RAIN:
                self._rain = amount
            case Act.WRAP_FOIL | Act.WRAP_PAPER | Act.WRAP_BOAT:
                self._meat.wrap(self._only(subject), act.value.removeprefix("wrap-"))
            case Act.PUT_ON | Act.REST | Act.HOLD | Act.CHILL | Act.SERVE:
                self._where[self._index[subject]] = _PLACES[act]

    def measure(self) -> tuple[Measurement, ...]:
        """What the amplifier board says this second; a channel that says nothing is missing."""
        junction = self.scenario.indoors * 0.3 + self._outside(self.now) * 0.7 + 4.0
        chances = self._rng.random(len(self.scenario.channels))
        said = []
        air = float(self._pits.gas[0])
        for channel, value, chance in zip(self.scenario.channels, self._probes.read(), chances, strict=True):
            plain = Measurement(channel.source, float(value), cold_junction=round(junction * 16) / 16)
            if self._failing:
                held = self._held.get(channel.source, plain.celsius or 0.0)
                failed = fail(plain, tuple(self._failing), self.now, held, air, float(chance))
                if failed is not None:
                    said.append(failed)
            else:
                said.append(plain)
        return tuple(said)

    def true(self) -> dict[str, float]:
        """True temperature where each channel's probe is, °C."""
        return {c.source: float(v) for c, v in zip(self.scenario.channels, self._interpolated(), strict=True)}

    def core(self, piece: str) -> float:
        """True centre of a piece, °C."""
        return float(self._meat.core()[self._index[piece]])

    def pit(self) -> float:
        """True middle of the grate, °C."""
        return float(self._pits.gas[0])

    # --- physics --------------------------------------------------------------------------------

    def _only(self, piece: str) -> npt.NDArray[np.bool_]:
        return np.asarray(np.arange(len(self._where)) == self._index[piece])

    def _outside(self, now: float) -> float:
        hour = self.scenario.start_hour + now / HOUR
        return self.scenario.outside + self.scenario.outside_swing * float(np.sin(2 * np.pi * (hour - 9) / 24))

    def _physics(self) -> None:
        s, pits = self.scenario, self._pits
        while self._script and self._script[0].time <= self.now:
            scripted = self._script.pop(0)
            self.do(scripted.act, scripted.subject, scripted.amount)
        self._note_failures()
        outside = self._outside(self.now)
        pits.lid_open[:] = self.now < self._lid_until
        regulated = self._bias + s.regulator * (s.set_point - pits.gas)
        pits.damper = np.clip(regulated, REGULATOR_SHUT, MOST_DAMPER)
        gust = self._wind * (1 + 0.3 * float(np.sin(self.now / 700.0) + np.sin(self.now / 190.0)))
        pits.step(INNER_STEP, outside, gust, self._rain)
        self._cabinet += (max(self._cabinet_set, s.indoors) - self._cabinet) * INNER_STEP / 2400.0

        surroundings = [self._around(w, p) for w, p in zip(self._where, s.pieces, strict=True)]
        gas, radiant, vapour, draught = (np.array(column) for column in zip(*surroundings, strict=True))
        self._meat.step(INNER_STEP, gas, radiant, vapour, draught)
        self._inner_time += INNER_STEP

    def _around(self, where: str, piece: Piece) -> tuple[float, float, float, float]:
        """Air, walls (°C), vapour pressure (Pa) and draught a piece feels where it lies."""
        s = self.scenario
        match where:
            case "pit":
                return float(self._pits.place(piece.share)[0]), float(self._pits.radiant()[0]), s.vapour_pressure, 1.0
            case "hold":
                return self._cabinet, self._cabinet, 12_000.0, 0.5
            case "table":
                return s.indoors, s.indoors, 1200.0, 0.6
            case "chill":
                return s.fridge, s.fridge, 600.0, 1.2
            case _:
                return s.fridge, s.fridge, 700.0, 0.5

    def _channel_temperatures(self) -> Array:
        s = self.scenario
        values = []
        for c in s.channels:
            if c.kind == "pit":
                values.append(float(self._pits.place(c.share)[0]))
            elif c.kind == "meat":
                i = self._index[c.piece]
                inside = self._where[i] not in ("fridge", "served")
                values.append(float(self._meat.at(np.full(len(self._where), c.depth))[i]) if inside else s.indoors)
            elif c.kind == "outside":
                values.append(self._outside(self.now))
            else:
                values.append(self._cabinet)
        return np.array(values)

    def _interpolated(self) -> Array:
        part = 1 - max(0.0, self._inner_time - self.now) / INNER_STEP
        return np.asarray(self._before + part * (self._after - self._before))

    # --- truth ----------------------------------------------------------------------------------

    def _note_failures(self) -> None:
        for f in self.scenario.failures:
            if f not in self._failing and f.start <= self.now < f.end:
                self._failing.add(f)
                self._held[f.channel] = self.true()[f.channel]
                self.truth.append(TruthEvent(self.now, "probe-fails", f.channel))
            elif f in self._failing and self.now >= f.end:
                self._failing.remove(f)
                self.truth.append(TruthEvent(self.now, "probe-back", f.channel))

    def _watch_truth(self) -> None:
        s, gas = self.scenario, float(self._pits.gas[0])
        lid = self.now < self._lid_until + 900.0
        state = self._pit_state
        if state in ("heating", "low", "high") and s.band_low + 1 < gas < s.band_high - 1:
            self._pit_event("in-band", "pit-back", gas)
        elif state == "in-band" and gas < s.band_low and not lid:
            self._pit_event("low", "pit-low", gas, needs_person=any(w == "pit" for w in self._where))
        elif state == "in-band" and gas > s.band_high + 5:
            self._pit_event("high", "pit-high", gas, needs_person=gas > s.band_high + 20)
        core = self._meat.core()
        for i, piece in enumerate(s.pieces):
            goals = (
                ("wrap-target", piece.wrap_at),
                ("tender-low", piece.tender_low),
                ("tender-high", piece.tender_high),
            )
            if self._reached[i] < len(goals) and core[i] >= goals[self._reached[i]][1]:
                self.truth.append(TruthEvent(self.now, goals[self._reached[i]][0], piece.id, float(core[i])))
                self._reached[i] += 1
            if self._where[i] in ("table", "hold") and core[i] < s.hold_floor and self._reached[i] < 9:
                self.truth.append(TruthEvent(self.now, "cold", piece.id, float(core[i]), needs_person=True))
                self._reached[i] = 9

    def _pit_event(self, state: str, kind: str, gas: float, needs_person: bool = False) -> None:
        self._pit_state = state
        self.truth.append(TruthEvent(self.now, kind, "pit", gas, needs_person))


_PLACES = {Act.PUT_ON: "pit", Act.REST: "table", Act.HOLD: "hold", Act.CHILL: "chill", Act.SERVE: "served"}
