"""The food-safety record against published rules.

FSIS = USDA FSIS Cooking Guideline (Revised Appendix A), FSIS-GD-2021-14, December 2021. Food Code sections as in
Washington WAC 246-215-03400, -03515 and -03525. Home minima: "Official USDA Guidelines" as copied in
https://www.justapinch.com/recipes/food-safe-cooking-temperatures.html (secondary). Four-hour time control: from memory.
"""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Iterable
from dataclasses import replace
from math import exp, log, nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.food_safety.cooling import falls_within
from daemon.core.food_safety.lethality import celsius
from daemon.core.food_safety.record import CLOSING, COOLED, HOME_MINIMUM, SafetyRecord, SafetyView
from daemon.core.settings import HoldSettings, MeatKind, PieceSettings
from tests.published_cooling import DATA
from tests.texts.english import in_english

LAMB = PieceSettings("lamb", "Lamb shoulder", "lamb-shoulder", MeatKind.WHOLE_ROAST, "meat-1", 2.4, 0.11, 1.0,
                     safe_minimum=62.8, safe_rule="USDA home guidance, with 3 min rest")  # fmt: skip
HOUR = 60


def record(piece: PieceSettings = LAMB, tolerance: float = 0.0, hold: HoldSettings | None = None) -> SafetyRecord:
    return SafetyRecord(piece, hold or HoldSettings(), tolerance)


def told(view: SafetyView) -> list[str]:
    return [in_english(note) for note in view.notes]


class Cook:
    """Feeds a record one minute at a time."""

    def __init__(self, safety: SafetyRecord) -> None:
        self.safety = safety
        self.minutes = 0
        safety.minute(0.0, 4.0, "waiting")

    def feed(self, cores: Iterable[float], stage: str = "cooking") -> Cook:
        for core in cores:
            self.safety.minute(60.0 * self.minutes, core, stage)
            self.minutes += 1
        return self

    def hold(self, core: float, minutes: int, stage: str = "cooking") -> Cook:
        return self.feed([core] * minutes, stage)


def cooked(tolerance: float = 0.0, hold: HoldSettings | None = None) -> Cook:
    """Done as such a shoulder is: 5 to 95 °C in 6 h, and taken off."""
    return Cook(record(tolerance=tolerance, hold=hold)).feed(
        (5 + 90 * minute / 360 for minute in range(361)), "cooking"
    )


@pytest.mark.parametrize(("fahrenheit", "minutes"), [(130, 112), (131, 89), (135, 36), (140, 12), (145, 4)])
def test_a_roast_held_for_the_tables_time_has_reached_it_and_a_minute_less_has_not(
    fahrenheit: int, minutes: int
) -> None:
    """FSIS Table 2, 6.5-log; Food Code 3-401.11 (B)."""
    cook = Cook(record()).feed([celsius(fahrenheit)] * minutes)
    assert cook.safety.view.lethality_fraction == pytest.approx((minutes - 1) / minutes)
    cook.feed([celsius(fahrenheit)])
    assert cook.safety.view.lethality_fraction == 1.0


def test_the_probes_tolerance_is_taken_off() -> None:
    """FSIS p. 20: with a thermometer good to ±1 °F a limit of 165 °F is to be set no lower than 166 °F."""
    bird = replace(LAMB, cut="chicken-whole", kind=MeatKind.POULTRY, safe_minimum=celsius(165.0))
    one_fahrenheit = 1 / 1.8
    below = Cook(record(bird, one_fahrenheit)).hold(celsius(165.9), 3).safety.view
    above = Cook(record(bird, one_fahrenheit)).hold(celsius(166.01), 3).safety.view
    assert below.safe_minimum_reached_at is None
    assert above.safe_minimum_reached_at is not None


def test_home_minima_and_the_three_minute_rest() -> None:
    assert {kind: round(minimum * 1.8 + 32) for kind, minimum in HOME_MINIMUM.items()} == {
        MeatKind.WHOLE_ROAST: 145,
        MeatKind.GROUND: 160,
        MeatKind.POULTRY: 165,
        MeatKind.CURED: 140,
        MeatKind.OTHER: 145,
    }
    cook = Cook(record()).hold(63.0, 3)
    assert cook.safety.view.safe_minimum_reached_at is None
    assert cook.feed([63.0]).safety.view.safe_minimum_reached_at == 180.0
    dipped = Cook(record()).feed([63.0, 63.0, 62.0, 63.0, 63.0])
    assert dipped.safety.view.safe_minimum_reached_at is None
    ground = replace(LAMB, kind=MeatKind.GROUND, safe_minimum=71.1)
    assert Cook(record(ground)).feed([71.0, 71.2]).safety.view.safe_minimum_reached_at == 60.0


