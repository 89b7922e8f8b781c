"""Slow faults of probes on traces made by hand, and none of them on simulated healthy cooks.

Limits are our own choices. The body of the simulated cooks is the simulator's (drivers/simulated), whose code and
parameters this judge does not share.
"""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import replace
from math import exp, nan, sin

import pytest

from daemon.core.events import ProbeFault
from daemon.core.readings.findings import PATIENCE, Finding, ProbeMinutes
from daemon.core.readings.pit_coupling import coupling
from daemon.core.readings.probe_faults import ProbeFaults
from daemon.core.settings import ChannelSettings, Role
from drivers.simulated.batch import simulate_cooks
from tests.texts.english import in_english

PIT = ChannelSettings("pit", "Pit", Role.PIT)
MEAT = ChannelSettings("meat", "Meat", Role.MEAT)
THICKNESS = 0.11
WINDOW = 120


def pit_trace(minutes: int) -> list[float]:
    """A wood fire: two slow waves, about ±8 °C around 121 °C, to 0.25 °C."""
    return [round(4 * (121.0 + 5 * sin(m / 7.0) + 3 * sin(m / 3.1))) / 4 for m in range(minutes)]


def core_trace(minutes: int, start: float = 20.0) -> list[float]:
    """A core on its way to 70 °C, to 0.25 °C."""
    return [round(4 * (70.0 + (start - 70.0) * exp(-m / 150.0))) / 4 for m in range(minutes)]


class Rig:
    """Feeds traces minute by minute and keeps the minute each fault began and ended."""

    def __init__(self, *channels: ChannelSettings) -> None:
        self.settings = {channel.id: channel for channel in channels or (PIT, MEAT)}
        self.faults = ProbeFaults()
        self.history: dict[str, list[float]] = {name: [] for name in self.settings}
        self.cold: dict[str, list[float]] = {name: [] for name in self.settings}
        self.now: dict[str, tuple[Finding, ...]] = {}
        self.log: list[tuple[int, str, ProbeFault, bool]] = []
        self.minute = 0

    def feed(
        self, in_use: bool = True, handled: bool = False, cold: list[float] | None = None, **traces: list[float]
    ) -> Rig:
        for number in range(len(next(iter(traces.values())))):
            for name, trace in traces.items():
                self.history[name].append(trace[number])
                self.cold[name].append(cold[number] if cold else 25.0)
            seen = {
                name: ProbeMinutes(
                    channel, self.history[name][-WINDOW:], self.cold[name][-WINDOW:], in_use, handled, THICKNESS
                )
                for name, channel in self.settings.items()
            }
            before = {(name, one.fault) for name, found in self.now.items() for one in found}
            self.now = self.faults.minute(seen, 100.0)
            after = {(name, one.fault) for name, found in self.now.items() for one in found}
            self.log += [(self.minute, *which, True) for which in sorted(after - before)]
            self.log += [(self.minute, *which, False) for which in sorted(before - after)]
            self.minute += 1
        return self

    def names(self, channel: str = "meat") -> set[ProbeFault]:
        return {finding.fault for finding in self.now.get(channel, ())}


def test_a_healthy_pair_says_nothing() -> None:
    assert Rig().feed(pit=pit_trace(600), meat=core_trace(600)).log == []


def test_a_probe_in_the_air_follows_the_pit() -> None:
    pit = pit_trace(120)
    rig = Rig().feed(pit=pit, meat=[0.9 * value - 20.0 for value in pit])
    assert rig.log[0][2:] == (ProbeFault.NOT_IN_MEAT, True) and rig.log[0][0] <= 40
    assert "follows 90 %" in in_english(rig.now["meat"][0].evidence)
    assert rig.now["meat"][0].suspect


