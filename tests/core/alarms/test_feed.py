"""The feed prompt: one decision on the chance of an exit, a marked log that is given its time, one that does not catch."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from itertools import pairwise
from math import exp, isnan, nan
from random import Random
from typing import Any

import pytest

from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.pit.fire import FireWatch
from daemon.core.settings import AnnouncingSettings, Band, CookSettings, QuietHours, WatchSettings
from daemon.wiring.learned import learned
from tests.core.alarms.quiet_fire import quiet_fire
from tests.texts.english import in_english

BAND = Band(107.0, 135.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", BAND), AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC))
)
NOW = 36_000.0
LEFT = 16 * 60.0


def said(pit: float, sense: FeedSense, slope: float = -0.2, *, stage: str = "in-band", standing: str = "",
         asleep: bool = False, reads: tuple[float, ...] = (), **fire: Any) -> dict[str, Condition]:  # fmt: skip
    process = ProcessSnapshot(
        NOW, SETTINGS, BAND, pit, None, stage, quiet_fire(sense, slope=slope, **fire), None, (), {}, {}, {}, frozenset(),
        standing=frozenset({standing}), asleep=asleep, reads=reads,
    )  # fmt: skip
    return {c.rule: c for c in conditions(process)}


def prompt(pit: float, sense: FeedSense, slope: float = -0.2) -> Condition:
    return said(pit, sense, slope)["pit-falling"]


@pytest.mark.parametrize("pit", [112.0, 122.8, 134.0])
def test_the_chance_decides_wherever_the_pit_stands(pit: float) -> None:
    asked = prompt(pit, FeedSense(chance=0.6, left=LEFT))
    assert asked.active and asked.consequence_in == pytest.approx(LEFT)
    assert "16 min" in in_english(asked.because) and "in 16 min" in in_english(asked.text)
    assert not prompt(pit, FeedSense(chance=0.45, left=LEFT)).active


@pytest.mark.parametrize(("pit", "slope", "climbs"), [(150.0, -3.0, False), (118.0, 0.4, True)], ids=["flare", "climb"])
def test_what_falls_from_a_flare_or_climbs_a_little_is_judged_by_its_chance_too(
    pit: float, slope: float, climbs: bool
) -> None:
    """A small log on a spent fire still climbs when half an hour is left: whoever sleeps must be called by then."""
    assert prompt(pit, FeedSense(chance=0.9, left=LEFT, climbs=climbs), slope=slope).active
    assert not prompt(pit, FeedSense(chance=0.1, left=LEFT, climbs=climbs), slope=slope).active


def test_what_climbs_above_its_band_or_has_run_away_wants_no_wood() -> None:
    assert not prompt(150.0, FeedSense(chance=0.9, left=LEFT, climbs=True), slope=3.0).active
    assert not prompt(190.0, FeedSense(chance=0.9, left=LEFT), slope=-3.0).active
    spent = prompt(190.0, FeedSense(chance=0.9, left=LEFT, falls=True), slope=-3.0)
    assert spent.active, "what burns does not fall: a quick fire that overshot its band leaves it as quickly"


def test_nobody_is_called_on_two_stories_until_the_pit_shows_which_is_true() -> None:
    """Somebody has just opened the door to lay a log that he does not mark, or the fire dies."""
    undecided = FeedSense(chance=0.9, left=LEFT, undecided=True)
    assert not prompt(112.0, undecided).active
    assert prompt(105.0, undecided, slope=-0.3).active, "below the band there is nothing left to wait for"
    stands = said(112.0, undecided, standing="pit-falling/pit")["pit-falling"]
    assert stands.active and not stands.within, "a call that stands is not taken back for it"


def test_a_call_to_a_pit_that_holds_keeps_its_rung_and_takes_no_order_back() -> None:
    holds = FeedSense(chance=0.9, left=LEFT, recedes=True, between=(12 * 60.0, 40 * 60.0))
    first = prompt(112.0, holds)
    assert first.active and not first.improving, "the first call is made all the same"
    stands = said(112.0, holds, standing="pit-falling/pit")["pit-falling"]
    assert stands.active and stands.improving
    wavers = said(112.0, replace(holds, recedes=False), standing="pit-falling/pit")["pit-falling"]
    assert in_english(stands.text) == in_english(wavers.text) == "Add 1-2 splits: Pit 112 °C, low in 12 to 40 min"
    below = said(105.0, holds, standing="pit-falling/pit", slope=-0.2)["pit-falling"]
    assert below.active and not below.improving


def test_who_tends_the_fire_himself_and_is_not_late_is_not_woken() -> None:
    assert not prompt(115.0, FeedSense(chance=0.9, left=20 * 60.0, tended=True)).active
    asleep = said(115.0, FeedSense(chance=0.9, left=20 * 60.0, tended=True), asleep=True)["pit-falling"]
    assert asleep.active, "who has said that he sleeps is not believed to tend it"
    assert prompt(105.0, FeedSense(tended=True), slope=-0.1).active, "below the band he has missed it"


def test_a_call_stands_until_the_chance_is_clearly_lower() -> None:
    assert prompt(115.0, FeedSense(chance=0.4, left=LEFT, climbs=True)).within, "whoever was called has fed it"
    assert not prompt(115.0, FeedSense(chance=0.4, left=LEFT)).within
    assert prompt(115.0, FeedSense(chance=0.2, left=LEFT)).within


def test_a_marked_log_rules_a_call_out_and_ends_one() -> None:
    asked = prompt(112.0, FeedSense(chance=0.9, left=LEFT, answering=True))
    assert not asked.active and asked.within
    assert not prompt(99.0, FeedSense(answering=True)).active, "it may dip before the log turns it"


def test_a_log_that_does_not_catch_has_its_own_prompt_and_no_other() -> None:
    asked = said(112.0, FeedSense(chance=0.9, left=LEFT, not_caught=True))
    assert asked["log-not-caught"].active and not asked["pit-falling"].active
    assert in_english(asked["log-not-caught"].text) == "Make the last log burn: Pit 112 °C, low in 16 min"
    assert not said(125.0, FeedSense(chance=0.1, left=LEFT, not_caught=True))["log-not-caught"].active, "time enough"
    assert not said(nan, FeedSense(chance=0.9, left=LEFT, not_caught=True))["log-not-caught"].active, (
        "nobody sees that it falls"
    )


def test_a_log_that_did_not_catch_is_called_until_the_pit_climbs_or_another_is_laid() -> None:
    """The fall of a pit that dies slackens by itself: "over" would be false, and begin the calls anew with the softest."""
    for slackens in (False, True):
        stands = said(100.0, FeedSense(slackens=slackens), standing="log-not-caught/pit")
        assert stands["log-not-caught"].active and not stands["pit-falling"].active
        assert stands["log-not-caught"].improving == slackens, "nobody is called louder while it may yet catch"
    for sense in (FeedSense(climbs=True), FeedSense(answering=True)):
        assert said(100.0, sense, 0.0, standing="log-not-caught/pit")["log-not-caught"].within
    assert said(112.0, FeedSense(chance=0.1, left=LEFT), standing="log-not-caught/pit")["log-not-caught"].within


def test_below_the_band_wood_is_wanted_unless_the_pit_climbs() -> None:
    assert prompt(105.0, FeedSense(), slope=0.0).active
    climbs = prompt(105.0, FeedSense(climbs=True), slope=-0.1)
    assert not climbs.active and climbs.within
    assert not prompt(105.0, FeedSense(), slope=0.3).active


def test_a_pit_that_cannot_be_read_is_judged_by_the_forecast_that_ages() -> None:
    assert prompt(nan, FeedSense(chance=0.7, left=LEFT), slope=0.0).active
    assert not prompt(nan, FeedSense(chance=0.1, left=LEFT), slope=0.0).active
    assert not prompt(nan, FeedSense(), slope=0.0).active


def test_a_fire_is_lost_only_when_it_sinks_well_below_and_no_log_is_on_its_way() -> None:
    lost = said(97.0, FeedSense(), slope=-0.3)["fire-out"]
    assert lost.active
    assert not said(104.0, FeedSense(), slope=-0.3)["fire-out"].active, "the prompt for wood says it"
    assert not said(97.0, FeedSense(answering=True), slope=-0.3)["fire-out"].active
    assert not said(97.0, FeedSense(climbs=True), slope=-0.3)["fire-out"].active, "nobody relights what climbs"


def test_a_fire_with_a_fresh_log_on_it_is_not_called_lost_nor_one_whose_fall_slackens() -> None:
    def lost(**fire: Any) -> bool:
        process = ProcessSnapshot(
            NOW, SETTINGS, BAND, 90.0, None, "low", quiet_fire(slope=-0.5, **fire), None, (), {}, {}, {}, frozenset()
        )
        return {c.rule: c for c in conditions(process)}["fire-out"].active

    assert lost()
    assert not lost(excused=lambda now: True), "a log may take so long to turn a pit"
    assert not lost(slackens=True)


@pytest.mark.parametrize("kind", [MarkKind.LOG, MarkKind.FIRE_LIT])
@pytest.mark.parametrize("every", [3, 5, 12, 19])
def test_wood_that_does_not_catch_buys_time_once_however_often_it_is_laid(every: int, kind: MarkKind) -> None:
    """A dead pit cools along an exponential (Newton): no log of those that are laid on it has turned it."""
    fire = watched()
    blamed, excused = [], []
    for minute in range(60, 60 + 50):
        if (minute - 60) % every == 0:
            fire.mark(Mark(kind), 60.0 * minute)
        fire.minute(60.0 * minute, 10.0 + 115.0 * exp(-(minute - 60) / 40.0), BAND, 10.0)
        sense = fire.feed(60.0 * minute, 0.0)
        excused.append(fire.excused(60.0 * minute))
        blamed.append(sense.not_caught)
        assert not (sense.answering and sense.not_caught)
    first = blamed.index(True)
    assert 10 <= first <= 20 and all(blamed[first:]), "from the first log on"
    assert all(excused[:20]) and not any(excused[21:])


def test_after_a_log_that_caught_the_next_is_given_its_time_again() -> None:
    """The first turns the pit by 10 °C and is spent; the second, 12 min later, does not catch."""
    up = [118.0 + m for m in range(10)] + [127.0, 126.0]
    fire = watched(*(125.0 - 0.5 * m for m in range(15)))
    fire.mark(Mark(MarkKind.LOG), 75 * 60.0)
    for minute, pit in enumerate(up, start=75):
        fire.minute(60.0 * minute, pit, BAND, 10.0)
    fire.mark(Mark(MarkKind.LOG), 87 * 60.0)
    blamed = []
    for minute in range(87, 87 + 30):
        fire.minute(60.0 * minute, 126.0 - 1.0 * (minute - 87), BAND, 10.0)
        sense = fire.feed(60.0 * minute, 0.0)
        assert fire.excused(60.0 * minute) == (minute <= 87 + 20)
        assert sense.answering or minute >= 87 + 10
        blamed.append(sense.not_caught)
    assert any(blamed) and not any(blamed[:10])


def test_a_log_that_was_a_mistake_is_not_the_first_of_those_that_did_not_catch() -> None:
    fire = watched(*(112.0 - 0.5 * m for m in range(10)))
    fire.mark(Mark(MarkKind.LOG), 70 * 60.0)
    for minute in range(70, 80):
        fire.minute(60.0 * minute, 107.0 - 0.5 * (minute - 70), BAND, 10.0)
    fire.mark(Mark(MarkKind.LOG), 80 * 60.0)
    assert not fire.excused(92 * 60.0)
    fire.take_back(MarkKind.LOG, 70 * 60.0, [(MarkKind.LOG, 80 * 60.0)], 81 * 60.0)
    assert fire.excused(92 * 60.0)


def test_logs_laid_while_a_pit_comes_down_from_a_flare_into_its_band_are_not_blamed() -> None:
    fire = watched(*(150.0 - 2.0 * m for m in range(10)))
    for minute in range(70, 100):
        if minute % 10 == 0:
            fire.mark(Mark(MarkKind.LOG), 60.0 * minute)
        fire.minute(60.0 * minute, max(121.0, 130.0 - 2.0 * (minute - 70)), BAND, 10.0)
        assert minute < 80 or not fire.feed(60.0 * minute, 0.0).not_caught


def test_a_lost_fire_is_taken_back_by_heat_and_not_by_a_mark_or_a_slope_around_nothing() -> None:
    def out(slope: float, **fire: Any) -> Condition:
        return said(70.0, FeedSense(), slope, stage="out", standing="fire-out/pit", **fire)["fire-out"]

    flat = out(0.06)
    assert flat.active and not flat.within
    assert said(70.0, FeedSense(), 0.06, stage="out", standing="fire-out/pit")["pit-falling"].suppressed_by
    warm = out(0.5, regained=6.0)
    assert warm.within and not warm.active
    marked = out(-0.1, excused=lambda now: True)
    assert marked.active and not marked.within, "wood that was laid says nothing: degrees do"
    cold = said(30.0, FeedSense(), 0.5, stage="out", standing="fire-out/pit", regained=8.0)["fire-out"]
    assert cold.active and not cold.within, "embers warm a cold pit, too"


def test_a_log_that_is_catching_wants_no_other() -> None:
    assert not prompt(105.0, FeedSense(slackens=True), slope=-0.3).active
    assert not prompt(112.0, FeedSense(chance=0.9, left=LEFT, slackens=True), slope=-0.3).active


def cooled(tau: float, minutes: int, over: float = 70.0) -> list[float]:
    """Newton's law of cooling: 50 °C and what is left of `over`, °C a minute."""
    return [50.0 + over * exp(-minute / tau) for minute in range(minutes)]


