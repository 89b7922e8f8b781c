"""A kept plan in a cook that runs: every step with its planned time, and the time it has or had as things stand.

The times move with the cook: a fire lit late delays the meat, meat put on late its wrap and its end, and forecasts take the
place of the plan as soon as there are any. Pure; engine times, s.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from daemon.core.events import PlanKept, PlannedStep
from daemon.core.forecast.plan import chance_by
from daemon.core.orders import KeepPlan
from daemon.core.outlook import Goal, Interval
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitPhase, PitStage
from daemon.core.planned import KeptPlan, PlannedPiece, StepKind, wait_in_hold
from daemon.core.settings import CookSettings

HOLD_WORTH: Final = 3600.0
"""s of waiting for the guests from which a hold is planned."""
OUT_AT_MOST: Final = 2 * 3600.0
"""s that leftovers may stand at room temperature: the two-hour rule of USDA's home guidance (1 h above 90 °F), from memory."""
CHILL_AFTER: Final = OUT_AT_MOST - 30 * 60.0
"""s after serving at which what is left is chilled: to cut it up and put it away takes time. Common practice, no source."""
PREPARE_AHEAD: Final = 30 * 60.0
"""s before it goes on in which a piece is seasoned and its probe set; common practice, no source."""
NEWS: Final = 15 * 60.0
"""s: whoever names a piece so shortly before its hour is at the pit. Ours, no source."""

NO_FIRE: Final = frozenset({PitPhase.UNLIT, PitPhase.COOLING, PitPhase.OUT})
TAKES_MEAT: Final = frozenset({PitPhase.IN_BAND, PitPhase.FALLING, PitPhase.LOW, PitPhase.HIGH})
"""Stages of a pit that has been in its band and may be given meat."""
NOTED: Final = {
    PiecePhase.TENDER_RANGE: StepKind.PROBE,
    PiecePhase.HOLD: StepKind.HOLD,
    PiecePhase.CHILL: StepKind.CHILL,
    PiecePhase.DONE: StepKind.SERVE,
}
"""Stages that answer a step, by which nothing else remembers when it was done."""

Home = Mapping[str, str]
"""Piece -> the pit that it is on, or is to go on."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step. piece: id, None for the pit. planned: as agreed, moved with the serving time. at: when it was done, or will
    be as things stand. pit: whose fire is lit; "" the first, or the only one."""

    kind: StepKind
    piece: str | None
    planned: float
    at: Interval
    done: bool = False
    pit: str = ""


def at_once(time: float) -> Interval:
    """An instant without a spread."""
    return Interval(time, time, time)


def after(start: float, piece: PlannedPiece) -> Interval:
    """When a piece that goes on at `start` is off."""
    return Interval(start + piece.early, start + piece.likely, start + piece.late)


def end_of(watch: PieceWatch) -> Interval | None:
    """When it is foretold to be done on the fire."""
    return watch.outlook(Goal.TARGET if watch.settings.tender_low is None else Goal.TENDER)


def not_before(at: Interval, now: float) -> Interval:
    """What is still to be done lies ahead."""
    return Interval(max(at.p05, now), max(at.p50, now), max(at.p95, now))


