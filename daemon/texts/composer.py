"""From what the core says to the sentence a person reads: in their language, their units, their clock."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar, cast, get_type_hints

from daemon.core.alarms.names import LEAST
from daemon.core.said import Said, Text, Value, say
from daemon.texts.catalogue import Catalogue, Parts, catalogue
from daemon.texts.reader import CELSIUS, NB, Reader
from daemon.texts.reader import duration as hours_and_minutes

GLANCE = 60
"""Characters a woken person reads at a glance: the length of a message. Ours, common practice, no source."""
MINUTE, HOUR, DAY = 60.0, 3600.0, 86400.0
UNMEASURED = "unknown"
T = TypeVar("T")
Kind = Callable[[Reader, Any, int], str]
"""(reader, value, digits) -> words."""


def brief(seconds: float) -> str:
    """A duration in one unit, rounded down: nobody is promised a minute that is not there."""
    if seconds >= 2 * DAY:
        return f"{seconds // DAY:.0f} days"
    if seconds >= 2 * HOUR:
        return f"{seconds // HOUR:.0f} h"
    if seconds >= MINUTE:
        return f"{seconds // MINUTE:.0f} min"
    return f"{max(0.0, seconds):.0f} s"


def lasting(seconds: float) -> str:
    """How long something has been so: "just now", "for 3 min"."""
    return "just now" if seconds < MINUTE else f"for {brief(seconds)}"


def ahead(value: float | tuple[float, float] | None) -> str:
    """How far off something is: "now", "in 12 min", "in 10 to 25 min", "in 50 min to 3 h", "in 0 to 25 min"; rounded down."""
    early, late = value if isinstance(value, tuple) else (value, value)
    if early is None or late is None or late < MINUTE:
        return "now"
    last = brief(late)
    if early < MINUTE:
        return f"in 0 to {last}"
    first = brief(early)
    if first == last:
        return f"in {first}"
    number, _, unit = first.partition(" ")
    return f"in {number if last.endswith(' ' + unit) else first} to {last}"


WIDE = 4.0
"""Late end over early end from which on a range tells nobody when to be there. Ours, no source."""
CUT = "…"
"""Where something was cut."""


def shorten(text: str, room: int) -> str:
    """The text in at most `room` characters, with an ellipsis where it was cut."""
    return text if len(text) <= room else text[: max(0, room - 1)].rstrip(" :,") + CUT


def _span(reader: Reader, value: Any, digits: int) -> str:
    """From one temperature to another."""
    low, high = (f"{reader.degrees(one):.{digits}f}" for one in value)
    return f"{low} to {high} {reader.unit}"


def _as_filed(reader: Reader, filed: str, own: str) -> str:
    return f"{filed} ({own})" if reader.fahrenheit else filed


TIMES = {0: "never", 1: "once", 2: "twice"}
KINDS: dict[str, Kind] = {
    "": lambda reader, value, digits: str(value),
    "name": lambda reader, value, digits: str(value),
    "number": lambda reader, value, digits: f"{value:.{digits}f}",
    "signed": lambda reader, value, digits: f"{value:+.{digits}f}",
    "temperature": lambda reader, value, digits: reader.temperature(value, digits),
    "temperatures": _span,
    "degrees": lambda reader, value, digits: f"{reader.degrees(value):.{digits}f}",
    "difference": lambda reader, value, digits: reader.difference(value, digits),
    "kelvins": lambda reader, value, digits: f"{reader.kelvins(value):.{digits}f}",
    "rate": lambda reader, value, digits: f"{reader.difference(value, digits, sign=True)}/h",
    "rise": lambda reader, value, digits: f"{reader.difference(value, digits)}/h",
    "creep": lambda reader, value, digits: f"{reader.difference(value, digits, sign=True)}/min",
    "times": lambda reader, value, digits: TIMES.get(round(value), f"{value:.0f} times"),
    "share": lambda reader, value, digits: f"{100 * value:.{digits}f} %",
    "percent": lambda reader, value, digits: f"{value:.{digits}f} %",
    "seconds": lambda reader, value, digits: f"{value:.{digits}f} s",
    "minutes": lambda reader, value, digits: f"{value / MINUTE:.{digits}f} min",
    "duration": lambda reader, value, digits: brief(value),
    "lasting": lambda reader, value, digits: lasting(value),
    "hours": lambda reader, value, digits: hours_and_minutes(value),
    "ahead": lambda reader, value, digits: ahead(value),
    "soonest": lambda reader, value, digits: ahead(value[0] if isinstance(value, tuple) else value),
    "clock": lambda reader, value, digits: reader.clock(value),
    "moment": lambda reader, value, digits: reader.moment(value),
    "date": lambda reader, value, digits: f"{reader.day(value)}, {reader.hour(value)}",
    "span": lambda reader, value, digits: f"{value / HOUR:.{digits}f} h",
    "mass": lambda reader, value, digits: reader.mass(value, digits),
    "weight": lambda reader, value, digits: reader.weight(value),
    "portion": lambda reader, value, digits: reader.portion(value),
    "speed": lambda reader, value, digits: reader.speed(value),
    "length": lambda reader, value, digits: reader.length(value, digits),
    "height": lambda reader, value, digits: reader.height(value),
    "figure": lambda reader, value, digits: f"{value:.10g}",
    "celsius": lambda reader, value, digits: _as_filed(reader, f"{value:g} °C", reader.temperature(value)),
    "apart": lambda reader, value, digits: _as_filed(reader, f"{value:g} °C", reader.difference(value)),
    "kilograms": lambda reader, value, digits: _as_filed(reader, f"{value:g} kg", reader.mass(value, 1)),
    "centimetres": lambda reader, value, digits: _as_filed(reader, f"{value:g} cm", reader.length(value / 100.0, 1)),
    "metres": lambda reader, value, digits: _as_filed(reader, f"{value:g} m", reader.height(value)),
    "typed": lambda reader, value, digits: f'"{reader.degrees(value):.0f} F"' if reader.fahrenheit else f"{value:g}",
}
"""How a value is written, by the kind its placeholder names; "temperature.1" has one decimal.

