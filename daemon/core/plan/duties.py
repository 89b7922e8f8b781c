"""All that the cook has to do by hand besides feeding the fire, kept together for the engine."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Event, FireNoticed, FireSign
from daemon.core.orders import AddReminder, CountWood, KeepPlan, Mark, MarkKind, ReminderDone, RemoveReminder
from daemon.core.outlook import Interval
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitStage
from daemon.core.plan.grease import NOWHERE, GreaseWatch
from daemon.core.plan.reminders import Reminders
from daemon.core.plan.steps import PlanStep, PlanWatch, end_of, home_of
from daemon.core.plan.wood import KINDLING, WoodWatch
from daemon.core.planned import From, StepKind, wait_in_hold
from daemon.core.said import say
from daemon.core.settings import FIRST_PIT, CookSettings, HoldSettings

DutyOrder = KeepPlan | AddReminder | RemoveReminder | ReminderDone | CountWood
GREASE_TRAY: Final = "grease-tray"
REMINDER_RULES: Final = frozenset({"reminder", "reminder-night"})
MOST_REMINDERS: Final = 24
"""More than anybody follows: our bound."""
LEAST_EVERY: Final = 300.0
"""s: what is to be done more often is no reminder; our bound."""
MOST_SPLITS: Final = 2000
"""Splits: more is a slip; our bound."""
NOTHING_RENAMED: Final[Mapping[str, str]] = {}


@dataclass(frozen=True, slots=True)
class HoldWait:
    """How long a piece waits hot for the guests, s, as things stand; see `wait_in_hold`."""

    piece: str
    seconds: float


@dataclass(frozen=True, slots=True)
class PlanView:
    """The kept plan as it stands. steps: in the order of their times. chance of serving on time; ahead: s by which the last
    piece is off before it has to be, at the median, negative = behind; both None once everything is off. hold: where what
    waits for the guests waits, and under which rule; waits: how long, of each piece. guests: how many come. The rest as in
    `KeptPlan`."""

    serve_at: float
    light: float
    wake: bool
    kept_at: float
    steps: tuple[PlanStep, ...]
    chance: float | None
    ahead: float | None
    logs: int
    wood: float
    hold: HoldSettings = field(default_factory=HoldSettings)
    ambient: float | None = None
    wind: float = 0.0
    guests: int | None = None
    feeds: int | None = None
    raw: float | None = None
    waits: tuple[HoldWait, ...] = ()


@dataclass(frozen=True, slots=True)
class ReminderView:
    """due: engine time of the next, None = its stage has not come. is_due: it is to be done now."""

    id: str
    text: str
    piece: str | None
    every: float | None
    start: From | None
    until: From | None
    at_night: bool
    due: float | None
    is_due: bool
    done_at: float | None


@dataclass(frozen=True, slots=True)
class WoodView:
    """left: splits at hand, None = nobody counted. pace: s from one to the next. runs_out: engine time at which the last one
    has burnt. needed_until: when the last piece is off, with its spread, as far as that is known; all_known: of every piece that
    is to be cooked. short: it runs out before that, at the median."""

    kind: str
    left: int | None
    used: int
    pace: float
    runs_out: float | None
    needed_until: Interval | None
    short: bool
    all_known: bool = False


@dataclass(frozen=True, slots=True)
class GreaseView:
    """An estimate. kilograms of fat in the tray; share of what it holds, None without a tray."""

    kilograms: float
    share: float | None


class Duties:
    """Plan, reminders, wood and grease of the running cook."""

    def __init__(self) -> None:
        self.plan, self.reminders, self.wood = PlanWatch(), Reminders(), WoodWatch()
        self._trays = {"": GreaseWatch()}
        """By pit, as the core calls it; those that something has dripped into."""
        self.needed_until: Interval | None = None
        self.all_known = False
        """Of every piece that is to be cooked it is known until when it needs fire."""

    def begin(self, cook: CookSettings) -> None:
        """A new cook, or none."""
        self.plan.forget()
        self.reminders.begin(cook.reminders)
        self.wood.begin(cook.wood, None)
        self._trays = {"": GreaseWatch()}
        self.needed_until, self.all_known = None, False

    def change(self, before: CookSettings, cook: CookSettings) -> tuple[str, ...]:
        """The running cook is another. Returns ids of reminders that are gone."""
        if cook.wood.stock is not None and cook.wood.stock != before.wood.stock:
            self.wood.count(cook.wood.stock)
        return self.reminders.change(before.reminders, cook.reminders)

    def command(self, item: DutyOrder, now: float, pieces: Mapping[str, PieceWatch]) -> list[Event]:
        """What a person says."""
        match item:
            case KeepPlan():
                kept = self.plan.keep(item, now, home_of(pieces))
                self.wood.planned(None if item.plan is None else item.plan.log_interval)
                return [kept]
            case AddReminder(reminder=own):
                others = [one for one in self.reminders if one.settings.id != own.id]
                if len(others) >= MOST_REMINDERS:
                    return [CommandRefused(now, "add reminder", say("refused.reminders", most=MOST_REMINDERS))]
                if own.every is not None and not own.every >= LEAST_EVERY:
                    return [CommandRefused(now, "add reminder", say("refused.too-often"))]
                if own.start is None and own.at is None:
                    return [CommandRefused(now, "add reminder", say("refused.reminder-start"))]
                self.reminders.add(own)
                return []
            case RemoveReminder(reminder=id_):
                known = self.reminders.remove(id_)
                return (
                    [] if known else [CommandRefused(now, "remove reminder", say("refused.no-reminder", reminder=id_))]
                )
            case ReminderDone(reminder=id_):
                if id_.partition("/")[0] == GREASE_TRAY:
                    self.grease(id_.partition("/")[2]).emptied()
                elif not self.reminders.done(id_, now):
                    return [CommandRefused(now, "reminder done", say("refused.no-reminder", reminder=id_))]
                return []
            case CountWood(splits=splits):
                if not 0 <= splits <= MOST_SPLITS:
                    return [CommandRefused(now, "count wood", say("refused.splits", most=MOST_SPLITS))]
                self.wood.count(splits)
                return []

    def mark(self, mark: Mark, done: float) -> None:
        """Wood went into the fire of the pit that the mark names."""
        if mark.kind is MarkKind.LOG:
            self.wood.log(done)
        elif mark.kind is MarkKind.FIRE_LIT:
            self.wood.lit(done)
            self.plan.lit(done, mark.pit)

    def take_back(
        self, kind: MarkKind, done: float, last_log: float | None, pit: str, pieces: Mapping[str, PieceWatch]
    ) -> None:
        """No wood went into the fire of this pit at `done`. last_log: the newest of any fire."""
        if kind in (MarkKind.LOG, MarkKind.FIRE_LIT):
            self.wood.take_back(1 if kind is MarkKind.LOG else KINDLING, done, last_log)
        if kind is MarkKind.FIRE_LIT:
            self.plan.take_back_fire(pit)
            self.reminders.take_back([id_ for id_, watch in pieces.items() if watch.settings.pit == pit], done)

    def take_back_of_piece(self, piece: str, done: float) -> None:
        """Something said of a piece was wrong, and counts no more from when it was done."""
        self.plan.take_back(piece, done)
        self.reminders.take_back([piece], done)

    def changed(self, change: AlarmChanged) -> None:
        """Whoever acknowledges a reminder has done it."""
        if change.after is not AlarmState.ACKNOWLEDGED:
            return
        if change.rule in REMINDER_RULES:
            self.reminders.done(change.subject, change.time)
        elif change.rule == GREASE_TRAY:
            self.grease("" if change.subject == FIRST_PIT else change.subject).emptied()

    def grease(self, pit: str = "") -> GreaseWatch:
        """Over the tray of this pit, as the core calls it."""
        return self._trays.get(pit) or GreaseWatch(pit)

    def noticed(self, events: Iterable[Event]) -> None:
        """Logs that nobody marked."""
        for event in events:
            if isinstance(event, FireNoticed) and event.sign is FireSign.LOG_ADDED:
                self.wood.log(event.at)

    def minute(
        self,
        now: float,
        cook: CookSettings,
        pits: Mapping[str, PitStage],
        pieces: Mapping[str, PieceWatch],
        cores: Mapping[str, float],
    ) -> None:
        """Once a minute, after pits and pieces. cores: believed cores, °C, by piece."""
        self.plan.minute(now, cook, pits, pieces)
        self.reminders.minute(pits, pieces)
        for home in sorted({"", *(watch.settings.pit for watch in pieces.values())}):
            others = [tray for tray in self._trays.values() if tray.pit != home]
            elsewhere = {piece: sum(tray.lost(piece) for tray in others) for piece in pieces} if others else NOWHERE
            self._trays.setdefault(home, GreaseWatch(home)).minute(pieces, cores, elsewhere)
        self._need_fire(pieces)

    def _need_fire(self, pieces: Mapping[str, PieceWatch]) -> None:
        """When the fire has done its work: by the plan, else by what is foretold of all that is on."""
        planned = {s.piece: s.at for s in self.plan.steps if s.kind is StepKind.OFF and not s.done}
        cooking = {id_: end_of(watch) for id_, watch in pieces.items() if watch.on_fire and id_ not in planned}
        foretold = {id_: at for id_, at in cooking.items() if at is not None}
        self.needed_until = max((*planned.values(), *foretold.values()), key=lambda at: at.p50, default=None)
        to_cook = {id_ for id_, watch in pieces.items() if watch.on_fire or watch.stage.stage is PiecePhase.WAITING}
        self.all_known = to_cook <= planned.keys() | foretold.keys()

    def wood_runs_out(self, now: float) -> float | None:
        """When the last split at hand has burnt, also of a fire that a plan has yet to light; None: not known."""
        if self.wood.left is None:
            return None
        kept, light = self.plan.kept, self.plan.first_fire()
        ready_at = light.at.p50 + kept.heat_up if kept is not None and light is not None else None
        return self.wood.runs_out(now, ready_at)

    def wood_view(self, cook: CookSettings, now: float) -> WoodView:
        out, need = self.wood_runs_out(now), self.needed_until
        return WoodView(
            kind=cook.wood.kind,
            left=self.wood.left,
            used=self.wood.used,
            pace=self.wood.pace,
            runs_out=out,
            needed_until=need,
            short=out is not None and need is not None and out < need.p50,
            all_known=self.all_known,
        )

    def plan_view(self, cook: CookSettings, pit_id: Callable[[str], str]) -> PlanView | None:
        """pit_id: of a pit as the core calls it, as others know it."""
        kept, kept_at = self.plan.kept, self.plan.kept_at
        if kept is None or kept_at is None:
            return None
        shown = (replace(s, pit=pit_id(s.pit)) if s.kind is StepKind.LIGHT else s for s in self.plan.steps)
        steps = tuple(sorted(shown, key=lambda step: step.at.p50))
        serve_at = next((s.planned for s in steps if s.kind is StepKind.SERVE and s.piece is None), kept.serve_at)
        offs = {s.piece: s.at.p50 for s in steps if s.kind is StepKind.OFF and s.piece is not None}
        own = {p.id: p.serve_at for p in cook.pieces if p.serve_at is not None}
        return PlanView(
            serve_at=serve_at,
            light=kept.light,
            wake=kept.wake,
            kept_at=kept_at,
            steps=steps,
            chance=self.plan.chance,
            ahead=self.plan.ahead,
            logs=kept.logs,
            wood=kept.wood,
            hold=cook.hold,
            ambient=kept.ambient,
            wind=kept.wind,
            guests=cook.guests,
            feeds=kept.feeds,
            raw=kept.raw,
            waits=tuple(
                HoldWait(piece, wait_in_hold(off, cook.rest, own.get(piece, serve_at))) for piece, off in offs.items()
            ),
        )

    def reminder_views(self, now: float) -> tuple[ReminderView, ...]:
        return tuple(
            ReminderView(
                id=r.settings.id,
                text=r.settings.text,
                piece=r.settings.piece,
                every=r.settings.every,
                start=r.settings.start,
                until=r.settings.until,
                at_night=r.settings.at_night,
                due=r.due,
                is_due=r.is_due(now),
                done_at=r.done_at,
            )
            for r in self.reminders
        )

    def grease_view(self, tray: float, pit: str = "") -> GreaseView:
        """tray: what it holds, litres."""
        grease = self.grease(pit)
        return GreaseView(grease.kilograms, grease.share_of(tray) if tray > 0.0 else None)

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        need = self.needed_until
        return {
            "plan": self.plan.dump(),
            "reminders": self.reminders.dump(),
            "wood": self.wood.dump(),
            "grease": self.grease().dump(),
            **({"trays": others} if (others := {pit: tray.dump() for pit, tray in self._trays.items() if pit}) else {}),
            "needed_until": None if need is None else [need.p05, need.p50, need.p95],
            "all_known": self.all_known,
        }

    def load(self, dumped: dict[str, Any], renamed: Mapping[str, str] = NOTHING_RENAMED) -> None:
        """The inverse of `dump`. renamed: pits that bear another id now, old -> new."""
        self.plan.load(dumped["plan"])
        self.reminders.load(dumped["reminders"])
        self.wood.load(dumped["wood"])
        others = dumped.get("trays", {})  # not in the checkpoints of earlier versions
        trays = {"": dumped["grease"]} | {renamed.get(pit, pit): tray for pit, tray in others.items()}
        self._trays = {pit: GreaseWatch(pit) for pit in trays}
        for pit, tray in trays.items():
            self._trays[pit].load(tray)
        need = dumped["needed_until"]
        self.needed_until = None if need is None else Interval(*need)
        self.all_known = dumped.get("all_known", False)  # not in the checkpoints of earlier versions
