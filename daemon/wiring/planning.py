"""The plan in words and as the core keeps it, for `pitvigil plan` and the page: backwards from the serving time — when to light,
when the meat goes on, how much wood, how many it feeds, how long it then waits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from itertools import pairwise
from math import ceil
from statistics import median
from zoneinfo import ZoneInfo

from config.config_error import ConfigError
from config.cook import Cook
from config.problems import Problem
from config.rig import Rig
from config.yields import SOURCE, YIELDS
from daemon.core.forecast.plan import (
    WANTED_CHANCE,
    Course,
    Feeding,
    PiecePlan,
    Plan,
    Running,
    at_chance,
    chance_if_lit,
    kept_plan,
    plan,
    serving_later,
    too_late,
)
from daemon.core.outlook import Interval
from daemon.core.pit_profile import PitProfile
from daemon.core.plan.steps import HOLD_WORTH
from daemon.core.planned import KeptPlan, shifted
from daemon.core.said import Said, say
from daemon.core.settings import CookSettings, HoldSettings, WatchSettings, cook_shifted
from daemon.wiring.composers import composer_of
from daemon.wiring.settings_from_files import watch_settings

FIRES_TELL, NEWEST_FIRES = 3, 30
"""Log intervals this pit must have shown before they count, and how many of the newest do."""
AMBIENT = 10.0
"""°C outside unless the cook says otherwise; common practice, no source."""
WIND_LOSS = 0.06
"""Growth of a pit's losses per m/s of wind; common practice, no source."""


A_SLEEP = 3 * 3600.0
"""s between two logs under which a night has no sleep worth its name: two cycles of it; common practice, no source."""
LATER_CHANCE = 0.75
"""Of one piece, for the later hour that is told of it where it would wait long; ours."""
QUARTER = 900.0
"""s: serving times are told to the quarter of an hour."""


@dataclass(frozen=True, slots=True)
class Weather:
    """ambient: °C. wind: m/s at the pit. Where one is not given, an ordinary day is meant."""

    ambient: float = AMBIENT
    wind: float = 0.0

    def demand(self, pit: float) -> float:
        """How many times the heat of an ordinary day a pit of `pit` °C loses, so how many times the wood it takes.

        What walls and flue lose goes with the difference to the air outside (Newton's law of cooling); the growth with wind is
        common practice, no source."""
        return (pit - self.ambient) / (pit - AMBIENT) * (1.0 + WIND_LOSS * self.wind)


@dataclass(frozen=True, slots=True)
class MadePlan:
    """lines: for people, to be said where engine time is UTC. kept: for the core,
    its times in the same clock as the cook's; None where nothing can be planned."""

    lines: tuple[Said, ...]
    kept: KeptPlan | None


def plan_lines(rig: Rig, cook: Cook, cook_file: str, weather: Weather, taught: PitProfile, now: float) -> Iterator[str]:
    """The plan of a cook file in the reader's unit and local times. taught: what this pit has shown. now: UTC, s. Raises
    ConfigError when the cook has no serving time."""
    words = composer_of(rig).say
    yield from (
        words(line) for line in made_plan(rig, watch_settings(rig, cook), cook_file, weather, taught, now).lines
    )