def test_come_up_time_is_that_between_50_and_130_fahrenheit_and_starts_anew_after_lethality() -> None:
    """FSIS p. 24 and p. 25."""
    cook = Cook(record()).hold(5.0, 30).hold(40.0, 5 * HOUR).hold(celsius(131), 2)
    view = cook.safety.view
    assert view.come_up_limit == 6 * 3600.0
    assert view.come_up_seconds == pytest.approx((5 * HOUR + 1) * 60)  # and the minute in which it passed 130 °F
    cook.hold(celsius(131), 89)
    assert cook.safety.view.come_up_seconds == 0.0
    assert any("took 5 h 01 min" in note for note in told(cook.safety.view))


def test_a_come_up_over_six_hours_stays_on_the_record_even_after_lethality() -> None:
    view = Cook(record()).hold(40.0, 6 * HOUR + 2).hold(95.0, 10).safety.view
    assert view.lethality_fraction == 1.0
    assert any("over the limit" in note and "toxins" in note and "FSIS" in note for note in told(view))


def test_missing_minutes_count_as_come_up_and_for_no_lethality_and_are_told() -> None:
    seen = Cook(record()).hold(celsius(130), 20).hold(celsius(130), 60).safety.view
    blind = Cook(record()).hold(celsius(130), 20).hold(nan, 60).safety.view
    assert seen.come_up_seconds == 0.0
    assert blind.come_up_seconds == 60 * 60.0
    assert blind.lethality_fraction < seen.lethality_fraction
    assert any("60 min without a believed reading" in note for note in told(blind))


def test_hours_without_the_watch_are_missing_minutes() -> None:
    cook = cooked()
    cook.safety.minute(60.0 * cook.minutes + 3 * 3600.0, 80.0, "hold")
    view = cook.safety.view
    assert view.below_floor_seconds >= 3 * 3600.0
    assert view.hold_left_seconds is not None


def test_a_core_found_to_be_stuck_was_seen_by_nobody_since_it_stood_still() -> None:
    cook = cooked().hold(80.0, 60)
    cook.safety.minute(60.0 * cook.minutes, nan, "hold", stuck_for=25 * 60.0)
    assert cook.safety.view.below_unseen_seconds == pytest.approx(25 * 60.0, abs=60.0)
    loaded = record()
    loaded.load(json.loads(json.dumps(cook.safety.dump())))
    loaded.minute(60.0 * cook.minutes + 60.0, nan, "hold", stuck_for=26 * 60.0)
    assert loaded.view.below_unseen_seconds == pytest.approx(26 * 60.0, abs=60.0), "counted once"
    loaded.minute(60.0 * cook.minutes + 120.0, 80.25, "hold")
    assert loaded.view.below_unseen_seconds == 0.0, "no body of its size cools through so quickly"


def test_hot_holding_counts_only_time_below_the_floor_and_only_once_the_piece_was_hot() -> None:
    """Food Code 3-501.16 (135 °F)."""
    cook = cooked()
    assert cook.safety.view.below_floor_seconds == 0.0
    cook.hold(66.0, 8 * HOUR, "hold")
    assert cook.safety.view.below_floor_seconds == 0.0 and cook.safety.view.hold_left_seconds is None
    cook.hold(57.0, HOUR, "hold")
    assert cook.safety.view.below_floor_seconds == 3600.0
    assert cook.safety.view.hold_left_seconds == 3 * 3600.0
    cook.hold(66.0, HOUR, "hold")
    assert cook.safety.view.hold_left_seconds is None
    cook.hold(50.0, 3 * HOUR, "hold")
    assert cook.safety.view.hold_left_seconds == 0.0
    assert any("Used up" in note and "3-501.16" in note for note in told(cook.safety.view))


@pytest.mark.parametrize(
    ("floor", "kind", "rule_floor"),
    [
        (60.0, MeatKind.WHOLE_ROAST, 60.0),  # home guidance, 140 °F
        (57.2, MeatKind.WHOLE_ROAST, 57.2),  # Food Code, 135 °F
        (54.4, MeatKind.WHOLE_ROAST, 54.4),  # roasts by the roast rule, 130 °F
        (54.4, MeatKind.POULTRY, celsius(135)),  # the exception is for roasts only
        (45.0, MeatKind.WHOLE_ROAST, celsius(130)),  # no rule at all
    ],
)
def test_the_floor_is_the_settings_but_never_under_a_rule(floor: float, kind: MeatKind, rule_floor: float) -> None:
    piece = replace(LAMB, kind=kind, cut="x")
    hold = HoldSettings(floor=floor, rule="the rule of this floor")
    for core, seconds in ((rule_floor + 0.2, 0.0), (rule_floor - 0.2, 600.0)):
        cook = Cook(record(piece, hold=hold)).hold(90.0, 5).feed([core], "hold").hold(core, 10, "hold")
        assert cook.safety.view.below_floor_seconds - (60.0 if seconds else 0.0) == seconds
    lifted = any("has no rule here" in note for note in told(cook.safety.view))
    assert lifted is (floor != rule_floor)


