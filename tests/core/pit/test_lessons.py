"""What a finished cook teaches, on pits whose truth is known because it was drawn here."""

from __future__ import annotations

from math import nan

import pytest

from daemon.core.pit.lessons import PieceStory, Promise, cook_lessons
from daemon.core.pit_profile import CookLessons, ForecastMiss, PitProfile, PlaceLesson, taught

MINUTE, HOUR = 60.0, 3600.0
FIRST = 1000
"""Engine minute of the first value."""


def fed_pit(lag: int, drift: float, logs: int = 4, every: int = 75) -> tuple[list[float], list[float]]:
    """A pit that sinks `drift` °C/h, answers each log after `lag` minutes, climbs for half an hour and sinks again."""
    pit, at, marks = [125.0] * 20, 125.0, []
    for _ in range(logs):
        marks.append((FIRST + len(pit)) * MINUTE)
        for minute in range(every):
            climbing = lag <= minute < lag + 30
            at += (drift * (every - 30) / 60.0 / 30) if climbing else -drift / 60.0
            pit.append(at)
    return pit, marks


def lessons_of(pit: list[float], marks: list[float], **more: object) -> CookLessons:
    return cook_lessons("a", FIRST, pit, marks, marks, more.get("places", {}), more.get("pieces", ()))  # type: ignore[arg-type]


@pytest.mark.parametrize(("lag", "drift"), [(4, 8.0), (8, 12.0), (14, 20.0)])
def test_lag_and_drift_of_a_drawn_pit_are_found(lag: int, drift: float) -> None:
    told = lessons_of(*fed_pit(lag, drift))
    assert told.lag == pytest.approx(lag, abs=1.5)
    assert told.drift == pytest.approx(drift, rel=0.05)


def test_one_log_or_a_blind_pit_teaches_nothing() -> None:
    pit, marks = fed_pit(6, 10.0, logs=1)
    assert lessons_of(pit, marks).lag is None and lessons_of(pit, marks).drift is None
    pit, marks = fed_pit(6, 10.0)
    assert lessons_of([nan] * len(pit), marks).drift is None
    assert lessons_of([120.0] * len(pit), marks).lag is None, "no turn, no lag"
    assert lessons_of([], []) == CookLessons("a")


def test_logs_laid_together_count_once() -> None:
    pit, marks = fed_pit(6, 10.0)
    doubled = sorted([*marks, *(mark + 60 for mark in marks)])
    assert lessons_of(pit, doubled) == lessons_of(pit, marks)


def test_places_are_measured_against_their_mean() -> None:
    places = {"left": [118.0] * 90, "right": [124.0] * 90, "door": [nan] * 80 + [150.0] * 10}
    told = lessons_of([], [], places=places)
    assert told.places == (PlaceLesson("left", -3.0, 1.5), PlaceLesson("right", 3.0, 1.5))


def test_a_late_piece_is_counted_by_the_hours_that_were_promised() -> None:
    """Promised 4 h ahead and 30 min late: 7.5 min an hour; promises too near and too far say nothing."""
    tender = 100 * HOUR
    promises = (
        Promise(tender - 4.5 * HOUR, tender - 0.5 * HOUR),
        Promise(tender - 0.5 * HOUR, tender + 9 * MINUTE),
        Promise(tender - 14 * HOUR, tender - 2 * HOUR),
        Promise(tender + HOUR, tender + 3 * HOUR),
    )
    told = lessons_of([], [], pieces=(PieceStory("chuck", tender, promises), PieceStory("lamb", tender, ())))
    assert told.misses == (ForecastMiss("a", "chuck", 7.5),)


# --- the profile -----------------------------------------------------------------------------------------


def test_a_cook_teaches_once() -> None:
    told = CookLessons("a", (PlaceLesson("left", 4.0, 10.0),), 6.0, 10.0, (ForecastMiss("a", "chuck", 5.0),))
    once = taught(PitProfile(), told)
    assert (once.lag, once.drift, once.cooks) == (6.0, 10.0, ("a",))
    assert taught(once, told) == once


def test_cooks_are_averaged_and_silence_keeps_what_was_known() -> None:
    profile = PitProfile()
    for number, lag in enumerate((6.0, 8.0, None, 10.0)):
        profile = taught(profile, CookLessons(str(number), lag=lag))
    assert profile.lag == pytest.approx(7.0 + (10 - 7.0) / 4)
    assert profile.drift is None and len(profile.cooks) == 4
    for number in range(100):
        profile = taught(profile, CookLessons(f"later {number}", lag=20.0))
    assert profile.lag == pytest.approx(20.0, abs=0.01), "an old pit is forgotten"


def test_places_are_weighted_by_hours() -> None:
    profile = taught(PitProfile(), CookLessons("a", (PlaceLesson("left", 4.0, 30.0),)))
    profile = taught(profile, CookLessons("b", (PlaceLesson("left", -2.0, 10.0), PlaceLesson("top", 9.0, 10.0))))
    assert profile.places == (PlaceLesson("left", 2.5, 40.0), PlaceLesson("top", 9.0, 10.0))


def test_a_bias_in_use_is_not_learned_away() -> None:
    """A pit that is always 6 min an hour slow: once the bias is in use the misses are nil, and the bias must stay."""
    profile = PitProfile()
    for number in range(30):
        seen = 60.0 * (66.0 / (60.0 + profile.forecast_bias) - 1)  # truth over what was forecast with the bias
        profile = taught(profile, CookLessons(str(number), misses=(ForecastMiss(str(number), "chuck", seen),)))
    assert profile.forecast_bias == pytest.approx(6.0)


def test_the_profile_survives_json_and_the_form_of_early_versions() -> None:
    import json

    profile = taught(
        PitProfile(), CookLessons("a", (PlaceLesson("left", 4.0, 10.0),), 6.0, 10.0, (ForecastMiss("a", "chuck", 5.0),))
    )
    assert PitProfile.from_plain(json.loads(json.dumps(profile.to_plain()))) == profile
    early = PitProfile.from_plain({"episodes": [[1.0, 2.0]], "log_intervals": [40.0]})
    assert early.fire.log_intervals == (40.0,) and early.cooks == ()