def made_plan(
    rig: Rig,
    settings: WatchSettings,
    cook_file: str,
    weather: Weather,
    taught: PitProfile,
    now: float,
    wake: bool = True,
    offset: float = 0.0,
    running: Running | None = None,
) -> MadePlan:
    """settings: with the cook's times in UTC less `offset`, s, which the kept plan then has as well. running: what has been done
    of the running cook, in the same clock."""
    cook = settings.cook
    if cook.serve_at is None:
        raise ConfigError([Problem(cook_file, "serve_at", "", composer_of(rig).words("plan.no-serving-time"))])
    feeding = feeding_of(taught, weather.demand(cook.band.middle), cook.wood.split)
    cook = cook_shifted(cook, offset)
    started = None if running is None else _in_utc(running, offset)
    bands = {piece.pit: settings.band_of(piece.pit) for piece in cook.pieces}

    def planned(meant: CookSettings) -> Plan:
        assert meant.serve_at is not None, "asked for above"
        return plan(
            meant.pieces, meant.band, meant.serve_at, meant.rest, weather.ambient, feeding, settings.boiling_point,
            taught.forecast_bias, started, bands,
        )  # fmt: skip

    made = planned(cook)
    lines: list[Said] = []
    if running is None and (later := _in_time(cook, made, now, feeding)) != cook:
        lines += _cannot_be_met(cook, later, made, now)
        cook, made = later, planned(later)
    kept = kept_plan(made, feeding, wake)
    if kept is not None:
        feeds, raw = _enough_for(cook)
        kept = replace(kept, ambient=weather.ambient, wind=weather.wind, feeds=feeds, raw=raw)
    if kept is not None and offset:
        kept = shifted(kept, -offset)
    lines += _lines(made, rig, replace(settings, cook=cook), taught)
    lines.append(say("plan.weather", ambient=weather.ambient, wind=weather.wind))
    return MadePlan(tuple(lines), kept)


def _in_time(cook: CookSettings, made: Plan, now: float, feeding: Feeding) -> CookSettings:
    """The same cook, each of its serving times at the earliest, on a whole quarter of an hour, that keeps the wanted chance.
    made: as it is meant; a plan moves as a whole with its serving time."""
    late = too_late(made, now, feeding.heat_up)
    with_rest = max((late.get(p.id, 0.0) for p in cook.pieces if p.serve_at is None), default=0.0)
    pieces = tuple(
        replace(p, serve_at=_next_quarter(p.serve_at + late[p.id])) if p.serve_at is not None and p.id in late else p
        for p in cook.pieces
    )
    assert cook.serve_at is not None, "asked for by the caller"
    serve_at = _next_quarter(cook.serve_at + with_rest) if with_rest > 0.0 else cook.serve_at
    return replace(cook, serve_at=serve_at, pieces=pieces)


def _next_quarter(time: float) -> float:
    return ceil(time / QUARTER) * QUARTER


def _cannot_be_met(cook: CookSettings, later: CookSettings, made: Plan, now: float) -> Iterator[Said]:
    """What is asked for in vain, and the earliest time that is not. later: the cook at such times."""
    meal: list[tuple[Said, float | None, float | None]] = [(say("plan.meal"), cook.serve_at, later.serve_at)]
    own = [
        (say("plan.of-piece", name=before.name), before.serve_at, after.serve_at)
        for before, after in zip(cook.pieces, later.pieces, strict=True)
    ]
    moved = [(what, asked, earliest) for what, asked, earliest in meal + own if asked is not None and asked != earliest]
    for what, asked, _ in moved:
        if asked <= now:
            yield say("plan.is-past", what=what, at=asked)
        else:
            yield say("plan.too-near", what=what, at=asked, wanted=made.chance)
    if all(asked > now for _, asked, _ in moved):
        yield say("plan.lit-now", chance=chance_if_lit(made, now))
    for what, _, earliest in moved:
        yield say("plan.earliest", what=what, at=earliest, wanted=made.chance)


def _in_utc(running: Running, offset: float) -> Running:
    def moved(course: Course) -> Course:
        off, wrapped = course.off, course.wrapped
        return replace(
            course,
            on_at=course.on_at + offset,
            off=None if off is None else Interval(off.p05 + offset, off.p50 + offset, off.p95 + offset),
            wrapped=None if wrapped is None else wrapped + offset,
        )

    fires = {pit: at + offset for pit, at in running.fires.items()}
    return Running(running.now + offset, fires, {piece: moved(course) for piece, course in running.courses.items()})


