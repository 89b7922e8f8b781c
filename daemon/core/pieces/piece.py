"""One piece of meat under watch: its stage, stall, safety record and newest forecast, kept together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict, dataclass
from itertools import pairwise
from math import isnan, nan
from types import MappingProxyType
from typing import Any, TypeVar

from daemon.core.events import StageChanged, StallChanged
from daemon.core.food_safety.cabinet_air import CabinetAir
from daemon.core.food_safety.record import SafetyRecord
from daemon.core.forecast.eligibility import SLID_OUT, SUSPECT
from daemon.core.forecast_request import CoreSpot, ForecastRequest, WrapDone
from daemon.core.inputs import ForecastArrived
from daemon.core.orders import Mark, MarkKind, SpotReading
from daemon.core.outlook import FanPoint, Goal, Interval, Outlook
from daemon.core.pieces.seat import MOVING_AT_MOST, SETTLES_IN, last_seat, seats, settled, slope_of_one_seat
from daemon.core.pieces.stage import HEATS_QUESTION, ON_THE_PIT, PiecePhase, PieceSigns, PieceStage, is_question
from daemon.core.pieces.stall import StallWatch
from daemon.core.pieces.unread import Unread
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.said import Text, plain, said
from daemon.core.settings import Band, HoldSettings, PieceSettings, Wrap

RESTING = frozenset({PiecePhase.OFF, PiecePhase.REST})
KEPT = frozenset({PiecePhase.REST, PiecePhase.HOLD})
NONE_STUCK: Mapping[str, float] = MappingProxyType({})
SLOPE_MINUTES = 10
FORECAST_LASTS = 45 * MINUTE
"""s after which a forecast that no newer one has replaced is forgotten: three were asked for since. Ours, no source."""
SPOT_STANDS = 10 * MINUTE
"""s for which a spot reading tells where a core is that no probe is in. Ours, no source."""
SPOTS_KEPT = 50
TOLD_KEPT = 12
"""Forecasts kept: two hours of them."""
STOOD, NEAR = 30 * MINUTE, 45 * MINUTE
"""s for which a core has stood still, and s before its goal from which no core stops within minutes: the heat that is under way
takes longer to its middle, and a stall comes on slowly. Ours, no source."""
LEAVES_THE_FIRE = (Goal.TENDER, Goal.TARGET)
"""What a piece leaves the fire at; a wrap is due in the stall itself."""


Owner = TypeVar("Owner")


def _spans(owners: list[tuple[int, Owner]], first: int, last: int) -> Iterator[tuple[Owner, int, int]]:
    """(owner, first minute, last minute) of each in turn: the first has been it ever since, and the newest still is. Of one whose
    time lies outside, the last minute comes before the first."""
    starts = [first, *(start for start, _ in owners[1:])]
    ends = [*(start - 1 for start in starts[1:]), last]
    for (_, owner), start, end in zip(owners, starts, ends, strict=True):
        yield owner, max(first, start), min(last, end)


@dataclass(frozen=True, slots=True)
class Circumstances:
    """What a forecast must know beside the piece. pit: control value of the engine minutes from first to last, °C, NaN where
    unknown. ambient, hold_cabinet: °C, None = not measured. rest: planned s between off and hold. suspect: why the piece's
    probe is not to be trusted, or empty."""

    first: int
    last: int
    pit: tuple[float, ...]
    band: Band
    boiling_point: float
    ambient: float | None = None
    hold_cabinet: float | None = None
    rest: float = 3600.0
    suspect: Text = ""


class PieceWatch:
    """Everything the engine keeps for one piece."""

    def __init__(self, piece: PieceSettings, hold: HoldSettings, tolerance: float, air_tolerance: float = 0.0) -> None:
        """tolerance, air_tolerance: ± °C of its own probe and of the cabinet's channel."""
        self.settings = piece
        self.stage = PieceStage(piece)
        self.stall = StallWatch()
        self.safety = SafetyRecord(piece, hold, tolerance)
        self.air = CabinetAir(abs(air_tolerance))
        self._core_unread, self._air_unread = Unread(), Unread()
        """Of its own probe, and of the cabinet's channel while it is in the hold."""
        self.outlooks: tuple[Outlook, ...] = ()
        self._looked_up: tuple[tuple[Outlook, ...], dict[tuple[Goal, str], Interval | None]] = ((), {})
        self.fan: tuple[FanPoint, ...] = ()
        self.forecast_at: float | None = None
        self._told: list[tuple[float, dict[Goal, Interval]]] = []
        """(engine time at which it was asked for, what it foretold as planned) of the last forecasts that were made while its
        probe was believed, oldest first: what nobody reads any more comes all the same."""
        self.wrap_material = ""
        self.asked_wrap: float | None = None
        """Core °C of the cook's own "if wrapped at"."""
        self.rate: float | None = None
        """°C per hour over the last ten minutes."""
        self.spots: list[SpotReading] = []
        """Taken by hand, oldest first; `at` is set."""
        self.first_seen: int | None = None
        """The engine minute from which on it was watched, None before."""
        self._before: dict[str, Any] | None = None
        """What it was then, where it comes from a checkpoint that does not hold what was said of it."""
        self.settling = False
        """Its probe has just been seated anew: what it reads is not yet the core's."""
        self._moving_for = 0
        """Minutes for which it has been settling."""
        self._probes: list[tuple[int, str | None]] = [(0, piece.channel)]
        """(first minute, channel) of every probe it was read by, oldest first; None: by none."""
        self._left: tuple[float, float] | None = None
        """(engine time, °C) of what its probe read last before it was taken out."""
        self._pits: list[tuple[int, str]] = [(0, piece.pit)]
        """(first minute, pit) of every pit it was cooked on, oldest first."""
        self._places: list[tuple[int, str | None]] = [(0, piece.place)]
        """(first minute, place on the grate) of everywhere it has lain, oldest first; None: nobody said."""

    @property
    def question(self) -> Text:
        """What the cook has not yet answered about its stage, or ""."""
        return self.stage.question

    @property
    def followed(self) -> bool:
        """A probe of its own follows it."""
        return self.settings.channel is not None

    @property
    def cabinet(self) -> str | None:
        """The channel of the air that stands for its core: that of the hold, for a piece held where no probe of its own tells."""
        return self.safety.hold.channel if self._held_unprobed else None

    @property
    def unseen_since(self) -> float | None:
        """Engine time from which on it is held where no probe of its own tells and nothing stands for its core: nobody sees it go
        cold. None: somebody sees it, or it is not held."""
        if not self._held_unprobed or (self.cabinet is not None and not self._air_unread.gone):
            return None
        gone = [unread.since for unread in (self._core_unread, self._air_unread) if unread.since is not None]
        return max([self.stage.since, *gone])

    @property
    def lost_core(self) -> tuple[float, float] | None:
        """(engine time, °C) of what a probe that gives nothing to believe any more read last."""
        lost = self._core_unread
        return (lost.since, lost.value) if lost.gone and lost.since is not None and lost.value is not None else None

    @property
    def _held_unprobed(self) -> bool:
        """It is in the hold, and it has no probe of its own or one that gives nothing to believe."""
        return self.stage.stage is PiecePhase.HOLD and (not self.followed or self._core_unread.gone)

    def spot_now(self, now: float) -> float | None:
        """°C of a spot reading that still tells where the core is."""
        newest = self.spots[-1] if self.spots else None
        return None if newest is None or now - (newest.at or 0.0) > SPOT_STANDS else newest.celsius

    def done_at(self, kind: MarkKind, done: float) -> float:
        """Engine time at which a mark of `done` counts: nothing is done to meat before it goes on, and only the mark that it went
        on can say that this was sooner than seen."""
        on_at = self.stage.on_at
        sooner = kind is MarkKind.MEAT_ON and self.stage.stage in ON_THE_PIT
        return done if on_at is None or sooner else max(done, on_at)

    def read_last(self) -> tuple[float, float] | None:
        """(engine time, °C) of the newest reading of a core that no probe follows: by hand, or by the probe that it had before;
        None without any."""
        spot = (self.spots[-1].at or 0.0, self.spots[-1].celsius) if self.spots else None
        return max((one for one in (spot, self._left) if one is not None), default=None)

    @property
    def on_fire(self) -> bool:
        return self.stage.stage in ON_THE_PIT

    @property
    def needs_fire(self) -> bool:
        """It is on the fire, or said to be off while its core contradicts: until that is answered nothing is held back for it.
        Who has marked it in a hold, chilled or served has said twice that it is off."""
        return self.on_fire or (self.stage.stage in RESTING and is_question(self.stage.question, HEATS_QUESTION))

    def minute(
        self, now: float, trace: Trace, minute: int, pit: float, band: Band, stuck: Mapping[str, float] = NONE_STUCK
    ) -> list[StageChanged | StallChanged]:
        """One closed minute. stuck: engine time since which a channel stands still that is found to be stuck. Events in the
        order they came about."""
        self.first_seen = minute if self.first_seen is None else self.first_seen
        if self.forecast_at is not None and now - self.forecast_at > FORECAST_LASTS:
            self.outlooks, self.fan, self.forecast_at = (), (), None
        read, slope = self._seat(trace, minute)
        self.rate = None if isnan(slope) else slope * 60.0
        core = nan if self.settling else read
        lately_moved = len(self._probes) > 1 and minute - self._probes[-1][0] <= MOVING_AT_MOST
        seen = core if lately_moved else read  # a jump that nobody told of is asked about
        events: list[StageChanged | StallChanged] = []
        if self.on_fire and self.stall.minute(now, core, pit, band, self.stage.wrapped_at is not None):
            events.append(StallChanged(now, self.settings.id, self.stall.stalled, round(self.stall.probability, 3)))
        in_band = band.low <= pit <= band.high
        events += self.stage.minute(now, PieceSigns(seen, slope, pit, self.stall.stalled, in_band))
        still = stuck.get(self._probes[-1][1] or "", now)
        believed = still == now and not self.slid_out
        self.safety.minute(now, core if believed else nan, self.stage.stage, now - still)
        if self.followed:
            self._core_unread.minute(now, read, still)
        self._mind_air(now, trace, minute, stuck)
        return events

    def _mind_air(self, now: float, trace: Trace, minute: int, stuck: Mapping[str, float]) -> None:
        """One closed minute of the cabinet's air."""
        channel = self.safety.hold.channel
        if channel is None or self.stage.stage is not PiecePhase.HOLD:
            self._air_unread = Unread()
            self.air.taken_out()
            return
        still = stuck.get(channel, now)
        air = trace.since(channel, minute, minute)[0] if still == now else nan
        self._air_unread.minute(now, air, still)
        self.air.watch(now, air, self.safety.floor())
        if self.cabinet is None:
            self.air.leave()
        else:
            self.air.minute(now, air, self.safety.floor(), now - still)

    def _seat(self, trace: Trace, minute: int) -> tuple[float, float]:
        """What its probe read in this minute, °C, and the slope of the minutes since it was seated, °C/min. What was seen before
        a move is no evidence afterwards."""
        first = minute - SLOPE_MINUTES + 1
        recent = self.cores(trace, first, minute)
        if last_seat(recent) == SLOPE_MINUTES - 1:
            self._find_move(minute)
            self._begin_seat(told=self._probes[-1][0] == minute)
        told = self.told(first, minute)
        if SLOPE_MINUTES - 1 in told:
            self._begin_seat(told=True)
        seat = last_seat(recent, told)
        moving = seat is not None and minute - (first + seat) < SETTLES_IN
        self._moving_for = self._moving_for + 1 if moving else 0
        self.settling = moving and self._moving_for <= MOVING_AT_MOST
        return recent[-1], slope_of_one_seat(recent, told)

    def _begin_seat(self, told: bool) -> None:
        """What was read before is no evidence of how the core moves from now on. told: another probe, or another piece."""
        self.stall.restart()
        if told:
            self.stage.probe_moved()
        else:
            self.stage.reseated()

    def told(self, first: int, last: int) -> list[int]:
        """Places, counted from minute `first`, at which another probe took over."""
        return [start - first for start, channel in self._probes[1:] if channel is not None and first <= start <= last]

    def _find_move(self, minute: int) -> None:
        """A move that was said before it was done: until this minute the probe was not in this piece."""
        start, channel = self._probes[-1]
        if len(self._probes) > 1 and channel is not None and start < minute <= start + MOVING_AT_MOST:
            self._probes[-1:] = [(start, None), (minute, channel)]

    def miss_minute(self, now: float, band: Band) -> None:
        """A minute that nobody watched."""
        if self.on_fire:
            self.stall.minute(now, nan, nan, band, self.stage.wrapped_at is not None)

    def mark(self, mark: Mark, now: float) -> list[StageChanged]:
        if mark.kind is MarkKind.WRAPPED:
            planned = self.settings.wrap.value if self.settings.wrap else "foil"
            self.wrap_material = mark.note if mark.note in set(Wrap) else planned
        return self.stage.mark(mark, now)

    def spot(self, reading: SpotReading, now: float, trace: Trace) -> list[StageChanged]:
        """A core temperature taken by hand; `reading.at` is set. It may move the stage where no probe does, and a question is
        asked where the piece's own probe says otherwise."""
        at = now if reading.at is None else reading.at
        minute = int(at // MINUTE)
        beside = next((c for c in reversed(self.cores(trace, minute - 2, minute)) if not isnan(c)), nan)
        self.spots = sorted([*self.spots, reading], key=lambda one: one.at or 0.0)[-SPOTS_KEPT:]
        self._read_by_hand()
        self.safety.spot(at, reading.celsius, reading.tolerance, beside)
        return self.stage.spot(now, reading.celsius, beside, reading.tolerance + self.safety.tolerance)

    def _read_by_hand(self) -> None:
        """What reads a piece without a probe is what was held into it last."""
        if not self.followed and self.spots:
            self.safety.tolerance = self.spots[-1].tolerance

    def begin_like(self, other: PieceWatch) -> None:
        """Take over where `other` began, and which probes read it."""
        if other._before is not None:
            self.load(other._before)
        self._before, self.first_seen, self._probes = other._before, other.first_seen, list(other._probes)
        self._left = other._left
        self._pits, self._places = list(other._pits), list(other._places)

    def take_forecast(self, item: ForecastArrived) -> None:
        """The newest, in place of the one before. While its probe is not believed it says nothing: what was told stands."""
        self.outlooks, self.fan, self.forecast_at = item.outlooks, item.fan, item.asked_at
        if not any(is_question(o.reason, SUSPECT) for o in item.outlooks):
            planned = {o.goal: o.at for o in item.outlooks if o.scenario == "planned" and o.at is not None}
            self._told = [*self._told, (item.asked_at, planned)][-TOLD_KEPT:]

    def told_before(self, at: float) -> tuple[float, dict[Goal, Interval]]:
        """Of its forecasts the newest that was asked for by then: a probe that stuck has foretold something else since."""
        return next((told for told in reversed(self._told) if told[0] <= at), (0.0, {}))

    def overdue(self, now: float) -> bool:
        """A forecast that was asked for half an hour ago or longer had it near its goal, and there by now."""
        goals = (
            (told[0], told[1].get(goal)) for told in self._told if told[0] <= now - STOOD for goal in LEAVES_THE_FIRE
        )
        return any(at is not None and at.p50 <= now and at.p50 - asked <= NEAR for asked, at in goals)

    def forecast_like(self, other: PieceWatch) -> None:
        """Take over what is foretold of `other`, until it is foretold anew."""
        self.outlooks, self.fan, self.forecast_at = other.outlooks, other.fan, other.forecast_at
        self._told = list(other._told)
        self.asked_wrap = other.asked_wrap

    def foretold_core(self, now: float) -> float | None:
        """°C that its newest forecast has for its core now, at the median; None without one."""
        for before, after in pairwise(self.fan):
            if before.time <= now <= after.time:
                return before.p50 + (now - before.time) / (after.time - before.time) * (after.p50 - before.p50)
        return None

    @property
    def slid_out(self) -> bool:
        """Its newest forecast is refused because the probe seems to have slid out of the meat."""
        return any(is_question(o.reason, SLID_OUT) for o in self.outlooks)

    def reason(self, goal: Goal) -> Text:
        """Why this goal is not foretold as planned, or ""."""
        return next((o.reason for o in self.outlooks if o.goal is goal and o.scenario == "planned"), "")

    def outlook(self, goal: Goal, scenario: str = "planned") -> Interval | None:
        if self._looked_up[0] is not self.outlooks:  # every scan asks, and a forecast comes every ten minutes
            self._looked_up = self.outlooks, {(o.goal, o.scenario): o.at for o in reversed(self.outlooks)}
        return self._looked_up[1].get((goal, scenario))

    def question_for_forecaster(self, now: float, trace: Trace, around: Circumstances) -> ForecastRequest | None:
        """What to ask, or None while there is nothing to forecast (not on, or done)."""
        stage = self.stage
        if stage.on_at is None or stage.stage in (PiecePhase.WAITING, PiecePhase.CHILL, PiecePhase.DONE):
            return None
        phase = "cook" if self.on_fire else "hold" if stage.stage is PiecePhase.HOLD else "rest"
        wrapped = None if stage.wrapped_at is None else WrapDone(stage.wrapped_at, self.wrap_material or "foil")
        core, seated = self._seated(trace, around.first, around.last)
        return ForecastRequest(
            piece=self.settings,
            asked_at=now,
            on_at=stage.on_at,
            phase=phase,
            band=around.band,
            boiling_point=around.boiling_point,
            minutes=tuple(range(around.first, around.last + 1)),
            pit=around.pit,
            core=tuple(core),
            seated=tuple(minute * MINUTE for minute in seated),
            wrapped=wrapped,
            spots=tuple(CoreSpot(s.at or 0.0, s.celsius, s.tolerance / 2) for s in self.spots),
            asked_wrap=self.asked_wrap,
            off_at=stage.off_at,
            ambient=around.ambient,
            hold_cabinet=around.hold_cabinet,
            hold_floor=self.safety.floor(once_lethal=self.on_fire),
            rest=around.rest,
            suspect=around.suspect,
        )

    def read_by(self, channel: str | None, minute: int, trace: Trace) -> None:
        """From this engine minute on its probe is another; earlier, where the readings show that it had been moved before that
        was said."""
        before = self._probes[-1]
        if before[1] == channel:
            return
        begun = max(minute - MOVING_AT_MOST, before[0] + 1)
        moves = [_moved_in(trace, one, begun, minute - 1) for one in (before[1], channel) if one is not None]
        read = self.cores(trace, begun, minute - 1)
        known = [(float(begun + place) * MINUTE, core) for place, core in enumerate(read) if not isnan(core)]
        self._left = known[-1] if known and channel is None else None
        self._probes.append((min([minute, *(move for move in moves if move is not None)]), channel))
        self.settling, self._moving_for = channel is not None, 0
        self.rate, self._core_unread = None, Unread()
        self._begin_seat(told=True)

    def cooked_on(self, pit: str, minute: int) -> None:
        """From this engine minute on its pit is another."""
        if self._pits[-1][1] != pit:
            self._pits.append((minute, pit))

    def laid(self, place: str | None, minute: int) -> None:
        """From this engine minute on it lies elsewhere on the grate."""
        if self._places[-1][1] != place:
            self._places.append((minute, place))

    def pits_are_called(self, renamed: Mapping[str, str]) -> None:
        """renamed: pit -> the id it has now."""
        self._pits = [(minute, renamed.get(pit, pit)) for minute, pit in self._pits]

    def along(self, first: int, last: int, of_pit: Callable[[str, int, int], list[float]]) -> list[float]:
        """A value of each engine minute from first to last, by whichever pit it was on then."""
        spans = _spans(self._pits, first, last)
        return [v for pit, begin, until in spans if begin <= until for v in of_pit(pit, begin, until)]

    def lain(self, first: int, last: int) -> Iterator[tuple[str | None, int, int]]:
        """(place, first minute, last minute) of where on the grate it lay from first to last, oldest first."""
        return (span for span in _spans(self._places, first, last) if span[1] <= span[2])

    def cores(self, trace: Trace, first: int, last: int) -> list[float]:
        """Its core in each engine minute from first to last, °C, NaN where unknown, by whichever probe it had then."""
        values: list[float] = []
        for channel, begin, until in _spans(self._probes, first, last):
            if channel is None:
                values += [nan] * max(0, until - begin + 1)
            else:
                values += trace.since(channel, begin, until)
        return values

    def _seated(self, trace: Trace, first: int, last: int) -> tuple[list[float], tuple[int, ...]]:
        """Its core as `cores` has it, but for the minutes in which the probe was on its way; and the minutes in which it was
        seated anew."""
        read, told = self.cores(trace, first, last), self.told(first, last)
        return settled(read, told), tuple(sorted({first + place for place in (*seats(read), *told)}))

    def first_minute(self) -> int | None:
        return None if self.stage.on_at is None else int(self.stage.on_at // MINUTE)

    def dump(self) -> dict[str, Any]:
        return {
            "stage": self.stage.dump(),
            "stall": self.stall.dump(),
            "safety": self.safety.dump(),
            "air": self.air.dump(),
            "outlooks": [
                [
                    o.goal,
                    o.scenario,
                    None if o.at is None else [o.at.p05, o.at.p50, o.at.p95],
                    plain(o.reason),
                    o.celsius,
                ]
                for o in self.outlooks
            ],
            "fan": [[p.time, p.p05, p.p50, p.p95] for p in self.fan],
            "forecast_at": self.forecast_at,
            "told": [
                [asked_at, {goal: [at.p05, at.p50, at.p95] for goal, at in told.items()}]
                for asked_at, told in self._told
            ],
            "wrap_material": self.wrap_material,
            "asked_wrap": self.asked_wrap,
            "rate": self.rate,
            "settling": [self.settling, self._moving_for],
            "probes": [list(probe) for probe in self._probes],
            "pits": [list(pit) for pit in self._pits],
            "places": [list(place) for place in self._places],
            "left": self._left,
            "unread": [asdict(self._core_unread), asdict(self._air_unread)],
            "spots": [asdict(spot) for spot in self.spots],
            "first_seen": self.first_seen,
            "before": self._before,
        }

    def load(self, dumped: dict[str, Any]) -> None:
        self.stage.load(dumped["stage"])
        self.stall.load(dumped["stall"])
        self.safety.load(dumped["safety"])
        if "air" in dumped:  # not in the checkpoints of earlier versions
            self.air.load(dumped["air"])
        self.outlooks = tuple(
            Outlook(Goal(goal), scenario, None if at is None else Interval(*at), said(reason), celsius)
            for goal, scenario, at, reason, celsius in dumped["outlooks"]
        )
        self.fan = tuple(FanPoint(*point) for point in dumped["fan"])
        self.forecast_at = dumped["forecast_at"]
        told = dumped.get("told", ())  # not in the checkpoints of earlier versions
        self._told = [(at, {Goal(goal): Interval(*one) for goal, one in planned.items()}) for at, planned in told]
        self.wrap_material, self.rate = dumped["wrap_material"], dumped["rate"]
        self.asked_wrap = dumped.get("asked_wrap")  # not in the checkpoints of earlier versions
        self.settling, self._moving_for = dumped.get("settling", (False, 0))
        self._probes = [(minute, channel) for minute, channel in dumped.get("probes", self._probes)]
        self._pits = [(minute, pit) for minute, pit in dumped.get("pits", self._pits)]
        self._places = [(minute, place) for minute, place in dumped.get("places", self._places)]
        left = dumped.get("left")
        self._left = None if left is None else (left[0], left[1])
        unread = dumped.get("unread", ({}, {}))  # not in the checkpoints of earlier versions
        self._core_unread, self._air_unread = (Unread(**one) for one in unread)
        self.spots = [SpotReading(**spot) for spot in dumped.get("spots", ())]
        self._read_by_hand()
        self.first_seen = dumped.get("first_seen")
        # a checkpoint of an earlier version does not hold what was said of the piece: it can be retold from here on only
        self._before = dumped.get("before", dumped)


def _moved_in(trace: Trace, channel: str, first: int, last: int) -> int | None:
    """The first engine minute from first to last in which this probe was seated anew."""
    found = seats(trace.since(channel, first - 1, last))
    return first - 1 + found[0] if found else None