Values are °C (temperature, degrees without the unit, a pair for temperatures), differences of temperatures (difference, kelvins
without the unit), °C an hour (rate with its sign, rise without), °C a minute (creep), how often (times), shares of one,
percent, s (seconds, minutes, duration in one unit rounded down, lasting as "for 3 min", hours as "3 h 05 min", span in hours,
ahead as from now, soonest its early end, and `coming`, which leaves out the late end of a wide range), engine time (clock,
moment with its day, date), kg (mass, weight with as many digits as it needs, portion), m (length, height) and m/s (speed). What
a bare number of a file is in stands first, with the reader's own unit behind it: celsius, apart (a difference), kilograms,
centimetres, metres; `typed` is a temperature as this reader would write it there, `figure` a plain number. `text` is something
said within another, `words` the same, `list` several of them, `names` the same with commas, `sentences` with spaces; `code` is
a code of the watch as the page calls it, `field` a field of an order as people call it; a `name` gives way where there is
little room, and so does a `text`."""
LISTS = {"list": "; ", "names": ", ", "sentences": " "}
CODES = "page.code."
FIELDS = "problem.called."
GIVE_WAY = ("name", "text")
SENTENCES = ("text", "words")
MESSAGES = (
    "text", "recovering", "unmeasured", "unseen", "glimpsed", "unread", "cabinet", "perhaps", "leaky", "slid", "lit", "caught",
    "unmoved", "doubted", "on-unsaid", "cold-pit", "wrap-unsaid", "early-wrap", "early-tender", "apart", "cools", "heats",
    "never-on", "out", "below", "cold-cabinet",
)  # fmt: skip
"""Parts of an alarm's texts that are sent to people."""


