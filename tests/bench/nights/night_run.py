"""One night of the bench as it runs: the world, the watch, the delivery channels and the sleeping cook.

The cook goes to bed at 23:45, acknowledges a call after 75 s, is at the pit 8 min after it and puts right what is wrong
there. Afterwards the oracle is told the truth of every minute, with what would have come if nobody had acted."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from functools import partial
from itertools import pairwise

import numpy as np

from daemon.core.events import AlarmChanged, AlarmState, Event, ForecastWanted, Level, Notification
from daemon.core.forecast.outlooks import forecast
from daemon.core.inputs import Delivered, Input, Outcome, Readings, Resumed, WallClock
from daemon.core.orders import Acknowledge, GoodMorning, GoToSleep, Mark, MarkKind, TestWake
from drivers.reading import Quality, Reading, on_grid
from drivers.simulated.cook import HOUR, INNER_STEP, REGULATOR_SHUT, Act, Scenario, SimulatedCook
from drivers.simulated.pit import MOST_DAMPER, PitParameters, Pits
from drivers.simulated.sensor import ProbeFailure, fail
from tests.bench.nights.night_oracle import NightTruth, Place, Wake, distinctly_worse, judge, lasting_exit
from tests.bench.nights.night_record import Night, Told, place_of
from tests.bench.nights.night_script import BED, MINUTE, PIT_PROBES, RISE, Script, watch_settings
from tests.bench.nights.wrong_builds import Build
from tests.texts.english import in_english

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


class NightRun:
    """One night: the world, the watch and the sleeping cook."""

    def __init__(self, script: Script, seed: int, build: Build) -> None:
        self.script, self.seed, self.build = script, seed, build
        self.world = SimulatedCook(script.scenario, seed)
        self.rng = np.random.default_rng([seed, 7])
        self.settings = watch_settings(script)
        self.engine = build.engine(self.settings)
        self.failures = set(script.failures)
        self.kept: dict[ProbeFailure, float] = {}
        self.stopped_until: float | None = None
        self.queue: list[tuple[float, int, Callable[[], None]]] = []
        self.up: list[tuple[float, float]] = []
        self.told: list[Told] = []
        self.notices: list[float] = []
        self.raised: list[tuple[float, str]] = []
        self.ids: list[str] = []
        self.lost = self.hollow = 0
        self.forecast_at: dict[str, float] = {}
        self.cabinet_repaired: float | None = None
        self.off_fire: float | None = None
        self.pit_states: list[dict[str, float]] = []
        self.minutes: list[dict[str, float]] = []
        self.hold_exits: list[tuple[float, float]] = []
        self._plan()

    # --- the watch ---

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
                case Notification():
                    self.ids.append(event.id)
                    if event.level is Level.WAKE:
                        self._woken(event, now)
                    elif event.level is Level.NOTICE:
                        self.notices.append(now)
                case AlarmChanged(before=before, after=AlarmState.UNACKNOWLEDGED) if before is AlarmState.NORMAL:
                    self.raised.append((now, event.alarm))

    def _woken(self, n: Notification, now: float) -> None:
        """The delivery channels carry a wake; a person who hears one acknowledges it and gets up."""
        if n.alarm == "test-wake":
            return
        alarms = (n.alarm, *n.merged)
        self.told.append(Told(now, "phone" in n.audiences, alarms, in_english(n.text)))
        if self.script.stop_after_call is not None and len(self.told) == 1:
            after, lasts = self.script.stop_after_call
            self._at(now + after, self._stop(now + after + lasts))
        views = [self.engine.alarms.view(alarm) for alarm in alarms]
        self.hollow += not any(v is not None and v.state is AlarmState.UNACKNOWLEDGED for v in views)
        heard = False
        carried = dict(self.settings.announcing.audiences)
        for channel in dict.fromkeys(c for a in n.audiences for c in carried.get(a, ())):
            if channel == "phone" and any(a <= now < b for a, b in self.script.downs):
                self._later(GIVES_UP_AFTER, lambda: self._feed(Delivered(n.id, "phone", Outcome.FAILED, "no network")))
            else:
                heard = True
                self._later(2.0, partial(self._feed, Delivered(n.id, channel, Outcome.SENT)))
        if heard:
            self._later(ACKNOWLEDGES_AFTER, lambda: self._gets_up(n.id, alarms))

    # --- the cook ---

    def _later(self, seconds: float, what: Callable[[], None]) -> None:
        self._at(self.world.now + seconds, what)

    def _at(self, when: float, what: Callable[[], None]) -> None:
        self.queue.append((when, len(self.queue), what))

    def _gets_up(self, message: str, alarms: tuple[str, ...]) -> None:
        now = self.world.now
        if self.stopped_until is not None:  # the page does not answer while the watch is down
            self._at(self.stopped_until + 30.0, lambda: self._gets_up(message, alarms))
            return
        self._feed(Acknowledge(message, "cook"))
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
            self._at(when, partial(self._feed, WallClock(offset, trusted)))
        for when, item in script.inputs:
            self._at(when, partial(self._feed, item))
        for act in script.scenario.script:
            if act.act is Act.PUT_ON:
                self._at(act.time, partial(self._mark, MarkKind.MEAT_ON, act.subject))
            elif act.act in (Act.LOG, Act.LIGHT) and act.time < BED:
                kind = MarkKind.LOG if act.act is Act.LOG else MarkKind.FIRE_LIT
                self._at(act.time, partial(self._mark, kind))
            elif act.act is Act.CABINET:
                self._at(act.time + 20, lambda: self.hold_exits.append((self.world.now, self._cold_at())))
        if script.held:
            for minute, kind in ((1, MarkKind.MEAT_ON), (2, MarkKind.OFF), (3, MarkKind.HOLD)):
                self._at(minute * MINUTE, partial(self._mark, kind, "lamb"))
        self._at(BED - 120, lambda: self._feed(TestWake("cook")))
        self._at(BED - 100, lambda: self._feed(Delivered("test-wake#1.0", "phone", Outcome.SENT)))
        self._at(BED - 60, lambda: self._feed(Acknowledge("test-wake", "cook")))
        self._at(BED, lambda: self._feed(GoToSleep("cook")))
        self._at(RISE, lambda: self._feed(GoodMorning("cook")))
        for when, lasts in script.stops:
            self._at(when, self._stop(when + lasts))

    def _stop(self, until: float) -> Callable[[], None]:
        def stop() -> None:
            if self.stopped_until is not None:
                return
            self._fire_deadlines()
            self.dumped = json.dumps(self.engine.dump())
            self.stopped_until = until
            self._at(until, self._start)

        return stop

    def _start(self) -> None:
        self.stopped_until = None
        stood = {(v.key, v.occurrence, v.state) for v in self.engine.alarms.views()}
        self.engine = self.build.engine(self.settings)
        self.build.load(self.engine, json.loads(self.dumped))
        self.lost += len(stood - {(v.key, v.occurrence, v.state) for v in self.engine.alarms.views()})
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
        worse = [
            second.time
            for first, second in pairwise(calls)
            if second.time - first.time < 600.0
            and distinctly_worse(
                truth,
                Wake(minute[id(first)], place_of(first.alarms[0])),
                Wake(minute[id(second)], place_of(second.alarms[0])),
            )
        ]
        doubled = len(self.ids) - len(set(self.ids))
        return Night(
            self.seed, self.script.kind, verdict, self.told, false, self.notices, self.raised,
            worse, self.lost, doubled, self.hollow,
        )  # fmt: skip


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
