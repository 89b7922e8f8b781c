"""A bench of whole nights: a simulated cook asleep, the engine watching, and an oracle that knows consequences only.

    python -m tests.bench.bench_nights --nights 60 --seed 1
    python -m tests.bench.bench_nights --nights 40 --wrong-build late      # must fail: shows that the bench bites

Every night is our own village-hall scenario with its weather, wood and times drawn anew; KINDS deals what goes wrong, a
third of the nights being uneventful. The virtual cook goes to bed at 23:45, acknowledges a call after 75 s, is at the pit
8 min after it and puts right what is wrong there. Times are s after 17:00. The bars are the project's own: common
practice, no source. Exit code 1 when a bar is missed.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC
from itertools import pairwise

import numpy as np

from daemon.core import engine as engine_module
from daemon.core.alarm import AlarmTable
from daemon.core.alarm_rules import ALARM_RULES, Condition, rule_by_id
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, ForecastWanted, Level, Notification
from daemon.core.forecast import forecast
from daemon.core.inputs import (
    Acknowledge,
    Delivered,
    GoodMorning,
    GoToSleep,
    Health,
    Input,
    Mark,
    MarkKind,
    Part,
    Readings,
    Resumed,
    SetBand,
    TestWake,
    WallClock,
)
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Quality, Reading, on_grid
from drivers.simulated.cook import HOUR, INNER_STEP, REGULATOR_SHUT, Act, Piece, Scenario, ScriptedAct, SimulatedCook
from drivers.simulated.pit import MOST_DAMPER, PitParameters, Pits
from drivers.simulated.scenarios import START_HOUR, demo_scenario
from drivers.simulated.sensor import Failing, ProbeFailure, fail
from tests.bench.night_oracle import NightTruth, Place, Verdict, Wake, judge, lasting_exit

MINUTE = 60.0
FRIDAY_17_00 = 1_795_798_800.0
"""UTC s, 2026-11-27 17:00: the wall clock at the start of the scenario."""
BED, RISE = 6.75 * HOUR, 13.5 * HOUR
"""23:45 and 06:30."""
MORNING = 1.5 * HOUR
"""s the world runs on after the cook rose."""
ACKNOWLEDGES_AFTER, ACTS_AFTER, UP_FOR = 75.0, 8 * MINUTE, 20 * MINUTE
"""s after the call: the phone is answered; hands are at work; back in bed."""
GIVES_UP_AFTER = 30.0
"""s until the outbox gives a channel up that does not answer."""
FORECAST_EVERY = 30 * MINUTE
"""s between forecasts that are really computed; the engine asks more often."""
AHEAD = 75
"""min a pit is run on with nobody tending: the oracle's furthest useful exit with the time that makes it lasting."""
LANE_STEP = 20.0
"""s of one physics step of the pits that are left alone."""
LOAD_FED_NIGHT = 4.5
"""kg of wood that carry the simulated pit from 23:24 to the morning."""

KINDS = (
    "uneventful", "fed-late", "uneventful", "flare-up", "uneventful", "fire-out", "uneventful", "pit-probe", "uneventful",
    "lid-open", "uneventful", "hold-tripped", "outage", "restart", "clock-step", "board-silent", "meat-probe", "tender",
)  # fmt: skip
"""Dealt in turn: a third of the nights is uneventful."""

PLACES = {
    "pit": ("pit-falling", "fire-out", "pit-blind", "pit-high", "runaway", "lid-left-open"),
    "hold": ("hold-falling", "hold-unsafe", "cooling-slow"),
    "watch": (*(r.id for r in ALARM_RULES if r.id.startswith("watch-")), "device-lost", "battery-low"),
}
PIT_PROBES = ("pit-left", "pit-right", "pit-firebox")
WRONG_BUILDS = ("late", "silent", "eager", "forgetful")


def place_of(alarm: str) -> Place:
    """Where an alarm's one action sends the person; what is neither pit, hold nor watch is the meat's."""
    rule = alarm.partition("/")[0]
    return next((Place(place) for place, rules in PLACES.items() if rule in rules), Place.MEAT)