@pytest.mark.parametrize("tau", [20.0, 40.0, 120.0])
def test_a_pit_without_a_fire_does_not_slacken_and_one_whose_log_catches_does(tau: float) -> None:
    fire, quiet = FireWatch(), cooled(tau, 40)
    for minute, pit in enumerate(quiet):
        fire.minute(minute * 60.0, pit, BAND, 10.0)
        assert not fire.slackens
    # the log's heat grows as the square of the time and turns the pit after six minutes
    fall = (quiet[-2] - quiet[-1]) / 12
    turned = [quiet[-1] - fall * (12 * m - m * m) for m in range(1, 8)]
    for minute, pit in enumerate(turned, start=len(quiet)):
        fire.minute(minute * 60.0, pit, BAND, 10.0)
    assert fire.slackens
    assert not fire.feed(47 * 60.0, 0.0).slackens, "without a marked log it is no log's doing"


def test_after_a_lid_the_last_minute_tells_of_a_climb() -> None:
    fire = FireWatch()
    for beat in range(40 * 12):
        fire.scan(beat * 5.0, 125.0)
        if beat % 12 == 0:
            fire.minute(beat * 5.0, 125.0, BAND, 10.0)
    for beat in range(40 * 12, 55 * 12):
        opened = beat < 46 * 12
        pit = 95.0 if opened else 95.0 + 5.0 * (beat - 46 * 12) / 12
        fire.scan(beat * 5.0, pit)
        if beat % 12 == 0:
            fire.minute(beat * 5.0, pit, BAND, 10.0)
            if not fire.lid_open and beat > 46 * 12:
                sense = fire.feed(beat * 5.0, 0.0)
                assert sense.climbs and sense.answering, "nobody is called by what was foretold under the lid"
                return
    raise AssertionError("the lid was never seen to shut")