@dataclasses.dataclass(frozen=True)
class Composer:
    """Makes sentences for one reader. texts: instead of the catalogue of the reader's language. unbroken: no line breaks
    between a number and its unit, where lines are broken by whoever shows the sentence."""

    reader: Reader = CELSIUS
    texts: Catalogue | None = None
    unbroken: bool = False

    @property
    def catalogue(self) -> Catalogue:
        return catalogue(self.reader.language) if self.texts is None else self.texts

    def words(self, key: str, **values: Value) -> str:
        """What an edge says by itself: the sentence of that key with these values."""
        return self.say(say(key, **values))

    def code(self, value: str) -> str:
        """A stage, a mark or another code of the watch, as the page calls it."""
        texts = self.catalogue
        return texts[CODES + value] if CODES + value in texts else value.replace("-", " ")

    def field(self, name: str) -> str:
        """A field of an order, as people call it; others by the name itself."""
        texts, key = self.catalogue, FIELDS + name.replace("_", "-")
        return texts[key] if key in texts else name.replace("_", " ")

    def say(self, text: Text, room: int | None = None) -> str:
        """The sentence, in at most `room` characters, which for a message is GLANCE: it takes a shorter form of itself, and a
        name or an inner sentence gives way, but a name no further than to what it is told by."""
        if room is None and isinstance(text, Said) and is_message(text.key):
            room = GLANCE
        if room is not None:
            return self._fitted(text, room)[0]
        if isinstance(text, str):
            return text
        values = dict(text.values)
        return self._broken("".join(self._part(part, values) for part in self.catalogue.forms(text.key)[0]))

    def _fitted(self, text: Text, room: int) -> tuple[str, bool]:
        """The first form in which every name can be told, or the last one; and whether it can. Where a name had to be cut there,
        a later form that says as much and leaves it whole."""
        if isinstance(text, str):
            return shorten(text, room), len(text) <= room or room >= LEAST
        values: dict[str, Any] = dict(text.values)
        shorter = list(self.catalogue.forms(text.key))
        made, told, taken = "", False, shorter[0]
        while shorter and not told:
            taken = shorter.pop(0)
            made, told = self._in_form(taken, values, room)
        if CUT in made:
            for parts in shorter:
                other, fits = self._in_form(parts, values, room)
                if fits and CUT not in other and _told_in(parts) == _told_in(taken):
                    return other, fits
        return made, told

    def _in_form(self, parts: Parts, values: dict[str, Any], room: int) -> tuple[str, bool]:
        """The words in this form, and whether every name can be told."""
        pieces = [None if part[2] in GIVE_WAY else self._part(part, values) for part in parts]
        left = room - sum(len(words) for words in pieces if words is not None)
        made, told = "", left >= 0
        for (words, name, _), piece in zip(parts, pieces, strict=True):
            if piece is None:
                value = values.get(name)
                inner, whole = self._fitted("" if value is None else value, max(0, left - len(words)))
                piece, told = words + inner, told and whole
            made += piece
        return shorten(self._broken(made), room), told

    def _broken(self, made: str) -> str:
        return made if self.unbroken else made.replace(NB, " ")

    def _part(self, part: tuple[str, str, str], values: dict[str, Any]) -> str:
        """One placeholder with the words before it, with room for all of it."""
        words, name, kind = part
        if not name:
            return words
        value, (kind, _, digits) = values.get(name), kind.partition(".")
        if kind in SENTENCES or (kind == "name" and isinstance(value, Said)):
            return words + self.say("" if value is None else value)
        if kind in LISTS:
            return words + LISTS[kind].join(self.say(one) for one in value or ())
        if kind == "code":
            return words + self.code(str(value))
        if kind == "field":
            return words + self.field(str(value))
        if kind == "coming":
            return words + self.coming(value)
        if value is None and kind not in ("ahead", "soonest"):
            return words + UNMEASURED
        return words + KINDS[kind](self.reader, value, int(digits or 0))

    def coming(self, value: float | tuple[float, float] | None) -> str:
        """As `ahead`, but of a range too wide to act on only its nearer end: "any minute", "in 4 min or later"."""
        early, late = value if isinstance(value, tuple) else (value, value)
        if early is None or late is None or late < MINUTE or late / WIDE <= early >= MINUTE:
            return ahead(value)
        return self.words("message.any-minute" if early < MINUTE else "message.or-later", left=early)

    def at(self, wall_offset: float) -> Composer:
        """The same with engine time so far from UTC."""
        return dataclasses.replace(self, reader=dataclasses.replace(self.reader, wall_offset=wall_offset))

    def spoken(self, value: T) -> T:
        """A value of the core (an event, a snapshot, an event as JSON) with every text in it made into words."""
        if isinstance(value, Said):
            return cast(T, self.say(value))
        if isinstance(value, dict):
            return cast(T, {name: self.spoken(one) for name, one in value.items()})
        if isinstance(value, list):
            return cast(T, [self.spoken(one) for one in value])
        if isinstance(value, tuple):
            return cast(T, tuple(self.spoken(one) for one in value)) if _may_speak(value) else value
        if not dataclasses.is_dataclass(value) or isinstance(value, type):
            return value
        made = {name: self.spoken(getattr(value, name)) for name in _speaking(cast(Any, type(value)))}
        return cast(T, dataclasses.replace(cast(Any, value), **made)) if made else value


PLAIN = Composer()
"""Where nobody has said how they read: °C, UTC, English."""


def _may_speak(values: tuple[Any, ...]) -> bool:
    """Things in a tuple are of one kind, but that some of its texts may be words already."""
    return bool(values) and (
        isinstance(values[0], tuple) or bool(_speaking(cast(Any, type(values[0])))) or _says_now(values)
    )


def _says_now(values: tuple[Any, ...]) -> bool:
    return any(isinstance(value, Said) for value in values)


def _told_in(parts: Parts) -> set[tuple[str, str]]:
    """What a form tells: its placeholders with their kinds."""
    return {(name, kind) for _, name, kind in parts if name}


def is_message(key: str) -> bool:
    """Sent to people: at most GLANCE characters, whatever the name in it."""
    room, _, part = key.partition(".")
    return room == "message" or (room == "alarm" and part.rpartition(".")[2] in MESSAGES)


@cache
def _speaking(kind: type) -> tuple[str, ...]:
    """Names of the fields of a dataclass in which something may be said."""
    if not dataclasses.is_dataclass(kind):
        return ()
    hints = get_type_hints(kind)
    return tuple(field.name for field in dataclasses.fields(kind) if field.init and _says(hints[field.name], ()))


def _says(hint: Any, seen: tuple[Any, ...]) -> bool:
    """There may be something said in a value of this type."""
    if hint is Said:
        return True
    if hint in seen:
        return False
    if isinstance(hint, type) and dataclasses.is_dataclass(hint):
        return any(_says(inner, (*seen, hint)) for inner in get_type_hints(hint).values())
    return any(_says(inner, seen) for inner in getattr(hint, "__args__", ()))
