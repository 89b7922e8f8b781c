"""What a forecaster is asked, and all that it may know."""

from __future__ import annotations

from dataclasses import dataclass, field

from daemon.core.said import Text
from daemon.core.settings import Band, PieceSettings


@dataclass(frozen=True, slots=True)
class WrapDone:
    """When a piece was wrapped and in what (a Wrap value)."""

    at: float
    material: str


@dataclass(frozen=True, slots=True)
class CoreSpot:
    """A core read once, by hand. at: engine time, s; celsius: °C; spread: °C, standard deviation of the thermometer; depth:
    where the tip was meant to be, share of the half thickness from the centre (0: the coldest place). That nobody hits the
    place is allowed for by the forecaster."""

    at: float
    celsius: float
    spread: float = 1.0
    depth: float = 0.0


@dataclass(frozen=True, slots=True)
class ForecastRequest:
    """All a forecaster may know. minutes: engine minute numbers (time // 60), same length as pit and core.
    pit, core: one-minute medians, °C, NaN where nothing good was read. stage: the piece's stage word.
    phase: "cook" (on the fire), "rest" or "hold"."""

    piece: PieceSettings
    asked_at: float
    on_at: float
    phase: str
    band: Band
    boiling_point: float
    minutes: tuple[int, ...] = field(repr=False)
    pit: tuple[float, ...] = field(repr=False)
    core: tuple[float, ...] = field(repr=False)
    wrapped: WrapDone | None = None
    spots: tuple[CoreSpot, ...] = ()
    """Readings by hand, in any order; what a piece without a probe is followed by."""
    sibling: ForecastRequest | None = field(default=None, repr=False)
    """The same question about a piece with a probe on the same pit: what its readings taught about the pit holds here too."""
    seated: tuple[float, ...] = ()
    """Engine times, s, at which the probe was seated anew, oldest first: it reads another place from then on."""
    asked_wrap: float | None = None
    """Core °C of the cook's own "if wrapped at"."""
    off_at: float | None = None
    ambient: float | None = None
    hold_cabinet: float | None = None
    hold_floor: float = 57.2
    rest: float = 3600.0
    """Planned s between off and hold."""
    suspect: Text = ""
    """Why the probe is not to be trusted; then no forecast may be shown."""
    bias_minutes: float = 0.0
    """What this pit taught: mean of truth minus forecast over past cooks, minutes per remaining hour."""

    @property
    def on_for(self) -> float:
        """s since the piece went on."""
        return self.asked_at - self.on_at
