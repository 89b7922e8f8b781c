"""The meat as a witness of its pit, and of itself: what lies in a hot pit does not cool.

A probe that stuck or fell warm goes on telling of a fire that has died, and where it is the only one nothing contradicts it but
the cores. A core falls by itself little (a stall dips by some degrees in two hours), or where somebody did something: took the
meat off, wrapped it, poured over it, moved the probe. So nothing is said of the pit after anything that a person may have done.

Of a pit that nobody sees the meat is the only witness; and that it is cooling itself is true whatever the pit is said to be. What
a person did explains so much of a fall only, and for so long.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf, isnan
from statistics import median

from daemon.core.marks import Said
from daemon.core.orders import MarkKind
from daemon.core.pieces.pieces import Pieces
from daemon.core.pieces.seat import seats
from daemon.core.pieces.stage import PiecePhase
from daemon.core.readings.trace import MINUTE, Trace

# Every number below: our choices, no source.
FALLS_FOR = 30
"""Minutes through all of which the core falls and the pit is said to be hot."""
FALLEN = 2.0
"""°C in them."""
EACH = 0.3
"""°C in each third of them: a fall and no step."""
LEFT_ALONE = 120
"""Minutes without anything that a person may have done at the meat or at the pit: what that did is over."""
DIPS = 5.0
"""°C below its highest in `LEFT_ALONE` from which no stall explains a core: in a world of other structure stalls dipped by up to
4.1."""
DEEP = 10.0
"""°C below its highest in `LEFT_ALONE` from which nothing explains a core that goes on falling but that it was taken off or that
nothing heats it: no wrap, no lid and no cold meat beside it."""
HEATS_IN = 60
"""Minutes of a hot pit within which a core that the fire had lost falls no more: the heat takes as long to its middle."""
HOTTER = 20.0
"""°C that the pit is said to be hotter than the core; the air that dries the meat keeps it some degrees colder."""
WARMER = 5.0
"""°C below the one that falls from which another core is a witness against it, if it rises."""
RISES = 0.3
"""°C in `FALLS_FOR` that a core rises."""
SMOOTHED = 5
"""Minutes whose median is one temperature."""
STANDS = 0.5
"""°C in `FALLS_FOR` of a fall that goes on: what was said of it may stand."""
COOLS_NO_MEAT = frozenset({MarkKind.FIRE_LIT, MarkKind.LOG, MarkKind.DAMPER})
"""What is done at the fire. Whatever else is marked may have been done to the meat."""
LID = frozenset({MarkKind.LID_OPEN, MarkKind.LID_CLOSED})
"""Marks that a button at the pit may make by itself."""


@dataclass(frozen=True, slots=True)
class ColdMeat:
    """pit: °C as said. core, fallen: °C of the core that falls most, and by how much in `FALLS_FOR`. surely: it begins now; else
    it may stand."""

    pit: float
    core: float
    fallen: float
    surely: bool


@dataclass(frozen=True, slots=True)
class Course:
    """What a core did in `FALLS_FOR`. core: °C now; fallen: °C, negative if it rose; falls: all the while. dipped: °C below its
    highest in `LEFT_ALONE`. surely: it falls, and deeper than a stall dips or than what was done to it explains. in_heat: its pit
    has been said to be hot for so long that no fire that was lost before explains it."""

    core: float
    fallen: float
    surely: bool
    falls: bool = False
    dipped: float = 0.0
    in_heat: bool = False

    @property
    def rises(self) -> bool:
        return self.fallen <= -RISES


def course(core: Sequence[float]) -> Course | None:
    """core: °C, the last `LEFT_ALONE` minutes, NaN = not believed. None where too little of it was read."""
    marks = [_level(core, back) for back in (FALLS_FOR, 2 * FALLS_FOR // 3, FALLS_FOR // 3, 0)]
    if any(map(isnan, marks)):
        return None
    fallen = marks[0] - marks[-1]
    # the newest is known, and NaN is never greater
    dipped = max(_level(core, back) for back in range(0, len(core) - SMOOTHED, SMOOTHED)) - marks[-1]
    falls = fallen >= FALLEN and all(before - after >= EACH for before, after in pairwise(marks))
    return Course(marks[-1], fallen, falls and dipped >= DIPS, falls, dipped)


def courses(
    pieces: Pieces, trace: Trace, said: Sequence[Said], minute: int, pit: Sequence[float] = ()
) -> dict[str, Course]:
    """Of each piece, by its id, to which nobody did anything in `FALLS_FOR`; of a probe that has left the meat nothing. Of what
    is in its tender range too: off or on, once it has plainly cooled somebody must see to it. pit: its control value in the last
    `HEATS_IN` minutes, °C, NaN where nobody saw it."""
    alone = {name for name, _ in left_alone(pieces, trace, said, minute)}
    found = dict[str, Course]()
    for name, core in left_alone(pieces, trace, said, minute, FALLS_FOR, called_off=True):
        seen = None if seats(core) else course(core)
        if seen is not None:
            hot = bool(pit) and not any(celsius < seen.core + HOTTER for celsius in pit)  # of NaN nothing is true
            surely = seen.surely and (name in alone or seen.dipped >= DEEP)
            found[name] = replace(seen, surely=surely, in_heat=hot)
    return found


def alone_cools(name: str, meat: Mapping[str, Course], tolerance: float) -> bool:
    """It has fallen for half an hour, by more than the tolerance of its probe, °C, in a pit that is well above it, and nothing
    that lies beside it falls: it is off the fire, or its probe has slid out."""
    own = meat.get(name)
    if own is None or not own.falls or not own.in_heat or own.fallen <= tolerance:
        return False
    return all(other.fallen < STANDS for piece, other in meat.items() if piece != name)


def cold_meat(pit: Sequence[float], low: float, cores: Iterable[Sequence[float]]) -> ColdMeat | None:
    """pit: control value, °C; cores: of the pieces that were left alone on it; minutes, newest last, NaN = not believed, the last
    `LEFT_ALONE` of each. low: °C from which on the pit is said to be hot."""
    hot = pit[-FALLS_FOR:]
    if len(hot) < FALLS_FOR or not min(hot) >= low or any(map(isnan, hot)):
        return None
    said, found, rising = median(hot), list[ColdMeat](), list[float]()
    for core in cores:
        seen = course(core)
        if seen is None:
            continue
        if seen.rises:
            rising.append(seen.core)
        if seen.fallen >= STANDS and min(hot) - seen.core - seen.fallen >= HOTTER and not seats(core):
            found.append(ColdMeat(said, seen.core, seen.fallen, seen.surely))
    most = max(found, key=lambda one: one.fallen, default=None)
    return None if most is None or any(core >= most.core - WARMER for core in rising) else most


def left_alone(
    pieces: Pieces,
    trace: Trace,
    said: Iterable[Said],
    minute: int,
    span: int = LEFT_ALONE,
    called_off: bool = False,
) -> Iterator[tuple[str, list[float]]]:
    """Id, and cores of the last `LEFT_ALONE` minutes, °C, of what has lain on a pit for as long and was touched by nobody for
    `span` minutes. minute: the last; said: what people said in this cook. called_off: also what is in its tender range."""
    first, touched_from = minute - LEFT_ALONE + 1, (minute - span + 1) * MINUTE
    touched = [s.what.piece for s in _counted(said) if s.done >= touched_from and s.word not in COOLS_NO_MEAT]
    for name, piece in pieces.on_fire().items():
        on_at = piece.stage.on_at
        moved = piece.settling or not piece.followed or piece.told(first, minute)
        if piece.stage.stage is PiecePhase.TENDER_RANGE and not called_off:
            continue  # whoever was called to take it off may have
        if on_at is not None and on_at <= first * MINUTE and not moved and None not in touched and name not in touched:
            yield name, piece.cores(trace, first, minute)


def _counted(said: Iterable[Said]) -> Iterator[Said]:
    """Without what is said of a lid that somebody has been at all the while: a run of such marks counts from its first.
    Opening it again and again cools no core for hours, and a button that marks itself must not keep the witness silent."""
    newest = -inf
    for one in sorted(said, key=lambda one: one.done):
        if one.word in LID:
            before, newest = newest, one.done
            if one.done - before < LEFT_ALONE * MINUTE:
                continue
        yield one


def _level(core: Sequence[float], back: int) -> float:
    """°C so many minutes ago; NaN if any of these minutes is."""
    end = len(core) - back
    window = core[max(0, end - SMOOTHED) : end]
    return median(window) if len(window) == SMOOTHED and not any(map(isnan, window)) else float("nan")
