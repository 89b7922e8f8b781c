"""Whole nights in the worlds of tests/worlds: a cook who goes to bed, comes when he is called, feeds and lies down again.

Who calls him is the contestant: the watch itself, minute by minute beside the world; an alarm clock every so many minutes;
nobody; or an oracle who knows how long the pit would last. The same numbers give the same pits, weather, meat and people.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC
from math import isnan, nan

import numpy as np
import numpy.typing as npt

from daemon.core.engine import Engine
from daemon.core.events import Event, ForecastWanted, Level, Notification
from daemon.core.forecast.outlooks import Forecaster
from daemon.core.inputs import Input, Readings, WallClock
from daemon.core.orders import Acknowledge, GoodMorning, GoToSleep, Mark, MarkKind
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    FireModel,
    Learned,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Reading
from tests.bench.fire.fire_cooks import CHANNELS
from tests.bench.nights.night_callers import BED, CALLERS, RISE, AlarmClock, Caller, Nobody, Oracle
from tests.bench.nights.night_meals import NightMeals, piece_channel, piece_name, piece_settings
from tests.bench.nights.night_oracle import NightTruth, PieceTruth, Place, Verdict, Wake, judge
from tests.bench.nights.night_record import place_of
from tests.bench.nights.night_script import FRIDAY_17_00
from tests.texts.english import in_english
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, STEP, Flags, Lanes
from tests.worlds.marks import Marking, MarkMade, Marks, draw_marking
from tests.worlds.meat.meal import EVERY
from tests.worlds.night import Night, draw_night
from tests.worlds.people import STAYS_UP
from tests.worlds.probes import NEVER, Mishap
from tests.worlds.unfed import unfed

MINUTE = 60.0
HOURS = 12.0
ANSWERS_AFTER = 1
"""min after which somebody who was woken has answered on his phone; he gets up after his own delay."""
TRUTH_EVERY, TRUTH_CAP = 2, 75
"""min between truths, and minutes beyond which nothing is asked of them."""
TOLD_WITHIN = 30
"""min after the only probe fell for which the night is judged on: by then it must have been said."""
LOST_BELOW, LOST_FOR = 15.0, 20
"""°C under the band and min in one piece that are a lost fire."""
FORECAST_EVERY = 20 * MINUTE
"""s between forecasts of a piece that are really computed; the engine asks more often, and lets one grow older than that."""
SEEN_OVER = 15
"""min over whose median a core probe is taken: one that is out of the meat for a moment says nothing of it."""
FOR_WOOD = ("pit-falling/", "fire-out/")
FOR_MEAT = ("tender-range/", "past-tender/", "target-reached/")
AUDIENCES = (("phone", ("phone",)), ("sounder", ("sounder",)))


class Watches:
    """The program: one engine a pit."""

    def __init__(self, night: Night, meals: NightMeals, marking: Marking, model: FireModel | None) -> None:
        self.marking, self.meals = marking, meals
        self.engines = [Engine(_settings(night, meals, pit, model)) for pit in range(night.pits)]
        self.forecasters = [Forecaster() for _ in self.engines]
        self.forecast_at: dict[tuple[int, str], float] = {}
        self.said: set[tuple[int, MarkKind]] = set()
        """What has been marked of each piece."""
        self.told: list[list[tuple[float, Notification]]] = [[] for _ in self.engines]
        self.unanswered: list[list[tuple[int, str]]] = [[] for _ in self.engines]
        self.marked = [0] * len(self.engines)
        self.logs_seen = 0
        self.due: list[list[MarkMade]] = [[] for _ in self.engines]
        self.hangs_again: dict[int, tuple[float, float]] = {}
        """pit: minutes at which its probe fell, and at which whoever was told of it hung it up again."""
        self.repairs: dict[int, int] = {}
        self.lies: list[bool] = [False] * night.pits
        """The meat is on, and said to be."""
        for pit, engine in enumerate(self.engines):
            self._hear(pit, engine.handle(WallClock(FRIDAY_17_00, trusted=True), 0.0), 0.0)
            self.due[pit] = [MarkMade(1.0, "fire-lit")] if marking.share[pit] > 0 else []

    def minute(self, night: Night, meals: NightMeals, minute: int) -> tuple[Flags, Flags]:
        self._collect(night)
        called, wood = np.zeros(night.pits, bool), np.zeros(night.pits, bool)
        self._repair(night, minute)
        for pit in range(night.pits):
            if not self.lies[pit] and 0 <= night.meat_on[pit] <= (minute - 1) * PER_MINUTE:
                self.lies[pit] = True
                for piece in meals.of(pit):
                    self._feed(pit, Mark(MarkKind.MEAT_ON, piece_name(meals, piece)), (minute - 1) * MINUTE)
            self._mark_meat(pit, minute)
            before = len(self.told[pit])
            for step in range((minute - 1) * PER_MINUTE, minute * PER_MINUTE):
                self._step(night, pit, step)
            now = minute * MINUTE
            if minute in (BED, RISE):
                self._feed(pit, GoToSleep("cook") if minute == BED else GoodMorning("cook"), now)
            for at, message in self.unanswered[pit]:
                if minute >= at + ANSWERS_AFTER:
                    self._feed(pit, Acknowledge(message, "cook"), now)
            self.unanswered[pit] = [u for u in self.unanswered[pit] if minute < u[0] + ANSWERS_AFTER]
            new = self.told[pit][before:]
            self.unanswered[pit] += [(minute, n.id) for _, n in new]
            called[pit] = bool(new)
            if any(a.startswith("pit-blind/") for _, n in new for a in (n.alarm, *n.merged)):
                self.repairs.setdefault(pit, minute + int(night.people.habits.delay[pit]))
            alarms = [a for _, n in new for a in (n.alarm, *n.merged)]
            wood[pit] = any(a.startswith(FOR_WOOD) for a in alarms)
            meals.waits[pit] |= any(a.startswith(FOR_MEAT) for a in alarms)
        return called, wood

    def _mark_meat(self, pit: int, minute: int) -> None:
        """A wrap as the cook marks his deeds; what is off and put away always, unless he marks nothing."""
        for piece in self.meals.of(pit):
            name, off, wrapped = (
                piece_name(self.meals, piece),
                self.meals.off_minute(piece),
                self.meals.wrapped_minute(piece),
            )
            if wrapped <= minute - 1 and (piece, MarkKind.WRAPPED) not in self.said:
                at = self.marking.minute(pit, wrapped, 4 + 2 * self.meals.of(pit).index(piece))
                if at is None or off <= minute - 1:
                    self.said.add((piece, MarkKind.WRAPPED))
                elif at <= minute:
                    self.said.add((piece, MarkKind.WRAPPED))
                    self._feed(
                        pit, Mark(MarkKind.WRAPPED, name, note=self.meals.material(piece)), (minute - 1) * MINUTE
                    )
            for kind, after in ((MarkKind.OFF, 1), (MarkKind.SERVE, 2)):
                if off <= minute - after and (piece, kind) not in self.said and self.marking.meat_on[pit]:
                    self.said.add((piece, kind))
                    self._feed(pit, Mark(kind, name), (minute - 1) * MINUTE)

    def _repair(self, night: Night, minute: int) -> None:
        """Who was told that no pit probe is to be believed hangs up what fell."""
        values = night.probes.values
        for pit in [pit for pit, at in self.repairs.items() if at <= minute]:
            del self.repairs[pit]
            fell = values["from"][0, pit] / PER_MINUTE
            if values["mishap"][0, pit] == Mishap.FELL and fell <= minute:
                self.hangs_again[pit] = fell, float(minute)
                values["from"][0, pit] = NEVER

    def _step(self, night: Night, pit: int, step: int) -> None:
        now = STEP * (step + 1)
        while self.due[pit] and self.due[pit][0].minute * MINUTE <= now:
            self._feed(pit, Mark(MarkKind(self.due[pit].pop(0).text)), now)
        count = int(night.probes.count[pit])
        shown = [(CHANNELS[c], float(night.shown[c, step, pit])) for c in range(count)]
        if step % EVERY == EVERY - 1:
            shown += [(piece_name(self.meals, k), self.meals.shown(k, step)) for k in self.meals.of(pit)]
        self._feed(pit, Readings(tuple(Reading(c, v, now) for c, v in shown if not isnan(v))), now)

    def _collect(self, night: Night) -> None:
        """What the cooks have done since, and will mark."""
        for log in night.logs[self.logs_seen :]:
            at = self.marking.minute(log.pit, log.step / PER_MINUTE, 1)
            if at is not None:
                self.due[log.pit] = sorted([*self.due[log.pit], MarkMade(at, "log")], key=lambda mark: mark.minute)
        self.logs_seen = len(night.logs)

    def _feed(self, pit: int, item: Input, now: float) -> None:
        engine = self.engines[pit]
        while (due := engine.next_deadline()) is not None and due <= now:
            self._hear(pit, engine.handle_timer(due), due)
        self._hear(pit, engine.handle(item, now), now)

    def _hear(self, pit: int, events: list[Event], now: float) -> None:
        self.told[pit] += [(now, e) for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
        for event in events:
            if isinstance(event, ForecastWanted):
                key = pit, event.request.piece.id
                if now - self.forecast_at.get(key, -FORECAST_EVERY) >= FORECAST_EVERY:
                    self.forecast_at[key] = now
                    self._hear(pit, self.engines[pit].handle(self.forecasters[pit](event.request), now), now)


NOTHING = Verdict((), (), ())


@dataclass(frozen=True)
class WorldNight:
    """One pit's night. calls: minutes at which a call was opened; texts, rules, left: what was said then, and min left if
    nobody had come. wakes: calls that reached somebody who slept. in_band: share of the time in bed with meat on the fire,
    NaN = none. longest: h of sleep in one piece. who says no words is judged as one who looks at pit and meat alike."""

    world: str
    meat: str
    seed: int
    number: int
    calls: tuple[int, ...]
    wakes: int
    in_band: float
    longest: float
    lost: bool
    texts: tuple[str, ...] = ()
    rules: tuple[str, ...] = ()
    verdict: Verdict = NOTHING
    left: tuple[float, ...] = field(default=())


def drawn(world: str, seed: int, n: int, stress: str | None, nature: Lanes | None = None) -> Night:
    """Cooks who obey and lie in bed from BED to RISE. nature: of n proven pits, in place of those that the seed draws."""
    night = draw_night(
        FIRE_WORLDS[world], seed, n, hours=HOURS, obeys=True, sleeps=True, stress=stress, save_every=TRUTH_EVERY,
        nature=nature,
    )  # fmt: skip
    rows = np.arange(night.steps)[:, None] / PER_MINUTE
    asleep = np.broadcast_to((rows >= BED) & (rows < RISE), (night.steps, n))
    night.people.habits = replace(night.people.habits, asleep=asleep)
    return night


def lived(world: str, seed: int, n: int, caller: Nobody | AlarmClock | Oracle | FireModel | None, marks: Marks = Marks.ALL,
          stress: str | None = None, meat: str = "conduction", nature: Lanes | None = None) -> Iterator[WorldNight]:  # fmt: skip
    """n pits through one night. caller: who wakes, or the model with which the program does. nature: see `drawn`."""
    night = drawn(world, seed, n, stress, nature)
    meals = NightMeals(meat, night, seed)
    marking = draw_marking(seed, n, marks, stress)
    who: Caller = caller if isinstance(caller, CALLERS) else Watches(night, meals, marking, caller)
    calls: list[list[int]] = [[] for _ in range(n)]
    minute = 0
    while night.minute():
        minute += 1
        meals.minute(minute)
        called, wood = who.minute(night, meals, minute)
        called &= BED <= minute < RISE
        if called.any():
            night.call(called, wood)
            for woken in np.flatnonzero(called):
                calls[woken].append(minute)
    truths = _truths(night, meals, calls, who.hangs_again if isinstance(who, Watches) else {})
    for pit in range(n):
        yield _night_of(world, seed, night, meals, pit, calls[pit], who, truths[pit])


def _night_of(world: str, seed: int, night: Night, meals: NightMeals, pit: int, calls: list[int], caller: Caller,
              truth: NightTruth) -> WorldNight:  # fmt: skip
    low, high = truth.low, truth.high
    counts = np.repeat(_lies(night, meals, pit), PER_MINUTE)[BED * PER_MINUTE : RISE * PER_MINUTE]
    air = night.air[BED * PER_MINUTE : RISE * PER_MINUTE, pit][counts]
    awake = _awake(night, meals, pit, calls)
    asleep = np.diff(np.flatnonzero(np.concatenate(([True], awake[BED:RISE], [True])))) - 1
    opened: list[tuple[int, Notification]] = []
    if isinstance(caller, Watches):
        told = [(int(now // MINUTE), n) for now, n in caller.told[pit] if BED <= now / MINUTE < RISE]
        heard = [Wake(m, place_of(a)) for m, n in told for a in (n.alarm, *n.merged)]
        opened = [(m, n) for m, n in told if "phone" in n.audiences]
        verdict = judge(truth, heard)
        first = judge(truth, [Wake(m, place_of(n.alarm)) for m, n in opened])
        verdict = replace(verdict, false=first.false, leads=first.leads)
        calls = [m for m, _ in opened]
    else:
        # whoever comes without a word looks at pit and meat; for nothing is what neither needed
        both = {place: judge(truth, [Wake(m, place) for m in calls]) for place in (Place.PIT, Place.MEAT)}
        verdict = judge(truth, [Wake(m, place) for m in calls for place in both])
        for_pit, for_meat = ({w.minute for w in part.false} for part in both.values())
        verdict = replace(verdict, false=tuple(Wake(m, Place.PIT) for m in sorted(for_pit & for_meat)))
    woken = [m for i, m in enumerate(calls) if not _awake(night, meals, pit, calls[:i])[m]]
    run = longest = 0
    for cold in (air < low - LOST_BELOW).tolist():
        run = run + 1 if cold else 0
        longest = max(longest, run)
    return WorldNight(
        world, meals.world, seed, pit, tuple(calls), len(woken),
        float(((air >= low) & (air <= high)).mean()) if air.size else nan, float(asleep.max() / 60.0),
        longest >= LOST_FOR * PER_MINUTE, tuple(in_english(n.text) for _, n in opened),
        tuple(n.alarm.partition("/")[0] for _, n in opened), verdict,
        tuple(float(truth.exit_if_left[m]) for m in calls),
    )  # fmt: skip


def _lies(night: Night, meals: NightMeals, pit: int) -> Flags:
    """(minutes,) there is meat on the fire."""
    minutes = int(HOURS * 60)
    lies: Flags = np.any([meals.on_fire(piece, minutes) for piece in meals.of(pit)], axis=0)
    return lies


def _awake(night: Night, meals: NightMeals, pit: int, calls: list[int]) -> Flags:
    """(minutes,): from each call until the cook lies down again; who waits for his meat stays up."""
    awake: Flags = meals.stayed[1 : int(HOURS * 60) + 1, pit].copy()
    for call in calls:
        awake[call + ANSWERS_AFTER : call + int(night.people.habits.delay[pit]) + STAYS_UP] = True
    return awake


def _truths(
    night: Night, meals: NightMeals, calls: list[list[int]], hung: dict[int, tuple[float, float]]
) -> list[NightTruth]:
    """What the night's oracle is told of each pit: as the pit's probes stand, without their noise. hung: see `Watches`."""
    truth = unfed(night, cap=TRUTH_CAP)
    minutes = int(HOURS * 60)
    at = np.arange(1, minutes + 1)
    row = np.maximum(np.searchsorted(truth.minute, at, side="right") - 1, 0)
    found = []
    for pit in range(night.pits):
        count = int(night.probes.count[pit])
        left = np.exp(np.log(truth.seen[:count, :, pit] + 3.0).mean(axis=0)) - 3.0
        astray = night.probes.values["from"][:count, pit] / PER_MINUTE
        # a probe that hangs elsewhere says nothing of the pit: then the air itself counts
        left = np.where(truth.minute >= astray.min(), truth.air[:, pit], left)
        exits = np.maximum(left[row] - (at - truth.minute[row]), 0.0)
        seen = night.seen[:count, :, pit].mean(axis=0).reshape(-1, PER_MINUTE).mean(axis=1)
        air = night.air[:, pit].reshape(-1, PER_MINUTE).mean(axis=1)
        shown = night.shown[:count, :, pit].reshape(count, -1, PER_MINUTE)
        # a probe that was moved or shaded still tells of the fire; one that fell tells nothing
        fell = np.where(night.probes.values["mishap"][:count, pit] == Mishap.FELL, astray, np.inf)
        reads = ~np.isnan(shown).all(axis=2) & (at[None, :] < fell[:, None])
        down = hung.get(pit, (np.inf, np.inf))
        lies = (at >= down[0]) & (at < down[1] + 1)
        reads &= ~lies[None, :]
        # who was told that his only probe fell watches by himself
        watched: npt.NDArray[np.bool_] = _lies(night, meals, pit) & (at < fell.max() + TOLD_WITHIN)
        lid: npt.NDArray[np.bool_] = night.lid[:, pit].reshape(-1, PER_MINUTE).max(axis=1) > 0
        nothing = np.zeros(minutes, bool)
        in_bed: npt.NDArray[np.bool_] = (at >= BED) & (at < RISE) & ~_awake(night, meals, pit, calls[pit])
        band = Band(float(night.nature["low"][pit]), float(night.nature["high"][pit]))
        found.append(
            NightTruth(
                band.low, band.high, np.where((at < astray.min()) & ~lies, seen, air),
                np.where(exits >= TRUTH_CAP - TRUTH_EVERY, np.inf, exits), in_bed, watched,
                np.asarray(reads.any(axis=0)), lid, np.zeros(minutes), np.full(minutes, np.inf), nothing, nothing,
                others=tuple(_piece_truth(meals, piece, minutes) for piece in meals.of(pit)),
            )
        )  # fmt: skip
    return found


def _piece_truth(meals: NightMeals, piece: int, minutes: int) -> PieceTruth:
    a_minute = np.array([meals.shown(piece, (m + 1) * PER_MINUTE - 1) for m in range(minutes)])
    padded = np.pad(a_minute, (SEEN_OVER - 1, 0), mode="edge")
    seen = np.median(np.lib.stride_tricks.sliding_window_view(padded, SEEN_OVER), axis=1)
    return PieceTruth(meals.core(piece), meals.on_fire(piece, minutes), meals.tender(piece), seen)


def _settings(night: Night, meals: NightMeals, pit: int, model: FireModel | None) -> WatchSettings:
    """A rig with the cook's pit probes and one in each piece; all hours may be slept in, so that every call is heard."""
    channels = [ChannelSettings(c, c, Role.PIT, stale_after=40.0) for c in CHANNELS[: int(night.probes.count[pit])]]
    channels += [piece_channel(meals, piece) for piece in meals.of(pit)]
    pieces = tuple(piece_settings(meals, piece) for piece in meals.of(pit))
    band = Band(float(night.nature["low"][pit]), float(night.nature["high"][pit]))
    return WatchSettings(
        "pit", "Pit", tuple(channels), CookSettings("strange", "", band, pieces=pieces),
        AnnouncingSettings(QuietHours(0, 24 * 60 - 1, UTC), audiences=AUDIENCES), learned=Learned(fire=model),
    )  # fmt: skip