def watched(*minutes: float) -> FireWatch:
    """°C, one a minute, after a marked log and an hour in the band."""
    fire = FireWatch(learned().fire)
    fire.mark(Mark(MarkKind.FIRE_LIT), 0.0)
    for minute, pit in enumerate([125.0 + 0.3 * (m % 2) for m in range(60)] + list(minutes)):
        fire.minute(60.0 * minute, pit, BAND, 10.0)
    return fire


@pytest.mark.parametrize("fall", [0.5, 1.0, 2.0])
def test_a_call_s_early_end_is_never_later_than_the_fall_that_is_shown(fall: float) -> None:
    """A forecast knows fires that are fed; the plain fall beside it must not reach the edge before the interval begins."""
    pit = [125.0 - fall * m for m in range(1, int(17 / fall))]
    fire = watched(*pit)
    early, late = fire.feed(60.0 * (59 + len(pit)), 0.0).between or (nan, nan)
    assert early <= (pit[-1] - BAND.low) / fall * 60.0 + 1.0 and early <= late
    assert fire.trend == pytest.approx(-fall, abs=0.1)


def test_the_heat_an_opened_door_took_is_no_trend() -> None:
    """As seen in a simulated night: a door opened for a minute or two, then the pit comes back."""
    fire = watched(122.1, 121.9, 121.4, 121.4, 120.9, 120.3, 117.2, 109.0, 108.3, 109.8, 111.3, 111.8)
    assert fire.slope < -1.0, "a line through ten minutes falls"
    assert fire.trend > 0, "and the pit climbs"
    early, _ = fire.feed(60.0 * 71, 0.0).between or (nan, nan)
    assert early > 60.0 * (111.8 - BAND.low) / -fire.slope, "what does not fall now brings no edge nearer"


