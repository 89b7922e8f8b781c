"""Which wakes a night truly needed, from its physics and consequences alone. Knows no alarm rule, delay or detector.

The bench hands over the true night (what a perfect thermometer would have seen, minute by minute) and the wakes the
watch gave. Four questions are asked of the truth, each with its own consequence:

* fire: left alone from this minute, when does the pit leave its band at the bottom *for good* (15 min or longer)?
  A lid's dip that heals by itself is no need. The bench answers by running its simulator on with nobody tending.
* heat: how far and how long is the true pit above its band?
* process: can anybody know the pit's temperature? lid: does the lid stand open with nobody there?
* meat: when is the core truly tender; when, left alone, does held meat fall below its floor?

A *need* opens when a woken person could first do something useful, and closes when nothing is left to do. It has a
`must_by` only if the consequence came near with nobody up: then a sleeper not called by that minute was let down
(missed). A wake that falls in no need of its place is false. A wake counts for all needs at the place it sends the
person to: one who stands at the pit sees fire, heat, lid and dead probe alike.

All bounds below are ours: common practice, no source. They are wider than any alarm set point on the harmless side
and narrower on the harmful one, so that the bench judges consequences and not agreement with a set point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from math import exp, lgamma, log, sqrt

import numpy as np
from numpy.typing import NDArray

Minutes = NDArray[np.float64]
Flags = NDArray[np.bool_]

LASTING = 15
"""min below the floor that are a lost fire and not a dip."""
USEFUL_BEFORE_EXIT = 52.0
"""min: with the exit this near, adding wood is useful; further off, half an hour beyond the lead, a sleeper could have slept
on. The same bound as of the exam in `tests.bench.fire.strangers`."""
EXIT_NEAR = 5.0
"""min: an exit this near with nobody up is a need that must be told."""
SLEEPER_LEAD = 22.0
"""min a sleeper needs from the call to a burning log (2 + 5 + 5 + 10): weakly supported, a setting of the watch."""
WARM, HOT, BURNING = 5.0, 20.0, 50.0
"""°C above the band: a look is useful / 15 min of it dries and hastens the cook / fat may burn."""
HOT_FOR, BURNING_FOR = 15, 5
"""min of HOT or BURNING after which a sleeper must have been called."""
BLIND_USEFUL, BLIND_MUST = 3, 15
"""min without any true pit value: a look is useful / must have been asked for."""
LID_USEFUL, LID_MUST = 5, 25
"""min of an open lid with nobody there: a look is useful / must have been asked for if by then the pit is below its band
(draught may keep it inside: then the wood burns away sooner, and the fire need speaks of that)."""
WORSE_BY = 15.0
"""°C by which heat must have grown since a call to be another hazard than the one called for."""
TENDER_USEFUL, TENDER_MUST = 60, 30
"""min before the core is truly tender, and after."""
HOLD_USEFUL = 75.0
"""min before held meat truly falls below its floor."""
AFTERMATH = 3
"""min after a need closes in which a call is still excused: it left before the world changed."""
JUST_SLEPT = 10
"""min the cook must have slept before a must: one who has just lain down has just seen the pit."""


SOON = 5
"""min ahead that belong to a call about heat: what comes before the called person can be there."""


class Place(StrEnum):
    """Where a wake sends the person."""

    PIT = "pit"
    MEAT = "meat"
    HOLD = "hold"
    WATCH = "watch"


@dataclass(frozen=True)
class PieceTruth:
    """core: true °C a minute; seen: what its probe stands at, for nobody can know better (None = the same); on_fire: it lies
    there; tender: °C."""

    core: Minutes
    on_fire: Flags
    tender: float
    seen: Minutes | None = None


@dataclass(frozen=True)
class NightTruth:
    """One night, one value per minute, all arrays of one length.

    pit: true grate °C. exit_if_left: min until the pit leaves the band at the bottom for good if nobody acts from now
    (inf: not in process). asleep: the cook is asleep (nothing is missed and nothing false while awake). on_fire: food is
    on the fire. pit_seen: at least one pit probe tells the truth. lid_open. core: true core °C of the leading piece.
    hold_exit_if_left: min until held meat falls below its floor (inf: not held or safe). late_if_left: the meal will be
    late and something can still be done. channels_dead: no phone can be reached. low, high: band, °C. tender: °C or None.
    """

    low: float
    high: float
    pit: Minutes
    exit_if_left: Minutes
    asleep: Flags
    on_fire: Flags
    pit_seen: Flags
    lid_open: Flags
    core: Minutes
    hold_exit_if_left: Minutes
    late_if_left: Flags
    channels_dead: Flags
    tender: float | None = None
    others: tuple[PieceTruth, ...] = ()
    """Further pieces."""

    def __post_init__(self) -> None:
        lengths = {len(v) for v in vars(self).values() if isinstance(v, np.ndarray)}
        if len(lengths) != 1:
            raise ValueError(f"arrays of different lengths: {sorted(lengths)}")


@dataclass(frozen=True)
class Wake:
    """A wake call (not its repeats): minute of the night, and where its action sends the person."""

    minute: float
    place: Place


@dataclass(frozen=True)
class Need:
    """Minutes of the night. must_by: the latest call that does not let the sleeper down; None if it never came to that."""

    kind: str
    place: Place
    opens: int
    closes: int
    must_by: int | None = None


@dataclass(frozen=True)
class Verdict:
    """missed: needs whose must_by passed uncalled. false: wakes that no need asked for. leads: for each wake in a fire
    need, min left until the pit would have left its band, with whether the physics allowed the sleeper's lead."""

    needs: tuple[Need, ...]
    missed: tuple[Need, ...]
    false: tuple[Wake, ...]
    leads: tuple[tuple[float, bool], ...] = field(default=())