def test_scattered_minutes_without_a_reading_between_hot_ones_are_no_time_below_the_floor() -> None:
    cook = cooked().hold(92.0, 10, "rest")
    for _ in range(60):
        cook.hold(nan, 5, "hold").hold(92.0, 1, "hold")
    assert cook.safety.view.below_floor_seconds == cook.safety.view.below_unseen_seconds == 0.0
    assert any("without a believed reading" in line for line in told(cook.safety.view)), "it is told all the same"
    cook.hold(nan, 5, "hold")
    assert cook.safety.view.below_floor_seconds == 5 * 60.0, "until a hot reading ends it, it counts"


def test_a_gap_in_which_a_body_could_have_cooled_through_counts_and_one_with_a_cold_end_does_too() -> None:
    longest = falls_within(92.0, 57.2, LAMB.thickness) / 60.0
    short, long = int(longest) - 2, int(longest) + 2
    assert (
        cooked().hold(92.0, 2, "hold").hold(nan, short, "hold").hold(92.0, 1, "hold").safety.view.below_floor_seconds
        == 0.0
    )
    counted = (
        cooked().hold(92.0, 2, "hold").hold(nan, long, "hold").hold(92.0, 1, "hold").safety.view.below_floor_seconds
    )
    assert counted == (long + 1) * 60.0
    cold = cooked().hold(92.0, 2, "hold").hold(nan, short, "hold").hold(50.0, 1, "hold").safety.view.below_floor_seconds
    assert cold >= short * 60.0