@pytest.mark.parametrize("noise", [0.1, 0.5, 1.0, 2.0])
def test_the_noise_of_a_probe_is_neither_a_recovery_nor_its_end(noise: float) -> None:
    """A dead pit that stands still for two hours: a slope of ten minutes wavers about nothing, the message does not."""
    chance, level = Random(17), 125.0
    fire, ways = watched(), []
    for minute in range(160):
        level = max(85.0, level - 2.0)
        fire.minute(60.0 * (60 + minute), level + chance.gauss(0.0, noise), BAND, 10.0)
        if minute >= 30:
            ways.append(fire.heading)
    assert 1 not in ways, "nothing has come up"


@pytest.mark.parametrize("noise", [0.1, 0.5, 1.0])
def test_a_pit_that_comes_up_is_said_to_until_it_falls_again(noise: float) -> None:
    chance, told = Random(18), []
    fire = watched()
    for minute in range(120):
        level = (
            125.0 - 2.0 * minute
            if minute < 20
            else 85.0 + 0.5 * (minute - 20)
            if minute < 70
            else 110.0 - (minute - 70)
        )
        fire.minute(60.0 * (60 + minute), level + chance.gauss(0.0, noise), BAND, 10.0)
        told.append(fire.heading)
    turns = [after for before, after in pairwise(told) if before != after]
    assert turns[-3:] == [-1, 1, -1] or turns == [-1, 1, -1]
    assert told[45] == 1 and told[100] == -1