# --- one night's script ---------------------------------------------------------------------------


@dataclass(frozen=True)
class Script:
    """What happens on a night. inputs: (time, input) from outside the pit. downs: spells of a phone without network.
    stops: (time, s) the watch is down. steps: (time, offset, trusted) of the wall clock. spells: bad luck of the cook's
    world that a woken person ends, as (time, act on, amount)."""

    kind: str
    scenario: Scenario
    inputs: tuple[tuple[float, Input], ...] = ()
    downs: tuple[tuple[float, float], ...] = ()
    stops: tuple[tuple[float, float], ...] = ()
    steps: tuple[tuple[float, float, bool], ...] = ((0.0, FRIDAY_17_00, True),)
    failures: tuple[ProbeFailure, ...] = ()
    held: bool = False


def draw(kind: str, rng: np.random.Generator) -> Script:
    """A night of this kind, its details drawn from `rng`."""
    demo = demo_scenario()
    chuck, lamb = demo.pieces
    at = float(rng.uniform(7.2, 11.5)) * HOUR  # when the bad luck strikes: 00:12 to 04:30
    load, extra, pieces = LOAD_FED_NIGHT * float(rng.uniform(0.95, 1.1)), [], (chuck,)
    made: dict[str, object] = {}
    if kind in ("fed-late", "outage", "restart", "clock-step"):
        load = float(rng.uniform(1.5, 3.0))
    match kind:
        case "fire-out":
            load = float(rng.uniform(0.5, 1.2))
            extra = [ScriptedAct(7 * HOUR, Act.RAIN, amount=float(rng.uniform(2, 6)))]
        case "flare-up":
            burns = float(rng.uniform(8, 30)) * MINUTE
            extra = [
                ScriptedAct(at, Act.FLARE, amount=float(rng.uniform(2500, 6000))),
                ScriptedAct(at + burns, Act.FLARE),
            ]
        case "lid-open":
            extra = [ScriptedAct(at, Act.LID, amount=float(rng.choice([8.0, 40.0, 120.0])) * MINUTE)]
        case "hold-tripped":
            pieces = (chuck, replace(lamb, body=(*(b for b in lamb.body if b[0] != "start"), ("start", 93.0))))
            extra = [ScriptedAct(0.0, Act.HOLD, "lamb"), ScriptedAct(at, Act.CABINET, amount=0.0)]
            made["held"] = True
            made["stops"] = ((at - HOUR / 4, 60.0),)  # what the cook said of the hold must outlive a restart
        case "pit-probe":
            how = rng.choice([Failing.OPEN, Failing.STUCK, Failing.SILENT, Failing.DRIFT, Failing.SPIKES])
            made["failures"] = (ProbeFailure(str(rng.choice(PIT_PROBES)), Failing(how), at, RISE),)
        case "board-silent":
            lasts = float(rng.choice([2.0, 4.0, 30.0, 90.0])) * MINUTE
            channels = [c.source for c in demo.channels]
            made["failures"] = tuple(ProbeFailure(c, Failing.SILENT, at, at + lasts) for c in channels)
            made["inputs"] = (
                (at + 30, Health(Part.DEVICE, "board", False, "silent")),
                (at + lasts, Health(Part.DEVICE, "board", True)),
            )
        case "meat-probe":
            how = rng.choice([Failing.OPEN, Failing.STUCK, Failing.SILENT, Failing.PULLED_OUT])
            made["failures"] = (ProbeFailure("chuck", Failing(how), at, RISE),)
        case "tender":
            pieces = (lamb,)
        case "outage":
            down, up = at, at + float(rng.uniform(5, 180)) * MINUTE
            made["downs"] = ((down, up),)
            made["inputs"] = tuple(
                (when, Health(part, name, ok, "no answer"))
                for when, ok in ((down + 60, False), (up, True))
                for part, name in ((Part.BROKER, "broker"), (Part.CHANNEL, "phone"))
            )
        case "restart":
            many = int(rng.integers(1, 4))
            begins = np.sort(rng.uniform(6.9, 12.5, many)) * HOUR + np.arange(many) * 1300
            made["stops"] = tuple(
                (round(t, 1), float(s)) for t, s in zip(begins, rng.uniform(5, 1200, many), strict=True)
            )
        case "clock-step":
            start = float(rng.choice([0.0, FRIDAY_17_00]))
            by = float(rng.choice([86400.0, -3600.0, 3600.0]))
            later = FRIDAY_17_00 if start == 0.0 else FRIDAY_17_00 + by
            made["steps"] = ((0.0, start, start > 0.0), (at, later, True))
    on = float(rng.uniform(18.5, 20.5)) if kind == "tender" else 18.5
    script = [s for s in demo.script if s.subject == "" and s.time < 6.2 * HOUR and s.act is not Act.LID]
    script += [
        ScriptedAct((on - START_HOUR) * HOUR, Act.PUT_ON, pieces[0].id),
        ScriptedAct((on - START_HOUR) * HOUR, Act.LID, amount=60.0),
        ScriptedAct(6.4 * HOUR, Act.LOG, amount=load),
        *(ScriptedAct(h * HOUR, Act.WIND, amount=float(rng.uniform(0, 4))) for h in (3.0, 7.0, 9.0, 11.0)),
        *extra,
    ]
    ids = {p.id for p in pieces}
    scenario = replace(
        demo,
        name=kind,
        pieces=pieces,
        channels=tuple(c for c in demo.channels if not c.piece or c.piece in ids),
        script=tuple(script),
        failures=(),
        outside=float(rng.uniform(2, 14)),
    )
    return Script(kind, scenario, **made)  # type: ignore[arg-type]


