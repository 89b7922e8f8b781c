"""What to do differently next time: a few rules, each with the evidence it rests on. No evidence, no advice.

The thresholds are common practice, no source; they decide only whether a sentence is written, not what is read in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.core.inputs import Goal
from daemon.core.pit.evenness import EVEN_WITHIN, made_by_probes
from daemon.shell.report.findings import Findings, PieceFindings, Spell
from daemon.texts.reader import Reader, duration

MOSTLY = 0.5
"""Share of the cooking time on one side of the band from which the band, not the fire, was wrong."""
LONG_OUTSIDE = 30 * 60.0
"""s on one side of the band in all that are worth a word."""
LONG_BARE_STALL = 2 * 3600.0
"""s of bare stall after which a wrap would plainly have shortened the night."""
LATE_WRAP = 3600.0
"""s between the wrap temperature and the wrap."""
MUCH_SLACK = 1.5 * 3600.0
"""s between ready and served, beyond the rest planned, that are worth a word."""
LONG_BLIND = 15 * 60.0
"""s without a believed value from one probe."""
MANY_LIDS = 6


@dataclass(frozen=True, slots=True)
class Lesson:
    """advice: one sentence, verb first. evidence: the findings it rests on."""

    advice: str
    evidence: str


def lessons(found: Findings, reader: Reader) -> tuple[Lesson, ...]:
    """In the order in which they would change the next cook most."""
    every: list[Lesson] = [*(list(_band(found, reader)) or _fire(found, reader)), *_too_hot(found, reader)]
    for piece in found.pieces:
        every += [*_served(found, piece, reader), *_wrap(piece, reader), *_hold(piece, reader)]
    every += [*_places(found, reader), *_lid(found, reader), *_probes(found, reader), *_wakes(found, reader)]
    return tuple(every)


def _fire(found: Findings, reader: Reader) -> Iterable[Lesson]:
    """Low spells that no lid explains and whose log came late or not at all."""
    late = [s for s in found.low if not s.lid]
    if sum(s.seconds for s in late) < LONG_OUTSIDE:
        return
    fed = [s.fed_after for s in late if s.fed_after is not None]
    waited = (
        f"; a log came {duration(max(fed))} after it fell under at the latest" if fed else "; no log came meanwhile"
    )
    yield Lesson(
        "Feed earlier, or lay the last log of the evening bigger.",
        f"The pit lay under its band {_times(len(late))}, {duration(sum(s.seconds for s in late))} in all, "
        f"{reader.difference(max(s.depth for s in late))} at the deepest ({_when(late, reader)}){waited}.",
    )


def _band(found: Findings, reader: Reader) -> Iterable[Lesson]:
    """Most of the time on one side: then the band was wrong, and no single log was late."""
    cooking, held = found.figures.cooking, found.held_at
    if found.figures.in_band is None or held is None:
        return
    band = found.bands[-1][1]
    named = f"{reader.temperature(band.low)} to {reader.temperature(band.high)}"
    for spells, side, remedy in (
        (found.low, "under", "Set the band lower, to what this pit held, or build the fire bigger."),
        (found.high, "over", "Set the band higher, to what this pit held, or close the draught further."),
    ):
        seconds = sum(s.seconds for s in spells)
        if seconds >= MOSTLY * cooking:
            yield Lesson(
                remedy,
                f"It lay {side} the band of {named} for {duration(seconds)} of {duration(cooking)}; "
                f"half of the time it held {reader.temperature(held)} or less.",
            )


def _too_hot(found: Findings, reader: Reader) -> Iterable[Lesson]:
    hot = [s for s in found.high if not s.lid]
    if LONG_OUTSIDE <= sum(s.seconds for s in hot) < MOSTLY * found.figures.cooking:
        yield Lesson(
            "Close the draught earlier, or lay less wood at a time.",
            f"The pit lay over its band {_times(len(hot))}, {duration(sum(s.seconds for s in hot))} in all, "
            f"{reader.difference(max(s.depth for s in hot))} at the highest ({_when(hot, reader)}).",
        )


def _served(found: Findings, piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    cook = found.cook.settings
    check = next((c for c in piece.checks if c.goal in (Goal.TENDER, Goal.TARGET)), None)
    if cook.serve_at is None or check is None:
        return
    slack = cook.serve_at - cook.rest - check.came
    ready = f"{piece.settings.name} read {reader.temperature(check.celsius)} at {reader.clock(check.came)}"
    meal = f"the meal was set for {reader.clock(cook.serve_at)} with {duration(cook.rest)} of rest"
    if slack >= MUCH_SLACK:
        yield Lesson(
            f"Put {piece.settings.name} on later, or have the hold warm in time.",
            f"{ready}; {meal}: {duration(slack)} to spare.",
        )
    elif slack < 0:
        yield Lesson(
            f"Put {piece.settings.name} on {duration(-slack)} earlier.",
            f"{ready}; {meal}: {duration(-slack)} too late.",
        )


def _wrap(piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    check = next((c for c in piece.checks if c.goal is Goal.WRAP), None)
    if check is not None and piece.wrapped_at is not None and piece.wrapped_at - check.came >= LATE_WRAP:
        yield Lesson(
            f"Wrap {piece.settings.name} when it reads {reader.temperature(check.celsius)}, and ask to be woken for it "
            "(wake_for_wrap), if the time matters.",
            f"It read that at {reader.clock(check.came)} and was wrapped at {reader.clock(piece.wrapped_at)}, "
            f"{duration(piece.wrapped_at - check.came)} later.",
        )
        return
    for begun, ended in piece.stalls:
        wrapped = piece.wrapped_at if piece.wrapped_at is not None and piece.wrapped_at > begun else None
        bare = min(ended, wrapped or ended) - begun
        if bare >= LONG_BARE_STALL:
            what = (
                f"it was wrapped at {reader.clock(wrapped)}, {duration(wrapped - begun)} after the stall began"
                if wrapped is not None
                else "it was not wrapped"
            )
            yield Lesson(
                f"Wrap {piece.settings.name} earlier in the stall if time is short; the bark goes softer for it.",
                f"It stalled at {reader.clock(begun)} and lay bare in the stall for {duration(bare)}; {what}.",
            )


def _hold(piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    below = piece.safety.end.below_floor_seconds
    if below > 0:
        yield Lesson(
            f"Warm the hold before {piece.settings.name} goes in, and read it there with a second thermometer.",
            f"{duration(below)} under the holding floor, minutes without a believed reading included; "
            "see the food-safety record.",
        )


def _places(found: Findings, reader: Reader) -> Iterable[Lesson]:
    if len(found.places) < 2:
        return
    hottest, coolest = found.places[0], found.places[-1]
    apart = hottest.celsius - coolest.celsius
    tolerances = {channel.place or channel.name: channel.tolerance for channel in found.cook.channels}
    probes = made_by_probes(tolerances[hottest.place], tolerances[coolest.place])
    if apart < EVEN_WITHIN:
        return
    told = (
        f"While cooking, {hottest.place} read {reader.difference(apart)} hotter than {coolest.place} "
        f"({reader.temperature(hottest.celsius)} against {reader.temperature(coolest.celsius)})"
    )
    if apart - probes >= EVEN_WITHIN:
        yield Lesson(
            f"Turn the meat, or swap it between {hottest.place} and {coolest.place}; keep what is small out of {hottest.place}.",
            f"{told}.",
        )
    else:
        yield Lesson(
            f"Check the probes of {hottest.place} and {coolest.place} in ice and boiling water (pitvigil calibrate), or let them "
            "change places next time.",
            f"{told}, of which the probes themselves may make {reader.difference(probes)}.",
        )


def _lid(found: Findings, reader: Reader) -> Iterable[Lesson]:
    lids = [d for d in found.deeds if d.kind == "lid-open"]
    dips = [s for s in found.low if s.lid]
    if len(lids) >= MANY_LIDS:
        cost = f"; {_times(len(dips))} the pit then lay under its band" if dips else ""
        yield Lesson("Keep the lid shut; read the probes instead.", f"It was opened {_times(len(lids))}{cost}.")


def _probes(found: Findings, reader: Reader) -> Iterable[Lesson]:
    for trouble in found.probes:
        if trouble.seconds >= LONG_BLIND:
            said = f" ({trouble.evidence})" if trouble.evidence else ""
            yield Lesson(
                f"Look after the probe “{trouble.channel}”: plug, lead and seat.",
                f"It gave nothing to believe for {duration(trouble.seconds)} in {_spells(trouble.times)}{said}.",
            )


def _wakes(found: Findings, reader: Reader) -> Iterable[Lesson]:
    judged = [call for call in found.woken if call.needed is not None]
    idle = [call for call in judged if not call.needed]
    if idle:
        yield Lesson(
            "Try what other settings would have done with this night: pitvigil replay --what-if.",
            f"{len(idle)} of {len(judged)} wakes you judged were not needed "
            f"({'; '.join(f'{reader.clock(c.time)} {c.text}' for c in idle)}).",
        )


def _spells(count: int) -> str:
    return "one spell" if count == 1 else f"{count} spells"


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _when(spells: Iterable[Spell], reader: Reader) -> str:
    shown = [reader.clock(s.start) for s in spells]
    return ", ".join(shown[:6]) + (" ..." if len(shown) > 6 else "")
