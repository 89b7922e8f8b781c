"""The oracle itself, on small nights whose right answer is plain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.nights.night_oracle import (
    LASTING,
    NightTruth,
    Place,
    Wake,
    at_least,
    distinctly_worse,
    exit_from_trace,
    judge,
    lasting_exit,
    needs,
    rate_bound,
)

NIGHT = 480
INF = float("inf")


def quiet_night() -> NightTruth:
    """Eight hours of a steady pit in a band of 121-135 °C that the cook sleeps through."""
    yes, no = np.ones(NIGHT, dtype=bool), np.zeros(NIGHT, dtype=bool)
    return NightTruth(
        low=121.0,
        high=135.0,
        pit=np.full(NIGHT, 128.0),
        exit_if_left=np.full(NIGHT, INF),
        asleep=yes,
        on_fire=yes,
        pit_seen=yes,
        lid_open=no,
        core=np.full(NIGHT, 70.0),
        hold_exit_if_left=np.full(NIGHT, INF),
        late_if_left=no,
        channels_dead=no,
    )


def window(first: int, last: int, inside: bool = True) -> np.ndarray:
    flags = np.full(NIGHT, not inside)
    flags[first:last] = inside
    return flags


def dying_fire(out_at: int) -> NightTruth:
    """Nobody feeds: the exit draws nearer minute by minute and stays."""
    left = np.maximum(0.0, out_at - np.arange(NIGHT, dtype=float))
    left[left > 120] = INF
    return replace(quiet_night(), exit_if_left=left)


def test_a_quiet_night_needs_nobody_and_every_wake_is_false() -> None:
    verdict = judge(quiet_night(), [Wake(100, Place.PIT), Wake(200, Place.MEAT)])
    assert verdict.needs == () == verdict.missed
    assert len(verdict.false) == 2


def test_a_dying_fire_unheard_is_missed_and_heard_in_time_is_not() -> None:
    truth = dying_fire(200)
    (need,) = needs(truth)
    assert (need.kind, need.opens, need.must_by) == ("fire", 148, 195)
    assert judge(truth, []).missed == (need,)
    good = judge(truth, [Wake(176.0, Place.PIT)])
    assert good.missed == () == good.false
    assert good.leads == ((24.0, True),)


def test_a_call_too_early_is_false_and_the_need_still_missed() -> None:
    verdict = judge(dying_fire(200), [Wake(120.0, Place.PIT)])
    assert len(verdict.false) == 1 and len(verdict.missed) == 1


def test_a_call_to_the_meat_does_not_save_the_fire() -> None:
    verdict = judge(dying_fire(200), [Wake(176.0, Place.MEAT)])
    assert len(verdict.false) == 1 and len(verdict.missed) == 1


def test_a_fire_fed_in_time_was_needed_but_not_missed() -> None:
    """Woken at 178, the cook is up at 183 and the log catches at 190: the exit never came near, the wake was right."""
    truth = dying_fire(200)
    left = truth.exit_if_left.copy()
    left[190:] = INF
    truth = replace(truth, exit_if_left=left, asleep=window(183, 200, inside=False))
    verdict = judge(truth, [Wake(178.0, Place.PIT)])
    assert verdict.missed == () == verdict.false and verdict.needs[0].must_by is None


def test_a_cook_who_is_up_needs_no_call() -> None:
    truth = replace(dying_fire(200), asleep=window(0, 150))
    assert judge(truth, []).missed == ()


def test_a_sudden_loss_does_not_ask_for_the_impossible_lead() -> None:
    left = np.full(NIGHT, INF)
    left[200:] = np.maximum(0.0, 15.0 - np.arange(NIGHT - 200))
    verdict = judge(replace(quiet_night(), exit_if_left=left), [Wake(203.0, Place.PIT)])
    assert verdict.leads == ((12.0, False),) and verdict.missed == ()


def test_a_dip_that_heals_is_no_exit() -> None:
    dip = np.full(120, 128.0)
    dip[30 : 30 + LASTING - 1] = 90.0
    assert lasting_exit(dip, 121.0) == INF
    dip[30 : 30 + LASTING] = 90.0
    assert lasting_exit(dip, 121.0) == 30.0
    assert list(exit_from_trace(dip, 121.0)[[0, 29, 30, 60]]) == [30.0, 1.0, 0.0, INF]


def test_heat_must_be_told_when_it_lasts_and_at_once_when_it_burns() -> None:
    pit = np.full(NIGHT, 128.0)
    pit[100:112] = 160.0  # 12 min of 25 °C over: useful to look, no more
    pit[200:230] = 160.0  # 30 min of it
    pit[300:310] = 190.0  # 55 °C over
    dues = [(n.opens, n.must_by) for n in needs(replace(quiet_night(), pit=pit))]
    assert dues == [(100, None), (200, 215), (300, 305)]


def test_blind_lid_tender_and_hold() -> None:
    calm = quiet_night()
    blind = needs(replace(calm, pit_seen=window(100, 140, inside=False)))
    assert [(n.kind, n.opens, n.must_by, n.closes) for n in blind] == [("process", 103, 115, 140)]
    assert needs(replace(calm, pit_seen=window(100, 102, inside=False))) == ()
    cold = np.where(window(102, 145), 95.0, 128.0)
    lid = needs(replace(calm, lid_open=window(100, 140), pit=cold))
    assert [(n.kind, n.must_by) for n in lid] == [("lid", 125)]
    draught = needs(replace(calm, lid_open=window(100, 140)))
    assert [(n.kind, n.opens, n.must_by) for n in draught] == [("lid", 105, None)]
    core = np.linspace(70.0, 100.0, NIGHT)
    ready = int(np.flatnonzero(core >= 93.0)[0])
    tender = needs(replace(calm, core=core, tender=93.0))
    assert [(n.kind, n.place, n.opens, n.must_by) for n in tender] == [("tender", Place.MEAT, ready - 60, ready + 30)]
    taken_off = replace(calm, core=core, tender=93.0, on_fire=window(0, ready + 10))
    assert needs(taken_off)[0].must_by is None
    held = replace(calm, on_fire=~calm.on_fire, hold_exit_if_left=np.maximum(0.0, 300.0 - np.arange(NIGHT)))
    assert [(n.kind, n.place, n.opens, n.must_by) for n in needs(held)] == [("hold", Place.HOLD, 225, 300)]


def test_a_late_meal_and_a_dead_phone_excuse_a_wake_but_are_never_missed() -> None:
    truth = replace(quiet_night(), late_if_left=window(50, 60), channels_dead=window(90, 120))
    verdict = judge(truth, [Wake(55.0, Place.MEAT), Wake(100.0, Place.WATCH), Wake(55.0, Place.PIT)])
    assert verdict.missed == () and verdict.false == (Wake(55.0, Place.PIT),)


def test_a_wake_while_awake_is_not_judged() -> None:
    truth = replace(quiet_night(), asleep=window(100, 110, inside=False))
    assert judge(truth, [Wake(105.0, Place.PIT)]).false == ()


def test_arrays_must_agree() -> None:
    with pytest.raises(ValueError, match="different lengths"):
        replace(quiet_night(), pit=np.zeros(3))


def test_the_bound_of_no_miss_in_a_thousand_nights_and_of_a_few() -> None:
    """The rule of three, 3/n = 0.3 % (a commonplace of statistics, from memory); exact 0.29957 %. The bounds for 1 and 10
    events are 4.744 and 16.962 (the upper 5 % points of chi-square with 4 and 22 degrees of freedom, halved: tables of
    the distribution, from memory)."""
    assert rate_bound(0, 1000) == pytest.approx(0.0029957, abs=1e-6)
    assert rate_bound(1, 1) == pytest.approx(4.744, abs=1e-3)
    assert rate_bound(10, 1) == pytest.approx(16.962, abs=1e-3)


def test_the_bound_of_a_share() -> None:
    """All of n: n / (n + z^2), which Wilson's formula gives by hand."""
    assert at_least(100, 100) == pytest.approx(100 / (100 + 1.6449**2), abs=1e-6)
    assert at_least(0, 0) == 0.0
    assert at_least(95, 100) < 0.95 < at_least(990, 1000)