def _lines(made: Plan, rig: Rig, settings: WatchSettings, taught: PitProfile) -> Iterator[Said]:
    """To be said where engine time is UTC."""
    names = {p.id: p.name for p in settings.cook.pieces}
    wraps = {p.id: p.wrap for p in settings.cook.pieces}
    courses = {} if made.running is None else made.running.courses
    lit = made.running is not None and any(pit in made.running.fires for pit, _ in made.lights)
    own = {p.id: p.serve_at for p in settings.cook.pieces if p.serve_at is not None}
    if len(own) < len(settings.cook.pieces):
        served = "plan.serving" if courses else "plan.to-serve"
        yield say(served, at=made.serve_at, rest=made.rest, chance=made.chance)
    else:
        yield say("plan.each-served", rest=made.rest, chance=made.chance)
    if made.running is not None and (later := serving_later(made)) is not None:
        yield say("plan.later", wanted=WANTED_CHANCE, later=later, at=made.serve_at + later)
    if made.light is None:
        yield say("plan.nothing")
    else:
        yield from _lights(made, settings.pit_names)
    for piece in made.pieces:
        name = names[piece.piece]
        if piece.put_on is None or piece.lasts is None or piece.off is None:
            yield say("plan.no-piece", name=name, reason=piece.reason)
            continue
        course = courses.get(piece.piece)
        if course is not None:
            yield _course(name, course, piece.off)
            yield from _served(piece, own)
            continue
        lasts = piece.lasts
        on = say("plan.put-on", at=piece.put_on)
        if len(settings.pit_names) > 1:
            on = say("plan.put-on-pit", at=piece.put_on, pit=settings.pit_names[piece.pit])
        yield say("plan.piece", name=name, on=on, usual=lasts.p50, short=lasts.p05, long=lasts.p95, off=piece.off.p50)
        yield from _served(piece, own)
        wrap = wraps[piece.piece]
        if piece.wrap_after is not None and wrap is not None:
            yield say("plan.wrap", material=wrap.value, at=piece.put_on + piece.wrap_after)
        if piece.waits is not None and piece.waits >= HOLD_WORTH:
            hold = settings.cook.hold
            yield say("plan.waits", wait=piece.waits, where=_place(hold, settings), floor=hold.floor, rule=hold.rule)
            if piece.waits > lasts.p50:
                later = piece.done_by - at_chance(lasts, LATER_CHANCE)
                yield say("plan.early", long=lasts.p95, later=later, chance=LATER_CHANCE)
    yield from _wood(made, rig, settings, lit)
    yield from _guests(settings.cook)
    if taught.cooks:
        yield say("plan.taught-by-one") if len(taught.cooks) == 1 else say("plan.taught", cooks=len(taught.cooks))
    else:
        yield say("plan.untaught")


def _lights(made: Plan, names: Mapping[str, str]) -> Iterator[Said]:
    """names: of the rig's pits."""
    lit = {} if made.running is None else made.running.fires
    for pit, at in made.lights:
        if len(names) == 1:
            yield say("plan.lit", at=at) if pit in lit else say("plan.light", at=at)
        else:
            yield (
                say("plan.lit-of", at=at, name=names[pit])
                if pit in lit
                else say("plan.light-of", at=at, name=names[pit])
            )


def _served(piece: PiecePlan, own: Mapping[str, float]) -> Iterator[Said]:
    if piece.piece in own:
        yield say("plan.served-at", at=own[piece.piece])


def _course(name: str, course: Course, off: Interval) -> Said:
    """A piece that is on, or was."""
    if course.is_off:
        return say("plan.off", name=name, on=course.on_at, off=off.p50)
    return say("plan.on", name=name, on=course.on_at, off=off.p50, early=off.p05, late=off.p95)


def _place(hold: HoldSettings, settings: WatchSettings) -> Said:
    channel = None if hold.channel is None else settings.channel(hold.channel)
    return say("plan.in-a-box") if channel is None else say("plan.in-the-place", name=channel.name)


