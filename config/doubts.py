"""Values that can be read but can hardly be meant: degrees, pounds, inches and feet in the wrong place, a serving time that is
past or far off. Each is asked about; none is refused, for somebody may mean it.

All bounds are common practice, no source: what a hand-fed pit is kept at, how heavy and thick a cut is, where people live.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import datetime

from config.cook import Cook, PieceSection, WrapSection, utc_of
from config.cuts import CUTS, Cut
from config.problems import Problem, Remedy, remedy
from config.rig import USUAL_PIT, BandSection, Rig, WoodSection
from config.units import KG_PER_POUND, THICKNESSES, Written, fahrenheit_meant, to_fahrenheit

CM_PER_METRE = 100.0
MUCH_HEAVIER, MUCH_THINNER, MUCH_THICKER = 1.7, 0.6, 1.7
"""Times the usual weight of the cut, and the usual thickness at its weight, beyond which a value is asked about."""
LEAST_TOUGH, LEAST_WHOLE, NEAR_SAFE = 75.0, 48.0, 3.0
"""°C: no cut that is cooked to be tender is so under it; the rarest roast; and so far under its safe minimum anything else."""
USUAL_WRAP = (55.0, 92.0)
"""°C of a core at which pieces are wrapped."""
FEW_LIVE_ABOVE = 2600.0
"""m: higher than most towns in which a pit may stand."""
USUAL_SPLIT = (0.3, 2.5)
"""kg of one log for a pit that is fed by hand."""
USUAL_PORTION = (0.06, 0.4)
"""kg of cooked meat that one guest is given."""
RESINOUS = ("pine", "fir", "spruce", "larch", "cedar", "cypress", "yew")
"""Woods that are not burnt under food."""
DAYS_AHEAD = 2.0
"""Days beyond which a serving time is more likely a slip than a plan."""
A_DAY = 86_400.0
USUAL_OUTSIDE = (-30.0, 40.0)
"""°C outside in which somebody cooks."""
STRONG_WIND = 11.0
"""m/s: Beaufort 6 and more (WMO No. 8), in which few light a fire."""


def doubts(rig: Rig, cook: Cook | None, rig_file: str, cook_file: str, now: float) -> Iterator[Problem]:
    """Warnings whose remedy is a question. now: UTC, s."""
    yield from band_doubts(rig.pit.band, rig_file, "pits.0.band" if rig.other_pits else "pit.band")
    for number, pit in enumerate(rig.other_pits, start=1):
        yield from band_doubts(pit.band, rig_file, f"pits.{number}.band")
    yield from _altitude(rig.pit.altitude, rig_file)
    if "zone" not in rig.people.model_fields_set:
        yield _asked(rig_file, "people.zone", "", remedy("ask.zone"))
    yield from _wood(rig.wood, rig_file)
    if cook is not None:
        yield from cook_doubts(cook, rig.people.zone, cook_file, now)
        yield from _places(rig, cook, cook_file)


def cook_doubts(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    """What is asked about a cook, from a file or from the page. zone: of its dates. now: UTC, s."""
    if cook.band is not None:
        yield from band_doubts(cook.band, file, "band")
    for number, piece in enumerate(cook.pieces):
        yield from _named(piece, piece_doubts(piece, file, f"pieces.{number}"))
    yield from _serving_time(cook, zone, file, now)
    yield from _wood(cook.wood, file)
    yield from _portion(cook, file)
    yield from _reminders(cook, zone, file, now)
    if cook.plan is not None:
        yield from weather_doubts(cook.plan.ambient, cook.plan.wind, file, "plan.")


def weather_doubts(ambient: float | None, wind: float, file: str, table: str = "") -> Iterator[Problem]:
    """What is asked about the weather of a plan. ambient: °C, None = as measured. wind: m/s. table: before its keys."""
    low, high = USUAL_OUTSIDE
    if ambient is not None and not low <= ambient <= high:
        meant = fahrenheit_meant(ambient, USUAL_OUTSIDE)
        asked = remedy("ask.outside-fahrenheit", given=ambient) if meant else remedy("ask.outside", given=ambient)
        yield _asked(file, f"{table}ambient", f"{ambient:g}", asked)
    if wind >= STRONG_WIND:
        asked = remedy("ask.wind-written") if isinstance(wind, Written) else remedy("ask.wind", given=wind)
        yield _asked(file, f"{table}wind", _as_written(wind), asked)


def _named(piece: PieceSection, found: Iterable[Problem]) -> Iterator[Problem]:
    return (replace(doubt, name=piece.id or piece.name) for doubt in found)


def band_doubts(band: BandSection, file: str, key: str) -> Iterator[Problem]:
    """What is asked about a band."""
    low, high = USUAL_PIT
    if low <= band.low and band.high <= high:
        return
    asked = remedy("ask.band", band=(band.low, band.high), usual=USUAL_PIT)
    if fahrenheit_meant(band.low, USUAL_PIT) and fahrenheit_meant(band.high, USUAL_PIT):
        fahrenheit = (to_fahrenheit(band.low), to_fahrenheit(band.high))
        asked = remedy("ask.band-fahrenheit", low=band.low, high=band.high, meant=fahrenheit[0], to=fahrenheit[1])
    yield _asked(file, key, "", asked)


def _altitude(metres: float, file: str) -> Iterator[Problem]:
    if metres > FEW_LIVE_ABOVE:
        asked = remedy("ask.altitude", given=metres)
        if isinstance(metres, Written):
            asked = remedy("ask.altitude-written", altitude=metres)
        yield _asked(file, "pit.altitude", f"{metres:g}", asked)


def piece_doubts(piece: PieceSection, file: str, key: str) -> Iterator[Problem]:
    """What is asked about one piece."""
    cut = CUTS[piece.cut]
    yield from _goal_doubts(piece, file, key)
    weights = [float(piece.weight)]
    if piece.weight > MUCH_HEAVIER * cut.weight and piece.cut != "target-only":
        name, usual = cut.name.lower(), cut.weight
        asked = remedy("ask.weight", cut=name, usual=usual, given=piece.weight)
        if isinstance(piece.weight, Written):
            asked = remedy("ask.weight-written", cut=name, usual=usual, weight=piece.weight)
        yield _asked(file, f"{key}.weight", _as_written(piece.weight), asked)
        # which weight is meant is open, so a thickness is asked about only where it goes with none of them
        weights += [usual, piece.weight * KG_PER_POUND]
    if piece.thickness is not None and not any(_fits(piece.thickness, cut, weight) for weight in weights):
        yield from _thickness(piece.thickness, weights[-1], cut, file, f"{key}.thickness")


def _fits(thickness: float, cut: Cut, weight: float) -> bool:
    """cm: that thick may a piece of this weight be."""
    usual = CM_PER_METRE * cut.thickness_at(weight)
    return MUCH_THINNER * usual <= thickness <= MUCH_THICKER * usual


def _thickness(thickness: float, weight: float, cut: Cut, file: str, key: str) -> Iterator[Problem]:
    about = remedy("ask.about", weight=weight, cut=cut.name.lower(), usual=cut.thickness_at(weight))
    asked = remedy("ask.thickness", about=about)
    if isinstance(thickness, Written):
        asked = remedy("ask.thickness-written", thickness=thickness / CM_PER_METRE, about=about)
    elif _fits(thickness * THICKNESSES["in"], cut, weight):
        asked = remedy("ask.thickness-inches", about=about, given=thickness)
    yield _asked(file, key, _as_written(thickness), asked)


def _places(rig: Rig, cook: Cook, file: str) -> Iterator[Problem]:
    there = [channel.place or channel.name or channel.id for channel in rig.channels if channel.role == "pit"]
    for number, piece in enumerate(cook.pieces):
        if piece.place is not None and piece.place not in there:
            nowhere = _asked(
                file, f"pieces.{number}.place", f'"{piece.place}"', remedy("ask.place", known=tuple(there))
            )
            yield from _named(piece, [nowhere])


def _goal_doubts(piece: PieceSection, file: str, key: str) -> Iterator[Problem]:
    """A core temperature to take it off at, or to wrap it at, that is far from what this cut is cooked to."""
    cut = CUTS[piece.cut]
    if piece.target is not None:
        tough = cut.tender is not None
        least = LEAST_TOUGH if tough else LEAST_WHOLE if cut.kind == "whole-roast" else cut.safe_minimum - NEAR_SAFE
        if piece.target < least:
            asked = remedy(
                "ask.target", target=piece.target, cut=cut.name.lower(), usual=cut.target or cut.safe_minimum
            )
            if cut.tender is not None:
                asked = remedy("ask.target-tough", target=piece.target, cut=cut.name.lower(), usual=cut.tender[0])
            yield _asked(file, f"{key}.target", "", asked)
    if isinstance(piece.wrap, WrapSection) and not USUAL_WRAP[0] <= piece.wrap.at <= USUAL_WRAP[1]:
        yield _asked(file, f"{key}.wrap", "", remedy("ask.wrap", at=piece.wrap.at, usual=USUAL_WRAP))


def _serving_time(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    if cook.serve_at is not None:
        yield from _moment(cook.serve_at, zone, file, "serve_at", now)
    for number, piece in enumerate(cook.pieces):
        if piece.serve_at is not None:
            yield from _named(piece, _moment(piece.serve_at, zone, file, f"pieces.{number}.serve_at", now))


def _moment(moment: datetime, zone: str, file: str, key: str, now: float, late: float = 0.0) -> Iterator[Problem]:
    """late: s by which it may have passed."""
    at, shown = utc_of(moment, zone), moment.isoformat(sep=" ", timespec="minutes")
    if at < now - late:
        yield _asked(file, key, shown, remedy("ask.past"))
    elif at > now + DAYS_AHEAD * A_DAY:
        yield _asked(file, key, shown, remedy("ask.days-away", ahead=at - now))


def _wood(wood: WoodSection, file: str) -> Iterator[Problem]:
    low, high = USUAL_SPLIT
    if wood.split is not None and not low <= wood.split <= high:
        yield _asked(file, "wood.split", _as_written(wood.split), _mass("ask.split", wood.split, low, high))
    soft = next((word for word in RESINOUS if word in wood.kind.lower().split()), None)
    if soft is not None:
        yield _asked(file, "wood.kind", wood.kind, remedy("ask.resinous"))


def _portion(cook: Cook, file: str) -> Iterator[Problem]:
    low, high = USUAL_PORTION
    if cook.guests is not None and not low <= cook.portion <= high:
        yield _asked(file, "portion", _as_written(cook.portion), _mass("ask.portion", cook.portion, low, high))


def _mass(key: str, given: float, low: float, high: float) -> Remedy:
    """Asks about a mass, with what to write where the number would be a usual one in pounds; not where the text says its unit."""
    usual = remedy(key, low=low, high=high)
    if isinstance(given, Written):
        return remedy("ask.mass-written", usual=usual, mass=given)
    pounds = low <= given * KG_PER_POUND <= high
    return remedy("ask.mass-pounds", usual=usual, given=given) if pounds else remedy("ask.mass", usual=usual)


def _as_written(given: float) -> str:
    return f'"{given.text}"' if isinstance(given, Written) else f"{given:g}"


def _reminders(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    for number, own in enumerate(cook.reminders):
        if own.at is not None:
            yield from _moment(own.at, zone, file, f"reminders.{number}.at", now, late=A_DAY)


def _asked(file: str, key: str, value: str, asked: Remedy) -> Problem:
    return Problem(file, key, value, asked, warning=True)