def test_a_probe_above_boiling_is_in_no_wet_meat_even_in_a_steady_pit() -> None:
    rig = Rig().feed(pit=[120.0] * 60, meat=[110.0] * 60)
    assert rig.names() == {ProbeFault.NOT_IN_MEAT} and "boils at 100.0 °C" in in_english(rig.now["meat"][0].evidence)
    back = rig.feed(handled=True, pit=[120.0] * 10, meat=[60.0] * 10).feed(pit=[120.0] * 60, meat=[60.0] * 60)
    assert back.names() == set()


def test_no_place_is_judged_before_a_piece_is_on_nor_while_the_cook_handles_it() -> None:
    pit = pit_trace(200)
    assert Rig().feed(in_use=False, pit=pit, meat=pit).log == []
    assert Rig().feed(handled=True, pit=pit, meat=pit).log == []


def pulled(minutes_out: int, level: float = 60.0, back: float = 61.0) -> Rig:
    pit = pit_trace(300)
    out = [pit[60 + m] + (level - pit[60 + m]) * exp(-m / 1.5) for m in range(1, minutes_out + 1)]
    meat = [level] * 60 + out + [back] * (240 - minutes_out)
    return Rig().feed(pit=pit, meat=meat)


@pytest.mark.parametrize("minutes_out", [4, 20, 90])
@pytest.mark.parametrize("back", [61.0, 55.0, 75.0])
def test_a_probe_pulled_out_is_named_at_once_and_believed_again_once_it_has_lain_still(
    minutes_out: int, back: float
) -> None:
    rig = pulled(minutes_out, back=back)
    began, ended = rig.log[0], rig.log[-1]
    assert began[2:] == (ProbeFault.PULLED, True) and 60 <= began[0] <= 63
    assert ended[2:] == (ProbeFault.PULLED, False)
    assert 60 + minutes_out + 10 <= ended[0] <= 60 + minutes_out + 30
    assert {fault for _, _, fault, _ in rig.log} == {ProbeFault.PULLED}


def test_a_core_hotter_than_wet_meat_gets_is_never_believed_again() -> None:
    """Read on in °F: 74 °C are 165.2 °F by the definition of the scale."""
    rig = Rig().feed(pit=[121.0] * 90, meat=[74.0] * 30 + [165.2] * 60)
    assert rig.names() and not [line for line in rig.log if not line[3]]


def test_a_probe_left_hanging_in_a_steady_pit_stays_pulled() -> None:
    rig = Rig().feed(pit=[121.0] * 200, meat=[60.0] * 60 + [119.0] * 140)
    assert ProbeFault.PULLED in rig.names()


def test_a_probe_dropped_into_the_cold_stays_pulled() -> None:
    rig = Rig().feed(pit=[121.0] * 200, meat=[60.0] * 60 + [15.0] * 140)
    assert rig.names() == {ProbeFault.PULLED}


def test_a_mark_of_the_cook_explains_a_step() -> None:
    pit = pit_trace(200)
    rig = Rig().feed(pit=pit[:60], meat=[70.0] * 60).feed(handled=True, pit=pit[60:75], meat=[90.0] * 15)
    assert rig.feed(pit=pit[75:], meat=[62.0] * 125).log == []


def test_swapped_probes_are_both_named_and_cleared_when_put_right() -> None:
    pit, meat = pit_trace(300), core_trace(300)
    rig = Rig().feed(pit=meat[:60], meat=pit[:60])
    assert rig.names() == rig.names("pit") == {ProbeFault.SWAPPED}
    assert "like meat" in in_english(rig.now["pit"][0].evidence)
    rig.feed(pit=pit[60:], meat=meat[60:])
    assert rig.names() == rig.names("pit") == set()


def test_a_swap_is_not_undone_by_a_pit_that_dies_past_what_the_piece_had() -> None:
    pit, meat = pit_trace(60), core_trace(400)
    rig = Rig().feed(pit=meat[:60], meat=pit)
    dying = [25.0 + 95.0 * exp(-m / 90.0) for m in range(240)]
    rig.feed(pit=meat[60:300], meat=dying)
    assert rig.names() >= {ProbeFault.SWAPPED} and rig.names("pit") == {ProbeFault.SWAPPED}
    rig.feed(pit=[110.0] * 60, meat=meat[300:360])
    assert rig.names() == rig.names("pit") == set(), "put right"


