"""The plan in words and as the core keeps it, for `pitvigil plan` and the page: backwards from the serving time — when to light,
when the meat goes on, how much wood, how many it feeds, how long it then waits."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import median
from zoneinfo import ZoneInfo

from config.cook import Cook
from config.problems import ConfigError, Problem
from config.rig import Rig
from config.units import KG_PER_POUND
from config.yields import SOURCE, YIELDS
from daemon.core.forecast.plan import Course, Feeding, Plan, Running, chance_if_lit, kept_plan, plan
from daemon.core.inputs import Interval
from daemon.core.pit.profile import PitProfile
from daemon.core.planned import KeptPlan, shifted
from daemon.core.settings import CookSettings, HoldSettings, WatchSettings
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader
from daemon.wiring.composers import reader_of
from daemon.wiring.settings_from_files import watch_settings

FIRES_TELL, NEWEST_FIRES = 3, 30
"""Log intervals this pit must have shown before they count, and how many of the newest do."""
AMBIENT = 10.0
"""°C outside unless the cook says otherwise; common practice, no source."""
WIND_LOSS = 0.06
"""Growth of a pit's losses per m/s of wind; common practice, no source."""
WORTH_SAYING = 3600.0
"""s of waiting below which nothing is said of it."""
G_PER_OUNCE = 28.349523125
"""Exact, by the international agreement of 1959."""


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
    """lines: for people. kept: for the core, its times in the same clock as the cook's; None where nothing can be planned."""

    lines: tuple[str, ...]
    kept: KeptPlan | None


def plan_lines(rig: Rig, cook: Cook, cook_file: str, weather: Weather, taught: PitProfile, now: float) -> Iterator[str]:
    """The plan of a cook file in the reader's unit and local times. taught: what this pit has shown. now: UTC, s. Raises
    ConfigError when the cook has no serving time."""
    yield from made_plan(rig, watch_settings(rig, cook), cook_file, weather, taught, now).lines


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
        raise ConfigError([Problem(cook_file, "serve_at", "", "a plan needs a serving time; add it")])
    feeding = feeding_of(taught, weather.demand(cook.band.middle), cook.wood.split)
    made = plan(
        cook.pieces, cook.band, cook.serve_at + offset, cook.rest, weather.ambient, feeding, settings.boiling_point,
        taught.forecast_bias, None if running is None else _in_utc(running, offset),
    )  # fmt: skip
    kept = kept_plan(made, feeding, wake)
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

    lit_at = None if running.lit_at is None else running.lit_at + offset
    return Running(running.now + offset, lit_at, {piece: moved(course) for piece, course in running.courses.items()})


def _lines(made: Plan, rig: Rig, settings: WatchSettings, taught: PitProfile, now: float) -> Iterator[str]:
    reader = replace(reader_of(rig), weekday=True)
    names = {p.id: p.name for p in settings.cook.pieces}
    wraps = {p.id: p.wrap for p in settings.cook.pieces}
    at = reader.clock
    courses = {} if made.running is None else made.running.courses
    lit = made.running is not None and made.running.lit_at is not None
    chance = f"the chance as it stands is {made.chance:.0%}" if courses else f"for a {made.chance:.0%} chance"
    yield f"serve {at(made.serve_at)}, after {made.rest / 60:.0f} min of rest; {chance}:"
    if made.light is None:
        yield "  nothing can be planned:"
    else:
        yield f"  the fire was lit    {at(made.light)}" if lit else f"  light the fire      {at(made.light)}"
    if made.light is not None and made.light < now and not lit:
        later = at(made.serve_at + now - made.light)
        yield f"  That is past. Lit now: about {chance_if_lit(made, now):.0%}; for {made.chance:.0%}, serve at {later}."
    for piece in made.pieces:
        if piece.put_on is None or piece.lasts is None or piece.off is None:
            yield f"  {names[piece.piece]}: no plan: {Composer(reader).say(piece.reason)}"
            continue
        course = courses.get(piece.piece)
        if course is not None:
            yield from _course(names[piece.piece], course, piece.off, at)
            continue
        hours = f"{piece.lasts.p05 / 3600:.1f}-{piece.lasts.p50 / 3600:.1f}-{piece.lasts.p95 / 3600:.1f} h"
        yield f"  {names[piece.piece]}: on by {at(piece.put_on)}; {hours} on the fire; off about {at(piece.off.p50)}"
        wrap = wraps[piece.piece]
        if piece.wrap_after is not None and wrap is not None:
            yield f"    wrapped in {wrap.value} about {at(piece.put_on + piece.wrap_after)}"
        if piece.waits is not None and piece.waits >= WORTH_SAYING:
            yield f"    then it waits about {piece.waits / 3600:.0f} h {_held(settings.cook.hold, settings, reader)}"
    yield from _wood(made, rig, settings.cook, reader, lit)
    yield from _guests(settings.cook, reader)
    if taught.cooks:
        cooks = "1 kept cook" if len(taught.cooks) == 1 else f"{len(taught.cooks)} kept cooks"
        yield f"Times are forecasts, with what {cooks} taught about this pit."
    else:
        yield "Times are forecasts for an ordinary pit and ordinary meat; yours will teach it better."


