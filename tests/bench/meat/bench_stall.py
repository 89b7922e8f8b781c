"""Scores the stall watch on simulated cooks it has never seen, against its targets and a naive slope.

    python -m tests.bench.figures --only stall --seed 4711

The truth is the simulator's own label (drivers.simulated.records.stall_label): evaporation eats more than half of the
heat while the core hardly climbs in a pit that is hot enough. No thermometer sees evaporation, so beside it stands a
label by the core alone: it climbs slower than 6 °C/h, and slower than .4 of its fastest so far, for 30 min or more,
between 55 and 85 °C, unwrapped, while the pit is in its band (mean of 45 min no more than 3 °C under it). Both labels,
on both truths. Lines that miss say MISSED.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import nan

import numpy as np

from daemon.core.pieces.stall import DONE, StallWatch
from daemon.core.pit.signs import slope
from daemon.core.settings import Band
from drivers.simulated.batch import simulate_cooks
from drivers.simulated.records import Array, CookRecord, stall_label
from tests.bench.figure import NO_TARGET, Figure
from tests.bench.meat.second_truth import second_cooks

GRACE = 20
"""Minutes around a label within which an onset is not false."""
UNSURE = 0.4
END_WITHIN = 45
"""Minutes from the end of a stall to the word of it."""
CLIMBS, CLIMB_SPAN = 8.0, 20
"""°C/h of the true core over CLIMB_SPAN minutes either side of an onset: no label calls that a stall."""
END_BELOW = 81.0
"""°C: a stall that ends hotter runs into the end of the watch's range, which ends it anyway."""
CLIMBS_ON, CLIMBS_BELOW = 8.0, 78.0
"""A stalled core truly climbs again when it gains CLIMBS_ON °C in the next hour; asked below CLIMBS_BELOW °C only, from
where the end of the watch's range is still far off."""
SLOW = 3.0
"""°C in half an hour: a core that gains less is as slow as the labels ask."""
AGAIN_WITHIN = 60
"""Minutes: an end after which a stall is told again so soon was a false one."""
LID_AFTER = 15
"""Minutes after an open lid within which a false onset is laid to it."""


@dataclass
class Score:
    """All over many cooks. false: (cook, minute) of false onsets; dips, lids, climbing, slow: how many of them came from
    low fires and open lids, while the core truly climbed, and near a truly slow half hour. ends: minutes until the end of
    a found stall was told, None when it never was; climbs: the same from where its core truly climbs again. told: ends
    told below DONE and unwrapped, right or wrong; taken_back: how many of them were soon followed by a stall."""

    cooks: int = 0
    stalls: int = 0
    delays: list[float] = field(default_factory=list)
    false: list[tuple[int, int]] = field(default_factory=list)
    dips: int = 0
    lids: int = 0
    climbing: int = 0
    slow: int = 0
    ends: list[float | None] = field(default_factory=list)
    climbs: list[float | None] = field(default_factory=list)
    told: int = 0
    taken_back: int = 0
    truths: list[float] = field(default_factory=list)
    said: list[float] = field(default_factory=list)


def by_core_alone(cook: CookRecord) -> CookRecord:
    """The same cook, labelled without the share of evaporation: a core that hardly climbs in a hot pit is then a stall
    whatever holds it back."""
    everything = np.ones_like(cook.core_true)
    stalls = stall_label(cook.core_true, cook.pit_true, everything, cook.band_low, cook.wrapped_minute)
    return replace(cook, stalls=stalls)


def states(cook: CookRecord) -> tuple[list[bool], list[float]]:
    """What the watch says every minute: stalled, probability."""
    watch, band = StallWatch(), Band(cook.band_low, cook.band_high)
    said: list[bool] = []
    probable: list[float] = []
    for minute, (core, pit) in enumerate(zip(cook.core_read.tolist(), cook.pit_read.tolist(), strict=True)):
        wrapped = cook.wrapped_minute is not None and minute >= cook.wrapped_minute
        watch.minute(minute * 60.0, core, pit, band, wrapped)
        said.append(watch.stalled)
        probable.append(watch.probability)
    return said, probable


