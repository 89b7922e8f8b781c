"""One channel, reading by reading. Limits are our own choices; false values like 85 are the codecs' affair."""

from __future__ import annotations

import json
from collections.abc import Sequence
from itertools import pairwise
from math import inf, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import ProbeFault
from daemon.core.readings.channel_judge import ChannelJudge
from daemon.core.settings import Role
from drivers.reading import Fault, Quality, Reading, on_grid
from tests.texts.english import in_english


def judge(role: Role = Role.PIT) -> ChannelJudge:
    return ChannelJudge(role, stale_after=10.0)


def feed(
    one: ChannelJudge, values: Sequence[float | None], start: float = 0.0, spacing: float = 1.0
) -> list[tuple[Quality, tuple[ProbeFault, ...]]]:
    verdicts = []
    for number, value in enumerate(values):
        fault = Fault.OPEN_CIRCUIT if value is None else None
        one.judge(Reading("x", value, start + number * spacing, fault))
        verdicts.append((one.quality, one.doubts))
    return verdicts


GOOD = (Quality.GOOD, ())
SPIKED = (Quality.SUSPECT, (ProbeFault.SPIKE,))


@pytest.mark.parametrize(
    ("role", "spike"), [(Role.PIT, 300.0), (Role.PIT, -20.0), (Role.MEAT, 78.0), (Role.MEAT, 60.0)]
)
def test_a_single_spike_is_suspect_and_the_next_true_value_is_good(role: Role, spike: float) -> None:
    base = 120.0 if role is Role.PIT else 70.0
    assert feed(judge(role), [base, base, spike, base]) == [GOOD, GOOD, SPIKED, GOOD]


def test_a_departure_is_believed_once_three_readings_agree() -> None:
    assert feed(judge(), [120.0, 250.0, 251.0, 250.0, 249.0]) == [GOOD, SPIKED, SPIKED, GOOD, GOOD]


def test_readings_that_agree_with_nothing_are_never_believed() -> None:
    verdicts = feed(judge(Role.MEAT), [70.0, 120.0, 30.0, 100.0, 10.0, 130.0])
    assert all(quality is not Quality.GOOD for quality, _ in verdicts[1:])


@pytest.mark.parametrize("spacing", [0.1, 1.0, 5.0, 10.0])
@pytest.mark.parametrize("lag", [5.0, 30.0])
def test_an_opened_lid_is_no_spike(spacing: float, lag: float) -> None:
    """A bare and a sheathed probe whose air falls by 90 °C at once and comes back after 90 s."""
    values, tip = [], 125.0
    for number in range(int(300 / spacing)):
        air = 35.0 if 60.0 <= number * spacing < 150.0 else 125.0
        tip += (air - tip) * (1 - 2.718281828 ** (-spacing / lag))
        values.append(on_grid(round(tip * 4) / 4))
    assert set(feed(judge(), values, spacing=spacing)) == {GOOD}


def test_a_meat_probe_that_is_pulled_soon_moves_freely() -> None:
    """First too fast to be true, then believed: what it means is for the slow faults."""
    pulled = [70.0 + 50.0 * (1 - 2.718281828 ** (-second / 20.0)) for second in range(120)]
    verdicts = feed(judge(Role.MEAT), [70.0] * 5 + pulled)
    assert sum(verdict != GOOD for verdict in verdicts) <= 6
    assert verdicts[-1] == GOOD


def test_an_expected_move_is_no_spike() -> None:
    one = judge(Role.MEAT)
    feed(one, [20.0] * 3)
    one.expect_move(60.0)
    assert set(feed(one, [5.0, 5.0], start=3.0)) == {GOOD}


def test_device_faults_and_impossible_values_are_bad_and_named() -> None:
    one = judge()
    assert feed(one, [120.0, None]) == [GOOD, (Quality.BAD, (ProbeFault.DEVICE_FAULT,))]
    assert one.fault is Fault.OPEN_CIRCUIT and "open" in in_english(one.evidence)
    assert feed(one, [120.0], start=2.0) == [GOOD]
    for value in (-50.1, 650.1, nan, inf, -inf):
        assert feed(one, [value], start=9.0) == [(Quality.BAD, (ProbeFault.IMPLAUSIBLE,))]
    silent = judge()
    silent.judge(Reading("x", None, 10.0))
    assert silent.fault is Fault.NOT_KNOWN


def test_what_the_codec_doubts_stays_doubted_and_is_no_measure_for_others() -> None:
    one = judge(Role.MEAT)
    feed(one, [60.0] * 3)
    for second in range(3, 8):
        one.judge(Reading("x", 85.0, float(second), quality=Quality.SUSPECT))
        assert (one.quality, one.doubts) == (Quality.SUSPECT, (ProbeFault.IMPLAUSIBLE,))
    assert feed(one, [60.25], start=8.0) == [GOOD]


def test_silence_is_stale_and_ends_with_the_next_reading() -> None:
    one = judge()
    one.scan(5.0, 0.0, corroborated=False)
    assert one.quality is Quality.GOOD
    one.scan(11.0, 0.0, corroborated=False)
    assert (one.quality, one.doubts) == (Quality.BAD, (ProbeFault.STALE,)) and "since the start" in in_english(
        one.evidence
    )
    assert feed(one, [100.0], start=20.0) == [GOOD]
    one.scan(30.0, 0.0, corroborated=False)
    assert one.quality is Quality.GOOD
    one.scan(30.1, 0.0, corroborated=False)
    assert one.doubts == (ProbeFault.STALE,) and "10 s" in in_english(one.evidence)