def _course(name: str, course: Course, off: Interval, at: Callable[[float], str]) -> Iterator[str]:
    """A piece that is on, or was."""
    if course.is_off:
        yield f"  {name}: on at {at(course.on_at)}, off at {at(off.p50)}"
    else:
        yield f"  {name}: on since {at(course.on_at)}; off about {at(off.p50)}, between {at(off.p05)} and {at(off.p95)}"


def _held(hold: HoldSettings, settings: WatchSettings, reader: Reader) -> str:
    """Where, and under which rule."""
    channel = None if hold.channel is None else settings.channel(hold.channel)
    place = "in an insulated box or a warmer" if channel is None else f"in the {channel.name}"
    return f"{place}, hot: at least {reader.temperature(hold.floor)} ({hold.rule})"


def _wood(made: Plan, rig: Rig, cook: CookSettings, reader: Reader, lit: bool) -> Iterator[str]:
    kind = f" of {cook.wood.kind}" if cook.wood.kind else ""
    what = "from now on; have half as much again" if lit else "the kindling included; take half as much again"
    yield f"  wood: about {made.logs} logs{kind}, {_mass(made.wood, reader)}, {what}"
    # what is at hand of a fire that burns is counted by the watch
    if not lit and cook.wood.stock is not None and cook.wood.stock < made.logs:
        yield f"    {cook.wood.stock} are at hand: that is {made.logs - cook.wood.stock} too few"
    night = [t for t in made.fires if _in_quiet_hours(t, rig)]
    if night:
        yield f"  logs in quiet hours: {', '.join(reader.hour(t) for t in night)}"


def _guests(cook: CookSettings, reader: Reader) -> Iterator[str]:
    """Whether it is enough, and how much raw meat it would take in the same shares."""
    if cook.guests is None or not cook.pieces:
        return
    raw = sum(piece.weight for piece in cook.pieces)
    eaten = sum(piece.weight * YIELDS[piece.cut].eaten for piece in cook.pieces)
    each = f"{1000 * cook.portion / G_PER_OUNCE:.0f} oz" if reader.fahrenheit else f"{1000 * cook.portion:.0f} g"
    fed = int(eaten / cook.portion)
    yield (
        f"  guests: {cook.guests} at {each} of cooked meat take {_mass(cook.guests * cook.portion, reader)}; "
        f"{_mass(raw, reader)} raw give about {_mass(eaten, reader)}, enough for {fed}"
    )
    if fed < cook.guests:
        yield f"    for {cook.guests} it takes about {_mass(raw * cook.guests * cook.portion / eaten, reader)} raw in all"
    yield f"    by the {SOURCE}, bone taken off; a pit that dries more gives less"


def _mass(kilograms: float, reader: Reader) -> str:
    amount, unit = (kilograms / KG_PER_POUND, "lb") if reader.fahrenheit else (kilograms, "kg")
    return f"{amount:.1f} {unit}" if amount < 10.0 else f"{amount:.0f} {unit}"


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
