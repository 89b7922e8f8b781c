"""A wrap that nobody marked: bodies that stayed bare, and beside them the same wrapped when the plan would have it.

Both are carried along, and the readings decide between them: each ten-minute core is more likely under one of the two. A
forecast is asked of members of both, as many of each as its story is likely. Where the readings have ruled the wrap out, it may
still have come later: the second story begins anew from the bare one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from daemon.core.forecast.assimilation import BLOCK_STEPS, Bodies, Course, brought_up, carry
from daemon.core.forecast.body import Array, Surroundings
from daemon.core.forecast.members import MEMBERS, traits_of
from daemon.core.forecast_request import ForecastRequest

FORGOTTEN: Final = 0.5
"""Chance, before the readings tell, that whoever planned a wrap and marked none has wrapped. Ours, no source."""
RULED_OUT: Final = 0.05
"""Chance of a wrap below which it has not been. Ours, no source."""
WORTH_ASKING: Final = (0.2, 0.8)
"""Chances of a wrap between which it is open. Ours, no source."""
MOVES_BY: Final = 0.25
MOVES_LEAST: Final = 20 * 60.0
"""Share of the time left, and s, by which the wrap must move the forecast to be asked about. Ours, no source."""


@dataclass(slots=True)
class Stories:
    """bare: as marked. wrapped: as if wrapped before step `since`; None while no wrap is due, or where one is marked."""

    bare: Bodies
    wrapped: Bodies | None = None
    since: int = 0

    @property
    def blocks(self) -> int:
        return self.bare.blocks

    @property
    def chance(self) -> float:
        """That it is wrapped although nobody said so."""
        if self.wrapped is None:
            return 0.0
        for_it = self.wrapped.evidence - self.bare.evidence + np.log(FORGOTTEN / (1.0 - FORGOTTEN))
        return float(1.0 / (1.0 + np.exp(-np.clip(for_it, -50.0, 50.0))))


def carry_stories(stories: Stories, request: ForecastRequest, course: Course, blocks: int) -> None:
    """Move both on to the end of block `blocks`, in place."""
    if course.wrap_step is not None or request.piece.wrap is None or request.piece.wrap_at is None:
        stories.wrapped = None
        carry(stories.bare, request, course, blocks)
        return
    for block in range(stories.blocks, blocks):
        carry(stories.bare, request, course, block + 1)
        if stories.wrapped is not None:
            carry(stories.wrapped, request, _as_if(course, request, stories.since), block + 1)
        if stories.chance < RULED_OUT and course.core[block] >= request.piece.wrap_at:
            stories.wrapped, stories.since = stories.bare.copy(), (block + 1) * BLOCK_STEPS


def _as_if(course: Course, request: ForecastRequest, step: int) -> Course:
    return replace(course, wrap_step=step, material=request.piece.wrap)


def told_by(stories: Stories, request: ForecastRequest, course: Course) -> tuple[Bodies, NDArray[np.bool_]]:
    """Members of both stories at the moment of the question, as many of each as it is likely; and which of them are wrapped
    although nobody said so."""
    bare = brought_up(stories.bare, request, course)
    if stories.wrapped is None:
        return bare, np.zeros(MEMBERS, dtype=bool)
    wrapped = brought_up(stories.wrapped, request, _as_if(course, request, stories.since))
    passed = np.floor(np.arange(MEMBERS + 1) * stories.chance)
    those = passed[1:] > passed[:-1]
    z = np.where(those, wrapped.z, bare.z)
    ensemble = bare.ensemble.take(np.arange(MEMBERS))
    ensemble.correct(traits_of(z, request.piece, 0.0), np.where(those, wrapped.ensemble.state(), bare.ensemble.state()))
    around = Surroundings(
        *(np.where(those, getattr(wrapped.around, name), getattr(bare.around, name)) for name in Surroundings.__slots__)
    )
    likely = wrapped if stories.chance > 0.5 else bare
    return replace(likely, z=z, ensemble=ensemble, around=around), those


def hangs_on_wrap(left: Array, wrapped: NDArray[np.bool_]) -> bool:
    """Whether to ask about the wrap: the readings leave it open, and it moves the forecast. left: s until the piece comes off, of
    each member, inf = never."""
    if not WORTH_ASKING[0] <= wrapped.mean() <= WORTH_ASKING[1]:
        return False
    one, other = float(np.median(left[wrapped])), float(np.median(left[~wrapped]))
    return bool(abs(one - other) >= max(MOVES_BY * min(one, other), MOVES_LEAST)) if min(one, other) < np.inf else False
