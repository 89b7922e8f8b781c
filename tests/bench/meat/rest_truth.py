"""What becomes of pieces off the fire, under both truths: on a table, in a closed box, in a cabinet, in one that goes
cold, and chilled.

    rests: list[Rest] = rests_of("simulated cooks", seed=5, n=150)
    chills: list[Chill] = chills_of("second truth", seed=5, n=150)

A piece goes off when its true core is tender. From then on its body, with all the heat and water it has, stands in other
air: the state is copied from the cook minute by minute, and nothing of the simulators is changed. Air and draught about a
piece are those of `drivers.simulated.cook` (still air in a room, a cabinet, a fridge); what a closed box does and how the
rooms are drawn is chosen. Units: °C, Pa, s; index i of a trace is minute i off the fire (or of the chill).
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from drivers.simulated import batch
from drivers.simulated.meat import MeatBodies, MeatParameters
from drivers.simulated.records import CookRecord
from tests.bench.meat.second_truth import STEP, Sections, draw_pieces, second_cooks

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Bodies = MeatBodies | Sections

TRUTHS: Final = ("simulated cooks", "second truth")
MINUTES: Final = 12 * 60
"""How long a rest is followed."""
REST: Final = 60
"""Minutes on the table before a piece goes into a cabinet."""
TABLE, BOX, CABINET, TRIPPED = "table", "closed box", "cabinet", "cabinet that trips"
KEEPINGS: Final = (TABLE, BOX, CABINET, TRIPPED)
CABINET_SET: Final = 66.0
"""°C (150 °F, common practice, no source)."""
TRIPS_AFTER: Final = 2 * 60
"""Minutes in the cabinet after which it goes cold."""
CABINET_COOLS_IN: Final = 40.0
"""Minutes, time constant (as in drivers.simulated.cook)."""
STILL, CABINET_DRAUGHT = 0.6, 0.5
"""Convection as a share of the pit's (as in drivers.simulated.cook)."""
ROOM_VAPOUR, CLOSED_VAPOUR, FRIDGE_VAPOUR = 1200.0, 12_000.0, 600.0
CHILL_MINUTES: Final = 7 * 60
MEAT_STEP: Final = 30.0


@dataclass(frozen=True, slots=True)
class Kept:
    """One piece off the fire. wrapped: its wrap then. cabinet: what a probe in the cabinet reads."""

    core_true: Array = field(repr=False)
    core_read: Array = field(repr=False)
    wrapped: str | None
    cabinet: Array | None = field(repr=False, default=None)


@dataclass(frozen=True, slots=True)
class Rest:
    """cook: until the minute `off`, at which it leaves the fire. kept: by keeping."""

    cook: CookRecord
    off: int
    kept: dict[str, Kept]


@dataclass(frozen=True, slots=True)
class Chill:
    """A cooked piece, or a part of one, in the cold from minute 0 on."""

    core_true: Array = field(repr=False)
    core_read: Array = field(repr=False)


# --- the state in which each piece leaves the fire ---------------------------------------------------


class _Leaving:
    """Copies each piece of running bodies at the minute at which it is tender."""

    def __init__(self, tender: Array) -> None:
        self.tender = tender
        self.left: Mask = np.zeros(tender.size, dtype=bool)
        self.bodies: Bodies | None = None

    def minute(self, bodies: Bodies) -> None:
        now = (bodies.core() >= self.tender) & ~self.left
        if not now.any():
            return
        if self.bodies is None:
            self.bodies = deepcopy(bodies)
        _copy(self.bodies, bodies, now)
        self.left |= now


def _copy(into: Bodies, bodies: Bodies, which: Mask) -> None:
    for name, value in vars(bodies).items():
        if isinstance(value, np.ndarray) and value.shape[-1:] == which.shape:
            getattr(into, name)[..., which] = value[..., which]


class _Kitchen(batch._Kitchen):
    """The kitchen of simulate_cooks, watched."""

    leaving: _Leaving

    def _wrap(self, minute: int, read: Array) -> None:
        self.leaving.minute(self.meat)
        super()._wrap(minute, read)