def watch_settings(script: Script) -> WatchSettings:
    """The rig and cook of a scenario, as the cook would have filed them."""
    s = script.scenario
    roles = {"pit": Role.PIT, "meat": Role.MEAT, "outside": Role.AMBIENT, "cabinet": Role.HOLD}
    channels = tuple(ChannelSettings(c.source, c.source, roles[c.kind], stale_after=35.0) for c in s.channels)
    cook = CookSettings(
        "night", "village-hall lunch", Band(s.band_low, s.band_high), tuple(map(_piece, s.pieces)),
        hold=HoldSettings(floor=s.hold_floor, channel="cabinet"),
    )  # fmt: skip
    audiences = (("phone", ("phone",)), ("louder", ("phone",)), ("sounder", ("sounder",)), ("notice", ("phone",)))
    quiet = QuietHours(22 * 60, 7 * 60, UTC)
    return WatchSettings("pit", "Pit", channels, cook, AnnouncingSettings(quiet, audiences=audiences))


def _piece(p: Piece) -> PieceSettings:
    body = dict(p.body)
    return PieceSettings(
        p.id, p.id.title(), p.cut, MeatKind.WHOLE_ROAST, p.id, p.weight, body["thickness"], body["shape"],
        tender_low=p.tender_low, tender_high=p.tender_high,
    )  # fmt: skip


# --- the night as it runs -------------------------------------------------------------------------


@dataclass
class Told:
    """A wake message. opened: it opened a call (else it repeats one or tells what joined it)."""

    time: float
    opened: bool
    alarms: tuple[str, ...]
    text: str


@dataclass
class Night:
    """The outcome of one night, for the table."""

    seed: int
    kind: str
    verdict: Verdict
    told: list[Told] = field(default_factory=list)
    false: list[Told] = field(default_factory=list)
    notices: list[float] = field(default_factory=list)
    raised: list[tuple[float, str]] = field(default_factory=list)

    @property
    def calls(self) -> list[Told]:
        return [t for t in self.told if t.opened]


