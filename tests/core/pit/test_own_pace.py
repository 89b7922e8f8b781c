"""What a pit's own forecasts that came to nothing teach: later, in the forecast's own spread, and never earlier. Relations of
probability, no figures of a source; the standing pits are drawn here and share nothing with what taught the model."""

from __future__ import annotations

import json
from math import exp, log, nan
from random import Random

from hypothesis import given
from hypothesis import strategies as st

from daemon.core.pit.exit_model import LEVELS, MIDDLE, SHIFT, ExitForecast
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.own_pace import FED_BY, ON_TRIAL, OwnPace
from daemon.core.settings import Band
from daemon.wiring.learned import learned

LOW, PIT = 107.0, 113.0
VAGUE = [log(SHIFT + m) for m in (5.0, 14.0, 25.0, 50.0, 90.0)]
SURE = [log(SHIFT + m) for m in (21.0, 23.0, 25.0, 27.0, 30.0)]
told = st.lists(st.floats(log(SHIFT), log(243.0)), min_size=len(LEVELS), max_size=len(LEVELS)).map(sorted)


def minutes_of(logs_left: list[float]) -> float:
    return exp(logs_left[MIDDLE]) - SHIFT


def stood(pace: OwnPace, trials: int, forecast: list[float] = VAGUE, pit: float = PIT) -> OwnPace:
    """The pit stands at `pit` while so many forecasts come to nothing."""
    for minute in range(trials * int(ON_TRIAL // 60) + trials):
        pace.minute(minute * 60.0, pit, LOW)
        pace.foretold(minute * 60.0, forecast)
    return pace


@given(told)
def test_what_was_never_tried_is_told_as_it_came(forecast: list[float]) -> None:
    assert OwnPace().foretold(0.0, forecast) == forecast


@given(told, st.integers(0, 8))
def test_a_pit_that_stands_is_told_later_and_in_order(forecast: list[float], trials: int) -> None:
    found = stood(OwnPace(), trials).foretold(1e6, forecast)
    assert found == sorted(found)
    assert all(after >= before for after, before in zip(found, forecast, strict=True))


def test_every_trial_moves_what_is_vague_and_hardly_what_is_sure() -> None:
    vague = [minutes_of(stood(OwnPace(), trials).foretold(1e6, VAGUE)) for trials in (0, 1, 3, 6)]
    assert vague == sorted(vague) and vague[-1] > 1.5 * vague[0]
    assert minutes_of(stood(OwnPace(), 6).foretold(1e6, SURE)) < 1.15 * minutes_of(SURE), "it falls: that is believed"


def test_a_pit_that_leaves_as_foretold_or_sooner_is_not_told_later_nor_earlier() -> None:
    for minutes in (6, 12, 24):
        pace = OwnPace()
        for trial in range(4):
            began = trial * 3600.0
            pace.foretold(began, VAGUE)
            pace.minute(began + minutes * 60.0, LOW - 1.0, LOW)
        assert minutes_of(pace.foretold(1e6, VAGUE)) <= 1.1 * minutes_of(VAGUE)
        assert pace.foretold(1e6, VAGUE)[MIDDLE] >= VAGUE[MIDDLE]


def test_what_may_have_been_fed_or_was_not_seen_proves_nothing() -> None:
    for spoiled in (PIT + FED_BY + 0.5, nan):
        pace = OwnPace()
        for minute in range(200):
            pace.minute(minute * 60.0, spoiled if minute % 20 == 10 else PIT, LOW)
            pace.foretold(minute * 60.0, VAGUE)
        assert pace.foretold(1e6, VAGUE) == VAGUE
    pace = OwnPace()
    for minute in range(200):
        if minute % 20 == 10:
            pace.fed()
        pace.minute(minute * 60.0, PIT, LOW)
        pace.foretold(minute * 60.0, VAGUE)
    assert pace.foretold(1e6, VAGUE) == VAGUE


def test_a_marked_log_is_another_fire_in_the_same_pit() -> None:
    pace = stood(OwnPace(), 6)
    before = minutes_of(pace.foretold(1e6, VAGUE))
    pace.fed()
    assert minutes_of(VAGUE) < minutes_of(pace.foretold(2e6, VAGUE)) < before


def test_a_restart_in_the_middle_of_a_trial_changes_nothing() -> None:
    for minutes in (0, 5, 45, 100):
        pace, again = OwnPace(), OwnPace()
        for minute in range(minutes):
            pace.minute(minute * 60.0, PIT, LOW)
            pace.foretold(minute * 60.0, VAGUE)
        again.load(json.loads(json.dumps(pace.dump())))
        for minute in range(minutes, minutes + 100):
            pace.minute(minute * 60.0, PIT, LOW)
            again.minute(minute * 60.0, PIT, LOW)
            assert pace.foretold(minute * 60.0, VAGUE) == again.foretold(minute * 60.0, VAGUE)


def calls_on_a_pit_that_stands(seed: int, *, learns: bool) -> int:
    """Of nine hours with nobody there, by the chance alone. A pit some 6 °C over its edge wanders by a degree."""
    rng, watch, band = Random(seed), FireWatch(learned().fire), Band(107.0, 127.0)
    call, at, calls, standing = learned().fire, 0.0, 0, False
    assert call is not None
    for minute in range(30 + 9 * 60):
        at = at * (1 - 1 / 40) + rng.gauss(0, 1.0) * (2 / 40) ** 0.5
        pit = 113.0 + at + rng.gauss(0, 0.1) if minute >= 30 else 15.0 + 3.3 * minute
        watch.minute(minute * 60.0, pit, band, nan)
        if not learns:
            watch.exit.pace = OwnPace()
        chance = watch.feed(minute * 60.0, 24 * 60.0).chance or 0.0
        calls += minute > 40 and not standing and chance >= call.call.begins
        standing = chance >= (call.call.ends if standing else call.call.begins)
    return calls


def test_a_drum_that_stands_all_night_is_called_for_once_or_twice_and_no_more() -> None:
    """A newcomer's steady drum rang 14 times in one night."""
    learns = [calls_on_a_pit_that_stands(seed, learns=True) for seed in range(3)]
    without = [calls_on_a_pit_that_stands(seed, learns=False) for seed in range(3)]
    assert max(learns) <= 3 and sum(learns) < sum(without) / 2


def test_a_forecast_that_tells_two_stories_is_known_by_its_spread() -> None:
    def two_minded(*minutes: float) -> bool:
        return ExitForecast.of(0.0, [log(SHIFT + m) for m in minutes]).is_two_minded

    assert two_minded(4.0, 8.0, 14.0, 42.0, 89.0), "the door was opened, or the fire dies"
    assert not two_minded(17.0, 25.0, 33.0, 44.0, 70.0)
