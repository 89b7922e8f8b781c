"""What is known of a simulated cook or fire afterwards: what was sensed, what was true, what was done.

Units: °C, min, kg, m. Index i of every trace is minute i.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class CookRecord:
    """One cook as a bench sees it.

    Declared (what a cook would tell the watch): cut, weight, thickness (measured with a kitchen ruler), shape (typical of the
    cut), fat_percent, band_low/high, plan_wrap ("foil", "paper", "boat" or None), plan_wrap_at, tender_low.
    Sensed: pit_read, core_read (one a minute, quantised). True: pit_true (air at the meat), core_true (centre).
    Happened: wrapped, wrapped_minute, plan_broken; logs and lid_openings (start minute, length in s); dips (start,
    end) while nobody tended the fire; stalls (start, end) by the label of `stall_label`; wrap_minute: core_true first
    reaches plan_wrap_at (whether or not it is wrapped then); tender_minute: core_true first reaches tender_low, None if never.
    """

    name: str
    cut: str
    weight: float
    thickness: float
    shape: float
    fat_percent: float
    band_low: float
    band_high: float
    plan_wrap: str | None
    plan_wrap_at: float | None
    tender_low: float
    pit_true: Array = field(repr=False)
    pit_read: Array = field(repr=False)
    core_true: Array = field(repr=False)
    core_read: Array = field(repr=False)
    evaporating_share: Array = field(repr=False)
    wrapped: str | None
    wrapped_minute: int | None
    plan_broken: bool
    wrap_minute: int | None
    tender_minute: int | None
    stalls: tuple[tuple[int, int], ...]
    logs: tuple[float, ...]
    damper_changes: tuple[float, ...]
    lid_openings: tuple[tuple[float, float], ...]
    dips: tuple[tuple[float, float], ...]
    ambient: float
    mass_left: float

    @property
    def minutes(self) -> npt.NDArray[np.int64]:
        return np.arange(self.core_true.size)


@dataclass(frozen=True, slots=True)
class FireEpisode:
    """A pit tended for some hours and then left alone from `left_alone` on (nobody feeds it or moves the damper).

    exit_minute: first minute from which pit_true stays below band_low. last_log: minute of the last log. damper_changes:
    (minute, new setting). lid_openings: (start minute, length in s).
    """

    name: str
    set_point: float
    band_low: float
    band_high: float
    pit_true: Array = field(repr=False)
    pit_read: Array = field(repr=False)
    logs: tuple[float, ...]
    lid_openings: tuple[tuple[float, float], ...]
    damper_changes: tuple[tuple[float, float], ...]
    left_alone: int
    last_log: float
    exit_minute: int
    ambient: float


def stall_label(
    core: Array, pit: Array, evaporating_share: Array, band_low: float, wrapped_minute: int | None
) -> tuple[tuple[int, int], ...]:
    """Where a stall truly is: [(start, end)] in minutes, end not included.

    Unwrapped; core 55-85 °C; mean pit of the last 45 min above band_low - 3; evaporation takes more than half of the heat the
    surface receives; the core rises slower than 6 °C/h (over 30 min, centred) and than 0.4 of its fastest rise so
    far; all that for 30 min or more. Pieces less than 25 min apart are one stall.
    """
    n = core.size
    if n < 90:
        return ()
    half = 15
    slope = np.full(n, np.nan)
    slope[half : n - half] = (core[2 * half :] - core[: n - 2 * half]) * 2.0
    slope[n - half :] = slope[n - half - 1]
    peak = np.maximum.accumulate(np.nan_to_num(slope, nan=0.0))
    summed = np.concatenate([[0.0], np.cumsum(pit)])
    start = np.maximum(np.arange(n) - 44, 0)
    pit_mean = (summed[np.arange(n) + 1] - summed[start]) / (np.arange(n) + 1 - start)
    stalled = (
        (core > 55)
        & (core < 85)
        & (pit_mean > band_low - 3)
        & (evaporating_share > 0.5)
        & (slope < 6)
        & (slope < 0.4 * peak)
    )
    if wrapped_minute is not None:
        stalled[wrapped_minute:] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[0], stalled.astype(int), [0]])))
    pieces: list[list[int]] = []
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if pieces and a - pieces[-1][1] < 25:
            pieces[-1][1] = int(b)
        else:
            pieces.append([int(a), int(b)])
    return tuple((a, b) for a, b in pieces if b - a >= 30)