class PlanWatch:
    """The kept plan of the running cook, once a minute brought up to date."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """No plan any more."""
        self.kept: KeptPlan | None = None
        self.kept_at: float | None = None
        self.lit_at: dict[str, float] = {}
        self.in_band_at: dict[str, float] = {}
        """By pit, "" the first: of the fires that burn, and of those among them that have been in their band."""
        self.steps: tuple[PlanStep, ...] = ()
        self._looked_up: tuple[tuple[PlanStep, ...], dict[tuple[StepKind, str | None, str], PlanStep]] = ((), {})
        self.chance: float | None = None
        self.ahead: float | None = None
        """s between the last piece being off, at the median, and when it has to be; negative = behind."""
        self._done: dict[tuple[StepKind, str], float] = {}
        self._known: dict[str, float] = {}
        """When each piece was first heard of."""

    def keep(self, item: KeepPlan, now: float, home: Home) -> PlanKept:
        """Agree to another plan, or to none. What was done under the old one stays done."""
        self.kept, self.kept_at = item.plan, None if item.plan is None else now
        if item.plan is None:
            self.steps, self.chance, self.ahead = (), None, None
        steps = () if item.plan is None else tuple(planned_steps(item.plan, home))
        chance, wake = (0.0, False) if item.plan is None else (item.plan.chance, item.plan.wake)
        return PlanKept(now, steps, chance, wake, item.by)

    def lit(self, done: float, pit: str = "") -> None:
        """The cook says when the fire was lit, and knows better than what was noticed."""
        self.lit_at[pit] = done

    def take_back_fire(self, pit: str = "") -> None:
        """It was not lit when that was said: what is seen of the fire counts anew."""
        self.lit_at.pop(pit, None)
        self.in_band_at.pop(pit, None)

    def take_back(self, piece: str, done: float) -> None:
        """What was noted of a piece since a mark that is taken back is noted anew."""
        self._done = {(kind, of): at for (kind, of), at in self._done.items() if of != piece or at < done}

    def step(self, kind: StepKind, piece: str | None = None, pit: str = "") -> PlanStep | None:
        """As of the last minute; None: the plan has none, or there is no plan. pit: whose fire is to be lit."""
        if self._looked_up[0] is not self.steps:  # every scan asks, and steps are made once a minute
            self._looked_up = self.steps, {(s.kind, s.piece, s.pit): s for s in reversed(self.steps)}
        return self._looked_up[1].get((kind, piece, pit))

    def is_news(self, step: PlanStep) -> bool:
        """Its hour was already there when its piece was named: whoever named it knows, and needs no alarm clock."""
        known = None if step.piece is None else self._known.get(step.piece)
        return known is not None and step.planned <= known + NEWS

    def rings_at(self, before: float) -> float | None:
        """When the plan's alarm clock rings next, `before` s ahead of its hour; None: it was not agreed to be one, or nothing of
        it is left."""
        if self.kept is None or not self.kept.wake:
            return None
        ring = (StepKind.LIGHT, StepKind.PUT_ON)
        hours = [s.at.p50 for s in self.steps if s.kind in ring and not s.done and not self.is_news(s)]
        return min(hours) - before if hours else None

    def first_fire(self) -> PlanStep | None:
        """The fire that is lit first of those that the plan has yet to see; None once one burns."""
        lights = [s for s in self.steps if s.kind is StepKind.LIGHT]
        return None if any(s.done for s in lights) else min(lights, key=lambda s: s.at.p50, default=None)

    def minute(
        self, now: float, cook: CookSettings, pits: Mapping[str, PitStage], pieces: Mapping[str, PieceWatch]
    ) -> None:
        """Where the cook stands against the plan. What is done is noted without a plan, too: one may be kept later. pits: the
        first as ""."""
        for name, pit in pits.items():
            self._notice_fire(now, name, pit)
        self._known = {piece: self._known.get(piece, now) for piece in pieces}
        for piece, watch in pieces.items():
            kind = NOTED.get(watch.stage.stage)
            if kind is not None:
                self._done.setdefault((kind, piece), watch.stage.since)
        if self.kept is None:
            return
        self.steps = tuple(self._steps(self.kept, now, cook, pieces))
        offs = [s for s in self.steps if s.kind is StepKind.OFF and not s.done]
        ready_by = {s.piece: self._served_at(self.kept, cook, pieces, s.piece) - cook.rest for s in offs}
        self.ahead = min((ready_by[s.piece] - s.at.p50 for s in offs), default=None)
        self.chance = None
        if offs:
            self.chance = 1.0
            for off in offs:
                self.chance *= chance_by(off.at, ready_by[off.piece])

    def _notice_fire(self, now: float, name: str, pit: PitStage) -> None:
        if pit.stage in NO_FIRE:
            self.take_back_fire(name)
            return
        self.lit_at.setdefault(name, min(pit.since, now))
        if pit.stage in TAKES_MEAT:
            self.in_band_at.setdefault(name, min(pit.since, now))

    def _serve_at(self, kept: KeptPlan, cook: CookSettings) -> float:
        return kept.serve_at if cook.serve_at is None else cook.serve_at

    def _served_at(
        self, kept: KeptPlan, cook: CookSettings, pieces: Mapping[str, PieceWatch], piece: str | None
    ) -> float:
        """When a piece is served: at its own time, or with the rest."""
        watch = None if piece is None else pieces.get(piece)
        own = None if watch is None else watch.settings.serve_at
        return self._serve_at(kept, cook) if own is None else own

    def _ready_at(self, pit: str, light: float, kept: KeptPlan, now: float) -> float:
        """When the pit takes meat."""
        if pit in self.in_band_at:
            return self.in_band_at[pit]
        return max(self.lit_at.get(pit, max(light, now)) + kept.heat_up, now)

    def _steps(
        self, kept: KeptPlan, now: float, cook: CookSettings, pieces: Mapping[str, PieceWatch]
    ) -> Iterator[PlanStep]:
        known = [(planned, pieces[planned.piece]) for planned in kept.pieces if planned.piece in pieces]
        moved = {
            planned.piece: self._served_at(kept, cook, pieces, planned.piece)
            - (kept.serve_at if planned.serve_at is None else planned.serve_at)
            for planned, _ in known
        }
        begun = {watch.settings.pit for _, watch in known if watch.stage.on_at is not None}
        lights = dict(lights_of(kept, home_of(pieces), moved))
        ready = {pit: max(self._ready_at(pit, light, kept, now), now) for pit, light in lights.items()}
        for pit, light in lights.items():
            if pit in self.lit_at:
                yield PlanStep(StepKind.LIGHT, None, light, at_once(self.lit_at[pit]), done=True, pit=pit)
            elif pit not in begun and known:
                yield PlanStep(StepKind.LIGHT, None, light, at_once(max(light, now)), pit=pit)
        last: dict[str | None, float] = {}
        served: dict[str | None, list[float | None]] = {}
        """Both by the piece that is served at a time of its own; None: all others."""
        for planned, watch in known:
            alone = None if watch.settings.serve_at is None else planned.piece
            at, pit = self._served_at(kept, cook, pieces, planned.piece), watch.settings.pit
            for step in self._piece_steps(planned, watch, moved[planned.piece], ready[pit], now, at, cook.rest):
                if step.kind is StepKind.OFF:
                    last[alone] = max(last.get(alone, at), step.at.p50 + cook.rest)
                yield step
            served.setdefault(alone, []).append(self._done.get((StepKind.SERVE, planned.piece)))
        for alone, times in served.items():
            when = [time for time in times if time is not None]
            done = len(when) == len(times)
            at = max(when) if done else max(last[alone], now)
            yield PlanStep(StepKind.SERVE, alone, self._served_at(kept, cook, pieces, alone), at_once(at), done)

    def _piece_steps(
        self,
        planned: PlannedPiece,
        watch: PieceWatch,
        moved: float,
        ready: float,
        now: float,
        serve: float,
        rest: float,
    ) -> Iterator[PlanStep]:
        """Those of one piece, in their order. ready: when the pit can take it."""
        piece, stage, put = planned.piece, watch.stage, planned.put_on + moved
        on = stage.on_at if stage.on_at is not None else max(put, ready)
        waiting = stage.stage is PiecePhase.WAITING
        if waiting:
            yield PlanStep(StepKind.PREPARE, piece, put - PREPARE_AHEAD, at_once(max(on - PREPARE_AHEAD, now)))
        yield PlanStep(StepKind.PUT_ON, piece, put, at_once(on), not waiting)
        due, off_planned = after(on, planned), put + planned.likely
        if planned.wrap_after is not None and watch.settings.wrap is not None:
            yield from self._wrap(planned, watch, put, on, now)
        end = not_before(end_of(watch) or due, now)
        off = end if stage.off_at is None else at_once(stage.off_at)
        if watch.settings.tender_low is not None:
            probed = self._done.get((StepKind.PROBE, piece))
            at = at_once(probed) if probed is not None else off
            yield PlanStep(StepKind.PROBE, piece, off_planned, at, probed is not None or stage.off_at is not None)
        yield PlanStep(StepKind.OFF, piece, off_planned, off, stage.off_at is not None)
        yield from self._kept_steps(planned, watch, off_planned + rest, off.p50 + rest, serve, now)

    def _wrap(self, planned: PlannedPiece, watch: PieceWatch, put: float, on: float, now: float) -> Iterator[PlanStep]:
        """Its wrap, unless it left the fire without one."""
        assert planned.wrap_after is not None
        done = watch.stage.wrapped_at
        if done is not None:
            yield PlanStep(StepKind.WRAP, planned.piece, put + planned.wrap_after, at_once(done), done=True)
        elif watch.stage.off_at is None:
            at = watch.outlook(Goal.WRAP) or at_once(on + planned.wrap_after)
            yield PlanStep(StepKind.WRAP, planned.piece, put + planned.wrap_after, not_before(at, now))

    def _kept_steps(
        self, planned: PlannedPiece, watch: PieceWatch, hold: float, rested: float, serve: float, now: float
    ) -> Iterator[PlanStep]:
        """After the fire: the hold where the guests are far, and the chilling of what is left."""
        piece, gone = planned.piece, watch.stage.stage is PiecePhase.DONE
        held = self._done.get((StepKind.HOLD, piece))
        if held is not None:
            yield PlanStep(StepKind.HOLD, piece, hold, at_once(held), done=True)
        elif wait_in_hold(rested, 0.0, serve) >= HOLD_WORTH and not gone:
            yield PlanStep(StepKind.HOLD, piece, hold, at_once(max(rested, now)))
        served, chilled = self._done.get((StepKind.SERVE, piece)), self._done.get((StepKind.CHILL, piece))
        by = (serve if served is None else served) + CHILL_AFTER
        yield PlanStep(
            StepKind.CHILL, piece, serve + CHILL_AFTER, at_once(by if chilled is None else chilled), chilled is not None
        )

    def dump(self) -> dict[str, Any]:
        """As JSON-able values; the steps are made anew in the next minute."""
        return {
            "kept": None if self.kept is None else asdict(self.kept),
            "kept_at": self.kept_at,
            "lit_at": self.lit_at.get(""),
            "in_band_at": self.in_band_at.get(""),
            **({"fires": others} if (others := self._other_fires()) else {}),
            "chance": self.chance,
            "ahead": self.ahead,
            "steps": [
                [s.kind, s.piece, s.planned, s.at.p05, s.at.p50, s.at.p95, s.done, *([s.pit] if s.pit else [])]
                for s in self.steps
            ],
            "known": dict(self._known),
            "done": [[kind, piece, time] for (kind, piece), time in self._done.items()],
        }

    def _other_fires(self) -> dict[str, list[float | None]]:
        """Of the pits beside the first."""
        return {pit: [at, self.in_band_at.get(pit)] for pit, at in self.lit_at.items() if pit}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self.forget()
        if not dumped:
            return
        kept = dumped["kept"]
        if kept is not None:
            self.kept = KeptPlan(**{**kept, "pieces": tuple(PlannedPiece(**piece) for piece in kept["pieces"])})
        self.kept_at = dumped["kept_at"]
        fires = {"": [dumped["lit_at"], dumped["in_band_at"]]} | dumped.get("fires", {})
        self.lit_at = {pit: lit for pit, (lit, _) in fires.items() if lit is not None}
        self.in_band_at = {pit: in_band for pit, (_, in_band) in fires.items() if in_band is not None}
        self.chance, self.ahead = dumped["chance"], dumped["ahead"]
        self.steps = tuple(
            PlanStep(StepKind(kind), piece, planned, Interval(p05, p50, p95), done, *pit)
            for kind, piece, planned, p05, p50, p95, done, *pit in dumped["steps"]
        )
        self._known = dict(dumped.get("known", {}))  # not in the checkpoints of earlier versions
        self._done = {(StepKind(kind), piece): time for kind, piece, time in dumped["done"]}


def home_of(pieces: Mapping[str, PieceWatch]) -> Home:
    return {id_: watch.settings.pit for id_, watch in pieces.items()}


def lights_of(plan: KeptPlan, home: Home, moved: Mapping[str, float] | None = None) -> list[tuple[str, float]]:
    """(pit, when its fire is lit), the earliest first: where the planned pieces are on several pits, each is lit for the first of
    its own. A piece that has no home is not cooked any more. moved: s by which the serving time of each piece has moved."""
    moved = moved or {}
    first: dict[str, float] = {}
    before: dict[str, float] = {}
    for piece in plan.pieces:
        if piece.piece in home:
            pit, on = home[piece.piece], piece.put_on + moved.get(piece.piece, 0.0)
            first[pit] = min(on, first.get(pit, on))
            before[pit] = min(piece.put_on, before.get(pit, piece.put_on))
    if len(first) == 1:
        alike = set(moved.values())
        return [(pit, plan.light + (alike.pop() if len(alike) == 1 else first[pit] - before[pit])) for pit in first]
    return sorted(((pit, on - plan.heat_up) for pit, on in first.items()), key=lambda one: one[1])


def planned_steps(plan: KeptPlan, home: Home) -> Iterator[PlannedStep]:
    """As agreed, for the record."""
    for pit, light in lights_of(plan, home):
        yield PlannedStep(StepKind.LIGHT, None, light, pit)
    for piece in plan.pieces:
        yield PlannedStep(StepKind.PUT_ON, piece.piece, piece.put_on)
        if piece.wrap_after is not None:
            yield PlannedStep(StepKind.WRAP, piece.piece, piece.put_on + piece.wrap_after)
        off = piece.put_on + piece.likely
        yield PlannedStep(StepKind.OFF, piece.piece, off)
        serve_at = plan.serve_at if piece.serve_at is None else piece.serve_at
        if wait_in_hold(off, plan.rest, serve_at) >= HOLD_WORTH:
            yield PlannedStep(StepKind.HOLD, piece.piece, off + plan.rest)
        if piece.serve_at is not None:
            yield PlannedStep(StepKind.SERVE, piece.piece, piece.serve_at)
    if any(piece.serve_at is None for piece in plan.pieces):
        yield PlannedStep(StepKind.SERVE, None, plan.serve_at)