def naive(cook: CookRecord) -> tuple[list[bool], list[float]]:
    """Half-hour slope under 6 °C/h, core 50-88 °C, nothing else."""
    core = cook.core_read.tolist()
    said = [
        m >= 30
        and 50 < core[m] < 88
        and slope(core[m - 29 : m + 1]) * 60 < 6
        and (cook.wrapped_minute is None or m < cook.wrapped_minute)
        for m in range(len(core))
    ]
    return said, [float(s) for s in said]


def from_lid(cook: CookRecord, onset: int, method: Callable[[CookRecord], tuple[list[bool], list[float]]]) -> bool:
    """Was this onset made by an open lid: is it gone when the lid's mark on the pit trace is taken away?"""
    lids = [int(a) for a, _ in cook.lid_openings if 0 <= onset - a <= LID_AFTER]
    if not lids:
        return False
    pit = cook.pit_read.copy()
    for lid in lids:
        last = min(lid + LID_AFTER, pit.size - 1)
        pit[lid : last + 1] = np.linspace(pit[max(0, lid - 1)], pit[last], last + 1 - lid)
    said, _ = method(replace(cook, pit_read=pit))
    return not any(said[max(0, onset - 5) : onset + 6])


def climbs_again(cook: CookRecord, start: int, stop: int) -> int | None:
    """First minute in [start, stop) from which the true core gains CLIMBS_ON in an hour; None if there is none, or if
    the answer is not to be had: wrapped or taken off within END_WITHIN, or CLIMBS_BELOW already passed."""
    gain = cook.core_true[60:] - cook.core_true[:-60]
    found = np.flatnonzero(gain[start:stop] >= CLIMBS_ON)
    if not found.size:
        return None
    minute = start + int(found[0])
    wrapped = cook.wrapped_minute is not None and minute >= cook.wrapped_minute - END_WITHIN
    return None if wrapped or cook.core_true[minute] >= CLIMBS_BELOW else minute


def score(cooks: Sequence[CookRecord], method: Callable[[CookRecord], tuple[list[bool], list[float]]]) -> Score:
    total = Score(cooks=len(cooks))
    for number, cook in enumerate(cooks):
        said, probable = method(cook)
        onsets = [m for m in range(1, len(said)) if said[m] and not said[m - 1]]
        offsets = [m for m in range(1, len(said)) if said[m - 1] and not said[m] and cook.core_read[m] <= DONE]
        if cook.wrapped_minute is not None:
            offsets = [m for m in offsets if m < cook.wrapped_minute]
        total.told += len(offsets)
        total.taken_back += sum(any(m < onset <= m + AGAIN_WITHIN for onset in onsets) for m in offsets)
        total.stalls += len(cook.stalls)
        for start, end in cook.stalls:
            heard = next((m for m in range(start, min(end, len(said))) if said[m]), None)
            if heard is None:
                continue
            total.delays.append(heard - start)
            following = min([a for a, _ in cook.stalls if a > end], default=len(said))
            climb = climbs_again(cook, start, following)
            if climb is not None and any(said[max(start, climb - GRACE) : climb + 1]):
                total.climbs.append(next((m - climb for m in range(climb, following) if not said[m]), None))
            wrapped = cook.wrapped_minute is not None and end >= cook.wrapped_minute - 5
            if end < len(said) - END_WITHIN and not wrapped and cook.core_true[end] < END_BELOW and said[end - 1]:
                total.ends.append(next((m - end for m in range(end, following) if not said[m]), None))
        for onset in onsets:
            if any(start - GRACE <= onset <= end for start, end in cook.stalls):
                continue
            total.false.append((number, onset))
            low = np.mean(cook.pit_true[max(0, onset - 45) : onset]) < cook.band_low - 3
            total.dips += bool(low or any(a <= onset <= b + 30 for a, b in cook.dips))
            total.lids += from_lid(cook, onset, method)
            first, last = max(0, onset - CLIMB_SPAN), min(cook.core_true.size - 1, onset + CLIMB_SPAN)
            total.climbing += (cook.core_true[last] - cook.core_true[first]) * 60 / (last - first) >= CLIMBS
            near = cook.core_true[max(0, first - 15) : last + 16]
            total.slow += bool((near[30:] - near[:-30] < SLOW).any())
        truth = np.zeros(len(said))
        for start, end in cook.stalls:
            truth[start:end] = 1
        total.truths += truth[::10].tolist()
        total.said += probable[::10]
    return total


