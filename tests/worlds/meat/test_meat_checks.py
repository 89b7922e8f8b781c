"""What every meat world must reproduce before it may teach; and, said plainly, what it does not.

Published: cooling of large pieces (tests/published_cooling.py, with its source), the wet bulb
(tests/data/wetbulb_hot.csv: psychrolib and CoolProp), cooking averages and sensitivities, carry-over. Rules of
the trade: common practice, no source.

Not reproduced by any world, and therefore not to be learned from them:

- a start that is 1, 2, 3 °C colder costs a turkey 16, 22, 27 min (published): here 3 °C cost 2 to 8 min. Those
birds were near freezing inside, and no world freezes.
- the loss grows by 0.175 to 0.275 % of the raw mass a °C of oven (published): here it hardly depends on the
oven at a given core, because a hotter oven is done sooner.
- cores that fall by 1 to 3 °C in a plateau: only "heat-clock" has them.
- the last leg, 12 to 5 °C, of the vacuum-packed roast in the slower air: published 4.6 h, here about 3 (LAST_LEG_TOO_SLOW).
"heat-clock" has too little carry-over. Loss in it is a curve of its own.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from tests.published_cooling import PIECES, cooling_rows
from tests.worlds.at_every_run import MEAT, each
from tests.worlds.lanes import Floats, Lanes
from tests.worlds.meat.compartments import Compartments
from tests.worlds.meat.conduction import Conduction
from tests.worlds.meat.meat_world import MEAT_STEP, PASCAL, Around, MeatWorld, saturation, surface_balance
from tests.worlds.meats import MEAT_WORLDS

DATA = Path(__file__).parents[2] / "data"
N = 40
"""Pieces a check: medians of the draws are compared."""
ZERO = np.zeros(N)
A_POUND = 0.4536
"""kg."""
COOL = 20
"""Pieces of each kind that cool side by side."""
THIRD = 15
PER_HOUR = 3600 / MEAT_STEP
BOTH_BODIES = ["conduction", "compartments"]


def around(
    celsius: float | Floats,
    *,
    convection: float | Floats = 11.0,
    vapour: float | Floats = 4000.0,
    breathes: float = 1.0,
    cooler_walls: float = 0.0,
) -> Around:
    air = ZERO + celsius
    return Around(air, air - cooler_walls, ZERO + convection, ZERO + vapour, ZERO + 1e9, ZERO + breathes, ZERO + 1.0)


def drawn(world: MeatWorld, *, half: float, form: float, start: float) -> Lanes:
    rng = np.random.default_rng(2)
    same = {"half": ZERO + half, "form": ZERO + form, "mass": ZERO + 3.0, "start": ZERO + start}
    return world.draw(rng, same | {"water": rng.uniform(0.56, 0.73, N)})


def run(world: MeatWorld, nature: Lanes, place: Around, hours: float) -> tuple[Floats, Floats]:
    """(core, lost), one row a step, the first before any."""
    state = world.raw(nature)
    core, lost = [world.at(nature, state, ZERO)], [world.lost(nature, state)]
    for _ in range(round(hours * PER_HOUR)):
        world.step(nature, state, place)
        core.append(world.at(nature, state, ZERO))
        lost.append(world.lost(nature, state))
    return np.array(core), np.array(lost)


def hours_to(core: Floats, celsius: float, *, cooling: bool = False) -> Floats:
    there = core <= celsius if cooling else core >= celsius
    result: Floats = np.where(there.any(axis=0), np.argmax(there, axis=0) / PER_HOUR, np.nan)
    return result


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_cooling_of_large_pieces(name: str) -> None:
    world, rows = MEAT_WORLDS[name], cooling_rows()
    assert len(rows) == 13
    curves = sorted({(row.piece, row.start) for row in rows})
    # all pieces side by side: COOL draws of each
    spread = [
        np.repeat(np.array(column), COOL)
        for column in zip(
            *(
                (PIECES[p].convection, PIECES[p].form.exponent, PIECES[p].form.half, PIECES[p].air, s)
                for p, s in curves
            ),
            strict=True,
        )
    ]
    convection, form, half, medium, start = spread
    n = len(half)
    rng = np.random.default_rng(2)
    pieces = {"half": half, "form": form, "mass": half * 0 + 3, "start": start, "water": rng.uniform(0.56, 0.73, n)}
    nature = world.draw(rng, pieces)
    state, zero = world.raw(nature), np.zeros(n)
    sealed = Around(medium, medium, convection, zero + 1200.0, zero + 1e9, zero, zero + 1.0)
    core = [world.at(nature, state, zero)]
    for _ in range(round(14 * PER_HOUR)):
        world.step(nature, state, sealed)
        core.append(world.at(nature, state, zero))
    for row in rows:
        at, hours = COOL * curves.index((row.piece, row.start)), sum(row.hours) / 2
        found = float(np.median(hours_to(np.array(core)[:, at : at + COOL], row.end, cooling=True)))
        assert found == pytest.approx(hours, rel=0.25 if hours > 2 else 0.3), row


def test_a_wet_surface_stands_at_the_wet_bulb() -> None:
    """Of air without radiation. Table: thermodynamic wet bulb by CoolProp; the difference of Lewis number and
    table is below 3 K."""
    text = (DATA / "wetbulb_hot.csv").read_text().splitlines()
    rows = [
        row for row in csv.DictReader(line for line in text if not line.startswith("#")) if row["p_Pa"] == "101325.0"
    ]
    assert len(rows) == 24
    for row in rows:
        ratio = float(row["W_kg_per_kg_da"])
        vapour = PASCAL * ratio / (0.62198 + ratio)
        still = Around(*(np.array([x]) for x in (float(row["Tdb_C"]), 0.0, 12.0, vapour, 1e9, 1.0, 0.0)))
        one = np.ones(1)
        surface = surface_balance(still, one * 40, one * 1e-9, one * 40, one, one * 0)
        assert float(surface.celsius[0]) == pytest.approx(float(row["Twb_CoolProp_C"]), abs=3.0)
        assert float(surface.celsius[0]) < float(row["Tsat_C"])


@pytest.mark.parametrize("name", each(BOTH_BODIES, *MEAT))
def test_up_to_65_degrees_most_of_what_is_lost_evaporated(name: str) -> None:
    """Published: to 65 to 70 °C the loss is almost all evaporation."""
    world = MEAT_WORLDS[name]
    nature = drawn(world, half=0.05, form=0.5, start=5)
    state = world.raw(nature)
    evaporated, dripped = np.full(N, np.nan), np.full(N, np.nan)
    whole = nature["rho"] * nature["volume"].sum(axis=0) if name == "conduction" else 1.0
    for _ in range(round(9 * PER_HOUR)):
        world.step(nature, state, around(115, cooler_walls=8))
        fresh = np.isnan(evaporated) & (world.at(nature, state, ZERO) >= 60)
        evaporated, dripped = (
            np.where(fresh, state["evaporated"] / whole, evaporated),
            np.where(fresh, state["dripped"] / whole, dripped),
        )
    share = evaporated / (evaporated + dripped)
    assert np.nanmedian(share) > 0.6


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_263_minutes_and_28_9_percent(name: str) -> None:
    """Published averages: from 5 to 75 to 85 °C in 263 min with a loss of 28.9 %. The size is not given: one
    that takes about as long."""
    world = MEAT_WORLDS[name]
    best: tuple[float, float] = (np.inf, np.nan)
    for half in (0.034, 0.05, 0.06, 0.075):
        core, lost = run(world, drawn(world, half=half, form=1.1, start=5), around(150), 8)
        minutes = hours_to(core, 80) * 60
        at = np.argmax(core >= 80, axis=0)
        loss = np.median(lost[at, np.arange(N)])
        off = abs(float(np.nanmedian(minutes)) - 263)
        best = min(best, (off, float(loss)))
    assert best[0] < 45
    assert best[1] == pytest.approx(0.289, abs=0.08)


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_a_hotter_oven_is_quicker_and_a_colder_start_slower(name: str) -> None:
    """Published: -0.25 to -0.325 min a °C of oven (small pieces); a colder start costs minutes."""
    world = MEAT_WORLDS[name]

    def minutes(oven: float, start: float, half: float, form: float) -> Floats:
        core, _ = run(world, drawn(world, half=half, form=form, start=start), around(oven), 8)
        return hours_to(core, 75) * 60

    change = np.nanmedian(minutes(200, 5, 0.018, 0.6) - minutes(180, 5, 0.018, 0.6)) / 20
    assert -0.65 < change < -0.12
    colder = np.nanmedian(minutes(165, 2, 0.07, 1.2) - minutes(165, 5, 0.07, 1.2))
    assert 1 < colder < 27


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_carry_over(name: str) -> None:
    """Published (Lowe, tables of roasts): out at 65 to 83 °C the core rises by 1 to 5 °C more."""
    world = MEAT_WORLDS[name]
    nature = drawn(world, half=0.055, form=1.1, start=5)
    state = world.raw(nature)
    out, peak = np.zeros(N, bool), ZERO.copy()
    for _ in range(round(10 * PER_HOUR)):
        air, film = np.where(out, 20.0, 155.0), np.where(out, 5.0, 11.0)
        world.step(nature, state, around(air, convection=film, vapour=np.where(out, 1200.0, 4000.0)))
        core = world.at(nature, state, ZERO)
        out |= core >= 74
        peak = np.maximum(peak, core)
    assert out.all()
    assert 0.5 < np.median(peak - 74) < 7.5


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_rules_of_the_trade(name: str) -> None:
    """Common practice, no source: whole brisket at 107 to 121 °C takes 1 to 1.5 h a pound, with a spread as
    wide again; plateaus of 1 to 6 h between 66 and 77 °C."""
    world = MEAT_WORLDS[name]
    rng = np.random.default_rng(6)
    nature = drawn(world, half=0.048, form=0.45, start=4)
    place = around(
        rng.uniform(107, 121, N), convection=rng.uniform(7, 14, N), vapour=rng.uniform(2500, 7500, N), cooler_walls=8
    )
    core, _ = run(world, nature, place, 26)
    per_pound = hours_to(core, 94) / (5.5 / A_POUND)
    assert np.nanquantile(per_pound, 0.1) > 0.7
    assert 0.85 < np.nanmedian(per_pound) < 1.5
    assert np.nanquantile(per_pound, 0.9) < 2.0
    plateau = hours_to(core, 77) - hours_to(core, 66)
    assert np.nanquantile(plateau, 0.1) > 1.0
    assert 1.8 < np.nanmedian(plateau) < 5.0
    assert np.nanquantile(plateau, 0.8) < 7.0


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_wrapping_is_quicker_the_tighter_it_is(name: str) -> None:
    """Common practice, no source: foil ends a plateau soonest, paper later, bare last."""
    world = MEAT_WORLDS[name]
    nature = drawn(world, half=0.05, form=0.8, start=4)
    # bare, paper, foil: a third of the pieces each, alike in everything else
    nature = {key: np.repeat(value[..., :THIRD], 3, axis=-1) for key, value in nature.items()}
    kind = np.arange(3 * THIRD) % 3
    gap, breathes, shine = (np.array(v)[kind] for v in ((1e9, 400.0, 220.0), (1.0, 0.1, 0.02), (1.0, 0.9, 0.5)))
    zero = np.zeros(3 * THIRD)
    state, wrapped, core = world.raw(nature), zero > 0, []
    for _ in range(round(20 * PER_HOUR)):
        wrapped |= world.at(nature, state, zero) >= 72
        on = (np.where(wrapped, w, b) for w, b in ((gap, 1e9), (breathes, 1.0), (shine, 1.0)))
        world.step(nature, state, Around(zero + 115, zero + 107, zero + 11, zero + 4000, *on))
        core.append(world.at(nature, state, zero))
    done = hours_to(np.array(core), 94)
    hours = [float(np.nanmedian(done[kind == k])) for k in range(3)]
    assert hours[2] < hours[1] < hours[0]


def test_measured_coefficients_lie_within_the_draws() -> None:
    """h = 19.25 W/m2K (with radiation) and k = 0.464 W/mK were measured in a home oven."""
    k = drawn(Conduction(), half=0.05, form=1, start=5)["k"]
    assert k.min() < 0.464 < k.max()
    assert 6 + 8.5 < 19.25 < 14 + 9.5  # convection drawn for pieces, and radiation between 60 and 120 °C


def test_conduction_keeps_heat_and_water() -> None:
    world = Conduction()
    nature = drawn(world, half=0.05, form=1.0, start=5)
    mass = nature["rho"] * nature["volume"]

    def water(state: Lanes) -> Floats:
        total: Floats = (mass * state["water"]).sum(axis=0) + state["film"] + state["evaporated"] + state["dripped"]
        return total

    state = world.raw(nature)
    before = water(state)
    for _ in range(600):
        world.step(nature, state, around(130))
    np.testing.assert_allclose(water(state), before, rtol=1e-9)
    # sealed and below shrinking, so that no water takes heat along
    cold = nature | {"shrink": ZERO}
    state = world.raw(cold)
    store = mass * (nature["cp_dry"] * (1 - nature["water"]) + 4186 * nature["water"])
    for _ in range(600):
        world.step(cold, state, around(90, breathes=0.0))
    gained = (store * (state["t"] - 5)).sum(axis=0)
    np.testing.assert_allclose(state["heat_in"], gained, rtol=0.01)


def test_compartments_keep_water() -> None:
    world = Compartments()
    nature = drawn(world, half=0.05, form=1.0, start=5)
    state = world.raw(nature)
    share = nature["store"] / nature["store"].sum(axis=0)
    for _ in range(900):
        world.step(nature, state, around(120))
    given = (state["given"] * share).sum(axis=0)
    np.testing.assert_allclose(
        nature["free"] + given, state["free"] + state["evaporated"] + state["dripped"], rtol=0.02
    )


@pytest.mark.parametrize("name", each(MEAT_WORLDS, *MEAT))
def test_a_core_stays_between_its_surroundings_and_boiling(name: str) -> None:
    world = MEAT_WORLDS[name]
    core, lost = run(world, drawn(world, half=0.04, form=0.5, start=3), around(125), 9)
    assert core.min() > 2.5
    assert core.max() < 101.5
    assert (np.diff(lost, axis=0) > -1e-12).all() and lost.max() < 0.73
    assert float(saturation(np.array([100.0]))[0]) == pytest.approx(PASCAL, rel=0.01)
