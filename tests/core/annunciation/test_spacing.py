"""One call at a time: what joins it, what waits for its spacing, and what may not wait; one message for one decision."""

from __future__ import annotations

import random

import pytest

from daemon.core.annunciation import annunciator as annunciation
from daemon.core.events import Level
from daemon.core.orders import PauseSound
from tests.core.annunciation.test_annunciator import NOON, Watch
from tests.texts.english import in_english


def test_a_second_alarm_joins_the_open_call() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.raised("fire-out", 1240.0)
    joined = watch.wakes()[-1]
    assert joined.time == 1240.0 and joined.alarm == "fire-out/pit" and joined.merged == ("pit-falling/pit",)
    assert in_english(joined.text) == "Do fire-out 1 °C", "a lost fire wants feeding too: one thing, not two"
    assert watch.calls() == [1000.0]


def test_what_joins_a_call_does_not_put_off_the_second_person() -> None:
    def second(watch: Watch) -> float:
        return min(n.time for n in watch.wakes() if "second" in n.audiences)

    worse = Watch()
    worse.raised("pit-falling", 1000.0)
    worse.raised("fire-out", 1240.0)
    worse.judge("pit-falling", suppressed_by=("fire-out",))
    worse.until(1400.0)
    worse.judge("fire-out", severity=1)
    worse.until(2000.0)
    assert second(worse) == 1600.0, "the same pit grows worse, and nobody has answered"
    other = Watch()
    other.raised("pit-falling", 1000.0)
    other.raised("pit-high", 1240.0, subject="chuck")
    other.judge("pit-falling", active=False)
    other.until(2000.0)
    assert other.wakes()[-1].merged == () and second(other) > 1700.0, (
        "of what joined, somebody has been called for less long"
    )


def test_many_alarms_in_a_minute_are_one_call() -> None:
    watch = Watch()
    for rule in ("target-reached", "wrap-target", "tender-range", "pit-high"):
        watch.judge(rule, subject="chuck")
    watch.until(200.0)
    assert len(watch.calls()) == 1
    first = watch.calls()[0]
    assert [n.time - first for n in watch.wakes()] == [0.0, 60.0, 60.0 + annunciation.JOIN_GAP]
    assert set(watch.wakes()[-1].merged) | {watch.wakes()[-1].alarm} == {
        "target-reached/chuck",
        "tender-range/chuck",
        "pit-high/chuck",
    }


def test_what_would_wake_within_the_merge_time_is_told_in_the_same_call() -> None:
    watch = Watch()
    watch.raised("hold-falling", 1000.0, subject="lamb", consequence_in=45 * 60.0)  # would wake 14 min later
    watch.raised("pit-high", 1300.0)
    assert watch.wakes()[-1].merged == ("pit-high/pit",)  # safety leads, the pit is named
    watch.acknowledge()
    watch.until(1300.0 + 850.0)
    assert watch.calls() == [1300.0]


def test_a_new_alarm_soon_after_an_acknowledged_wake_waits_for_the_spacing_and_no_longer() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.until(1060.0)
    watch.acknowledge()
    watch.raised("pit-high", 1300.0)
    watch.until(1599.0)
    assert watch.calls() == [1000.0]
    watch.until(1600.0)
    assert watch.calls() == [1000.0, 1600.0]


def test_a_waiting_alarm_that_clears_is_never_told() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.acknowledge()
    watch.raised("pit-high", 1300.0)
    watch.judge("pit-high", active=False)
    watch.until(1899.0)
    assert watch.calls() == [1000.0]


def test_a_waiting_alarm_that_is_on_its_way_back_opens_no_call_until_it_turns_again() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.acknowledge()
    watch.judge("pit-falling", active=False)
    watch.raised("pit-high", 1300.0)
    watch.judge("pit-high", improving=True)
    watch.until(1900.0)
    assert watch.calls() == [1000.0]
    watch.judge("pit-high")
    watch.until(1960.0)
    assert len(watch.calls()) == 2 and watch.calls()[1] > 1900.0


def test_a_call_about_two_alarms_speaks_of_the_one_that_does_not_mend() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.raised("tender-range", 1200.0, subject="chuck")
    watch.judge("pit-high", improving=True)
    watch.until(1600.0)
    last = watch.wakes()[-1]
    assert last.alarm == "tender-range/chuck" and last.merged == ()


def test_what_is_raised_on_its_way_back_wakes_nobody_but_safety_does() -> None:
    for rule, wakes in (("pit-high", False), ("runaway", True)):
        watch = Watch()
        watch.judge(rule, improving=True)
        watch.until(400.0)
        assert bool(watch.wakes()) is wakes


def test_a_runaway_pit_waits_for_nothing() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.acknowledge()
    watch.raised("runaway", 1100.0)
    assert watch.calls() == [1000.0, 1100.0]


