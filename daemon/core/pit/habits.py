"""What this pit's own fires have shown: how soon a log turns it, when it peaks, how fast it falls, how often it is fed.

Each figure is the middle of the last fires in logarithms, held back towards a usual pit while few are known. Nothing here
looks at the band: a pit keeps its habits whatever the cook wants of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, inf, log
from statistics import median

from daemon.core.pit_profile import ClassFigure

PRIOR_FIRES = 1.5
"""Fires that the usual pit counts for beside this pit's own. Chosen on worlds left in."""
FIRES_KEPT = 8
"""Newest fires that make the habits."""
COMPARED = 4
"""Newest fires that the present one is compared with."""
TURN_WITHIN = 25
"""Minutes after a log in which the pit must turn for the log to have caught: common practice, no source."""
SEEN_TURN = 3.0
"""Minutes that a log needs at least to turn a pit; what turned sooner was turning by itself. Common practice, no source."""
LEAST_RISE = 1.0
"""°C from trough to peak below which nothing is learned."""
LEAST_FALL = 6
"""Minutes between a peak and the next log that tell a fall."""
FALL_SPAN = 10
"""Minutes over which the fastest fall of a fire is taken."""
TAIL = 12
"""Minutes after the next log for which a pit still falls as if nobody had fed it, at most."""

LIKE_A_PIT = 10.0
"""Times the usual figure that a pit's may be, or the same part of it. Common practice, no source."""

NONE = -999.0
"""In a row of plain numbers: not known."""
SHORTEST = 5
"""Minutes of a fire that is kept, at least."""
FIGURES = 6
"""Numbers in a row before its minutes."""