def test_no_published_piece_cooled_sooner_than_the_bound_on_what_a_gap_may_hide() -> None:
    """James & James, Meat Refrigeration (2002), tables 16.4 and 16.7, in tests/data/cooling.csv."""
    with (DATA / "cooling.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    checked = 0
    for row in rows:
        size = re.search(r"(\d+) mm", row["shape"])
        if size is None:
            continue
        bound = falls_within(float(row["from_c"]), float(row["to_c"]), int(size[1]) / 1000.0) / 3600.0
        assert bound < float(row["hours"].split()[0]), row
        checked += 1
    assert checked >= 6
    assert falls_within(60.0, 57.2, 0.1) < falls_within(70.0, 57.2, 0.1) < falls_within(92.0, 57.2, 0.1)
    assert falls_within(57.0, 57.2, 0.1) == 0.0


def test_two_stage_cooling_in_time() -> None:
    """Food Code 3-501.14: 135 to 70 °F within 2 h, to 41 °F within 6 h in all."""
    cook = cooked().hold(70.0, 5, "chill")
    assert in_english(cook.safety.view.cooling_stage) == "still hot"
    cook.feed([56.0, 50.0], "chill")
    assert in_english(cook.safety.view.cooling_stage) == "57 to 21 °C"
    assert cook.safety.view.cooling_left_seconds == 2 * 3600.0 - 120.0
    cook.hold(30.0, 110, "chill").feed([21.0], "chill")
    assert in_english(cook.safety.view.cooling_stage) == "21 to 5 °C"
    assert cook.safety.view.cooling_left_seconds == 6 * 3600.0 - 113 * 60
    cook.hold(10.0, 230, "chill").feed([4.9], "chill")
    view = cook.safety.view
    assert view.cooling_stage == COOLED and view.cooling_left_seconds is None
    assert any("3-501.14" in note and "read in time" in note for note in told(view))


@pytest.mark.parametrize(("at_21", "at_5", "late"), [(121, 300, "21 °C"), (100, 361, "5 °C")])
def test_two_stage_cooling_late(at_21: int, at_5: int, late: str) -> None:
    cook = cooked().feed([58.0, 57.0], "chill").hold(40.0, at_21 - 2, "chill").hold(20.0, at_5 - at_21, "chill")
    view = cook.hold(4.0, 2, "chill").safety.view
    assert any(note.startswith("Food Code 3-501.14") and f"{late} was not read in time" in note for note in told(view))


def cooling(hours_per_e_fold: float, minutes: int) -> Cook:
    """Cooked, and chilled towards 3 °C from 70 °C by Newton's law (any text on heat transfer)."""
    return cooked().feed((3 + 67 * exp(-minute / 60 / hours_per_e_fold) for minute in range(minutes)), "chill")


@pytest.mark.parametrize(("e_fold", "in_time"), [(1.1, True), (1.5, True), (2.2, False), (4.0, False)])
def test_halfway_through_its_two_hours_the_pace_tells_whether_21_degrees_are_read_in_time(
    e_fold: float, in_time: bool
) -> None:
    """57.2 to 21.1 °C takes ln(54.2/18.1) = 1.097 e-folds: 1.8 of them fill the two hours of Food Code 3-501.14."""
    to_57 = round(60 * e_fold * log(67 / 54.2))
    view = cooling(e_fold, to_57 + 60).safety.view
    assert view.cooling_left_seconds == pytest.approx(3600.0, abs=180.0)
    assert view.cooling_takes_seconds == pytest.approx(3600 * (1.097 * e_fold - 1.0), rel=0.05, abs=240.0)
    assert view.cooling_takes_seconds is not None and view.cooling_left_seconds is not None
    assert (view.cooling_takes_seconds <= view.cooling_left_seconds) is in_time
    said = "before its limit" if in_time else "too late. Cut it"
    assert any("3-501.14" in note and said in note for note in told(view))


def test_no_pace_is_told_before_half_an_hour_of_cold_nor_without_a_fall() -> None:
    assert cooling(2.0, 20).safety.view.cooling_takes_seconds is None
    still = cooked().feed([58.0, 57.0], "chill").hold(50.0, 40, "chill").safety.view
    assert still.cooling_takes_seconds == 24 * 3600.0
    assert any("more than a day too late" in note for note in told(still))


def test_the_pace_of_the_second_stage_is_towards_5_degrees() -> None:
    """21.1 to 5.0 °C towards 3 °C: ln(18.1/2.0) = 2.2 e-folds."""
    cook = cooling(1.0, 130)
    assert in_english(cook.safety.view.cooling_stage) == "21 to 5 °C"
    core = 3 + 67 * exp(-129 / 60)
    assert cook.safety.view.cooling_takes_seconds == pytest.approx(3600 * log((core - 3) / 2.0), rel=0.05)


def test_the_cooling_clock_starts_when_the_core_left_hot_not_when_chilling_began() -> None:
    cook = cooked().hold(60.0, 10, "hold").hold(50.0, HOUR, "hold").hold(49.0, 2, "chill")
    assert cook.safety.view.cooling_left_seconds == pytest.approx(3600.0 - 120.0, abs=61.0)


def test_a_piece_chilled_before_it_was_cooked_counts_as_raw() -> None:
    view = Cook(record()).hold(40.0, 30).hold(30.0, 10, "chill").safety.view
    assert view.cooling_stage == ""
    assert any("counts as raw" in note for note in told(view))


def test_every_note_names_a_rule_and_none_certifies() -> None:
    cook = cooked(2.5).hold(50.0, 30, "hold").hold(nan, 5, "hold").hold(20.0, 20, "chill")
    *rules, closing = told(cook.safety.view)
    assert closing == in_english(CLOSING) and "does not certify" in closing
    assert len(rules) >= 5
    for note in rules:
        assert any(source in note for source in ("FSIS", "Food Code", "USDA")), note
        assert not any(word in note.lower() for word in ("is safe", "certified", "safe to eat", "guarantee")), note


def test_a_minimum_lower_than_home_guidance_is_named() -> None:
    rare = replace(LAMB, safe_minimum=55.0, safe_rule="Food Code 3-401.11")
    assert any("set lower" in note for note in told(Cook(record(rare)).hold(55.0, 2).safety.view))


@given(
    st.lists(
        st.tuples(
            st.one_of(st.floats(-5.0, 100.0), st.just(nan)),
            st.sampled_from(["waiting", "on", "cooking", "stall", "off", "rest", "hold", "chill", "done"]),
            st.floats(1.0, 4000.0),
        ),
        max_size=60,
    ),
    st.integers(0, 60),
)
def test_a_checkpoint_goes_through_json_and_changes_nothing(minutes: list[tuple[float, str, float]], cut: int) -> None:
    straight, broken, now = record(tolerance=1.0), record(tolerance=1.0), 0.0
    for number, (core, stage, step) in enumerate(minutes):
        if number == cut:
            dumped = json.loads(json.dumps(broken.dump(), allow_nan=False))
            broken = record(tolerance=1.0)
            broken.load(dumped)
            assert broken.view == straight.view
        now += step
        straight.minute(now, core, stage)
        broken.minute(now, core, stage)
        assert broken.view == straight.view
        assert 0.0 <= straight.view.lethality_fraction <= 1.0


@given(st.lists(st.floats(0.0, 90.0), min_size=2, max_size=200), st.floats(0.1, 5.0))
def test_a_worse_probe_never_looks_safer(cores: list[float], tolerance: float) -> None:
    exact, rough = Cook(record()).feed(cores).safety.view, Cook(record(tolerance=tolerance)).feed(cores).safety.view
    assert rough.lethality_fraction <= exact.lethality_fraction
    assert rough.safe_minimum_reached_at is None or exact.safe_minimum_reached_at is not None
