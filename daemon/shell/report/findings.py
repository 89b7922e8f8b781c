"""What the report of a cook says, as plain values. Pure: a kept cook in, findings out. Engine time in s, °C."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from math import isnan

from daemon.core.alarms.rules import rule_by_id
from daemon.core.pieces.stage import ON_THE_PIT
from daemon.core.pit.evenness import PlaceHeat, evenness
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Band, PieceSettings, Role
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import (
    Figures,
    band_at,
    cooking_minutes,
    done_time,
    event_time,
    figures,
    pit_minutes,
    place_minutes,
    stage_changes,
    yield_fraction,
)
from daemon.shell.report.calls import Call, HeldBack, calls, held_back, named
from daemon.shell.report.forecast_checks import ForecastCheck, forecast_checks
from daemon.shell.report.safety_account import SafetyAccount, safety_account
from daemon.texts.alarm_list import consequence

LEAST_SPELL = 5 * MINUTE
"""A shorter stay outside the band is a breath, not a spell. Common practice, no source."""
SAME_DEED = 10 * MINUTE
"""A sign this close to a mark of its kind is the same deed, seen twice."""

SIGNS = {"log-added": "log", "lid-opened": "lid-open"}
"""What the watch saw in the trace, in the words of the marks. A closing lid is drawn by nobody."""
FIRE_DEEDS = ("log", "fire-lit", "lid-open", "damper")


@dataclass(frozen=True, slots=True)
class Spell:
    """A stretch of time outside the band. depth: °C beyond the edge at its worst. fed_after: s from its start to the next
    log, None = none before it ended. lid: a lid was open in it, or just before."""

    start: float
    end: float
    depth: float
    fed_after: float | None = None
    lid: bool = False

    @property
    def seconds(self) -> float:
        return self.end - self.start


@dataclass(frozen=True, slots=True)
class Deed:
    """Something done at the fire. seen: the watch noticed it in the trace, nobody marked it."""

    time: float
    kind: str
    seen: bool = False


@dataclass(frozen=True, slots=True)
class StageSpan:
    start: float
    end: float
    stage: str
    because: str


@dataclass(frozen=True, slots=True)
class PieceFindings:
    """core: one value a minute. stalls: (from, to). served: share of the raw weight, None = not weighed. by_hand: (engine s, °C,
    where) of cores read by hand, in order. probes: (engine s, name of its probe or "" for none), in order."""

    settings: PieceSettings
    core: tuple[float, ...] = field(repr=False)
    stages: tuple[StageSpan, ...]
    stalls: tuple[tuple[float, float], ...]
    on_at: float | None
    wrapped_at: float | None
    off_at: float | None
    checks: tuple[ForecastCheck, ...]
    safety: SafetyAccount
    served: float | None = None
    by_hand: tuple[tuple[float, float, str], ...] = ()
    probes: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True)
class ProbeTrouble:
    """channel: its name. times: spells without a believed value. seconds: of them in all, while cooking."""

    channel: str
    times: int
    seconds: float
    evidence: str


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything the report shows. start, end: first and last minute kept, engine s. pit: control value a minute.
    bands: (since, band), oldest first. places: hottest first. alarms: (time, text, consequence) of the safety
    alarms raised."""

    cook: KeptCook
    start: float
    end: float
    figures: Figures
    pit: tuple[float, ...] = field(repr=False)
    bands: tuple[tuple[float, Band], ...]
    held_at: float | None
    low: tuple[Spell, ...]
    high: tuple[Spell, ...]
    places: tuple[PlaceHeat, ...]
    deeds: tuple[Deed, ...]
    pieces: tuple[PieceFindings, ...]
    calls: tuple[Call, ...]
    held_back: tuple[HeldBack, ...]
    alarms: tuple[tuple[float, str, str], ...]
    probes: tuple[ProbeTrouble, ...]
    yield_fraction: float | None

    @property
    def woken(self) -> tuple[Call, ...]:
        """The calls that were no test."""
        return tuple(call for call in self.calls if not call.test)

    def seconds_below(self) -> float:
        return sum(spell.seconds for spell in self.low)