def test_no_mark_makes_a_probe_that_hangs_in_the_pit_the_pieces() -> None:
    pit, meat = pit_trace(300), core_trace(300)
    rig = Rig().feed(pit=meat[:40], meat=pit[:40])
    rig.feed(handled=True, pit=meat[40:55], meat=pit[40:55])
    rig.feed(pit=meat[55:120], meat=pit[55:120])
    assert [line[3] for line in rig.log if line[2] is ProbeFault.SWAPPED] == [True, True], (
        "once of each, and it stays so"
    )
    new = Rig().feed(handled=True, pit=[5.0] * 25, meat=[130.0] * 25)
    assert ProbeFault.SWAPPED in new.names(), "nor does it wait for the hand to be gone"


@pytest.mark.parametrize("later", [0, 2])
def test_two_cores_that_trade_places_are_believed_when_they_trade_back_or_somebody_says_so(later: int) -> None:
    chuck, lamb = replace(MEAT, id="chuck"), replace(MEAT, id="lamb")
    pit, own, others = [121.0] * 200, [42.0 + 0.05 * m for m in range(200)], [62.0 + 0.04 * m for m in range(200)]
    rig = Rig(PIT, chuck, lamb).feed(pit=pit[:60], chuck=own[:60], lamb=others[:60])
    rig.feed(pit=pit[:later], chuck=others[60 : 60 + later], lamb=others[60 : 60 + later])
    rig.feed(pit=pit[:90], chuck=others[60 + later : 150 + later], lamb=own[60 + later : 150 + later])
    assert rig.names("chuck") == rig.names("lamb") == {ProbeFault.PULLED}
    assert "exchanged" in in_english(rig.now["lamb"][0].evidence)
    rig.feed(pit=pit[:20], chuck=own[150:170], lamb=others[150:170])
    assert rig.names("chuck") == rig.names("lamb") == set()
    told = Rig(PIT, chuck, lamb).feed(pit=pit[:60], chuck=own[:60], lamb=others[:60])
    told.feed(pit=pit[:30], chuck=others[60:90], lamb=own[60:90])
    told.feed(handled=True, pit=pit[:15], chuck=own[90:105], lamb=others[90:105])
    assert told.feed(pit=pit[:15], chuck=own[105:120], lamb=others[105:120]).names("chuck") == set()


def test_a_fire_gone_out_is_no_swap() -> None:
    cooling = [20.0 + 100.0 * exp(-m / 60.0) for m in range(400)]
    warm = [85.0 - 0.05 * m for m in range(400)]
    assert Rig().feed(pit=cooling, meat=warm).log == []


def test_a_shaft_that_carries_heat_is_a_hint_and_suspect_once_it_falsifies_much() -> None:
    pit, core = pit_trace(200), core_trace(200, start=60.0)
    little = Rig().feed(pit=pit, meat=[c + 0.1 * (p - 121.0) for p, c in zip(pit, core, strict=True)])
    assert little.names() == {ProbeFault.AMBIENT_LEAK}
    assert "push" in in_english(little.now["meat"][0].evidence)
    much = Rig().feed(pit=pit, meat=[c + 0.25 * (p - 121.0) for p, c in zip(pit, core, strict=True)])
    assert [finding.suspect for finding in much.now["meat"]] == [True]


def test_drift_blames_the_one_a_third_pit_probe_contradicts_else_both() -> None:
    left, right = replace(PIT, id="left", pair="right"), replace(PIT, id="right")
    pit = pit_trace(240)
    drifting = [value - 0.2 * minute for minute, value in enumerate(pit)]
    two = Rig(left, right).feed(left=drifting, right=pit)
    assert two.names("left") == two.names("right") == {ProbeFault.DRIFT}
    assert 100 <= two.log[0][0] <= 125  # 20 °C allowed, 12 °C/h, 15 min of patience
    three = Rig(left, right, PIT).feed(left=drifting, right=pit, pit=pit)
    assert three.names("left") == {ProbeFault.DRIFT} and three.names("right") == set()
    again = three.feed(left=pit[:60], right=pit[:60], pit=pit[:60])
    assert again.names("left") == set()