class NightRun:
    """One night: the world, the watch and the sleeping cook."""

    def __init__(self, script: Script, seed: int, wrong: str | None) -> None:
        self.script, self.seed, self.wrong = script, seed, wrong
        self.world = SimulatedCook(script.scenario, seed)
        self.rng = np.random.default_rng([seed, 7])
        self.settings = watch_settings(script)
        self.engine = self._new_engine()
        self.failures = set(script.failures)
        self.kept: dict[ProbeFailure, float] = {}
        self.stopped_until: float | None = None
        self.queue: list[tuple[float, int, Callable[[], None]]] = []
        self.up: list[tuple[float, float]] = []
        self.told: list[Told] = []
        self.notices: list[float] = []
        self.raised: list[tuple[float, str]] = []
        self.forecast_at: dict[str, float] = {}
        self.cabinet_repaired: float | None = None
        self.off_fire: float | None = None
        self.pit_states: list[dict[str, float]] = []
        self.minutes: list[dict[str, float]] = []
        self.hold_exits: list[tuple[float, float]] = []
        self._plan()

    # --- the watch ---

    def _new_engine(self) -> Engine:
        made = Engine(self.settings)
        if self.wrong == "late":
            slow = tuple(replace(r, on_delay=3600.0) if r.id in ("pit-falling", "fire-out") else r for r in ALARM_RULES)
            made.alarms = AlarmTable(slow, self.settings.announcing.shelve_limit)
        return made

    def _feed(self, item: Input) -> None:
        if self.stopped_until is None:
            self._fire_deadlines()
            self._hear(self.engine.handle(item, self.world.now))

    def _fire_deadlines(self) -> None:
        while (due := self.engine.next_deadline()) is not None and due <= self.world.now:
            self._hear(self.engine.handle_timer(due), due)

    def _hear(self, events: list[Event] | Iterator[Event], now: float | None = None) -> None:
        now = self.world.now if now is None else now
        for event in events:
            match event:
                case ForecastWanted(request=request):
                    piece = request.piece.id
                    if now - self.forecast_at.get(piece, -1e9) >= FORECAST_EVERY:
                        self.forecast_at[piece] = now
                        self._hear(self.engine.handle(forecast(request), now), now)
                case Notification(level=Level.WAKE):
                    self._woken(event, now)
                case Notification(level=Level.NOTICE):
                    self.notices.append(now)
                case AlarmChanged(before=before, after=AlarmState.UNACKNOWLEDGED) if before is AlarmState.NORMAL:
                    self.raised.append((now, event.alarm))

    def _woken(self, n: Notification, now: float) -> None:
        """The delivery channels carry a wake; a person who hears one acknowledges it and gets up."""
        if n.alarm == "test-wake":
            return
        alarms = (n.alarm, *n.merged)
        self.told.append(Told(now, "phone" in n.audiences, alarms, n.text))
        heard = False
        carried = dict(self.settings.announcing.audiences)
        for channel in dict.fromkeys(c for a in n.audiences for c in carried.get(a, ())):
            if channel == "phone" and any(a <= now < b for a, b in self.script.downs):
                self._later(GIVES_UP_AFTER, lambda: self._feed(Delivered(n.id, "phone", "failed", "no network")))
            else:
                heard = True
                self._later(2.0, lambda c=channel: self._feed(Delivered(n.id, c, "sent")))
        if heard:
            self._later(ACKNOWLEDGES_AFTER, lambda: self._gets_up(alarms))

    # --- the cook ---

    def _later(self, seconds: float, what: Callable[[], None]) -> None:
        self._at(self.world.now + seconds, what)

    def _at(self, when: float, what: Callable[[], None]) -> None:
        self.queue.append((when, len(self.queue), what))

    def _gets_up(self, alarms: tuple[str, ...]) -> None:
        now = self.world.now
        if self.stopped_until is not None:  # the page does not answer while the watch is down
            self._at(self.stopped_until + 30.0, lambda: self._gets_up(alarms))
            return
        self._feed(Acknowledge("*", "cook"))
        self.up.append((now, now + UP_FOR))
        self._later(ACTS_AFTER - ACKNOWLEDGES_AFTER, lambda: self._acts({place_of(a) for a in alarms}))

    def _acts(self, places: set[Place]) -> None:
        """Put right whatever is wrong at the places the call named."""
        world, now = self.world, self.world.now
        if Place.PIT in places:
            world.do(Act.LID, amount=0.0)
            world.do(Act.FLARE, amount=0.0)
            world._script = [s for s in world._script if s.act not in (Act.FLARE, Act.LID)]
            self._repair(PIT_PROBES)
            if world.pit() < self.settings.cook.band.low - 12:
                world.do(Act.LIGHT)
                self._mark(MarkKind.FIRE_LIT)
            if world._pits.wood_left()[0] < 14e6 and world.pit() < world.scenario.set_point + 8:
                world.do(Act.LOG, amount=float(self.rng.uniform(1.3, 2.0)))
                self._mark(MarkKind.LOG)
        if Place.HOLD in places and self.script.held and world._cabinet_set == 0.0:
            world.do(Act.CABINET, amount=world.scenario.cabinet + 4)
            self.cabinet_repaired = now
            self.hold_exits.append((now, self._cold_at()))
        if Place.MEAT in places:
            self._repair(tuple(p.id for p in world.scenario.pieces))
            self._take_off_when_tender()

    def _repair(self, channels: tuple[str, ...]) -> None:
        self.failures = {f for f in self.failures if f.channel not in channels or f.start > self.world.now}

    def _take_off_when_tender(self) -> None:
        """The cook feels it; if it is not ready he sets his own alarm clock and feels again."""
        lead = self.world.scenario.pieces[0]
        if self.off_fire is not None:
            return
        if self.world.core(lead.id) >= lead.tender_low:
            self.world.do(Act.HOLD, lead.id)  # into the warm cabinet: a table at night would be a need of its own
            self.off_fire = self.world.now
            self._mark(MarkKind.OFF, lead.id)
            self._mark(MarkKind.HOLD, lead.id)
        else:
            self._later(15 * MINUTE, self._take_off_when_tender)

    def _mark(self, kind: MarkKind, piece: str | None = None) -> None:
        """A tired cook marks two things in three; what the watch cannot see, always."""
        if kind in (MarkKind.OFF, MarkKind.HOLD, MarkKind.MEAT_ON) or self.rng.random() < 0.67:
            self._feed(Mark(kind, piece))

    # --- the plan of the night ---

    def _plan(self) -> None:
        script = self.script
        self._feed(Resumed())
        for when, offset, trusted in script.steps:
            self._at(when, lambda o=offset, t=trusted: self._feed(WallClock(o, t)))
        for when, item in script.inputs:
            self._at(when, lambda i=item: self._feed(i))
        for act in script.scenario.script:
            if act.act is Act.PUT_ON:
                self._at(act.time, lambda p=act.subject: self._mark(MarkKind.MEAT_ON, p))
            elif act.act in (Act.LOG, Act.LIGHT) and act.time < BED:
                kind = MarkKind.LOG if act.act is Act.LOG else MarkKind.FIRE_LIT
                self._at(act.time, lambda k=kind: self._mark(k))
            elif act.act is Act.CABINET:
                self._at(act.time + 20, lambda: self.hold_exits.append((self.world.now, self._cold_at())))
        if script.held:
            for minute, kind in ((1, MarkKind.MEAT_ON), (2, MarkKind.OFF), (3, MarkKind.HOLD)):
                self._at(minute * MINUTE, lambda k=kind: self._mark(k, "lamb"))
        self._at(BED - 120, lambda: self._feed(TestWake("cook")))
        self._at(BED - 100, lambda: self._feed(Delivered("test-wake#1.0", "phone", "sent")))
        self._at(BED - 60, lambda: self._feed(Acknowledge("test-wake", "cook")))
        self._at(BED, lambda: self._feed(GoToSleep("cook")))
        self._at(RISE, lambda: self._feed(GoodMorning("cook")))
        for when, lasts in script.stops:
            self._at(when, self._stop(when + lasts))

    def _stop(self, until: float) -> Callable[[], None]:
        def stop() -> None:
            self._fire_deadlines()
            self.dumped = json.dumps(self.engine.dump())
            self.stopped_until = until
            self._at(until, self._start)

        return stop

    def _start(self) -> None:
        self.stopped_until = None
        self.engine = self._new_engine()
        if self.wrong != "forgetful":
            self.engine.load(json.loads(self.dumped))
        self._hear(self.engine.handle(Resumed("restarted"), self.world.now))
        self._feed(WallClock(self.script.steps[-1][1], True))

    def run(self) -> None:
        """The night with the watch, then the early morning without it, so that the oracle sees what was coming."""
        while self.world.now < RISE + MINUTE:
            self.world.advance(INNER_STEP)
            while self.queue and (first := min(self.queue, key=lambda q: q[:2]))[0] <= self.world.now:
                self.queue.remove(first)
                first[2]()
            if self.stopped_until is None:
                self._feed(Readings(self._readings()))
            if self.world.now % MINUTE == 0:
                self._note_truth()
        while self.world.now < RISE + MORNING:
            self.world.advance(MINUTE)
            self._note_truth()

    def _readings(self) -> tuple[Reading, ...]:
        now = self.world.now
        said = []
        failing = tuple(f for f in self.failures if f.start <= now < f.end)
        for true in self.world.measure():
            mine = tuple(f for f in failing if f.channel == true.source)
            held = self.kept.setdefault(mine[0], true.celsius or 0.0) if mine else 0.0
            m = fail(true, mine, now, held, self.world.pit(), float(self.rng.random())) if mine else true
            if m is not None:
                celsius = None if m.celsius is None else on_grid(m.celsius)
                quality = Quality.BAD if m.celsius is None else m.quality
                said.append(Reading(m.source, celsius, now, m.fault, quality, m.cold_junction))
        return tuple(said)

    # --- the truth ---

    def _note_truth(self) -> None:
        world, pits, now = self.world, self.world._pits, self.world.now
        stores = ("gas", "steel", "firebox", "fresh", "flaming", "unlit_char", "char")
        self.pit_states.append(
            {name: float(getattr(pits, name)[0]) for name in stores}
            | {"bias": world._bias, "wind": world._wind, "rain": world._rain, "outside": world._outside(now)}
        )
        failing = {f.channel for f in self.failures if f.start <= now < f.end}
        lead = world.scenario.pieces[0].id
        self.minutes.append(
            {
                "pit": world.pit(),
                "core": world.core(lead),
                "lid": float(now < world._lid_until),
                "seen": float(any(p not in failing for p in PIT_PROBES)),
                "on": float(any(where == "pit" for where in world._where)),
                "asleep": float(BED <= now < RISE and not any(a <= now < b for a, b in self.up)),
                "hold_exit": self._hold_exit(now),
            }
        )

    def _hold_exit(self, now: float) -> float:
        """min until the held piece is below its floor with nobody acting from now on, by the newest run ahead."""
        known = [cold for since, cold in self.hold_exits if since <= now]
        return max(0.0, (known[-1] - now) / MINUTE) if known else float("inf")

    def _cold_at(self) -> float:
        """Run a copy of this world on until the held piece falls below the floor; inf if it does not in 6 h."""
        ahead = deepcopy(self.world)
        until = ahead.now + 6 * HOUR
        while ahead.now < until:
            ahead.advance(MINUTE)
            if ahead.core("lamb") < ahead.scenario.hold_floor:
                return ahead.now
        return float("inf")

    def truth(self) -> NightTruth:
        column = {name: np.array([m[name] for m in self.minutes]) for name in self.minutes[0]}
        band = self.settings.cook.band
        exits = left_alone(self.script.scenario, self.pit_states, band.low)
        exits[: int(BED / MINUTE) - 30] = np.inf  # the evening is not judged, and lighting is no lost fire
        return NightTruth(
            low=band.low,
            high=band.high,
            pit=column["pit"],
            exit_if_left=exits,
            asleep=column["asleep"] > 0,
            on_fire=column["on"] > 0,
            pit_seen=column["seen"] > 0,
            lid_open=column["lid"] > 0,
            core=column["core"],
            hold_exit_if_left=column["hold_exit"],
            late_if_left=np.zeros(len(exits), dtype=bool),
            channels_dead=np.zeros(len(exits), dtype=bool),
            tender=self.script.scenario.pieces[0].tender_low,
        )

    def outcome(self) -> Night:
        """What the oracle says. Missed: every telling counts, a repeat too. False: a call none of whose places was needed."""
        truth = self.truth()
        minute = {id(t): t.time / MINUTE - 1 for t in self.told}  # the first truth is that of minute 1
        heard = [Wake(minute[id(t)], place_of(a)) for t in self.told for a in t.alarms]
        calls = [t for t in self.told if t.opened]
        verdict = judge(truth, heard)
        opening = judge(truth, [Wake(minute[id(t)], place_of(t.alarms[0])) for t in calls])
        refused = set(verdict.false)
        false = [t for t in calls if all(Wake(minute[id(t)], place_of(a)) in refused for a in t.alarms)]
        verdict = replace(verdict, leads=opening.leads)
        return Night(self.seed, self.script.kind, verdict, self.told, false, self.notices, self.raised)


