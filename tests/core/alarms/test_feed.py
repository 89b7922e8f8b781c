"""The feed prompt: one decision on the chance of an exit, a marked log that is given its time, one that does not catch."""

from __future__ import annotations

from datetime import UTC
from math import nan

import pytest

from daemon.core.alarms.conditions import conditions
from daemon.core.alarms.process import ProcessSnapshot
from daemon.core.alarms.rule import Condition
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.settings import AnnouncingSettings, Band, CookSettings, QuietHours, WatchSettings
from tests.core.alarms.quiet_fire import quiet_fire

BAND = Band(107.0, 135.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", BAND), AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC))
)
NOW = 36_000.0
LEFT = 16 * 60.0


def said(pit: float, sense: FeedSense, slope: float = -0.2) -> dict[str, Condition]:
    process = ProcessSnapshot(
        NOW, SETTINGS, BAND, pit, None, "in-band", quiet_fire(sense, slope=slope), None, (), {}, {}, {}, frozenset()
    )
    return {c.rule: c for c in conditions(process)}


def prompt(pit: float, sense: FeedSense, slope: float = -0.2) -> Condition:
    return said(pit, sense, slope)["pit-falling"]


@pytest.mark.parametrize("pit", [112.0, 122.8, 134.0])
def test_the_chance_decides_wherever_the_pit_stands(pit: float) -> None:
    asked = prompt(pit, FeedSense(chance=0.6, left=LEFT))
    assert asked.active and asked.consequence_in == pytest.approx(LEFT)
    assert "16 min" in asked.because and "in 16 min" in asked.text
    assert not prompt(pit, FeedSense(chance=0.45, left=LEFT)).active


def test_what_comes_back_from_too_much_heat_wants_no_wood() -> None:
    assert not prompt(150.0, FeedSense(chance=0.9, left=LEFT), slope=-3.0).active


def test_who_tends_the_fire_himself_and_is_not_late_is_not_woken() -> None:
    assert not prompt(115.0, FeedSense(chance=0.9, left=LEFT, tended=True)).active
    assert prompt(105.0, FeedSense(tended=True), slope=-0.1).active, "below the band he has missed it"


def test_what_climbs_wants_no_wood() -> None:
    assert not prompt(115.0, FeedSense(chance=0.9, left=LEFT, climbs=True)).active


def test_a_call_stands_until_the_chance_is_clearly_lower() -> None:
    assert not prompt(115.0, FeedSense(chance=0.4, left=LEFT)).within
    assert prompt(115.0, FeedSense(chance=0.2, left=LEFT)).within


def test_a_marked_log_rules_a_call_out_and_ends_one() -> None:
    asked = prompt(112.0, FeedSense(chance=0.9, left=LEFT, answering=True))
    assert not asked.active and asked.within
    assert not prompt(99.0, FeedSense(answering=True)).active, "it may dip before the log turns it"


def test_a_log_that_does_not_catch_has_its_own_prompt_and_no_other() -> None:
    asked = said(112.0, FeedSense(chance=0.9, left=LEFT, not_caught=True))
    assert asked["log-not-caught"].active and not asked["pit-falling"].active
    assert asked["log-not-caught"].text == "Check last log, not caught: Pit 112 °C, low in 16 min"
    assert not said(125.0, FeedSense(chance=0.1, left=LEFT, not_caught=True))["log-not-caught"].active, "time enough"


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