def findings(cook: KeptCook) -> Findings:
    """Look a whole cook over. A cook of 20 h takes some tens of milliseconds."""
    start, end = cook.minutes[0] * MINUTE, (cook.minutes[-1] + 1) * MINUTE
    if cook.ended is not None and cook.ended > start:
        end = min(end, cook.ended)
    pit, cooking = pit_minutes(cook), cooking_minutes(cook)
    deeds = _deeds(cook)
    cooked = [v for v, on in zip(pit, cooking, strict=True) if on and not isnan(v)]
    return Findings(
        cook=cook,
        start=start,
        end=end,
        figures=figures(cook),
        pit=pit,
        bands=_bands(cook, start),
        held_at=sorted(cooked)[len(cooked) // 2] if cooked else None,
        low=_spells(cook, pit, cooking, deeds, lambda value, band: band.low - value),
        high=_spells(cook, pit, cooking, deeds, lambda value, band: value - band.high),
        places=evenness(place_minutes(cook, cooking), {}).places,
        deeds=deeds,
        pieces=tuple(_piece(cook, piece, end) for piece in cook.settings.pieces),
        calls=calls(cook),
        held_back=held_back(cook),
        alarms=tuple(_safety_alarms(cook)),
        probes=tuple(_probe_troubles(cook, cooking, start, end)),
        yield_fraction=yield_fraction(cook.weights),
    )


# --- the pit ---------------------------------------------------------------------------------------------------


def _bands(cook: KeptCook, start: float) -> tuple[tuple[float, Band], ...]:
    """The band over the whole picture: the first one holds from its beginning."""
    changes = [(since, band) for since, band in cook.bands if since > start]
    return ((start, band_at(cook, start)), *changes)


def _deeds(cook: KeptCook) -> tuple[Deed, ...]:
    marks, signs = ([e for e in named(cook, name) if e.get("pit", "") == cook.viewed] for name in ("mark", "fire"))
    marked = [Deed(done_time(cook, e), e["kind"]) for e in marks if e["kind"] in FIRE_DEEDS]
    seen = [Deed(event_time(cook, e, "at"), SIGNS[e["sign"]], True) for e in signs if e["sign"] in SIGNS]
    fresh = [s for s in seen if not any(m.kind == s.kind and abs(m.time - s.time) <= SAME_DEED for m in marked)]
    return tuple(sorted(marked + fresh, key=lambda deed: deed.time))


def _spells(
    cook: KeptCook,
    pit: Sequence[float],
    cooking: Sequence[bool],
    deeds: Sequence[Deed],
    beyond: Callable[[float, Band], float],
) -> tuple[Spell, ...]:
    """Stretches of minutes in which `beyond(value, band)` is above 0 while meat lay on the fire."""
    spells, begun, depth = [], None, 0.0
    for minute, value, on in (*zip(cook.minutes, pit, cooking, strict=True), (cook.minutes[-1] + 1, 0.0, False)):
        over = beyond(value, band_at(cook, minute * MINUTE)) if on and not isnan(value) else -1.0
        if over > 0:
            begun = minute * MINUTE if begun is None else begun
            depth = max(depth, over)
        elif begun is not None and not (on and isnan(value)):
            if minute * MINUTE - begun >= LEAST_SPELL:
                spells.append(_spell(begun, minute * MINUTE, depth, deeds))
            begun, depth = None, 0.0
    return tuple(spells)


def _spell(start: float, end: float, depth: float, deeds: Sequence[Deed]) -> Spell:
    fed = next((d.time - start for d in deeds if d.kind == "log" and start <= d.time <= end), None)
    lid = any(d.kind == "lid-open" and start - SAME_DEED <= d.time <= end for d in deeds)
    return Spell(start, end, depth, fed, lid)


# --- the pieces ------------------------------------------------------------------------------------------------


def _piece(cook: KeptCook, piece: PieceSettings, end: float) -> PieceFindings:
    core = cook.core(piece)
    stages = _stages(cook, piece.id, end)
    on_at = next((s.start for s in stages if s.stage in ("on", "cooking")), None)
    wraps = [
        done_time(cook, e) for e in named(cook, "mark") if e["kind"] == "wrapped" and e["piece"] in (piece.id, None)
    ]
    wrapped_at = wraps[0] if wraps else next((s.start for s in stages if s.stage == "wrapped"), None)
    off_at = next((s.start for s in stages if s.stage in ("off", "rest", "hold", "chill", "done")), None)
    raw, served = cook.weights.get(piece.id, (0.0, 0.0))
    names = {channel.id: channel.name or channel.id for channel in cook.channels}
    return PieceFindings(
        settings=piece,
        core=core,
        stages=stages,
        stalls=_stalls(cook, piece.id, off_at or end),
        on_at=on_at,
        wrapped_at=wrapped_at,
        off_at=off_at,
        checks=forecast_checks(cook, piece, core, on_at, wrapped_at, off_at),
        safety=safety_account(cook, piece, core),
        served=served / raw if raw > 0 and served > 0 else None,
        by_hand=tuple(sorted(_by_hand(cook, piece.id))),
        probes=tuple((since, names.get(channel or "", "")) for since, channel in cook.probes_of(piece)),
    )


def _by_hand(cook: KeptCook, piece: str) -> Iterable[tuple[float, float, str]]:
    for event in named(cook, "spot"):
        if event["piece"] == piece:
            yield done_time(cook, event), event["celsius"], event["where"]


def _stages(cook: KeptCook, piece: str, end: float) -> tuple[StageSpan, ...]:
    changes = stage_changes(cook, piece)
    ends = [*(change.time for change in changes), end][1:]
    return tuple(
        StageSpan(one.time, until, one.after, one.because)
        for one, until in zip(changes, ends, strict=True)
        if until > one.time
    )


def _stalls(cook: KeptCook, piece: str, end: float) -> tuple[tuple[float, float], ...]:
    stalls, begun = [], None
    for event in named(cook, "stall"):
        if event["piece"] != piece:
            continue
        time = event_time(cook, event)
        if event["stalled"]:
            begun = time
        elif begun is not None:
            stalls.append((begun, time))
            begun = None
    if begun is not None and begun < end:
        stalls.append((begun, end))
    return tuple(stalls)


# --- the watch itself ------------------------------------------------------------------------------------------


def _safety_alarms(cook: KeptCook) -> Iterable[tuple[float, str, str]]:
    for event in named(cook, "alarm"):
        try:
            rule = rule_by_id(event["rule"])
        except KeyError:  # a rule of another version
            continue
        if rule.safety and event["before"] == "normal" and event["after"] == "unacknowledged":
            yield event_time(cook, event), event["text"], consequence(rule.id)


def _probe_troubles(cook: KeptCook, cooking: Sequence[bool], start: float, end: float) -> Iterable[ProbeTrouble]:
    """Channels in use that gave no believed value for a while."""
    meat = {channel for piece in cook.settings.pieces for _, channel in cook.probes_of(piece)}
    for channel in cook.channels:
        other = channel.role is Role.PIT and channel.pit != cook.viewed
        if channel.id not in cook.series or other or (channel.role is not Role.PIT and channel.id not in meat):
            continue
        gaps = _gaps(cook.series[channel.id], _in_use(cook, channel.id, cooking, end))
        if gaps:
            worst = max(gaps, key=lambda gap: gap[1])
            seconds = sum(length for _, length in gaps) * MINUTE
            evidence = _why_unbelieved(cook, channel.id, start + worst[0] * MINUTE, worst[1] * MINUTE)
            yield ProbeTrouble(channel.name or channel.id, len(gaps), seconds, evidence)


def _gaps(values: Sequence[float], used: Sequence[bool]) -> list[tuple[int, int]]:
    """(index of its first minute, length) of each run of minutes without a believed value while in use."""
    gaps, length = [], 0
    for index, (value, on) in enumerate((*zip(values, used, strict=True), (0.0, False))):
        if on and isnan(value):
            length += 1
        elif length:
            gaps.append((index - length, length))
            length = 0
    return gaps


def _why_unbelieved(cook: KeptCook, channel: str, begun: float, seconds: float) -> str:
    """What the watch said of the channel around that gap; the last word counts."""
    said = [
        e["evidence"]
        for e in named(cook, "quality")
        if e["channel"] == channel and e["quality"] != "good"
        and begun - SAME_DEED <= event_time(cook, e) <= begun + seconds
    ]  # fmt: skip
    return said[-1] if said else ""


def _in_use(cook: KeptCook, channel: str, cooking: Sequence[bool], end: float) -> Sequence[bool]:
    """A pit probe while anything cooks; a meat probe while its own piece lies on the fire."""
    used = [False] * len(cook.minutes)
    own = [p for p in cook.settings.pieces if any(channel == known for _, known in cook.probes_of(p))]
    for piece in own:
        spans = [s for s in _stages(cook, piece.id, end) if s.stage in ON_THE_PIT]
        for at, (minute, reader) in enumerate(zip(cook.minutes, cook.readers(piece), strict=True)):
            used[at] |= reader == channel and any(s.start <= minute * MINUTE < s.end for s in spans)
    return used if own else cooking