def left_alone(scenario: Scenario, states: list[dict[str, float]], floor: float) -> np.ndarray:
    """min until the pit leaves its band for good if nobody tends it, from every minute of the night at once: one lane a
    minute. The lid is shut and no fat burns in these lanes: an open lid and a flare are questions of their own."""
    now = {name: np.array([s[name] for s in states]) for name in states[0]}
    pits = Pits(PitParameters.uniform(len(states), set_point=scenario.set_point, **dict(scenario.pit)), now["outside"])
    for name in ("gas", "steel", "firebox", "fresh", "flaming", "unlit_char", "char"):
        setattr(pits, name, now[name].copy())
    index = np.arange(len(states))
    paths = np.empty((AHEAD, len(states)))
    for ahead in range(AHEAD):
        paths[ahead] = pits.gas
        then = np.minimum(index + ahead, len(states) - 1)
        for _ in range(int(MINUTE / LANE_STEP)):
            pits.damper = np.clip(
                now["bias"] + scenario.regulator * (scenario.set_point - pits.gas), REGULATOR_SHUT, MOST_DAMPER
            )
            pits.step(LANE_STEP, now["outside"][then], now["wind"][then], now["rain"][then])
    return np.array([lasting_exit(path, floor) for path in paths.T])


# --- the table ------------------------------------------------------------------------------------