def test_a_runaway_pit_takes_over_the_words_of_an_unanswered_call() -> None:
    """One wake, not two: the same call says the worse thing, louder, within the join gap."""
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.raised("runaway", 1015.0)
    watch.until(1100.0)
    assert watch.calls() == [1000.0]
    (told,) = watch.wakes()[1:]
    assert told.time == 1000.0 + annunciation.JOIN_GAP
    assert (told.alarm, told.merged) == ("runaway/pit", ("pit-high/pit",))
    assert in_english(told.text) == "Do runaway 1 °C" and "louder" in told.audiences


def test_a_worse_alarm_is_called_again_after_the_first_was_answered_and_is_never_muted() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.until(1075.0)
    watch.acknowledge()
    watch.command(PauseSound(900.0, "cook"))
    watch.raised("runaway", 1120.0)
    assert watch.calls() == [1000.0, 1120.0]
    assert in_english(watch.wakes()[-1].text) == "Do runaway 1 °C", "what was answered is not said again"


@pytest.mark.parametrize("rule", ["pit-falling", "tender-range", "hold-falling"])
def test_one_decision_one_message_as_the_consequence_draws_near(rule: str) -> None:
    """The condition begins 25 (33) min ahead of a wake at 23 (31): no notice comes first, only the wake."""
    watch = Watch()
    for beat in range(0, 3600, 5):
        watch.until(float(beat))
        left = 2700.0 - beat
        watch.judge(rule, active=left <= 33 * 60.0, consequence_in=max(0.0, left))
    assert next(n.level for n in watch.sent if n.level is not Level.LOG) is Level.WAKE
    assert not [n for n in watch.sent if n.level is Level.NOTICE]


def test_a_prompt_noticed_by_day_does_not_wake_within_a_minute_of_lying_down() -> None:
    watch = Watch(wall=NOON)
    watch.raised("pit-falling", 1000.0)
    watch.annunciator.sleep(True, 1005.0)
    watch.until(1150.0)
    assert [n.level for n in watch.sent] == [Level.NOTICE, Level.WAKE]
    assert 60.0 <= watch.calls()[0] - 1000.0 <= 60.0 + annunciation.RECHECK


def test_a_forecast_that_flutters_tells_a_prompt_by_night_in_a_wake_or_not_at_all() -> None:
    dice = random.Random(3)
    watch = Watch()
    for beat in range(0, 4 * 3600, 5):
        watch.until(float(beat))
        watch.judge("pit-falling", consequence_in=dice.choice((1300.0, 1400.0, 1500.0, 4000.0)))
        if dice.random() < 0.003:
            watch.acknowledge()
    assert watch.wakes() and not [n for n in watch.sent if n.level is Level.NOTICE]


def test_a_wait_never_eats_the_time_to_act() -> None:
    """Two minutes after a call that nobody answered because its alarm went by itself, the lid stands open: 10 min to act
    less the 12 a sleeper needs to be at the pit leave nothing to wait for. Who answered is up: 10 less 5 for the deed."""
    for answered_at, told in ((None, 1130.0), (1075.0, 1130.0 + 300.0), (1125.0, 1130.0 + 300.0)):
        watch = Watch()
        watch.until(770.0)
        watch.judge("lid-left-open")  # an alarm after 6 min
        watch.raised("pit-high", 1000.0)
        watch.judge("pit-high", active=False)  # gone after 2 min, at 1120
        if answered_at is not None:
            watch.until(answered_at)
            watch.acknowledge()
        watch.until(1700.0)
        assert watch.calls()[:2] == [1000.0, told]


def test_a_foreseen_consequence_lets_a_waiting_alarm_through_before_the_lead_is_gone() -> None:
    """The fire leaves its band 1350 s after the prompt; who is up needs 5 + 10 min until the log burns: told after 450 s
    and not after the 580 s that the spacing has left. With time enough it waits for the spacing."""
    for left, told in ((1350.0, 1020.0 + 450.0), (1379.0 + 400.0, 1600.0)):
        watch = Watch()
        watch.raised("fire-out", 1000.0)
        watch.until(1010.0)
        watch.acknowledge()
        watch.judge("fire-out", active=False)
        watch.until(900.0)
        for beat in range(900, 1020, 5):
            watch.until(float(max(beat, 1010)))
            watch.judge("pit-falling", consequence_in=1020.0 + left - beat)
        for beat in range(1020, 1700, 5):
            watch.until(float(beat))
            watch.judge("pit-falling", consequence_in=1020.0 + left - beat)
        assert abs(watch.calls()[1] - told) <= annunciation.RECHECK, left


def test_time_to_act_lets_only_one_call_through_within_the_spacing() -> None:
    watch = Watch()
    watch.until(770.0)
    watch.judge("lid-left-open")
    watch.until(870.0)
    watch.judge("lid-left-open", subject="other pit")
    watch.raised("pit-high", 1000.0)
    watch.judge("pit-high", active=False)
    watch.until(1130.0)
    watch.judge("lid-left-open", active=False)
    watch.until(1800.0)
    assert watch.calls()[:2] == [1000.0, 1130.0] and watch.calls()[2] >= 1730.0
