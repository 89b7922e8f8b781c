"""The plan in words, for `pitvigil plan` and the page: backwards from the serving time — when to light, when the meat goes on,
how much wood, how long it then waits."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from statistics import median
from zoneinfo import ZoneInfo

from config.cook import Cook
from config.problems import ConfigError, Problem
from config.rig import Rig
from config.units import KG_PER_POUND
from daemon.core.forecast.plan import Feeding, Plan, chance_if_lit, plan
from daemon.core.pit.profile import PitProfile
from daemon.core.settings import HoldSettings, WatchSettings
from daemon.shell.reader import Reader
from daemon.wiring.settings_from_files import watch_settings

FIRES_TELL, NEWEST_FIRES = 3, 30
"""Log intervals this pit must have shown before they count, and how many of the newest do."""
AMBIENT = 10.0
"""°C outside unless the cook says otherwise; common practice, no source."""
WIND_LOSS = 0.06
"""Growth of a pit's losses per m/s of wind; common practice, no source."""
WORTH_SAYING = 3600.0
"""s of waiting below which nothing is said of it."""


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


def plan_lines(rig: Rig, cook: Cook, cook_file: str, weather: Weather, taught: PitProfile, now: float) -> Iterator[str]:
    """The plan in the reader's unit and local times. taught: what this pit has shown. now: UTC, s. Raises ConfigError when the
    cook has no serving time."""
    settings = watch_settings(rig, cook)
    if settings.cook.serve_at is None:
        raise ConfigError([Problem(cook_file, "serve_at", "", "a plan needs a serving time; add it")])
    reader = Reader(rig.people.unit == "F", rig.people.zone, weekday=True)
    made = plan(
        settings.cook.pieces, settings.cook.band, settings.cook.serve_at, settings.cook.rest, weather.ambient,
        feeding_of(taught, weather.demand(settings.cook.band.middle)), settings.boiling_point, taught.forecast_bias,
    )  # fmt: skip
    names = {p.id: p.name for p in settings.cook.pieces}
    at = reader.clock
    yield f"serve {at(made.serve_at)}, after {made.rest / 60:.0f} min of rest; for a {made.chance:.0%} chance:"
    yield f"  light the fire      {at(made.light)}" if made.light is not None else "  nothing can be planned:"
    if made.light is not None and made.light < now:
        later = at(made.serve_at + now - made.light)
        yield f"  That is past. Lit now: about {chance_if_lit(made, now):.0%}; for {made.chance:.0%}, serve at {later}."
    for piece in made.pieces:
        if piece.put_on is None or piece.lasts is None or piece.off is None:
            yield f"  {names[piece.piece]}: no plan: {piece.reason}"
            continue
        hours = f"{piece.lasts.p05 / 3600:.1f}-{piece.lasts.p50 / 3600:.1f}-{piece.lasts.p95 / 3600:.1f} h"
        yield f"  {names[piece.piece]}: on by {at(piece.put_on)}; {hours} on the fire; off about {at(piece.off.p50)}"
        if piece.waits is not None and piece.waits >= WORTH_SAYING:
            yield f"    then it waits about {piece.waits / 3600:.0f} h {_held(settings.cook.hold, settings, reader)}"
    yield from _wood(made, rig, reader)
    if taught.cooks:
        cooks = "1 kept cook" if len(taught.cooks) == 1 else f"{len(taught.cooks)} kept cooks"
        yield f"Times are forecasts, with what {cooks} taught about this pit."
    else:
        yield "Times are forecasts for an ordinary pit and ordinary meat; yours will teach it better."


def _held(hold: HoldSettings, settings: WatchSettings, reader: Reader) -> str:
    """Where, and under which rule."""
    channel = None if hold.channel is None else settings.channel(hold.channel)
    place = "in an insulated box or a warmer" if channel is None else f"in the {channel.name}"
    return f"{place}, hot: at least {reader.temperature(hold.floor)} ({hold.rule})"


def _wood(made: Plan, rig: Rig, reader: Reader) -> Iterator[str]:
    mass = f"{made.wood / KG_PER_POUND:.0f} lb" if reader.fahrenheit else f"{made.wood:.0f} kg"
    yield f"  wood: about {made.logs} logs, {mass}, the kindling included; take half as much again"
    night = [t for t in made.fires if _in_quiet_hours(t, rig)]
    if night:
        yield f"  logs in quiet hours: {', '.join(reader.hour(t) for t in night)}"


def feeding_of(taught: PitProfile, demand: float = 1.0) -> Feeding:
    """How this pit is fed, as far as its own fires have told. demand: times the heat of an ordinary day."""
    intervals = taught.fire.log_intervals[-NEWEST_FIRES:]
    usual = Feeding(log_interval=60.0 * median(intervals)) if len(intervals) >= FIRES_TELL else Feeding()
    return replace(usual, log_interval=usual.log_interval / demand, heat_up=usual.heat_up * demand)


def _in_quiet_hours(time: float, rig: Rig) -> bool:
    local = datetime.fromtimestamp(time, UTC).astimezone(ZoneInfo(rig.people.zone))
    minute, start, end = local.hour * 60 + local.minute, rig.people.quiet_from, rig.people.quiet_until
    return start <= minute < end if start <= end else minute >= start or minute < end