def lasting_exit(left_alone: Sequence[float] | Minutes, floor: float) -> float:
    """First minute of a trajectory from which on the pit is below the floor for LASTING minutes (or to the end of the
    trajectory, if that is nearer but at least one minute long); inf if never."""
    below = np.asarray(left_alone) < floor
    for start, end in _runs(below):
        if end - start >= LASTING or end == len(below):
            return float(start)
    return float("inf")


def exit_from_trace(pit: Minutes, floor: float) -> Minutes:
    """The fallback where no left-alone run is at hand: the exit that truly came. Blind to needs that were met in time."""
    return np.array([lasting_exit(pit[minute:], floor) for minute in range(len(pit))])


def needs(truth: NightTruth) -> tuple[Need, ...]:
    """Every need of the night, in order of opening."""
    found = [
        *_fire(truth),
        *_heat(truth),
        *_process_snapshot(truth),
        *_lid(truth),
        *_tender(truth),
        *_hold(truth),
        *_others(truth),
    ]
    return tuple(sorted(found, key=lambda need: (need.opens, need.kind)))


def judge(truth: NightTruth, wakes: Sequence[Wake]) -> Verdict:
    """Hold the wakes against the needs. A call a moment before the cook fell asleep or after he rose is not judged."""
    found = needs(truth)
    missed = tuple(
        need
        for need in found
        if need.must_by is not None
        and not any(w.place is need.place and need.opens <= w.minute <= need.must_by + 1 for w in wakes)
    )
    judged = [w for w in wakes if 0 <= int(w.minute) < len(truth.asleep) and truth.asleep[int(w.minute)]]
    false = tuple(w for w in judged if not any(_answers(w, need) for need in found))
    leads = tuple(
        (float(truth.exit_if_left[int(w.minute)]), bool(truth.exit_if_left[need.opens] >= SLEEPER_LEAD))
        for w in judged
        for need in found
        if need.kind == "fire" and _answers(w, need) and int(w.minute) < need.closes
    )
    return Verdict(found, missed, false, leads)


def distinctly_worse(truth: NightTruth, first: Wake, second: Wake) -> bool:
    """Is a second call soon after the first for another hazard, or the same grown worse, so that the first does not stand
    for it? At the same place the pit must by then be, or come within SOON, above HOT and WORSE_BY hotter than at the first
    call; at another place a need must have opened in between. One who goes to the pit anyway sees all else there."""
    if second.place is not first.place:
        return any(need.place is second.place and first.minute < need.opens <= second.minute for need in needs(truth))
    over = truth.pit - truth.high
    coming = float(np.max(over[int(second.minute) : int(second.minute) + SOON + 1]))
    return second.place is Place.PIT and coming > HOT and coming - float(over[int(first.minute)]) >= WORSE_BY


def rate_bound(events: int, trials: int) -> float:
    """Upper end of the one-sided 95 % interval of a rate per trial, the events being Poisson: with none, -ln 0.05 / n,
    which the rule of three rounds to 3/n. Found by halving, for a table of the distribution is not at hand."""
    low, high = float(events), events + 10.0 * (events + 1.0) ** 0.5 + 10.0
    for _ in range(80):
        mean = (low + high) / 2
        at_most = sum(exp(k * log(mean) - mean - lgamma(k + 1)) for k in range(events + 1))
        low, high = (mean, high) if at_most > 0.05 else (low, mean)
    return float(high / trials)


def at_least(kept: int, trials: int) -> float:
    """Lower end of the one-sided 95 % interval of a share (Wilson's score interval, from memory); 0 without trials."""
    if not trials:
        return 0.0
    z, share = 1.6449, kept / trials
    middle = share + z * z / (2 * trials)
    spread = z * sqrt(share * (1 - share) / trials + z * z / (4 * trials * trials))
    return float((middle - spread) / (1 + z * z / trials))