def soon(waits: Sequence[float | None]) -> float:
    """Share of what was told within END_WITHIN; None was never told."""
    return len([wait for wait in waits if wait is not None and wait <= END_WITHIN]) / len(waits) if waits else nan


def reliability(said: Array, truths: Array) -> tuple[float, str]:
    """How far the probability is from how often it came true, in fifths: mean over all that was said, and the fifths."""
    fifth = np.minimum((said * 5).astype(int), 4)
    rows = [(said[fifth == f].mean(), truths[fifth == f].mean(), (fifth == f).mean()) for f in np.unique(fifth)]
    words = ", ".join(f"{meant:.2f} came true {was:.2f}" for meant, was, _ in rows)
    return float(sum(abs(meant - was) * share for meant, was, share in rows)), words


def stall_figures(name: str, total: Score, plain: Score) -> list[Figure]:
    """The figures of one truth; plain: the naive slope on the same cooks, printed beside."""

    def rates(t: Score) -> tuple[float, float, float, float, float]:
        middle, late = np.percentile(t.delays, [50, 90]) if t.delays else (nan, nan)
        return len(t.delays) / max(1, t.stalls), middle, late, t.dips / t.cooks, len(t.false) / t.cooks

    mine, theirs = rates(total), rates(plain)
    wanted = (
        ("found", ">= .95", mine[0] >= 0.95),
        ("delay, median min", "<= 15", mine[1] <= 15),
        ("delay, p90 min", "<= 35", mine[2] <= 35),
        ("false onsets a cook, from fire dips", "<= .03", mine[3] <= 0.03),
        ("false onsets a cook, all", "<= .20", mine[4] <= 0.20),
    )
    rows = [
        Figure(f"{name}: {what}", value, target, bool(met), f"half-hour slope {other:.3f}")
        for (what, target, met), value, other in zip(wanted, mine, theirs, strict=True)
    ]
    truths, said = np.array(total.truths), np.array(total.said)
    brier, always = float(np.mean((said - truths) ** 2)), float(np.var(truths))
    unsure = float((said[truths > 0] < UNSURE).mean()) if truths.any() else nan
    off, fifths = reliability(said, truths)
    ends, climbs = soon(total.ends), soon(total.climbs)
    unheard = sum(late is None for late in total.ends)
    cooks = total.cooks
    return [
        *rows,
        Figure(f"{name}: of these while the core truly climbed 8 °C/h or more", total.climbing / cooks, NO_TARGET, True,
               "the others are slow cores that the label does not call a stall"),
        Figure(f"{name}: of these near a half hour truly under 6 °C/h", total.slow / cooks, NO_TARGET, True,
               "too short for the label, after a low fire, or (first label) short of evaporation"),
        Figure(f"{name}: false onsets after an open lid, number", total.lids, "0", total.lids == 0),
        Figure(f"{name}: Brier score of the probability", brier, f"< {always:.3f}", brier < always, "the mean, always"),
        Figure(f"{name}: probability off by, mean", off, NO_TARGET, True, f"said {fifths}"),
        Figure(f"{name}: stalled minutes shown as under {UNSURE}", unsure, "<= .15", unsure <= 0.15,
               "common practice, no source"),
        Figure(f"{name}: ends told within {END_WITHIN} min", ends, ">= .50", ends >= 0.5,
               f"common practice, no source; n {len(total.ends)}, never told {unheard}"),
        Figure(f"{name}: told within {END_WITHIN} min where the core climbs on by 8 °C an hour", climbs, ">= .50",
               climbs >= 0.5, f"common practice, no source; n {len(total.climbs)}"),
        Figure(f"{name}: ends told a cook, unwrapped", total.told / cooks, NO_TARGET, True),
        Figure(f"{name}: of these taken back within {AGAIN_WITHIN} min", total.taken_back / cooks, NO_TARGET, True),
    ]  # fmt: skip


def figures(cooks: int, seed: int) -> list[Figure]:
    """Every figure of the stall watch, on `cooks` cooks of each truth."""
    first, second = simulate_cooks(seed, cooks), second_cooks(seed, cooks)
    truths = {
        "simulated cooks": first,
        "simulated cooks, label by the core alone": [by_core_alone(c) for c in first],
        "second truth": second,
        "second truth, label by the core alone": [by_core_alone(c) for c in second],
    }
    return [f for name, drawn in truths.items() for f in stall_figures(name, score(drawn, states), score(drawn, naive))]