def test_a_pit_that_is_being_lit_is_no_drift() -> None:
    left, right = replace(PIT, id="left", pair="right"), replace(PIT, id="right")
    near = [10.0 + 3.0 * m for m in range(40)]
    far = [10.0 + 1.5 * m for m in range(40)]
    assert Rig(left, right).feed(left=near, right=far).log == []


def test_a_partner_is_not_blamed_for_a_pulled_probe() -> None:
    one, other = replace(MEAT, id="one", pair="other"), replace(MEAT, id="other")
    rig = Rig(PIT, one, other).feed(
        pit=[121.0] * 120, one=[60.0] * 40 + [118.0] * 80, other=[61.0] * 120
    )  # fmt: skip
    assert rig.names("one") == {ProbeFault.PULLED} and rig.names("other") == set()


def test_a_box_that_heats_up_is_named_early_and_suspect_when_hot() -> None:
    rising = [min(30.0 + 0.5 * m, 80.0) for m in range(120)]
    flat = [120.0] * 120
    rig = Rig(PIT).feed(cold=rising, pit=flat)
    assert rig.log == [(rig.log[0][0], "pit", ProbeFault.COLD_JUNCTION_HOT, True)]
    assert 40 <= rig.log[0][0] <= 42  # 50 °C and rising
    assert rig.now["pit"][0].suspect
    cool = rig.feed(cold=[40.0] * 20, pit=[120.0] * 20)
    assert cool.names("pit") == set()
    assert Rig(PIT).feed(cold=[52.0] * 120, pit=flat).log == []  # a summer's day


def test_missing_minutes_end_nothing_and_begin_nothing() -> None:
    pit = pit_trace(120)
    rig = Rig().feed(pit=pit, meat=[0.9 * value for value in pit])
    assert rig.feed(pit=[nan] * 120, meat=[nan] * 120).names() == {ProbeFault.NOT_IN_MEAT}
    assert Rig().feed(pit=[nan] * 120, meat=[nan] * 120).log == []


def test_coupling_of_traces_made_by_hand() -> None:
    """Least squares on known straight lines."""
    pit = pit_trace(60)
    exact = coupling([50.0 + 0.3 * value for value in pit], pit)
    assert exact is not None
    assert exact.share == pytest.approx(0.3) and exact.correlation == pytest.approx(1.0)
    late = coupling([0.0, 0.0, *pit[:-2]], pit)
    assert late is not None and late.share == pytest.approx(1.0, abs=0.2)
    assert coupling([50.0] * 60, [121.0] * 60) is None
    assert coupling([50.0] * 10, pit[:10]) is None


def test_a_checkpoint_goes_through_json() -> None:
    pit = pit_trace(150)
    rig = Rig().feed(pit=pit[:80], meat=[0.9 * value for value in pit[:80]])
    other = ProbeFaults()
    dumped = rig.faults.dump()
    other.load(json.loads(json.dumps(dumped, allow_nan=False)))
    assert other.dump() == dumped
    assert set(PATIENCE) >= {ProbeFault(fault) for latches in dumped["latches"].values() for fault in latches}  # type: ignore[attr-defined]


def test_healthy_simulated_cooks_give_no_false_fault() -> None:
    """12 whole cooks with lids, dips, unmarked wraps and stalls: no fault. No limit was chosen on seed 60601."""
    found: Counter[ProbeFault] = Counter()
    for cook in simulate_cooks(60601, 12):
        rig = Rig()
        for minute, (pit, core) in enumerate(zip(cook.pit_read, cook.core_read, strict=True)):
            rig.feed(handled=minute < 15, pit=[float(pit)], meat=[float(core)])
        found.update(fault for _, _, fault, _ in rig.log)
    assert found == Counter()
