"""What to do differently next time: a few rules, each with the evidence it rests on. No evidence, no advice.

The thresholds are common practice, no source; they decide only whether a sentence is written, not what is read in it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from daemon.core.outlook import Goal
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.evenness import EVEN_WITHIN, made_by_probes
from daemon.core.said import Said, say
from daemon.shell.report.blocks import words_for
from daemon.shell.report.findings import Findings, PieceFindings, Spell
from daemon.texts.reader import Reader

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
    late, words = [s for s in found.low if not s.lid], words_for(reader)
    if sum(s.seconds for s in late) < LONG_OUTSIDE:
        return
    after = [s.fed_after for s in late if s.fed_after is not None]
    fed = say("report.advice.log-came", after=max(after)) if after else say("report.advice.no-log-came")
    yield Lesson(
        words("report.advice.feed-earlier"),
        words(
            "report.advice.under", times=len(late), lasted=sum(s.seconds for s in late),
            depth=max(s.depth for s in late), when=_when(late), fed=fed,
        ),
    )  # fmt: skip


def _band(found: Findings, reader: Reader) -> Iterable[Lesson]:
    """Most of the time on one side: then the band was wrong, and no single log was late."""
    cooking, held, words = found.figures.cooking, found.held_at, words_for(reader)
    if found.figures.in_band is None or held is None:
        return
    low, high = found.bands[-1][1].low, found.bands[-1][1].high
    below, above = (sum(s.seconds for s in spells) for spells in (found.low, found.high))
    if below >= MOSTLY * cooking:
        yield Lesson(
            words("report.advice.band-lower"),
            words("report.advice.lay-under", low=low, high=high, lasted=below, cooking=cooking, held=held),
        )
    if above >= MOSTLY * cooking:
        yield Lesson(
            words("report.advice.band-higher"),
            words("report.advice.lay-over", low=low, high=high, lasted=above, cooking=cooking, held=held),
        )


def _too_hot(found: Findings, reader: Reader) -> Iterable[Lesson]:
    hot, words = [s for s in found.high if not s.lid], words_for(reader)
    lasted = sum(s.seconds for s in hot)
    if LONG_OUTSIDE <= lasted < MOSTLY * found.figures.cooking:
        depth = max(s.depth for s in hot)
        yield Lesson(
            words("report.advice.close-earlier"),
            words("report.advice.over", times=len(hot), lasted=lasted, depth=depth, when=_when(hot)),
        )


def _served(found: Findings, piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    cook, words, name = found.cook.settings, words_for(reader), piece.settings.name
    check = next((c for c in piece.checks if c.goal in (Goal.TENDER, Goal.TARGET)), None)
    meal = cook.served_at(piece.settings)
    if meal is None or check is None:
        return
    slack = meal - cook.rest - check.came
    core, came, rest = check.celsius, check.came, cook.rest
    if slack >= MUCH_SLACK:
        yield Lesson(
            words("report.advice.on-later", name=name),
            words("report.advice.to-spare", name=name, core=core, came=came, meal=meal, rest=rest, by=slack),
        )
    elif slack < 0:
        yield Lesson(
            words("report.advice.on-earlier", name=name, by=-slack),
            words("report.advice.too-late", name=name, core=core, came=came, meal=meal, rest=rest, by=-slack),
        )


def _wrap(piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    check, words, name = (
        next((c for c in piece.checks if c.goal is Goal.WRAP), None),
        words_for(reader),
        piece.settings.name,
    )
    if check is not None and piece.wrapped_at is not None and piece.wrapped_at - check.came >= LATE_WRAP:
        late = piece.wrapped_at - check.came
        yield Lesson(
            words("report.advice.wrap-then", name=name, core=check.celsius),
            words("report.advice.wrapped-late", came=check.came, wrapped=piece.wrapped_at, by=late),
        )
        return
    for begun, ended in piece.stalls:
        wrapped = piece.wrapped_at if piece.wrapped_at is not None and piece.wrapped_at > begun else None
        bare = min(ended, wrapped or ended) - begun
        if bare >= LONG_BARE_STALL:
            wrap = say("report.advice.not-wrapped")
            if wrapped is not None:
                wrap = say("report.advice.wrapped-after", wrapped=wrapped, after=wrapped - begun)
            yield Lesson(
                words("report.advice.wrap-earlier", name=name),
                words("report.advice.lay-bare", begun=begun, bare=bare, wrap=wrap),
            )


def _hold(piece: PieceFindings, reader: Reader) -> Iterable[Lesson]:
    below, words = piece.safety.end.below_floor_seconds, words_for(reader)
    if below > 0 and any(span.stage == PiecePhase.HOLD for span in piece.stages):
        yield Lesson(
            words("report.advice.warm-hold", name=piece.settings.name), words("report.advice.below-floor", below=below)
        )


def _places(found: Findings, reader: Reader) -> Iterable[Lesson]:
    if len(found.places) < 2:
        return
    hottest, coolest, words = found.places[0], found.places[-1], words_for(reader)
    apart = hottest.celsius - coolest.celsius
    tolerances = {channel.place or channel.name: channel.tolerance for channel in found.cook.channels}
    probes = made_by_probes(tolerances[hottest.place], tolerances[coolest.place])
    if apart < EVEN_WITHIN:
        return
    hot, cool = hottest.place, coolest.place
    told = say(
        "report.advice.apart", hot=hot, cool=cool, apart=apart, hottest=hottest.celsius, coolest=coolest.celsius
    )  # fmt: skip
    if apart - probes >= EVEN_WITHIN:
        yield Lesson(words("report.advice.swap", hot=hot, cool=cool), words("report.advice.swap-because", apart=told))
    else:
        yield Lesson(
            words("report.advice.check-probes", hot=hot, cool=cool),
            words("report.advice.check-because", apart=told, probes=probes),
        )


def _lid(found: Findings, reader: Reader) -> Iterable[Lesson]:
    lids, dips, words = sum(d.kind == "lid-open" for d in found.deeds), sum(s.lid for s in found.low), words_for(reader)
    if lids >= MANY_LIDS:
        opened = words("report.advice.lid-opened", times=lids)
        if dips:
            opened = words("report.advice.lid-cost", times=lids, dips=dips)
        yield Lesson(words("report.advice.lid"), opened)


def _probes(found: Findings, reader: Reader) -> Iterable[Lesson]:
    words = words_for(reader)
    for trouble in found.probes:
        if trouble.seconds >= LONG_BLIND:
            evidence = say("report.advice.evidence", evidence=trouble.evidence) if trouble.evidence else None
            if trouble.times == 1:
                blind = words("report.advice.blind-once", lasted=trouble.seconds, evidence=evidence)
            else:
                blind = words(
                    "report.advice.blind", lasted=trouble.seconds, spells=trouble.times, evidence=evidence
                )  # fmt: skip
            yield Lesson(words("report.advice.probe", channel=trouble.channel), blind)


def _wakes(found: Findings, reader: Reader) -> Iterable[Lesson]:
    judged = [call for call in found.woken if call.needed is not None]
    idle, words = [call for call in judged if not call.needed], words_for(reader)
    if idle:
        calls = tuple(say("report.whole.call", at=call.time, text=call.text) for call in idle)
        yield Lesson(
            words("report.advice.what-if"),
            words("report.advice.idle", idle=len(idle), judged=len(judged), calls=calls),
        )


def _when(spells: Iterable[Spell]) -> Said:
    """The first six."""
    shown = [say("report.advice.instant", at=s.start) for s in spells]
    told = say("report.advice.instants", times=tuple(shown[:6]))
    return say("report.advice.and-more", shown=told) if len(shown) > 6 else told