def worst_in(times: list[float], seconds: float) -> int:
    """Most of these times in any window of this length."""
    ordered = sorted(times)
    return max((sum(1 for t in ordered if a <= t < a + seconds) for a in ordered), default=0)


def clock(seconds: float) -> str:
    whole = int(seconds + START_HOUR * HOUR) % 86400
    return f"{whole // 3600:02d}:{whole % 3600 // 60:02d}"


def table(nights: list[Night]) -> bool:
    """Print the bars. True when all are met."""
    calls = sum(t.time >= BED for n in nights for t in n.calls)
    missed = sum(len(n.verdict.missed) for n in nights)
    musts = sum(need.must_by is not None for n in nights for need in n.verdict.needs)
    needs = sum(len(n.verdict.needs) for n in nights)
    false = sum(len(n.false) for n in nights)
    healthy = [
        sum(not rule_by_id(t.alarms[0].partition("/")[0]).prompt for t in n.calls if t.time >= BED)
        for n in nights
        if n.kind == "uneventful"
    ]
    possible = [lead for n in nights for lead, allowed in n.verdict.leads if allowed]
    kept = sum(lead >= 22.0 for lead in possible) / len(possible) if possible else 1.0
    wakes = max((worst_in([t.time for t in n.calls], 600.0) for n in nights), default=0)
    notices = max((worst_in(n.notices, 600.0) for n in nights), default=0)
    chatter = sum(
        worst_in([t for t, key in n.raised if key == alarm], 600.0) >= 3
        for n in nights
        for alarm in {key for _, key in n.raised}
    )
    middle, p95 = (float(np.median(healthy)), float(np.percentile(healthy, 95))) if healthy else (0.0, 0.0)
    rows = (
        ("must-wake missed", "0", f"{missed} (of {needs} needs; {musts} came near asleep)", missed == 0),
        ("false wakes a night", "<= 0.1", f"{false / len(nights):.3f} ({false} of {calls} calls)", false <= 0.1 * len(nights)),
        ("abnormal wakes, uneventful night: median", "0", f"{middle:.1f} ({len(healthy)} nights)", middle == 0),
        ("abnormal wakes, uneventful night: P95", "<= 1", f"{p95:.1f}", p95 <= 1),
        ("fire wakes with lead >= 22 min, if possible", ">= 95 %", f"{kept:.1%} of {len(possible)}", kept >= 0.95),
        ("wake calls in any 10 min", "<= 1", str(wakes), wakes <= 1),
        ("notices in any 10 min", "<= 2", str(notices), notices <= 2),
        ("chattering alarms (3 raises in 10 min)", "0", str(chatter), chatter == 0),
    )  # fmt: skip
    kinds = Counter(need.kind for n in nights for need in n.verdict.needs)
    print("needs: " + ", ".join(f"{count} {kind}" for kind, count in kinds.most_common()))
    for name, bar, got, met in rows:
        print(f"{'ok  ' if met else 'MISS'} {name:46} bar {bar:8} got {got}")
    return all(met for *_, met in rows)