def stuck_after(one: ChannelJudge, value: float, seconds: int, start: float, corroborated: bool) -> float | None:
    for second in range(seconds):
        one.judge(Reading("x", value, start + second))
        if second % 5 == 0:
            one.scan(start + second, 0.0, corroborated)
        if one.doubts == (ProbeFault.STUCK,):
            return float(second)
    return None


def test_a_warm_pit_probe_that_stops_flickering_is_stuck_after_ten_minutes_and_free_with_the_next_step() -> None:
    one = judge()
    feed(one, [120.0 + (number * 7 % 3) * 0.25 for number in range(300)])
    at = stuck_after(one, 121.0, 1200, 300.0, corroborated=False)
    assert at is not None and 595 <= at <= 610
    assert feed(one, [121.25], start=1600.0) == [GOOD]


def test_a_probe_stuck_from_the_start_needs_a_witness() -> None:
    assert stuck_after(judge(), 21.0, 3600, 0.0, corroborated=False) is None
    at = stuck_after(judge(), 21.0, 3600, 0.0, corroborated=True)
    assert at is not None and 595 <= at <= 610


def test_a_quiet_quarter_degree_meat_probe_may_stand_still_for_two_hours_of_stall() -> None:
    one = judge(Role.MEAT)
    rising = [40.0 + 0.25 * (number // 75) for number in range(75 * 100)]  # 12 °C/h, no noise at all
    assert set(feed(one, rising)) == {GOOD}
    assert stuck_after(one, 65.0, 7200, 7500.0, corroborated=True) is None


def test_a_flickering_meat_probe_that_stops_is_stuck() -> None:
    one = judge(Role.MEAT)
    feed(one, [65.0 + (0.0, 0.25, -0.25, 0.25, 0.0)[number % 5] for number in range(300)])
    at = stuck_after(one, 65.0, 1200, 300.0, corroborated=False)
    assert at is not None and at <= 610


def test_a_loose_contact_is_named_once_and_its_single_spikes_are_not_told_again() -> None:
    one = judge()
    told = set()
    for minute in range(30):
        feed(one, [120.0] * 29 + [300.0] + [120.0] * 5, start=minute * 35.0)
        if minute > 5:
            told.add(one.lasting())
        one.judge(Reading("x", 300.0, minute * 35.0 + 34.5))
        if minute > 5:
            told.add(one.lasting())
            assert one.quality is Quality.SUSPECT
    assert told == {(Quality.GOOD, (ProbeFault.SPIKE,), None)}


def test_dense_trouble_makes_the_whole_channel_suspect_until_it_has_been_quiet() -> None:
    one = judge()
    feed(one, [120.0, None] * 10)
    assert feed(one, [120.0], start=20.0) == [(Quality.SUSPECT, (ProbeFault.DEVICE_FAULT,))]
    quiet = feed(one, [120.0] * 1900, start=21.0)
    assert quiet[30][0] is Quality.SUSPECT and quiet[100][0] is Quality.GOOD and quiet[-1] == GOOD


def test_a_fault_that_lasts_is_told_even_on_a_loose_contact() -> None:
    one = judge()
    feed(one, [120.0, None] * 10)
    feed(one, [None] * 3, start=20.0)
    assert one.lasting() == (Quality.BAD, (ProbeFault.DEVICE_FAULT,), Fault.OPEN_CIRCUIT)


VALUES = st.one_of(st.none(), st.floats(allow_nan=True, allow_infinity=True), st.floats(-60.0, 700.0).map(on_grid))


@given(st.lists(st.tuples(VALUES, st.floats(-2.0, 30.0)), max_size=80), st.sampled_from(list(Role)), st.integers(0, 80))
def test_any_stream_is_judged_and_a_checkpoint_changes_nothing(
    stream: list[tuple[float | None, float]], role: Role, cut: int
) -> None:
    straight, broken, at = judge(role), judge(role), 0.0
    for number, (value, wait) in enumerate(stream):
        if number == cut:
            broken = ChannelJudge.loaded(json.loads(json.dumps(broken.dump(), allow_nan=False)))
        at += wait
        for one in (straight, broken):
            one.judge(Reading("x", value, at))
            one.scan(at + 1.0, 0.0, corroborated=number % 3 == 0)
        assert straight == broken
        assert (straight.quality is Quality.GOOD) <= (value is not None and -50.0 <= value <= 650.0)


@given(st.lists(st.floats(-1.0, 1.0), min_size=50, max_size=300), st.sampled_from([0.1, 1.0, 10.0]), st.data())
def test_no_false_doubt_over_anything_a_probe_can_do(turns: list[float], spacing: float, data: st.DataObject) -> None:
    """Random walks as fast as 3 °C/s in the pit and 0.05 °C/s in meat, quantised to 0.25 °C."""
    role, fastest, low, high = data.draw(st.sampled_from([(Role.PIT, 3.0, 10.0, 300.0), (Role.MEAT, 0.05, 2.0, 99.0)]))
    value, values = (low + high) / 2, []
    for turn in turns:
        value = min(high, max(low, value + turn * fastest * spacing))
        values.append(round(value * 4) / 4)
    assert max(abs(a - b) for a, b in pairwise(values)) <= fastest * spacing + 0.25
    assert set(feed(judge(role), values, spacing=spacing)) == {GOOD}
