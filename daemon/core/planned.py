"""What was agreed before the cook, and the cook's own reminders: plain values that settings, inputs and events carry."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class StepKind(StrEnum):
    """What a plan asks for, in the order of a cook. The pit has `light` and `serve`; every piece has the others that it
    needs, and a `serve` of its own where it is served at another time."""

    LIGHT = "light"
    PREPARE = "prepare"
    PUT_ON = "put-on"
    WRAP = "wrap"
    PROBE = "probe"
    OFF = "off"
    HOLD = "hold"
    SERVE = "serve"
    CHILL = "chill"


class From(StrEnum):
    """What a reminder counts from, or ends with: the fire lit, the pit in its band, and stages of a piece."""

    LIT = "lit"
    IN_BAND = "in-band"
    ON = "on"
    STALL = "stall"
    WRAPPED = "wrapped"
    TENDER = "tender"
    OFF = "off"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class ReminderSettings:
    """A reminder of the cook's own. text: what to do, in the cook's words. every: s from one to the next, None = once.
    start: counted from this stage, or from `at` (engine time), where the first is due at once; with neither it never comes.
    until: the stage that ends it, None = the cook's end. piece: id, None = whichever comes first. at_night: it may wake."""

    id: str
    text: str
    every: float | None = None
    start: From | None = None
    at: float | None = None
    until: From | None = None
    piece: str | None = None
    at_night: bool = False


@dataclass(frozen=True, slots=True)
class WoodSettings:
    """kind: the cook's own word. split: kg of one, None = not weighed. stock: splits at hand when the cook begins, None =
    not counted."""

    kind: str = ""
    split: float | None = None
    stock: int | None = None


@dataclass(frozen=True, slots=True)
class PlannedPiece:
    """One piece. put_on: engine time. early, likely, late: s on the fire until it is off (5, 50 and 95 %). wrap_after: s on
    the fire until its wrap, None = never wrapped. serve_at: engine time, where it is not served with the rest."""

    piece: str
    put_on: float
    early: float
    likely: float
    late: float
    wrap_after: float | None = None
    serve_at: float | None = None


@dataclass(frozen=True, slots=True)
class KeptPlan:
    """A plan that the cook agreed to. serve_at, light: engine times. rest, heat_up, log_interval: s. wake: its hours are the
    cook's alarm clock, also at night. chance of serving on time when it is kept to. wood: kg; logs: splits, kindling included.
    ambient, wind: °C and m/s that it was made for, None = not known. feeds: guests that the meat is enough for; raw: kg of raw
    meat that all guests would take; both None where nobody said how many come."""

    serve_at: float
    rest: float
    light: float
    heat_up: float
    log_interval: float
    pieces: tuple[PlannedPiece, ...]
    wake: bool = True
    chance: float = 0.9
    logs: int = 0
    wood: float = 0.0
    ambient: float | None = None
    wind: float = 0.0
    feeds: int | None = None
    raw: float | None = None


def wait_in_hold(off: float, rest: float, serve_at: float) -> float:
    """s that a piece waits hot for the guests: from the end of its rest until it is served. off: engine time at which it
    leaves the fire."""
    return max(0.0, serve_at - rest - off)


def shifted(plan: KeptPlan, by: float) -> KeptPlan:
    """The same in a clock that runs `by` s ahead."""
    pieces = tuple(
        replace(piece, put_on=piece.put_on + by, serve_at=None if piece.serve_at is None else piece.serve_at + by)
        for piece in plan.pieces
    )
    return replace(plan, serve_at=plan.serve_at + by, light=plan.light + by, pieces=pieces)
