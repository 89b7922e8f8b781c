"""The plan in words and as the core keeps it, for `pitvigil plan` and the page: backwards from the serving time — when to light,
when the meat goes on, how much wood, how many it feeds, how long it then waits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import median
from zoneinfo import ZoneInfo

from config.cook import Cook
from config.problems import ConfigError, Problem
from config.rig import Rig
from config.yields import SOURCE, YIELDS
from daemon.core.forecast.plan import Course, Feeding, Plan, Running, chance_if_lit, kept_plan, lateness, plan
from daemon.core.inputs import Interval
from daemon.core.pit.profile import PitProfile
from daemon.core.plan.steps import HOLD_WORTH
from daemon.core.planned import KeptPlan, shifted
from daemon.core.said import Said, say
from daemon.core.settings import CookSettings, HoldSettings, WatchSettings
from daemon.wiring.composers import composer_of
from daemon.wiring.settings_from_files import watch_settings

FIRES_TELL, NEWEST_FIRES = 3, 30
"""Log intervals this pit must have shown before they count, and how many of the newest do."""
AMBIENT = 10.0
"""°C outside unless the cook says otherwise; common practice, no source."""
WIND_LOSS = 0.06
"""Growth of a pit's losses per m/s of wind; common practice, no source."""


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
    made = plan(
        cook.pieces, cook.band, cook.serve_at + offset, cook.rest, weather.ambient, feeding, settings.boiling_point,
        taught.forecast_bias, None if running is None else _in_utc(running, offset),
        {piece.pit: settings.band_of(piece.pit) for piece in cook.pieces},
    )  # fmt: skip
    kept = kept_plan(made, feeding, wake)
    if kept is not None:
        feeds, raw = _enough_for(cook)
        kept = replace(kept, ambient=weather.ambient, wind=weather.wind, feeds=feeds, raw=raw)
    if kept is not None and offset:
        kept = shifted(kept, -offset)
    return MadePlan(tuple(_lines(made, rig, settings, taught, now)), kept)


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


def _lines(made: Plan, rig: Rig, settings: WatchSettings, taught: PitProfile, now: float) -> Iterator[Said]:
    """To be said where engine time is UTC."""
    names = {p.id: p.name for p in settings.cook.pieces}
    wraps = {p.id: p.wrap for p in settings.cook.pieces}
    courses = {} if made.running is None else made.running.courses
    lit = made.running is not None and any(pit in made.running.fires for pit, _ in made.lights)
    if courses:
        yield say("plan.serving", at=made.serve_at, rest=made.rest, chance=made.chance)
    else:
        yield say("plan.to-serve", at=made.serve_at, rest=made.rest, chance=made.chance)
    if made.light is None:
        yield say("plan.nothing")
    else:
        yield from _lights(made, settings.pit_names)
    late = max(lateness(made, now).values(), default=0.0)
    if late > 0.0:
        yield say("plan.past", chance=chance_if_lit(made, now), wanted=made.chance, later=made.serve_at + late)
    for piece in made.pieces:
        name = names[piece.piece]
        if piece.put_on is None or piece.lasts is None or piece.off is None:
            yield say("plan.no-piece", name=name, reason=piece.reason)
            continue
        course = courses.get(piece.piece)
        if course is not None:
            yield _course(name, course, piece.off)
            continue
        lasts = piece.lasts
        yield say(
            "plan.piece", name=name, on=piece.put_on, usual=lasts.p50, short=lasts.p05, long=lasts.p95, off=piece.off.p50
        )  # fmt: skip
        wrap = wraps[piece.piece]
        if piece.wrap_after is not None and wrap is not None:
            yield say("plan.wrap", material=wrap.value, at=piece.put_on + piece.wrap_after)
        if piece.waits is not None and piece.waits >= HOLD_WORTH:
            hold = settings.cook.hold
            yield say("plan.waits", wait=piece.waits, where=_place(hold, settings), floor=hold.floor, rule=hold.rule)
    yield from _wood(made, rig, settings.cook, lit)
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


def _course(name: str, course: Course, off: Interval) -> Said:
    """A piece that is on, or was."""
    if course.is_off:
        return say("plan.off", name=name, on=course.on_at, off=off.p50)
    return say("plan.on", name=name, on=course.on_at, off=off.p50, early=off.p05, late=off.p95)


def _place(hold: HoldSettings, settings: WatchSettings) -> Said:
    channel = None if hold.channel is None else settings.channel(hold.channel)
    return say("plan.in-a-box") if channel is None else say("plan.in-the-place", name=channel.name)


def _wood(made: Plan, rig: Rig, cook: CookSettings, lit: bool) -> Iterator[Said]:
    kind = say("plan.of-kind", kind=cook.wood.kind) if cook.wood.kind else None
    if lit:
        yield say("plan.wood-from-now", logs=made.logs, kind=kind, mass=made.wood)
    else:
        yield say("plan.wood", logs=made.logs, kind=kind, mass=made.wood)
    # what is at hand of a fire that burns is counted by the watch
    if not lit and cook.wood.stock is not None and cook.wood.stock < made.logs:
        yield say("plan.too-few", stock=cook.wood.stock, missing=made.logs - cook.wood.stock)
    night = tuple(say("plan.instant", at=t) for t in made.fires if _in_quiet_hours(t, rig))
    if night:
        yield say("plan.night-logs", times=night)


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
