"""The figures of a kept cook: how steady, how even, how much wood, how much meat was left.

They count the cooking minutes only: those in which at least one piece lay on the fire.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from math import isnan, nan
from statistics import median, quantiles
from typing import Any, Final

from daemon.core.events import FireSign
from daemon.core.orders import MarkKind
from daemon.core.outlook import Goal
from daemon.core.pieces.stage import ON_THE_PIT
from daemon.core.pit.evenness import evenness
from daemon.core.pit.lessons import PieceStory, Promise, cook_lessons
from daemon.core.pit_profile import CookLessons
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Band
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.taken_back import subject_of

LEAST_MINUTES = 30
"""Cooking minutes with a believed pit below which nothing is said of its steadiness."""
SWING_CUTS = 20
"""The swing runs from the 1st to the 19th of these cuts: p05 to p95."""

SAME_LOG = 15 * MINUTE
"""s within which a marked and a noticed log are one."""


FIGURES_BY_PIT: Final = "pits"
"""Key under which the row of a cook on several pits also keeps the figures of each."""


@dataclass(frozen=True, slots=True)
class Figures:
    """cooking: s with meat on the fire. in_band: share of these in the band that was set. swing: °C from p05 to p95 of the
    pit. spread: °C between the means of the hottest and the coolest place. None: too little was read to say."""

    cooking: float = 0.0
    in_band: float | None = None
    swing: float | None = None
    spread: float | None = None


def figures(kept: KeptCook) -> Figures:
    cooking = cooking_minutes(kept)
    pit = pit_minutes(kept)
    known = [
        (minute, value) for minute, value, on in zip(kept.minutes, pit, cooking, strict=True) if on and value == value
    ]
    seconds = MINUTE * sum(cooking)
    if len(known) < LEAST_MINUTES:
        return Figures(seconds)
    inside = sum((band := band_at(kept, minute * MINUTE)).low <= value <= band.high for minute, value in known)
    cuts = quantiles((value for _, value in known), n=SWING_CUTS, method="inclusive")
    return Figures(seconds, inside / len(known), cuts[-1] - cuts[0], evenness(place_minutes(kept, cooking), {}).spread)


def place_minutes(kept: KeptCook, cooking: Sequence[bool]) -> dict[str, list[float]]:
    """Grate place -> its values of the cooking minutes."""
    return {
        channel.place or channel.name: [v for v, on in zip(kept.series[channel.id], cooking, strict=True) if on]
        for channel in kept.pit_channels
    }


def lessons(kept: KeptCook) -> CookLessons:
    """What the finished cook says about the viewed pit."""
    told = [e for e in kept.events if e.get("pit", "") == kept.viewed]
    marked = [done_time(kept, e) for e in told if e["event"] == "mark" and e["kind"] == MarkKind.LOG]
    noticed = [event_time(kept, e, "at") for e in told if e["event"] == "fire" and e["sign"] == FireSign.LOG_ADDED]
    unmarked = [at for at in noticed if all(abs(at - mark) > SAME_LOG for mark in marked)]
    return cook_lessons(
        kept.id,
        kept.minutes[0],
        pit_minutes(kept),
        marked,
        marked + unmarked,
        place_minutes(kept, cooking_minutes(kept)),
        tuple(_stories(kept)),
    )


def _stories(kept: KeptCook) -> Iterator[PieceStory]:
    """Each piece that became tender, with the forecasts of it: said by the cook or seen in the core, whichever came first."""
    for piece in kept.settings.pieces:
        own = [e for e in kept.events if e.get("piece", e.get("subject")) == piece.id]
        tender = [change.time for change in stage_changes(kept, piece.id) if change.after == "tender-range"]
        promises = (
            Promise(event_time(kept, e, "asked_at"), utc_seconds(o["at"]["p50"]) - kept.wall_offset)
            for e in own
            if e["event"] == "forecast"
            for o in e["outlooks"]
            if o["goal"] in (Goal.TENDER, Goal.TARGET) and o["scenario"] == "planned" and o["at"] is not None
        )
        if tender and kept.home(piece.id, tender[0]) == kept.viewed:
            yield PieceStory(piece.id, tender[0], tuple(promises))


def yield_fraction(weights: Mapping[str, tuple[float, float]]) -> float | None:
    """Served over raw weight of all pieces weighed both times; None when there is none."""
    weighed = [(raw, served) for raw, served in weights.values() if raw > 0 and served > 0]
    return sum(served for _, served in weighed) / sum(raw for raw, _ in weighed) if weighed else None


def pit_minutes(kept: KeptCook) -> tuple[float, ...]:
    """The median of the pit channels in each minute, °C, NaN where none was believed."""
    columns = [kept.series[c.id] for c in kept.pit_channels]
    if not columns:
        return (nan,) * len(kept.minutes)
    rows = zip(*columns, strict=True)
    return tuple(median(known) if (known := [v for v in row if not isnan(v)]) else nan for row in rows)


def cooking_minutes(kept: KeptCook) -> tuple[bool, ...]:
    """For each minute: at least one piece lay on the fire at its end; of several pits on the viewed one's."""
    changes = sorted(
        (change.time, piece.id, change.after)
        for piece in kept.settings.pieces
        for change in stage_changes(kept, piece.id)
    )
    stages: dict[str, str] = {}
    on, following = [], 0
    for minute in kept.minutes:
        while following < len(changes) and changes[following][0] <= (minute + 1) * MINUTE:
            _, subject, stage = changes[following]
            stages[subject] = stage
            following += 1
        end = (minute + 1) * MINUTE
        on.append(any(stage in ON_THE_PIT and (not kept.pits or kept.home(id_, end) == kept.viewed)
                      for id_, stage in stages.items()))  # fmt: skip
    return tuple(on)


def band_at(kept: KeptCook, time: float) -> Band:
    """The band that was set at this engine time."""
    return next((band for since, band in reversed(kept.bands) if since <= time), kept.settings.band)


@dataclass(frozen=True, slots=True)
class StageChange:
    """time: engine time at which it came about, which for a mark made late is when the thing was done. before, after, because:
    as in the event."""

    time: float
    before: str
    after: str
    because: str


def stage_changes(kept: KeptCook, subject: str) -> tuple[StageChange, ...]:
    """Those of a piece or a pit ("pit" is the first), in the order in which they came about. What was seen after a thing was
    done, and before its mark was made, gives way to the mark."""
    late = {
        (subject_of(e["kind"], e["piece"], e.get("pit", "")), e["time"]): done_time(kept, e)
        for e in kept.events
        if e["event"] == "mark" and e.get("at") is not None
    }
    found: list[StageChange] = []
    for event in kept.events:
        if event["event"] != "stage" or event["subject"] != subject:
            continue
        said, time = event["time"], event_time(kept, event)
        if event["because"] == "mark":
            everybody = None if subject != "pit" else subject
            time = late.get((subject, said), late.get((everybody, said), time))
            time = max(time, found[0].time) if found else time  # nothing was done to meat before it went on
        while found and found[-1].time > time:
            found.pop()
        if not found or found[-1].after != event["after"]:
            found.append(StageChange(time, event["before"], event["after"], event["because"]))
    return tuple(found)


def done_time(kept: KeptCook, event: Any) -> float:
    """When what a mark or a reading by hand speaks of was done, engine time, s."""
    return event_time(kept, event, "time" if event.get("at") is None else "at")


def event_time(kept: KeptCook, event: Any, key: str = "time") -> float:
    """An instant of an event, engine time, s."""
    return utc_seconds(event[key]) - kept.wall_offset


@cache
def utc_seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()
