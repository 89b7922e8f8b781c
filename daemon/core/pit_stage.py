"""STUB, being written: the pit's stage table: unlit, lighting, heating, in-band, falling, low, out, high, runaway, cooling."""

from __future__ import annotations

from daemon.core.events import StageChanged
from daemon.core.inputs import Mark
from daemon.core.settings import Band


class PitStage:
    stage: str = "unlit"
    since: float = 0.0

    def minute(self, now: float, pit: float, slope: float, band: Band, lid_open: bool) -> list[StageChanged]:
        raise NotImplementedError

    def mark(self, mark: Mark, now: float) -> list[StageChanged]:
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
