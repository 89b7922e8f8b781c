"""STUB, being written: the food-safety record of one piece. Informs and names the rule; never certifies."""

from __future__ import annotations

from dataclasses import dataclass

from daemon.core.settings import HoldSettings, PieceSettings


@dataclass(frozen=True, slots=True)
class SafetyView:
    """What is known. Times in s, temperatures in °C, None = not reached or not known. Every line in `notes` names its rule."""

    safe_minimum_reached_at: float | None = None
    lethality_fraction: float = 0.0
    """Integrated lethality / required lethality, 1.0 = the table's time-temperature reached, probe tolerance subtracted."""
    lethality_rule: str = ""
    come_up_seconds: float = 0.0
    come_up_limit: float = 6 * 3600.0
    below_floor_seconds: float = 0.0
    hold_left_seconds: float | None = None
    """Until the time limit below the floor is used up, at the present state; None = above the floor."""
    cooling_stage: str = ""
    cooling_left_seconds: float | None = None
    notes: tuple[str, ...] = ()


class SafetyRecord:
    """One per piece; fed every minute with the core median less the probe's tolerance where that is the safe side."""

    def __init__(self, piece: PieceSettings, hold: HoldSettings, tolerance: float) -> None:
        self.view = SafetyView()

    def minute(self, now: float, core: float, stage: str) -> None:
        raise NotImplementedError

    def dump(self) -> dict[str, object]:
        raise NotImplementedError

    def load(self, dumped: dict[str, object]) -> None:
        raise NotImplementedError
