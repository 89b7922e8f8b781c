"""What is wrong with a file or an order, and what is asked about it, as sentences."""

from __future__ import annotations

from collections.abc import Iterable

from config.problems import ITEM_WORDS, Problem, Remedy, Unfit, Value, item_of
from daemon.core.said import Said, Text, say
from daemon.core.said import Value as SaidValue
from daemon.texts.composer import PLAIN, Composer


def told(remedy: Remedy | str) -> Text:
    """A remedy as what the composer makes a sentence of; one that was made already stays as it is."""
    if isinstance(remedy, str):
        return remedy
    return Said(remedy.key, tuple((name, _value(value)) for name, value in remedy.values))


def _value(value: Value) -> SaidValue:
    return told(value) if isinstance(value, Remedy) else value


def why(error: ValueError) -> Text:
    """What is wrong with a value that a model of a file refused."""
    return told(error.remedy) if isinstance(error, Unfit) else str(error)


def in_a_line(problem: Problem, composer: Composer = PLAIN) -> str:
    """ "cook.toml: error: piece chuck, weight = "heavy": write a weight ..." """
    place, where = place_of(problem), say("problem.none")
    if place and problem.value:
        where = say("problem.place-value", place=place, value=problem.value)
    elif place:
        where = say("problem.place", place=place)
    remedy = told(problem.remedy)
    if problem.warning:
        return composer.words("problem.warning", file=problem.file, where=where, remedy=remedy)
    return composer.words("problem.error", file=problem.file, where=where, remedy=remedy)


def place_of(problem: Problem) -> Text:
    """Where in the file, the items of its lists called by their names; "" = the whole file."""
    found = item_of(problem.key)
    if found is None:
        return problem.key
    listed, number, rest = found
    item, nth = Said(ITEM_WORDS + listed), number + 1
    if problem.name and rest:
        return say("problem.of-item", item=item, name=problem.name, part=rest)
    if problem.name:
        return say("problem.item-named", item=item, name=problem.name)
    if rest:
        return say("problem.of-unnamed-item", item=item, number=nth, part=rest)
    return say("problem.unnamed-item", item=item, number=nth)


def of_order(problem: Problem) -> Text:
    """What is wrong with an order: no file, and the field as people call it."""
    last = _last(problem.key)
    if not last:
        return told(problem.remedy)
    if not problem.value:
        return say("problem.of-order", called=last, remedy=told(problem.remedy))
    return say("problem.of-order-value", called=last, value=problem.value, remedy=told(problem.remedy))


def of_json(problem: Problem) -> Text:
    """What is wrong with an order that was written as JSON: the field as it is written there."""
    if not problem.key:
        return told(problem.remedy)
    if not problem.value:
        return say("problem.of-json", path=problem.key, remedy=told(problem.remedy))
    return say("problem.of-json-value", path=problem.key, value=problem.value, remedy=told(problem.remedy))


def asked(doubts: Iterable[Problem]) -> Text:
    """What is asked about an order, all at once; "" = nothing."""
    each = each_asked(doubts)
    return say("problem.doubts", doubts=each) if each else ""


def each_asked(doubts: Iterable[Problem]) -> tuple[Text, ...]:
    return tuple(_asked(doubt) for doubt in doubts)


def _asked(doubt: Problem) -> Text:
    last = _last(doubt.key)
    if not doubt.value:
        return say("problem.doubt", called=last, asked=told(doubt.remedy))
    return say("problem.doubt-value", called=last, value=doubt.value, asked=told(doubt.remedy))


def _last(key: str) -> str:
    """The name of a field, without the list or the number it stands in."""
    return next((part for part in reversed(key.split(".")) if not part.isdigit()), key)
