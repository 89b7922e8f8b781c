"""The fire worlds by name. Leave one out: `{name: w for name, w in FIRE_WORLDS.items() if name != out}`."""

from __future__ import annotations

from tests.worlds.fire.coals import Coals
from tests.worlds.fire.draught import Draught
from tests.worlds.fire.fire_world import FireWorld
from tests.worlds.fire.kernels import Kernels
from tests.worlds.fire.masonry import Masonry
from tests.worlds.fire.zones import Zones

FIRE_WORLDS: dict[str, FireWorld] = {w.name: w for w in (Zones(), Draught(), Kernels(), Masonry(), Coals())}
