"""Probes of the simulator: steps, lag, noise, and every way to fail."""

from __future__ import annotations

import numpy as np
import pytest

from drivers.reading import Fault, Measurement, Quality
from drivers.simulated.sensor import Failing, ProbeFailure, Probes, fail, shadowed


def test_it_reads_in_quarter_degrees() -> None:
    """Thermocouple step 0.25 °C: MAX31855 data sheet, 19-5793."""
    probes = Probes(np.random.default_rng(1), 200, noise=0.4)
    probes.follow(1.0, np.full(200, 121.1))
    read = probes.read()
    assert (read * 4 == np.round(read * 4)).all()
    assert read.mean() == pytest.approx(121.1, abs=0.1)
    assert read.std() == pytest.approx(0.4, abs=0.1)


@pytest.mark.parametrize("step", [1.0, 20.0])
def test_it_lags_by_its_time_constant(step: float) -> None:
    """A first-order lag has made 63.2 % of a jump after one time constant, whatever the step."""
    probes = Probes(np.random.default_rng(1), 1, lag=40.0, noise=0.0, step=0.001)
    probes.follow(1.0, np.array([0.0]))
    for _ in range(int(40 / step)):
        probes.follow(step, np.array([100.0]))
    assert float(probes.read()[0]) == pytest.approx(63.2, abs=0.05)


def test_meat_beside_a_pit_probe_shadows_it_and_less_as_it_warms() -> None:
    """Common practice, no source: a pit probe beside cold meat reads some degrees low."""
    low = 128.0 - shadowed(np.full(3, 128.0), np.array([5.0, 70.0, 128.0]))
    assert 5.0 < low[0] < 15.0
    assert low[0] > low[1] > low[2] == pytest.approx(0.0)


def test_it_must_be_somewhere_first() -> None:
    with pytest.raises(RuntimeError, match="follow something"):
        Probes(np.random.default_rng(1), 1).read()


GOOD = Measurement("lamb", 64.25, cold_junction=15.0)


def failing(kind: Failing, now: float = 400.0, chance: float = 0.9) -> Measurement | None:
    return fail(GOOD, (ProbeFailure("lamb", kind, 100.0, 1000.0),), now, 60.0, 121.0, chance)


@pytest.mark.parametrize(
    ("kind", "fault"),
    [
        (Failing.OPEN, Fault.OPEN_CIRCUIT),
        (Failing.SHORT_TO_GROUND, Fault.SHORT_TO_GROUND),
        (Failing.SHORT_TO_SUPPLY, Fault.SHORT_TO_SUPPLY),
    ],
)
def test_fault_bits_are_told(kind: Failing, fault: Fault) -> None:
    said = failing(kind)
    assert said is not None and said.celsius is None and said.fault is fault and said.quality is Quality.BAD


def test_what_no_bit_tells() -> None:
    assert failing(Failing.SILENT) is None
    stuck, drifted, pulled = (failing(k) for k in (Failing.STUCK, Failing.DRIFT, Failing.PULLED_OUT))
    assert stuck is not None and stuck.celsius == 60.0
    assert drifted is not None and drifted.celsius == pytest.approx(64.25 - 1.0, abs=0.125)
    assert pulled is not None and pulled.celsius is not None and pulled.celsius > 119.0
    hot = failing(Failing.HOT_JUNCTION)
    assert hot is not None and hot.celsius is not None and hot.cold_junction is not None
    assert hot.celsius > 64.25 and hot.cold_junction > 15.0


def test_spikes_are_rare_and_far() -> None:
    assert failing(Failing.SPIKES, chance=0.5) == GOOD
    up, down = failing(Failing.SPIKES, chance=0.001), failing(Failing.SPIKES, chance=0.02)
    assert up is not None and up.celsius is not None and up.celsius > 180
    assert down is not None and down.celsius is not None and down.celsius < 5


@pytest.mark.parametrize("now", [99.0, 1000.0])
def test_before_and_after_it_is_well(now: float) -> None:
    assert failing(Failing.OPEN, now=now) == GOOD


def test_other_probes_are_not_touched() -> None:
    other = Measurement("chuck", 70.0)
    assert fail(other, (ProbeFailure("lamb", Failing.OPEN, 0.0, 9e9),), 5.0, 0.0, 121.0, 0.9) == other