def _simulated(seed: int, n: int) -> tuple[list[CookRecord], Bodies | None, Array]:
    """(cooks, bodies as each left the fire, probe depth). Draws as simulate_cooks does, so these are its cooks."""
    rng = np.random.default_rng(seed)
    cut = rng.choice(len(batch.CUTS), n, p=[c.share for c in batch.CUTS])
    meat, drawn = batch._draw_meat(rng, cut, 1.0, 1.0, 1.0, 1.0, 0.0)
    pit, weather = batch._draw_pit(rng, n, 0.0)
    plan = batch._Plan(rng, n)
    run = _Kitchen(rng, meat, pit, weather, plan, 4000.0 + 3500.0 * rng.beta(2, 2, n), 1.0)
    tender = np.array([batch.CUTS[c].tender_low for c in cut])
    run.leaving = _Leaving(tender)
    run.cook(tender)
    cooks = [batch._record(f"{seed}-{i}", i, batch.CUTS[cut[i]], drawn, run, plan, float(tender[i])) for i in range(n)]
    return cooks, run.leaving.bodies, run.probe_depth


def _second(seed: int, n: int) -> tuple[list[CookRecord], Bodies | None, Array]:
    leaving: list[_Leaving] = []

    def watch(sections: Sections, tender: Array) -> None:
        if not leaving:
            leaving.append(_Leaving(tender))
        leaving[0].minute(sections)

    cooks = second_cooks(seed, n, watch)
    return cooks, leaving[0].bodies, np.zeros(n)


# --- off the fire ------------------------------------------------------------------------------------


def _surface(bodies: Bodies) -> Array:
    if isinstance(bodies, MeatBodies):
        return bodies.front
    return np.asarray((bodies.top.mean(axis=0) + bodies.side.mean(axis=0)) / 2)


def _minute(bodies: Bodies, air: Array, vapour: float, draught: Array | float, convection: Array) -> None:
    """Walls are as warm as the air. convection: the piece's own in the pit, W/m²K."""
    if isinstance(bodies, MeatBodies):
        for _ in range(round(60.0 / MEAT_STEP)):
            bodies.step(MEAT_STEP, air, air, vapour, draught)
        return
    bodies.p = replace(bodies.p, convection=convection * draught)
    for _ in range(round(60.0 / STEP)):
        bodies.step(air, air, np.full(air.size, vapour))


def _reading(bodies: Bodies, depth: Array, bias: Array, rng: np.random.Generator) -> Array:
    tip = bodies.at(depth) if isinstance(bodies, MeatBodies) else bodies.core()
    return np.asarray(np.round((tip + bias + 0.2 * rng.standard_normal(bias.size)) * 4) / 4)


def _convection(bodies: Bodies) -> Array:
    return np.asarray(bodies.parameters.convection if isinstance(bodies, MeatBodies) else bodies.p.convection)


def _keep(
    start: Bodies, keeping: str, depth: Array, bias: Array, draw: dict[str, Array], rng: np.random.Generator
) -> tuple[Array, Array, Array]:
    """(true cores, readings, cabinet) by minute and piece."""
    bodies = deepcopy(start)
    if keeping != TABLE:
        bodies.wrap(draw["bare"] > 0, "foil")
    convection, room = _convection(bodies), draw["room"]
    true, read, cabinets = [], [], []
    cabinet = np.full(bias.size, CABINET_SET)
    for minute in range(MINUTES):
        true.append(bodies.core().copy())
        read.append(_reading(bodies, depth, bias, rng))
        cabinets.append(cabinet.copy())
        air, vapour, draught = room, ROOM_VAPOUR, STILL
        if keeping == BOX:
            air, vapour, draught = room + draw["kept"] * (_surface(bodies) - room), CLOSED_VAPOUR, CABINET_DRAUGHT
        elif keeping in (CABINET, TRIPPED) and minute >= REST:
            if keeping == TRIPPED and minute >= REST + TRIPS_AFTER:
                cabinet += (room - cabinet) / CABINET_COOLS_IN
            air, vapour, draught = cabinet, CLOSED_VAPOUR, CABINET_DRAUGHT
        _minute(bodies, air, vapour, draught, convection)
    return np.array(true), np.array(read), np.array(cabinets)


