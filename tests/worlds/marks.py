"""What cooks write down of what they do: everything, some of it, only that the meat is on, or nothing; at
once, late, or never.

`Marking.of` may be asked while a night still runs: it gives the marks made up to now, and the same ones later.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from tests.worlds.lanes import PER_MINUTE, Flags, Floats
from tests.worlds.night import Night


class Marks(StrEnum):
    """How much a cook marks."""

    ALL = "all"
    SOME = "some"
    MEAT_ON = "meat-on"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class MarkMade:
    """minute of the night at which it was marked; text as in the `mark` column of a recorded cook."""

    minute: float
    text: str


@dataclass(frozen=True)
class Marking:
    """One value a pit."""

    seed: int
    share: Floats
    late: Floats
    meat_on: Flags
    lids: Flags
    dampers: Flags
    unmarked: str = ""
    """"log" or "wrapped": nobody ever marks these."""

    def minute(self, pit: int, minute: float, kind: int) -> float | None:
        """When a deed of this minute is marked, or None if never. kind tells deeds of one minute apart:
        0 lit, 1 log, 2 lid, 3 damper, then of each piece wrapped and off."""
        deed = "log" if kind == 1 else "wrapped" if kind >= 4 and kind % 2 == 0 else ""
        if deed and deed == self.unmarked:
            return None
        rng = np.random.default_rng([self.seed, pit, round(minute * PER_MINUTE), kind])
        if rng.random() >= self.share[pit]:
            return None
        late = rng.random() < self.late[pit]
        return minute + float(rng.uniform(3, 20) if late else rng.uniform(0, 1.5))

    def of(self, night: Night, pit: int) -> list[MarkMade]:
        """The marks about fire, lid and damper and that the meat is on, in order of time, up to where the
        night has got to."""
        made: list[MarkMade] = []

        def add(minute: float, text: str, kind: int) -> None:
            at = self.minute(pit, minute, kind)
            if at is not None:
                made.append(MarkMade(at, text))

        add(0.0, "fire-lit", 0)
        for log in night.logs:
            if log.pit == pit:
                add(log.step / PER_MINUTE, "log", 1)
        on = int(night.meat_on[pit])
        if on >= 0 and self.meat_on[pit]:
            made.append(MarkMade(on / PER_MINUTE + 1.0, "meat-on"))
        if self.lids[pit]:
            edges = np.diff(night.lid[: night.step, pit], prepend=0.0)
            for edge in np.flatnonzero(edges):
                add(int(edge) / PER_MINUTE, "lid-open" if edges[edge] > 0 else "lid-closed", 2)
        if self.dampers[pit]:
            for step, whose, _ in night.dampers:
                if whose == pit:
                    add(step / PER_MINUTE, "damper", 3)
        now = night.step / PER_MINUTE
        return sorted((mark for mark in made if mark.minute < now), key=lambda mark: mark.minute)


def draw_marking(seed: int, n: int, marks: Marks | None = None, stress: str | None = None) -> Marking:
    """marks: for all pits; None = 45 % all, 30 % some, 20 % only meat-on, 5 % none. stress: one of `night.UNMARKED` goes
    before it, any other changes nothing."""
    marks = Marks.NONE if stress == "nothing-marked" else marks
    rng = np.random.default_rng([seed, 3])
    kinds = np.array(list(Marks))
    policy = rng.choice(kinds, n, p=[0.45, 0.3, 0.2, 0.05]) if marks is None else np.full(n, marks)
    every, some = policy == Marks.ALL, policy == Marks.SOME
    return Marking(
        seed=seed,
        share=np.where(every, 1.0, np.where(some, rng.uniform(0.3, 0.9, n), 0.0)),
        late=np.where(every, rng.choice([0.0, 0.05], n), rng.uniform(0, 0.4, n)),
        meat_on=policy != Marks.NONE,
        lids=(every & (rng.random(n) < 0.5)) | (some & (rng.random(n) < 0.2)),
        dampers=(every & (rng.random(n) < 0.6)) | (some & (rng.random(n) < 0.2)),
        unmarked={"logs-unmarked": "log", "wraps-unmarked": "wrapped"}.get(stress or "", ""),
    )