def _answers(wake: Wake, need: Need) -> bool:
    return wake.place is need.place and need.opens <= wake.minute < need.closes + AFTERMATH


def _runs(flags: Flags) -> list[tuple[int, int]]:
    """Maximal runs of True as (first, one past the last)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _first(flags: Flags, start: int, end: int) -> int | None:
    hits = np.flatnonzero(flags[start:end])
    return start + int(hits[0]) if len(hits) else None


def _uncalled(truth: NightTruth, minute: int | None, opens: int) -> int | None:
    """A must only stands if the cook slept from the opening of the need (or from later on) until then."""
    if minute is None or minute >= len(truth.asleep) or not bool(truth.asleep[minute]):
        return None
    return minute if bool(np.all(truth.asleep[max(opens, minute - JUST_SLEPT) : minute + 1])) else None


def _fire(truth: NightTruth) -> list[Need]:
    found = []
    for start, end in _runs(truth.on_fire & (truth.exit_if_left <= USEFUL_BEFORE_EXIT)):
        near = _first(truth.exit_if_left <= EXIT_NEAR, start, end)
        found.append(Need("fire", Place.PIT, start, end, _uncalled(truth, near, start)))
    return found


def _heat(truth: NightTruth) -> list[Need]:
    over = truth.pit - truth.high
    found = []
    for start, end in _runs(truth.on_fire & (over > WARM)):
        dues = [b + HOT_FOR for b, e in _runs(over > HOT) if start <= b < end and e - b > HOT_FOR]
        dues += [b + BURNING_FOR for b, e in _runs(over > BURNING) if start <= b < end and e - b > BURNING_FOR]
        found.append(Need("heat", Place.PIT, start, end, _uncalled(truth, min(dues, default=None), start)))
    return found


def _process_snapshot(truth: NightTruth) -> list[Need]:
    return [
        Need("process", Place.PIT, start + BLIND_USEFUL, end, _long(truth, start, end, BLIND_MUST))
        for start, end in _runs(truth.on_fire & ~truth.pit_seen)
        if end - start > BLIND_USEFUL
    ]


def _lid(truth: NightTruth) -> list[Need]:
    found = []
    for start, end in _runs(truth.lid_open & truth.on_fire & truth.asleep):
        if end - start > LID_USEFUL:
            due = _long(truth, start, end, LID_MUST)
            lost = due is not None and bool(np.any(truth.pit[due - LID_USEFUL : due + 1] < truth.low))
            found.append(Need("lid", Place.PIT, start + LID_USEFUL, end, due if lost else None))
    return found


def _long(truth: NightTruth, start: int, end: int, must: int) -> int | None:
    return _uncalled(truth, start + must, start) if end - start > must else None


def _tender(truth: NightTruth) -> list[Need]:
    lead = () if truth.tender is None else (PieceTruth(truth.core, truth.on_fire, truth.tender),)
    return [need for piece in (*lead, *truth.others) for need in _tender_of(truth, piece)]


def _tender_of(truth: NightTruth, piece: PieceTruth) -> list[Need]:
    seen = piece.core if piece.seen is None else piece.seen
    early = _first(piece.on_fire & (np.maximum(piece.core, seen) >= piece.tender), 0, len(piece.core))
    if early is None:
        return []
    ready = _first(piece.on_fire & (np.minimum(piece.core, seen) >= piece.tender), 0, len(piece.core))
    if ready is None:
        return [Need("tender", Place.MEAT, max(0, early - TENDER_USEFUL), len(piece.core))]
    off = _first(~piece.on_fire, ready, len(piece.core))
    closes = len(piece.core) if off is None else off
    opens = max(0, early - TENDER_USEFUL)
    due = ready + TENDER_MUST
    return [Need("tender", Place.MEAT, opens, closes, _uncalled(truth, due, ready) if due < closes else None)]


def _hold(truth: NightTruth) -> list[Need]:
    found = []
    for start, end in _runs(truth.hold_exit_if_left <= HOLD_USEFUL):
        below = _first(truth.hold_exit_if_left <= 0.0, start, end)
        found.append(Need("hold", Place.HOLD, start, end, _uncalled(truth, below, start)))
    return found


def _others(truth: NightTruth) -> list[Need]:
    """Useful, but no sleeper is let down without them: the late meal, the silent phone."""
    late = [Need("late", Place.MEAT, start, end) for start, end in _runs(truth.late_if_left & truth.on_fire)]
    return late + [Need("channels", Place.WATCH, start, end) for start, end in _runs(truth.channels_dead)]
