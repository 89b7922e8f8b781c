"""The pits that the checks of the fire draw, for tests that need some and do not care which: proving takes seconds."""

from __future__ import annotations

import numpy as np

from tests.worlds.fire.fire_world import FireWorld
from tests.worlds.fire.proving import pits_of
from tests.worlds.lanes import Lanes, take

SEED, N = 5, 24


def checked_pits(world: FireWorld) -> Lanes:
    """N proven pits."""
    return pits_of(world, SEED, N)


def some_pits(world: FireWorld, n: int = 6) -> Lanes:
    """The first n of them."""
    return take(checked_pits(world), np.arange(n))
