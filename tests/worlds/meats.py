"""The meat worlds by name. Leave one out as with the fires."""

from __future__ import annotations

from tests.worlds.meat.compartments import Compartments
from tests.worlds.meat.conduction import Conduction
from tests.worlds.meat.heat_clock import HeatClock
from tests.worlds.meat.meat_world import MeatWorld

MEAT_WORLDS: dict[str, MeatWorld] = {w.name: w for w in (Conduction(), Compartments(), HeatClock())}
