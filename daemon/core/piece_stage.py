"""STUB, being written: a piece's stage table: waiting, on, cooking, stall, past-stall, wrapped, tender-range, off, rest, hold, chill, done."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.events import StageChanged
from daemon.core.inputs import Mark
from daemon.core.settings import PieceSettings


@dataclass(frozen=True, slots=True)
class PieceSigns:
    """What is known about a piece this minute. °C, NaN = unknown; slope °C per minute over 10 min."""

    core: float
    slope: float
    pit: float
    stalled: bool


class PieceStage:
    stage: str = "waiting"
    since: float = 0.0
    on_at: float | None = None
    off_at: float | None = None
    wrapped_at: float | None = None

    def __init__(self, piece: PieceSettings) -> None:
        self.piece = piece

    def minute(self, now: float, signs: PieceSigns) -> list[StageChanged]:
        raise NotImplementedError

    def mark(self, mark: Mark, now: float) -> list[StageChanged]:
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