def details(night: Night) -> Iterator[str]:
    """One line for each missed must-wake, false wake and short lead."""
    for need in night.verdict.missed:
        assert need.must_by is not None
        called = [f"{t.alarms[0]} {clock(t.time)}" for t in night.told if abs(t.time / MINUTE - need.must_by) < 60]
        yield (
            f"MISSED night {night.seed} {night.kind}: {need.kind} from {clock(need.opens * MINUTE + 60)}, "
            f"must by {clock(need.must_by * MINUTE + 60)}; told near it: {', '.join(called) or 'nothing'}"
        )
    for first, second in pairwise(night.calls):
        if second.time - first.time < 600.0:
            told = f"{clock(first.time)} {first.alarms}, {clock(second.time)} {second.alarms}"
            yield f"CLOSE  night {night.seed} {night.kind}: {told}"
    for call in night.false:
        yield f"FALSE  night {night.seed} {night.kind}: {clock(call.time)} {call.alarms}: {call.text}"


def live_one(kind: str, seed: int, wrong: str | None = None) -> Night:
    run = NightRun(draw(kind, np.random.default_rng([seed, 1])), seed, wrong)
    if wrong == "eager":
        run._at(10.0, lambda: run._feed(SetBand(Band(119.0, run.settings.cook.band.high), "cook")))
    run.run()
    return run.outcome()