@pytest.mark.parametrize(("climbs", "words"), [(False, "coming down"), (True, "Close damper")])
def test_a_pit_that_climbs_again_is_not_said_to_come_down(climbs: bool, words: str) -> None:
    """Its highest of the last twenty minutes lay above it still, and the damper was said to be at work while the pit ran up."""
    told = said(157.0, FeedSense(climbs=climbs), 0.0, stage="high", standing="pit-high/pit", heading=-1)
    assert words in in_english(told["pit-high"].text)


def test_a_call_is_a_question_where_no_probe_reads_it_or_one_alone_does() -> None:
    """A probe that drifted ordered the damper shut over a dying fire; the wind turned, and a relighting was ordered at 98 °C,
    which no probe read."""

    def words(pit: float, reads: tuple[float, ...], stage: str, rule: str) -> str:
        told = said(pit, FeedSense(), -0.3 if pit < 100 else 0.3, stage=stage, standing=f"{rule}/pit", reads=reads)
        return in_english(told[rule].text)

    assert words(157.0, (157.0, 155.0), "high", "pit-high").startswith("Close damper")
    assert words(157.0, (157.0,), "high", "pit-high").startswith("Look at the fire")
    assert words(95.0, (95.0, 102.0), "low", "fire-out").startswith("Relight fire")
    assert words(95.0, (106.0, 131.0), "low", "fire-out") == "Look at the fire: Pit 106 °C, colder elsewhere?"