def rests_of(truth: str, seed: int, n: int) -> list[Rest]:
    """The tender ones of n cooks of a truth, kept in every way.

    On the table each lies as it left the fire; for the box and the cabinets what is not closed in foil or paper is
    wrapped in foil. The rooms are drawn by themselves: the watch's own ambient probe hangs outside, by the pit."""
    cooks, bodies, depth = (_simulated if truth == TRUTHS[0] else _second)(seed, n)
    if bodies is None:
        return []  # none was tender
    rng = np.random.default_rng([seed, 1])
    tight = np.array([c.wrapped in ("foil", "paper") for c in cooks])
    draw = {
        "room": rng.uniform(16.0, 24.0, n),
        # share of the way from the room to the meat's surface at which a box's air stands: 5 kg in towels in a cool box
        # pass 6 to 9 h per e-fold (common practice, no source), bare in still air 2 to 3
        "kept": rng.uniform(0.5, 0.8, n),
        "bare": (~tight).astype(float),
    }
    last = [slice(max(0, (c.tender_minute or 0) - 60), (c.tender_minute or 0) + 1) for c in cooks]
    bias = np.array([float(np.mean(c.core_read[s] - c.core_true[s])) for c, s in zip(cooks, last, strict=True)])
    if isinstance(bodies, MeatBodies):
        bias -= bodies.at(depth) - bodies.core()
    runs = {k: _keep(bodies, k, depth, bias, draw, rng) for k in KEEPINGS}
    rests = []
    for i, cook in enumerate(cooks):
        if cook.tender_minute is None:
            continue
        kept = {}
        for keeping, (true, read, cabinet) in runs.items():
            wrapped = cook.wrapped if keeping == TABLE or tight[i] else "foil"
            probe = np.round(cabinet[:, i] * 4) / 4 if keeping in (CABINET, TRIPPED) else None
            kept[keeping] = Kept(true[:, i], read[:, i], wrapped, probe)
        rests.append(Rest(cook, cook.tender_minute, kept))
    return rests


# --- cooling -----------------------------------------------------------------------------------------


def chills_of(truth: str, seed: int, n: int) -> list[Chill]:
    """n cooked pieces or parts of pieces of 62-80 °C throughout, wrapped, some in a fridge, some in moving ice water: the
    outside draught is drawn from 1 to 30 times that of a pit."""
    rng = np.random.default_rng([seed, 2])
    start = rng.uniform(62.0, 80.0, n)
    bodies: Bodies
    if truth == TRUTHS[0]:
        bodies = MeatBodies(
            MeatParameters.uniform(
                n, thickness=rng.uniform(0.03, 0.12, n), shape=rng.uniform(0.2, 1.5, n), start=start,
                conductivity_factor=np.exp(0.06 * rng.standard_normal(n)),
            )
        )  # fmt: skip
    else:
        pieces, _ = draw_pieces(rng, rng.choice(4, n))
        bodies = Sections(replace(pieces, half=rng.uniform(0.038, 0.06, n), start=start))
    bodies.wrap(np.ones(n, dtype=bool), "foil")
    draught = np.exp(rng.uniform(0.0, np.log(30.0), n))
    cold, bias, convection = rng.uniform(0.5, 4.0, n), rng.normal(0, 0.3, n), _convection(bodies)
    true, read = [], []
    for _ in range(CHILL_MINUTES):
        true.append(bodies.core().copy())
        read.append(_reading(bodies, np.zeros(n), bias, rng))
        _minute(bodies, cold, FRIDGE_VAPOUR, draught, convection)
    both = np.array(true), np.array(read)
    return [Chill(both[0][:, i], both[1][:, i]) for i in range(n)]