def silent(_sight: object) -> Iterator[Condition]:
    """Judges that never find anything."""
    return iter(())


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--nights", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--wrong-build", choices=WRONG_BUILDS, help="break the watch on purpose: the bench must fail")
    parser.add_argument("--kind", choices=sorted(set(KINDS)), help="only nights of this kind")
    parser.add_argument("--cpu-limit", type=float, default=float("inf"), help="s of CPU after which no night is begun")
    asked = parser.parse_args(arguments)
    judges = vars(engine_module)["conditions"]
    if asked.wrong_build == "silent":
        vars(engine_module)["conditions"] = silent
    nights: list[Night] = []
    began = time.process_time()
    try:
        for number in range(asked.nights):
            if time.process_time() - began > asked.cpu_limit:
                break
            kind = asked.kind or KINDS[number % len(KINDS)]
            nights.append(live_one(kind, asked.seed * 100_000 + number, asked.wrong_build))
            for line in details(nights[-1]):
                print(line, flush=True)
    finally:
        vars(engine_module)["conditions"] = judges
    seconds = time.process_time() - began
    counts = Counter(n.kind for n in nights)
    print(
        f"{len(nights)} nights, seed {asked.seed}, {seconds:.0f} s of CPU; "
        + ", ".join(f"{c} {k}" for k, c in counts.items())
    )
    met = table(nights)
    print("all bars met" if met else "a bar was missed")
    return 0 if met else 1


if __name__ == "__main__":
    sys.exit(main())
