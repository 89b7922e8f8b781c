"""Values that can be read but can hardly be meant: degrees, pounds, inches and feet in the wrong place, a serving time that is
past or far off. Each is asked about; none is refused, for somebody may mean it.

All bounds are common practice, no source: what a hand-fed pit is kept at, how heavy and thick a cut is, where people live.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import datetime

from pydantic import ValidationError

from config.cook import Cook, PieceSection, WrapSection, utc_of
from config.cuts import CUTS
from config.problems import Problem, item
from config.rig import USUAL_PIT, BandSection, Rig, WoodSection
from config.units import KG_PER_POUND, METRES_PER_FOOT, Written, to_celsius, to_fahrenheit

CM_PER_INCH = 2.54
"""Exact, by the international agreement of 1959."""
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


def doubts(rig: Rig, cook: Cook | None, rig_file: str, cook_file: str, now: float) -> Iterator[Problem]:
    """Warnings whose remedy is a question. now: UTC, s."""
    yield from band_doubts(rig.pit.band, rig_file, "pits.0.band" if rig.other_pits else "pit.band")
    for number, pit in enumerate(rig.other_pits, start=1):
        yield from band_doubts(pit.band, rig_file, f"pits.{number}.band")
    yield from _altitude(rig.pit.altitude, rig_file)
    if "zone" not in rig.people.model_fields_set:
        remedy = "no time zone is given, so quiet hours and the serving time are in UTC; "
        remedy += 'write zone = "Europe/Berlin", or "UTC" if it is meant'
        yield _asked(rig_file, "people.zone", "", remedy)
    yield from _wood(rig.wood, rig_file)
    if cook is not None:
        yield from cook_doubts(cook, rig.people.zone, cook_file, now)
        yield from _places(rig, cook, cook_file)


def cook_doubts(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    """What is asked about a cook, from a file or from the page. zone: of its dates. now: UTC, s."""
    if cook.band is not None:
        yield from band_doubts(cook.band, file, "band")
    for number, piece in enumerate(cook.pieces):
        yield from piece_doubts(piece, file, item("pieces", number, piece.id or piece.name))
    yield from _serving_time(cook, zone, file, now)
    yield from _wood(cook.wood, file)
    yield from _portion(cook, file)
    yield from _reminders(cook, zone, file, now)


def doubts_of_parts(cook: Mapping[str, object], file: str) -> Iterator[Problem]:
    """Of a cook file that cannot be used as a whole: what is asked about the pieces and the band that can be read."""
    with suppress(ValidationError):
        yield from band_doubts(BandSection.model_validate(cook.get("band")), file, "band")
    pieces = cook.get("pieces")
    for number, table in enumerate(pieces if isinstance(pieces, list) else ()):
        with suppress(ValidationError):
            piece = PieceSection.model_validate(table)
            yield from piece_doubts(piece, file, item("pieces", number, piece.id or piece.name))


def in_words(doubt: Problem) -> str:
    """As the page says it: without the file."""
    return f"{doubt.key.rpartition(', ')[2].rpartition('.')[2]} {doubt.value}: {doubt.remedy}"


def band_doubts(band: BandSection, file: str, key: str) -> Iterator[Problem]:
    """What is asked about a band."""
    low, high = USUAL_PIT
    if low <= band.low and band.high <= high:
        return
    shown = f"{band.low:g} to {band.high:g} °C"
    if band.low > high and low <= to_celsius(band.low) and to_celsius(band.high) <= high:
        remedy = (
            f"that is {to_fahrenheit(band.low):.0f} to {to_fahrenheit(band.high):.0f} °F; "
            f'is it meant in °F? Then write low = "{band.low:g} F" and high = "{band.high:g} F"'
        )
    else:
        remedy = f"most pits with big cuts are kept between {low:.0f} and {high:.0f} °C; is it meant?"
    yield _asked(file, key, shown, remedy)


def _altitude(metres: float, file: str) -> Iterator[Problem]:
    if metres > FEW_LIVE_ABOVE:
        remedy = f"altitude is in metres; if feet are meant, write {metres * METRES_PER_FOOT:.0f}"
        yield _asked(file, "pit.altitude", f"{metres:g}", remedy)


def piece_doubts(piece: PieceSection, file: str, key: str) -> Iterator[Problem]:
    """What is asked about one piece."""
    cut = CUTS[piece.cut]
    yield from _goal_doubts(piece, file, key)
    if piece.weight > MUCH_HEAVIER * cut.weight and piece.cut != "target-only":
        if isinstance(piece.weight, Written):
            usual_pounds = cut.weight / KG_PER_POUND
            remedy = f"that is {piece.weight:.1f} kg, and a {cut.name.lower()} has about {cut.weight:g} kg "
            remedy += f"({usual_pounds:.0f} lb); is it meant? If there are several, name each piece"
        else:
            remedy = f"weight is in kg, and a {cut.name.lower()} has about {cut.weight:g} kg; "
            remedy += f'if pounds are meant, write "{piece.weight:g} lb"; if there are several, name each piece'
        yield _asked(file, f"{key}, weight", _as_written(piece.weight), remedy)
        return  # how thick it is for its weight is no question before that is answered
    if piece.thickness is None:
        return
    usual = 100.0 * cut.thickness_at(piece.weight)
    if not MUCH_THINNER * usual <= piece.thickness <= MUCH_THICKER * usual:
        about = f"{piece.weight:.3g} kg of {cut.name.lower()} are about {usual:.0f} cm thick"
        inches = piece.thickness * CM_PER_INCH
        if isinstance(piece.thickness, Written):
            remedy = f"that is {piece.thickness:.1f} cm, and {about}; is it meant?"
        else:
            remedy = f"thickness is in cm, and {about}"
            if MUCH_THINNER * usual <= inches <= MUCH_THICKER * usual:
                remedy += f'; if inches are meant, write "{piece.thickness:g} in"'
        yield _asked(file, f"{key}, thickness", _as_written(piece.thickness), remedy)


def _places(rig: Rig, cook: Cook, file: str) -> Iterator[Problem]:
    there = [channel.place or channel.name or channel.id for channel in rig.channels if channel.role == "pit"]
    for number, piece in enumerate(cook.pieces):
        if piece.place is not None and piece.place not in there:
            key = item("pieces", number, piece.id or piece.name)
            yield _asked(
                file, f"{key}, place", f'"{piece.place}"', f"no pit channel lies there; they lie: {', '.join(there)}"
            )


def _goal_doubts(piece: PieceSection, file: str, key: str) -> Iterator[Problem]:
    """A core temperature to take it off at, or to wrap it at, that is far from what this cut is cooked to."""
    cut = CUTS[piece.cut]
    if piece.target is not None:
        tough = cut.tender is not None
        least = LEAST_TOUGH if tough else LEAST_WHOLE if cut.kind == "whole-roast" else cut.safe_minimum - NEAR_SAFE
        if piece.target < least:
            usual = "done at" if cut.tender is None else "tender from"
            at = cut.tender[0] if cut.tender is not None else cut.target or cut.safe_minimum
            remedy = f"that core is low ({to_fahrenheit(piece.target):.0f} °F); "
            remedy += f"a {cut.name.lower()} is usually {usual} {at:g} °C; is it meant?"
            yield _asked(file, f"{key}, target", f"{piece.target:g} °C", remedy)
    if isinstance(piece.wrap, WrapSection) and not USUAL_WRAP[0] <= piece.wrap.at <= USUAL_WRAP[1]:
        remedy = f"most pieces are wrapped at a core between {USUAL_WRAP[0]:g} and {USUAL_WRAP[1]:g} °C; is it meant?"
        yield _asked(file, f"{key}, wrap", f"{piece.wrap.at:g} °C", remedy)


def _serving_time(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    if cook.serve_at is not None:
        yield from _serving(cook.serve_at, zone, file, "serve_at", now)
    for number, piece in enumerate(cook.pieces):
        if piece.serve_at is not None:
            key = f"{item('pieces', number, piece.id or piece.name)}, serve_at"
            yield from _serving(piece.serve_at, zone, file, key, now)


def _serving(serve_at: datetime, zone: str, file: str, key: str, now: float) -> Iterator[Problem]:
    at, shown = utc_of(serve_at, zone), serve_at.isoformat(sep=" ", timespec="minutes")
    if at < now:
        yield _asked(file, key, shown, "that is past; which day and hour is it to be?")
    elif at > now + DAYS_AHEAD * A_DAY:
        yield _asked(file, key, shown, f"that is {(at - now) / A_DAY:.0f} days away; is it the right day?")


def _wood(wood: WoodSection, file: str) -> Iterator[Problem]:
    low, high = USUAL_SPLIT
    if wood.split is not None and not low <= wood.split <= high:
        remedy = f"one split is weighed in kg, and most have {low:g} to {high:g}" + _if_pounds(wood.split, low, high)
        yield _asked(file, "wood.split", _as_written(wood.split), remedy)
    soft = next((word for word in RESINOUS if word in wood.kind.lower().split()), None)
    if soft is not None:
        yield _asked(file, "wood.kind", wood.kind, "resinous wood soots the meat and the flue; is it meant?")


def _portion(cook: Cook, file: str) -> Iterator[Problem]:
    low, high = USUAL_PORTION
    if cook.guests is not None and not low <= cook.portion <= high:
        remedy = f"a portion is kg of cooked meat a guest, most between {low:g} and {high:g}"
        remedy += _if_pounds(cook.portion, low, high)
        yield _asked(file, "portion", _as_written(cook.portion), remedy)


def _if_pounds(given: float, low: float, high: float) -> str:
    """What to write, where the number would be a usual one in pounds; none where the text says its unit."""
    if isinstance(given, Written):
        return f"; that is {given:.3g} kg; is it meant?"
    return f'; if pounds are meant, write "{given:g} lb"' if low <= given * KG_PER_POUND <= high else ""


def _as_written(given: float) -> str:
    return f'"{given.text}"' if isinstance(given, Written) else f"{given:g}"


def _reminders(cook: Cook, zone: str, file: str, now: float) -> Iterator[Problem]:
    for number, own in enumerate(cook.reminders):
        at = own.at_utc(zone)
        if at is None or own.at is None:
            continue
        shown, key = own.at.isoformat(sep=" ", timespec="minutes"), f"reminders.{number}.at"
        if at < now - A_DAY:
            yield _asked(file, key, shown, "that is past; which day and hour is it to be?")
        elif at > now + DAYS_AHEAD * A_DAY:
            yield _asked(file, key, shown, f"that is {(at - now) / A_DAY:.0f} days away; is it the right day?")


def _asked(file: str, key: str, value: str, remedy: str) -> Problem:
    return Problem(file, key, value, remedy, warning=True)