def test_a_second_call_is_for_a_worse_hazard_only_if_the_truth_grew_worse() -> None:
    calm = quiet_night()
    pit = np.full(NIGHT, 128.0)
    pit[100:110] = 148.0  # 13 °C over
    pit[110:130] = np.linspace(148.0, 192.0, 20)  # on to 57 °C over
    burning = replace(calm, pit=pit)
    assert distinctly_worse(burning, Wake(102.0, Place.PIT), Wake(120.0, Place.PIT))
    assert not distinctly_worse(burning, Wake(102.0, Place.PIT), Wake(104.0, Place.PIT)), "no worse yet"
    assert not distinctly_worse(burning, Wake(127.0, Place.PIT), Wake(128.0, Place.PIT)), "as bad before"
    fire = replace(dying_fire(200), pit=np.full(NIGHT, 128.0))
    assert not distinctly_worse(fire, Wake(150.0, Place.PIT), Wake(157.0, Place.PIT)), "he goes to the pit anyway"
    held = replace(calm, on_fire=~calm.on_fire, hold_exit_if_left=np.maximum(0.0, 300.0 - np.arange(NIGHT)))
    assert distinctly_worse(held, Wake(220.0, Place.PIT), Wake(226.0, Place.HOLD)), "another place"
    assert not distinctly_worse(held, Wake(226.0, Place.PIT), Wake(230.0, Place.HOLD)), "could have been said before"
