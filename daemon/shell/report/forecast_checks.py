"""Forecast against truth: what was said along the way, and what came."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from daemon.core.outlook import Goal
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import PieceSettings
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.summary import event_time, utc_seconds

SHARES = (0.25, 0.5, 0.75, 0.9)
"""Of the way from meat-on to the goal."""
PLANNED = "planned"


@dataclass(frozen=True, slots=True)
class Said:
    """One forecast: asked_at and the three instants it gave, engine s."""

    asked_at: float
    p05: float
    p50: float
    p95: float


@dataclass(frozen=True, slots=True)
class Look:
    """The forecast that stood at a share of the way. said is None where none stood. error: s, + = said too late."""

    share: float
    at: float
    said: Said | None
    error: float | None = None
    held: bool | None = None


@dataclass(frozen=True, slots=True)
class ForecastCheck:
    """One goal of one piece. came: when the core first read the goal's temperature, engine s. all: every forecast made for
    it up to then."""

    goal: Goal
    celsius: float
    came: float
    looks: tuple[Look, ...]
    all: tuple[Said, ...] = field(repr=False)


def forecast_checks(
    cook: KeptCook,
    piece: PieceSettings,
    core: Sequence[float],
    on_at: float | None,
    wrapped_at: float | None,
    off_at: float | None,
) -> tuple[ForecastCheck, ...]:
    """Goals the piece reached by itself; a wrap made before its temperature came is no truth to hold a forecast to."""
    if on_at is None:
        return ()
    checks = []
    for goal, celsius in (
        (Goal.WRAP, piece.wrap_at), (Goal.TENDER, piece.tender_low), (Goal.TARGET, piece.target),
    ):  # fmt: skip
        came = None if celsius is None else _reached(cook, core, celsius, on_at)
        if celsius is None or came is None or (off_at is not None and came > off_at):
            continue
        if goal is Goal.WRAP and wrapped_at is not None and wrapped_at < came:
            continue
        said = _said(cook, piece.id, goal, came)
        looks = tuple(_look(share, on_at + share * (came - on_at), said, came) for share in SHARES)
        checks.append(ForecastCheck(goal, celsius, came, looks, said))
    return tuple(checks)


def _reached(cook: KeptCook, core: Sequence[float], celsius: float, since: float) -> float | None:
    """End of the first minute whose median is there; NaN never is."""
    return next(
        (
            (m + 1) * MINUTE
            for m, value in zip(cook.minutes, core, strict=True)
            if m * MINUTE >= since and value >= celsius
        ),
        None,
    )


def _said(cook: KeptCook, piece: str, goal: Goal, until: float) -> tuple[Said, ...]:
    found = []
    for event in cook.events:
        if event["event"] != "forecast" or event["piece"] != piece:
            continue
        asked_at = event_time(cook, event, "asked_at")
        outlook = next((o for o in event["outlooks"] if o["goal"] == goal and o["scenario"] == PLANNED), None)
        if asked_at <= until and outlook is not None and outlook["at"] is not None:
            p05, p50, p95 = (utc_seconds(outlook["at"][key]) - cook.wall_offset for key in ("p05", "p50", "p95"))
            found.append(Said(asked_at, p05, p50, p95))
    return tuple(found)


def _look(share: float, at: float, said: Sequence[Said], came: float) -> Look:
    standing = next((s for s in reversed(said) if s.asked_at <= at), None)
    if standing is None:
        return Look(share, at, None)
    return Look(share, at, standing, standing.p50 - came, standing.p05 <= came <= standing.p95)