def _wood(made: Plan, rig: Rig, settings: WatchSettings, lit: bool) -> Iterator[Said]:
    stock, wood = settings.cook.wood.stock, settings.cook.wood
    kind = say("plan.of-kind", kind=wood.kind) if wood.kind else None
    yield say("plan.wood-from-now" if lit else "plan.wood", logs=made.logs, kind=kind, mass=made.wood)
    # what is at hand of a fire that burns is counted by the watch
    if not lit and stock is not None and stock < made.logs:
        yield say("plan.too-few", stock=stock, missing=made.logs - stock)
    due: list[float] = []
    for hearth in made.hearths:
        night = [t for t in hearth.fires if _in_quiet_hours(t, rig)]
        needed, perhaps = ([t for t in night if (t < hearth.off) is sure] for sure in (True, False))
        pit = say("plan.at-pit", pit=settings.pit_names[hearth.pit]) if len(settings.pit_names) > 1 else None
        if needed:
            yield say("plan.night-logs", pit=pit, times=tuple(say("plan.instant", at=t) for t in needed))
        if perhaps:
            yield say("plan.night-logs-if-slow", pit=pit, first=perhaps[0], last=perhaps[-1])
        due += needed
    apart = max((after - before for before, after in pairwise(sorted(due))), default=A_SLEEP)
    if apart < A_SLEEP:
        yield say("plan.night-sleep", logs=len(due), apart=apart)


def _guests(cook: CookSettings) -> Iterator[Said]:
    """Whether it is enough, and how much raw meat it would take in the same shares."""
    fed, need = _enough_for(cook)
    if cook.guests is None or fed is None:
        return
    raw, wanted = sum(piece.weight for piece in cook.pieces), cook.guests * cook.portion
    judged = say("plan.guests-enough", fed=fed) if fed >= cook.guests else say("plan.guests-short", fed=fed)
    yield say(
        "plan.guests", guests=cook.guests, portion=cook.portion, wanted=wanted, raw=raw, eaten=_eaten(cook), judged=judged
    )  # fmt: skip
    if fed < cook.guests:
        yield say("plan.guests-need", guests=cook.guests, raw=need)
    yield say("plan.yields", source=SOURCE)


def _eaten(cook: CookSettings) -> float:
    """kg of cooked meat that can be served."""
    return sum(piece.weight * YIELDS[piece.cut].eaten for piece in cook.pieces)


def _enough_for(cook: CookSettings) -> tuple[int | None, float | None]:
    """How many guests the pieces feed, and kg of raw meat that all who come would take; None, None where nobody said that any
    come."""
    if cook.guests is None or not cook.pieces:
        return None, None
    raw, eaten = sum(piece.weight for piece in cook.pieces), _eaten(cook)
    return int(eaten / cook.portion), raw * cook.guests * cook.portion / eaten


def feeding_of(taught: PitProfile, demand: float = 1.0, split: float | None = None) -> Feeding:
    """How this pit is fed, as far as its own fires have told. demand: times the heat of an ordinary day. split: kg of a log,
    None = not weighed. A pit that has told nothing yet is fed as much wood an hour in other splits: they last longer or less."""
    intervals = taught.fire.log_intervals[-NEWEST_FIRES:]
    usual = Feeding()
    if split is not None:
        usual = replace(usual, log_weight=split, log_interval=usual.log_interval * split / usual.log_weight)
    if len(intervals) >= FIRES_TELL:
        usual = replace(usual, log_interval=60.0 * median(intervals))
    return replace(usual, log_interval=usual.log_interval / demand, heat_up=usual.heat_up * demand)


def _in_quiet_hours(time: float, rig: Rig) -> bool:
    local = datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(rig.people.zone))
    minute, start, end = local.hour * 60 + local.minute, rig.people.quiet_from, rig.people.quiet_until
    return start <= minute < end if start <= end else minute >= start or minute < end