USUAL = {"turn": 6.0, "peak": 25.0, "rise": 12.0, "fall": 0.45, "fastest": 0.8, "gap": 40.0}
"""A pit of which nothing is known: min, min, °C, °C/min, °C/min, min. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class PastFire:
    """One fire from its log to the next, and on to the turn that the next one made. minutes: °C from the log on.

    turn, peak: minutes after the log, None where the log made no turn. gap: minutes to the next log."""

    minutes: tuple[float, ...]
    gap: float
    turn: float | None = None
    peak: float | None = None
    rise: float | None = None
    fall: float | None = None
    fastest: float | None = None


def class_fire(figures: Sequence[ClassFigure], low: float, high: float) -> PastFire:
    """The usual fire of pits that are built alike, laid on in the middle of the band (°C): it goes on falling until it turns,
    climbs, slackens towards its peak, and falls again. What the class hardly knows stays near a usual pit."""
    told = {one.figure: one for one in figures}
    shape = {
        name: exp(
            (PRIOR_FIRES * log(usual) + told[name].fires * log(told[name].middle)) / (PRIOR_FIRES + told[name].fires)
        )
        if name in told
        else usual
        for name, usual in USUAL.items()
    }
    turn = max(1, round(shape["turn"]))
    peak = max(turn + 1, round(shape["peak"]))
    gap = max(peak + LEAST_FALL, round(shape["gap"]))
    trough = (low + high) / 2 - shape["fall"] * turn
    minutes = [trough + shape["fall"] * (turn - at) for at in range(turn)]
    for at in range(turn, gap + turn + 1):
        left = max(0.0, 1.0 - (at - turn) / (peak - turn))
        minutes.append(trough + shape["rise"] * (1.0 - left**2) - shape["fall"] * max(0, at - peak))
    return PastFire(
        tuple(minutes), float(gap), float(turn), float(peak), shape["rise"], shape["fall"], shape["fastest"]
    )


def past_fire(minutes: Sequence[float], gap: int, noise: float) -> PastFire:
    """minutes: °C, one a minute from the log on, without holes, some of them after the next log, which went in at `gap`."""
    tail = minutes[gap : gap + TAIL]
    if tail:
        lowest = min(range(len(tail)), key=tail.__getitem__)
        minutes = minutes[: gap + lowest + 1]
    else:
        minutes = minutes[:gap]
    if len(minutes) < FALL_SPAN:
        return PastFire(tuple(minutes), float(gap))
    early = minutes[:TURN_WITHIN]
    turn = min(range(len(early)), key=early.__getitem__)
    peak = max(range(turn, len(minutes)), key=minutes.__getitem__)
    rise = minutes[peak] - minutes[turn]
    if rise < max(LEAST_RISE, 3.0 * noise):
        return PastFire(tuple(minutes), float(gap))
    falls = [minutes[i] - minutes[i + FALL_SPAN] for i in range(peak, len(minutes) - FALL_SPAN)]
    fastest = max(falls, default=0.0) / FALL_SPAN
    length = len(minutes) - 1 - peak
    fall = (minutes[peak] - minutes[-1]) / length if length >= LEAST_FALL else 0.0
    return PastFire(
        tuple(minutes), float(gap), max(1.0, turn), max(1.0, peak), rise, fall or None, fastest if fastest > 0 else None
    )


class PitHabits:
    """The last fires and what is usual by them."""

    def __init__(self) -> None:
        self.fires: list[PastFire] = []
        self.class_figures: tuple[ClassFigure, ...] = ()
        self._class_fire: PastFire | None = None
        self._band = (0.0, 0.0)
        self._usual: dict[str, float] = dict(USUAL)
        self.slow_turn = USUAL["turn"]
        """Minutes from a log to the turn, by the logs that found this pit falling: one that is laid on a climb shows none."""

    def use_class(self, figures: tuple[ClassFigure, ...]) -> None:
        """What pits that are built alike have shown stands for the first fire of this one, () = nothing does. Its own fires
        push it out like any older one. Figures that no pit can have are passed over."""
        self.class_figures = tuple(
            one
            for one in figures
            if one.figure in USUAL
            and USUAL[one.figure] / LIKE_A_PIT <= one.middle <= USUAL[one.figure] * LIKE_A_PIT
            and 0 < one.fires < inf
        )
        self._lay_class_fire()

    def in_band(self, low: float, high: float) -> None:
        """°C between which the pit is to stay from now on."""
        if self._band != (low, high):
            self._band = (low, high)
            self._lay_class_fire()

    def _lay_class_fire(self) -> None:
        self._class_fire = class_fire(self.class_figures, *self._band) if self.class_figures else None
        self._learn()

    @property
    def known(self) -> list[PastFire]:
        """The fires that make the habits, oldest first: the class's, then this pit's own."""
        return (self.fires if self._class_fire is None else [self._class_fire, *self.fires])[-FIRES_KEPT:]

    def add(self, fire: PastFire) -> None:
        self.fires = [*self.fires, fire][-FIRES_KEPT:]
        self._learn()

    def usual(self, figure: str) -> float:
        """One of USUAL's figures, for this pit."""
        return self._usual[figure]

    def _learn(self) -> None:
        turns = [f.turn for f in self.known if f.turn is not None and f.turn >= SEEN_TURN]
        self.slow_turn = exp((PRIOR_FIRES * log(USUAL["turn"]) + sum(map(log, turns))) / (PRIOR_FIRES + len(turns)))
        for figure, prior in USUAL.items():
            known = [v for fire in self.known if (v := getattr(fire, figure)) is not None and v > 0]
            self._usual[figure] = exp((PRIOR_FIRES * log(prior) + sum(map(log, known))) / (PRIOR_FIRES + len(known)))

    def left_as_before(self, since: int, height: float) -> float | None:
        """Minutes in which earlier fires, so long after their log, fell by `height` °C: the middle of the last ones. None
        while no fire is known."""
        told = [
            self._until(fire, since, fire.minutes[since] - height)
            for fire in self._latest()
            if 0
            <= since
            < len(fire.minutes)  # else it was over by then; or the log's own time, from a damaged journal, lies ahead
        ]
        return median(told) if told else None

    def left_as_fallen(self, fallen: float, height: float) -> float | None:
        """The same of earlier fires once they had fallen by `fallen` °C from their peak."""
        told = []
        for fire in self._latest():
            if fire.peak is None:
                continue
            top = fire.minutes[int(fire.peak)]
            at = next((i for i in range(int(fire.peak), len(fire.minutes)) if fire.minutes[i] <= top - fallen), None)
            if at is not None:
                told.append(self._until(fire, at, fire.minutes[at] - height))
        return median(told) if told else None

    def spans(self, low: float) -> list[float]:
        """Minutes from their log until earlier fires fell to `low` °C, or would have."""
        return [self._until(f, int(f.peak), low) + f.peak for f in self._latest() if f.peak is not None]

    def _latest(self) -> list[PastFire]:
        return self.known[-COMPARED:]

    def _until(self, fire: PastFire, since: int, goal: float) -> float:
        """Minutes from minute `since` of a fire until it fell to `goal` °C, carried on at its fastest fall where it was fed
        before."""
        minutes = fire.minutes
        at = next((i for i in range(since, len(minutes)) if minutes[i] <= goal), None)
        if at is not None:
            return float(at - since)
        pace = max(fire.fastest or 0.0, 0.5 * self._usual["fastest"])
        return len(minutes) - 1 - since + (minutes[-1] - goal) / pace

    def rows(self) -> tuple[tuple[float, ...], ...]:
        """For a checkpoint or a profile: one row a fire, plain numbers."""
        return tuple(
            (
                f.gap,
                *(NONE if v is None else v for v in (f.turn, f.peak, f.rise, f.fall, f.fastest)),
                *f.minutes,
            )
            for f in self.fires
        )

    def use(self, rows: tuple[tuple[float, ...], ...]) -> None:
        """The inverse of `rows`, in place of what is known. Rows of earlier versions are too short and are passed over."""
        whole = (row for row in rows if len(row) >= FIGURES + SHORTEST)
        self.fires = [
            PastFire(tuple(row[FIGURES:]), row[0], *(None if v == NONE else v for v in row[1:FIGURES])) for row in whole
        ][-FIRES_KEPT:]
        self._learn()
