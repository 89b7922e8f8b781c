"""About how much fat has dripped into the tray of a pit. An estimate by cut and core temperature, and said to be one:
nothing weighs it, and juice and rain come on top."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from daemon.core.pieces.piece import PieceWatch
from daemon.core.settings import Wrap

MELTS: Final = 40.0
"""°C from which fat runs: beef fat melts between 40 and 48 °C, pork fat lower (from memory)."""
RENDERS: Final = 0.5
"""Share of its fat that a piece cooked to tender loses. USDA Table of Cooking Yields for Meat and Poultry: flat half of a
brisket, lean and fat, braised: -10.2 g of fat to 100 g of raw weight (read where it is cited); raw it holds about 19 g (from
memory)."""
FAT_DENSITY: Final = 0.9
"""kg per litre of rendered fat (from memory)."""
FULL_AT: Final = 0.7
"""Share of the tray from which it is to be emptied: what comes beside fat is not counted. Common practice, no source."""
KEEPS_FAT: Final = frozenset({Wrap.FOIL, Wrap.BOAT})
"""A wrap that is a tray itself."""
NOWHERE: Final[Mapping[str, float]] = {}


class GreaseWatch:
    """kg of fat by piece, never less than before, and how much of it had dripped when the tray was last emptied. pit: as the
    core calls it."""

    def __init__(self, pit: str = "") -> None:
        self.pit = pit
        self.begin()

    def begin(self) -> None:
        """A new cook with an empty tray."""
        self._rendered: dict[str, float] = {}
        self._emptied = 0.0

    def emptied(self) -> None:
        """The tray is empty now."""
        self._emptied = sum(self._rendered.values())

    def minute(
        self, pieces: Mapping[str, PieceWatch], cores: Mapping[str, float], elsewhere: Mapping[str, float] = NOWHERE
    ) -> None:
        """cores: believed core of a piece, °C. elsewhere: kg of fat that it lost over the trays of other pits."""
        for id_, watch in pieces.items():
            own, core = watch.settings, cores.get(id_)
            if own.pit != self.pit:
                continue
            goal = own.tender_low if own.tender_low is not None else own.target
            tight = watch.stage.wrapped_at is not None and own.wrap in KEEPS_FAT
            if own.fat_percent is None or goal is None or core is None or goal <= MELTS or tight or not watch.on_fire:
                continue
            share = min(1.0, max(0.0, (core - MELTS) / (goal - MELTS)))
            melted = own.weight * own.fat_percent / 100.0 * RENDERS * share - elsewhere.get(id_, 0.0)
            self._rendered[id_] = max(melted, self._rendered.get(id_, 0.0))

    def lost(self, piece: str) -> float:
        """kg of fat of a piece that have dripped here."""
        return self._rendered.get(piece, 0.0)

    @property
    def kilograms(self) -> float:
        """In the tray now, about."""
        return max(0.0, sum(self._rendered.values()) - self._emptied)

    def share_of(self, litres: float) -> float:
        """Of a tray that holds so much; 0 without one."""
        return self.kilograms / (FAT_DENSITY * litres) if litres > 0.0 else 0.0

    def dump(self) -> dict[str, Any]:
        """As JSON-able values."""
        return {"rendered": dict(self._rendered), "emptied": self._emptied}

    def load(self, dumped: dict[str, Any]) -> None:
        """The inverse of `dump`."""
        self._rendered, self._emptied = dict(dumped["rendered"]), dumped["emptied"]
