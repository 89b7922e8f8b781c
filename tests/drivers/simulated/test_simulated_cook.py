"""The scripted nights: what must happen in them happens, and hands can change it."""

from __future__ import annotations

import time
from copy import deepcopy

import pytest

from drivers.reading import Fault
from drivers.simulated.cook import HOUR, Act, SimulatedCook, TruthEvent
from drivers.simulated.scenarios import START_HOUR, demo_scenario, fire_out_scenario, flare_up_scenario


def clock(event: TruthEvent) -> float:
    return START_HOUR + event.time / HOUR


def run(cook: SimulatedCook, until: float, step: float = 30.0) -> None:
    """Without hands, to a local hour."""
    while START_HOUR + cook.now / HOUR < until:
        cook.advance(step)


@pytest.fixture(scope="module")
def night() -> SimulatedCook:
    """The demo night with a cook who lays wood when the pit has fallen, wraps, and takes off what is tender."""
    cook = SimulatedCook(demo_scenario(), seed=1)
    seen = 0
    while cook.now < cook.scenario.length:
        cook.advance(60.0)
        for event in cook.truth[seen:]:
            if event.kind == "pit-low":
                cook.do(Act.LOG, amount=2.5)
            elif event.kind == "wrap-target":
                cook.do(Act.WRAP_PAPER, event.subject)
            elif event.kind == "tender-high":
                cook.do(Act.HOLD, event.subject)
        seen = len(cook.truth)
    return cook


def test_the_wood_burns_down_once_in_the_night(night: SimulatedCook) -> None:
    calls = [e for e in night.truth if e.kind == "pit-low" and 23.5 < clock(e) < 30.5]
    assert len(calls) == 1 and calls[0].needs_person
    assert 25.0 < clock(calls[0]) < 29.0
    assert any(e.kind == "pit-back" and 0 < e.time - calls[0].time < 1800 for e in night.truth)


def test_both_pieces_are_wrapped_and_become_tender_before_lunch(night: SimulatedCook) -> None:
    for piece in ("chuck", "lamb"):
        at = {e.kind: clock(e) for e in night.truth if e.subject == piece}
        assert at["wrap-target"] < at["tender-low"] < at["tender-high"] < 36.5
        assert night.core(piece) > 60.0, "the cabinet keeps it hot"
    assert not any(e.kind == "cold" for e in night.truth)


def test_a_cabinet_that_trips_goes_cold_and_what_is_chilled_cools_faster(night: SimulatedCook) -> None:
    """Common practice, no source: whole shoulders cool for hours, in a fridge too; what lies in a dead cabinet is lost later."""
    cook = deepcopy(night)
    told, floor = len(cook.truth), cook.scenario.hold_floor
    cook.do(Act.CABINET, amount=0.0)
    cook.do(Act.CHILL, "lamb")
    cores = []
    for _ in range(6):
        cook.advance(HOUR)
        cores.append((cook.core("chuck"), cook.core("lamb")))
    chuck, lamb = zip(*cores, strict=True)
    assert list(chuck) == sorted(chuck, reverse=True) and list(lamb) == sorted(lamb, reverse=True)
    assert cook.true()["cabinet"] == pytest.approx(cook.scenario.indoors, abs=0.5)
    assert lamb[1] > 21.0 > lamb[4] > cook.scenario.fridge
    cold = [e for e in cook.truth[told:] if e.kind == "cold"]
    assert [(e.subject, e.needs_person) for e in cold] == [("chuck", True)], "what chills is meant to be cold"
    assert cold[0].celsius is not None and floor - 0.5 < cold[0].celsius < floor


def test_one_probe_fails_and_comes_back(night: SimulatedCook) -> None:
    assert [e.kind for e in night.truth if e.kind.startswith("probe")] == ["probe-fails", "probe-back"]


def test_a_failing_probe_says_so() -> None:
    cook = SimulatedCook(demo_scenario(), seed=1)
    run(cook, 25.7, step=60.0)
    said = {m.source: m for m in cook.measure()}
    assert len(said) == 8
    assert said["lamb"].celsius is None and said["lamb"].fault is Fault.OPEN_CIRCUIT
    assert said["chuck"].celsius == pytest.approx(cook.true()["chuck"], abs=1.5)


def test_nobody_acts_and_the_fire_dies() -> None:
    cook = SimulatedCook(fire_out_scenario(), seed=1)
    run(cook, 29.0, step=60.0)
    assert cook.pit() < 50.0
    cook.do(Act.LOG, amount=2.0)
    run(cook, 30.0, step=60.0)
    assert cook.pit() < 50.0, "wood alone does not bring back a dead fire"
    cook.do(Act.LIGHT)
    run(cook, 31.0, step=60.0)
    assert cook.pit() > 100.0


def test_fat_on_fire() -> None:
    cook = SimulatedCook(flare_up_scenario(), seed=1)
    run(cook, 26.5, step=60.0)
    high = [e for e in cook.truth if e.kind == "pit-high"]
    assert len(high) == 1 and clock(high[0]) == pytest.approx(25.6, abs=0.15)


def test_a_seed_is_a_night() -> None:
    def readings(seed: int, step: float) -> tuple[float | None, ...]:
        cook = SimulatedCook(demo_scenario(), seed)
        for _ in range(int(1800 / step)):
            cook.advance(step)
        return tuple(m.celsius for m in cook.measure())

    assert readings(1, 1.0) == readings(1, 1.0)
    assert readings(1, 1.0) != readings(2, 1.0)


def test_the_truth_does_not_depend_on_the_step() -> None:
    fine, coarse = SimulatedCook(demo_scenario(), 1), SimulatedCook(demo_scenario(), 1)
    for _ in range(7200):
        fine.advance(1.0)
    for _ in range(120):
        coarse.advance(60.0)
    assert fine.true() == pytest.approx(coarse.true(), abs=1e-6)


def test_a_second_costs_far_less_than_a_millisecond() -> None:
    cook = SimulatedCook(demo_scenario(), 1)
    before = time.process_time()
    for _ in range(3000):
        cook.advance(1.0)
        cook.measure()
    assert (time.process_time() - before) / 3000 < 0.6e-3


def test_a_piece_that_is_not_there_cannot_be_wrapped() -> None:
    with pytest.raises(KeyError):
        SimulatedCook(demo_scenario(), 1).do(Act.WRAP_FOIL, "goose")