def test_a_message_says_that_it_recovers_only_by_degrees() -> None:
    """As the slope of ten minutes wavers from one minute to the next, the words stay."""

    def words(slope: float, heading: int) -> str:
        fire: dict[str, Any] = {"heading": heading, "slackens": slope > -0.1}
        lost = said(90.0, FeedSense(), slope, stage="low", standing="fire-out/pit", **fire)["fire-out"]
        return in_english(lost.text)

    assert {words(slope, 0)[:12] for slope in (-0.3, -0.05, 0.0, 0.06)} == {"Relight fire"}
    assert {words(slope, 1)[:16] for slope in (-0.3, -0.05, 0.06)} == {"Look at the fire"}


def test_nothing_is_called_steady_that_has_only_just_fallen() -> None:
    """°C/h under 3 is steady to people (words.js); a fall of 12 °C that ended five minutes ago is not."""
    fire = watched(*(125.0 - 2.0 * m for m in range(1, 7)), *[113.0] * 5)
    assert fire.trend * 60.0 < -3.0
    for minute in range(71, 81):
        fire.minute(60.0 * minute, 113.0, BAND, 10.0)
    assert abs(fire.trend * 60.0) < 3.0, "ten minutes later it is"


def test_what_was_steady_before_the_lid_was_opened_says_nothing_of_now() -> None:
    fire = watched()
    for beat in range(60 * 12, 64 * 12):
        fire.scan(beat * 5.0, 125.0 if beat < 62 * 12 else 100.0)
        if beat % 12 == 11:
            fire.minute(beat * 5.0, 125.0 if beat < 62 * 12 else 100.0, BAND, 10.0)
    assert fire.lid_open and isnan(fire.trend)


def test_a_pit_well_below_its_band_that_is_lower_each_time_it_is_read_is_to_be_relit() -> None:
    """A contact that flaps: one minute in four is read, too few for a slope."""
    seen: dict[str, Any] = {"slope": nan, "stage": "low", "lower_each_time": True}
    assert said(95.0, FeedSense(), **seen)["fire-out"].active
    assert "fire-out" in said(95.0, FeedSense(), standing="fire-out/pit")["pit-falling"].suppressed_by
    assert not said(102.0, FeedSense(), **seen)["fire-out"].active
    assert not said(95.0, FeedSense(), **seen, excused=lambda now: True)["fire-out"].active
    assert not said(95.0, FeedSense(), **(seen | {"lower_each_time": False}))["fire-out"].active


@pytest.mark.parametrize(("lid", "way", "expected"), [(False, -1.5, True), (True, -1.5, False), (False, 0.0, False)])
def test_lower_each_time_is_seen_of_a_flapping_contact_and_not_of_a_lid(lid: bool, way: float, expected: bool) -> None:
    fire = FireWatch()
    for minute in range(60):
        if lid and minute in (50, 54):
            fire.mark(Mark(MarkKind.LID_OPEN if minute == 50 else MarkKind.LID_CLOSED), minute * 60.0)
        unseen = minute > 40 and minute % 4 != 0
        pit = 120.0 + 0.2 * (minute % 2) + way * max(0, minute - 40)
        fire.minute(minute * 60.0, nan if unseen else pit, BAND, 10.0)
    assert fire.lower_each_time is expected
    again = FireWatch()
    again.load(fire.dump())
    assert again.lower_each_time is expected
