"""What a report says of a cook, against figures worked out here by other means than the report's own.

Percentiles by numpy's `percentile` (linear interpolation), the lethality by table 2 of FSIS-GD-2021-14 (tests/data), all
else by counting minutes.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from math import isnan, nan
from pathlib import Path

import numpy as np
import pytest

from daemon.core.events import AlarmState, Event, FireSign, Level, Marked, SpotRead, TakenBack
from daemon.core.food_safety.record import COOLED
from daemon.core.orders import MarkKind
from daemon.core.outlook import Goal
from daemon.core.settings import Band
from daemon.shell.library.records import CookRecords
from daemon.shell.library.taken_back import standing
from daemon.shell.report.findings import Findings, findings
from daemon.shell.report.lessons import lessons
from daemon.shell.wording import rfc3339
from daemon.texts.reader import Reader
from drivers.reading import Quality
from tests.shell.kept_cooks import FIRST, make_journal
from tests.shell.report.report_cooks import (
    BAND,
    CHUCK,
    START,
    alarm,
    at,
    doubted,
    judged,
    kept,
    mark,
    quiet_night,
    said,
    seen,
    stage,
    stall,
    told,
)
from tests.texts.english import in_english

DATA = Path(__file__).parents[2] / "data"
CELSIUS = Reader()


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Findings:
    return findings(CookRecords(make_journal(tmp_path_factory.mktemp("kept"))).kept(FIRST))


def test_time_in_band_and_swing_are_those_of_the_cooking_minutes(night: Findings) -> None:
    cook = night.cook
    pits = np.array([cook.series[c] for c in ("pit-left", "pit-right", "pit-firebox")])
    pit = np.nanmedian(pits, axis=0)
    first = min(p.on_at for p in night.pieces if p.on_at is not None)
    last = max(p.off_at for p in night.pieces if p.off_at is not None)
    ends = (np.array(cook.minutes) + 1) * 60.0
    cooked = pit[(ends >= first) & (ends < last)]
    changed = next(since for since, _ in cook.bands if since > cook.started)
    low = np.where(ends[(ends >= first) & (ends < last)] - 60.0 >= changed, 105.0, 107.0)
    assert night.figures.in_band == pytest.approx(float(np.mean((cooked >= low) & (cooked <= 135.0))))
    assert night.figures.swing == pytest.approx(float(np.subtract(*np.percentile(cooked, [95, 5]))))
    assert night.held_at == pytest.approx(float(np.median(cooked)), abs=0.2)


def test_the_places_are_compared_over_the_same_minutes(night: Findings) -> None:
    assert [heat.place for heat in night.places] == ["firebox end", "left", "right"]
    assert night.figures.spread == pytest.approx(night.places[0].celsius - night.places[-1].celsius)


def test_every_wake_is_told_with_the_cooks_own_judgement(night: Findings) -> None:
    wakes = [e for e in night.cook.events if e["event"] == "notification" and e["level"] == "wake"]
    real = {(e["alarm"], e["occurrence"]) for e in wakes if e["alarm"] != "test-wake"}
    assert len(night.woken) == len(real) > 0
    assert [call.needed for call in night.woken] == [False] + [True] * (len(real) - 1)
    assert sum(call.test for call in night.calls) == 1


def test_forecasts_are_held_to_the_minute_the_core_first_read_the_goal(night: Findings) -> None:
    chuck = night.pieces[0]
    tender = next(c for c in chuck.checks if c.goal is Goal.TENDER)
    core = np.array(night.cook.series["chuck"])
    assert tender.came == (night.cook.minutes[int(np.argmax(core >= 92.0))] + 1) * 60.0
    asked = [e for e in night.cook.events if e["event"] == "forecast" and e["piece"] == "chuck"]
    assert chuck.on_at is not None
    for look, share in zip(tender.looks, (0.25, 0.5, 0.75, 0.9), strict=True):
        assert look.at == pytest.approx(chuck.on_at + share * (tender.came - chuck.on_at))
        assert look.said is not None and look.said.asked_at <= look.at
        standing = [e for e in asked if e["asked_at"] <= rfc3339(look.at)][-1]
        outlook = next(o for o in standing["outlooks"] if (o["goal"], o["scenario"]) == ("tender", "planned"))
        assert outlook["at"]["p50"] == rfc3339(look.said.p50)
        assert look.held is (outlook["at"]["p05"] <= rfc3339(tender.came) <= outlook["at"]["p95"])


def test_forecast_misses_are_shown_as_misses() -> None:
    night = quiet_night()
    came = next(m + 1 for m, core in enumerate(night["core"]) if core >= 92.0)
    night["events"] += [said(60, Goal.TENDER, 300, 400, 500), said(420, Goal.TENDER, 580, came + 5, came + 30)]
    (check,) = [c for c in findings(kept(**night)).pieces[0].checks if c.goal is Goal.TENDER]
    assert check.came == at(came)
    assert [look.held for look in check.looks] == [False, False, True, True]
    assert check.looks[0].error == 60.0 * (400 - came)
    assert check.looks[3].error == 60.0 * 5


def test_a_wrap_made_by_hand_before_its_temperature_is_no_truth_to_hold_a_forecast_to() -> None:
    night = quiet_night()
    assert Goal.WRAP in {c.goal for c in findings(kept(**night)).pieces[0].checks}
    night["events"] += [mark(300, MarkKind.WRAPPED, "chuck"), said(60, Goal.WRAP, 300, 400, 500)]
    assert Goal.WRAP not in {c.goal for c in findings(kept(**night)).pieces[0].checks}


def test_spells_outside_the_band_with_the_log_that_ended_them() -> None:
    night = quiet_night()
    pit = list(night["pit"])
    pit[100:140] = [100.0] * 40  # fed after 25 minutes
    pit[200:204] = [90.0] * 4  # a breath
    pit[300:310] = [141.0] * 5 + [nan] * 2 + [139.0] * 3  # nobody knows what the gap was: one spell
    pit[400:410] = [95.0] * 10  # a lid
    night["pit"] = pit
    night["events"] += [mark(125, MarkKind.LOG), mark(398, MarkKind.LID_OPEN)]
    found = findings(kept(**night))
    assert [(s.start, s.seconds, s.depth, s.fed_after, s.lid) for s in found.low] == [
        (at(100), 2400.0, 7.0, 1500.0, False),
        (at(400), 600.0, 12.0, None, True),
    ]
    assert [(s.start, s.seconds, s.depth) for s in found.high] == [(at(300), 600.0, 6.0)]


def test_a_sign_near_a_mark_is_the_same_deed() -> None:
    night = quiet_night()
    night["events"] += [mark(60, MarkKind.LOG), seen(65, FireSign.LOG_ADDED), seen(200, FireSign.LOG_ADDED)]
    deeds = findings(kept(**night)).deeds
    assert [(deed.time, deed.kind, deed.seen) for deed in deeds] == [(at(60), "log", False), (at(200), "log", True)]


def test_repeats_of_a_wake_are_one_call_and_the_answer_is_found() -> None:
    night = quiet_night()
    key = "pit-falling/pit"
    night["events"] += [
        told(100, key),
        told(102, key, step=1),
        alarm(103, key, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        mark(110, MarkKind.LOG),
        told(300, key, occurrence=2),
        told(310, "wrap-target/chuck", level=Level.LOG, held_back="not asked to be woken for it"),
        judged(590, f"{key}#1.0", True),
    ]
    found = findings(kept(**night))
    first, second = found.woken
    assert (first.time, first.times, first.acknowledged_at, first.needed) == (at(100), 2, at(103), True)
    assert first.deed == (at(110), "log")
    assert (second.acknowledged_at, second.needed, second.deed) == (None, None, None)
    assert [(held.time, held.why) for held in found.held_back] == [(at(310), "not asked to be woken for it")]


def test_lethality_takes_as_long_as_the_published_table_says() -> None:
    """FSIS-GD-2021-14 table 2: at 130 °F, 112 min for 6.5-log. The probe's 2.5 °C are taken off."""
    with (DATA / "fsis_meat_table2.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    seconds = float(next(r for r in rows if r["temp_F"] == "130")["seconds_6.5log"])
    core = [20.0] * 60 + [(130 - 32) / 1.8 + 2.5 + 1e-6] * 300
    events = [stage(0, "on"), stage(1, "cooking")]
    account = findings(kept([121.0] * len(core), core, events)).pieces[0].safety
    assert account.lethal_at is not None
    assert account.lethal_at - at(61) == pytest.approx(seconds, abs=60.0)
    assert account.end.safe_minimum_reached_at is None
    assert any("FSIS" in in_english(note) and "reached" in in_english(note) for note in account.end.notes)


def test_time_under_the_holding_floor_is_counted_minute_by_minute() -> None:
    """Held at 70 °C, then 40 minutes at 55 °C: Food Code 3-501.16 asks for 57.2 °C (135 °F)."""
    core = [80.0] * 120 + [70.0] * 60 + [55.0] * 40 + [70.0] * 60
    events = [stage(0, "on"), stage(1, "cooking"), stage(100, "off"), stage(110, "hold")]
    found = findings(kept([121.0] * len(core), core, events))
    below = found.pieces[0].safety.end.below_floor_seconds
    assert below == pytest.approx(40 * 60.0, abs=60.0)  # and a minute on its edge counts against the cook
    assert any("Food Code 3-501.16" in in_english(note) for note in found.pieces[0].safety.end.notes)
    assert any("Warm the hold" in lesson.advice for lesson in lessons(found, CELSIUS))
    lay_on = findings(kept([121.0] * len(core), core, events[:2]))
    assert not any("Warm the hold" in lesson.advice for lesson in lessons(lay_on, CELSIUS)), "of what was never held"


def test_cooling_is_dated_by_the_minute_it_was_read() -> None:
    """Food Code 3-501.14: 135 to 70 °F within 2 h and to 41 °F within 6 h in all. From 80 to 4 °C in 100 minutes here."""
    falling = [80.0 - 76.0 * minute / 100 for minute in range(101)]
    core = [80.0] * 60 + falling + [4.0] * 20
    events = [stage(0, "on"), stage(1, "cooking"), stage(60, "chill")]
    account = findings(kept([121.0] * len(core), core, events)).pieces[0].safety
    assert account.cooled_at == at(60 + next(m + 1 for m, value in enumerate(falling) if value <= 5.0))
    assert account.end.cooling_stage == COOLED
    assert account.end.below_floor_seconds == 0.0  # what is chilled on purpose is not being held
    assert any("3-501.14" in in_english(note) and "read in time" in in_english(note) for note in account.end.notes)


def test_safety_alarms_are_listed_and_others_are_not() -> None:
    night = quiet_night()
    night["events"] += [
        alarm(50, "hold-falling/chuck", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
        alarm(60, "hold-falling/chuck", AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED),
        alarm(70, "fire-out/pit", AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED),
    ]
    assert [time for time, _, _ in findings(kept(**night)).alarms] == [at(50)]


# --- what to do differently -----------------------------------------------------------------------------------


def advice(**night: object) -> list[tuple[str, str]]:
    return [(a.advice, a.evidence) for a in lessons(findings(kept(**night)), CELSIUS)]  # type: ignore[arg-type]


def only(found: list[tuple[str, str]], word: str) -> str:
    """Evidence of the one lesson that has this word."""
    (evidence,) = [evidence for text, evidence in found if word in text]
    return evidence.replace("\u00a0", " ")


def test_a_quiet_night_teaches_nothing() -> None:
    assert advice(**quiet_night()) == []


def test_a_fire_fed_late_is_named_with_its_times() -> None:
    night = quiet_night()
    night["pit"] = [95.0 if 100 <= m < 130 or 300 <= m < 320 else 121.0 for m in range(600)]
    night["events"] += [mark(125, MarkKind.LOG)]
    evidence = only(advice(**night), "Feed earlier")
    assert "twice, 50 min in all, 12 °C at the deepest (18:40, 22:00)" in evidence
    assert "a log came 25 min after" in evidence


def test_a_band_above_what_was_held_is_named() -> None:
    night = quiet_night()
    night["pit"] = [102.0 if m % 10 else 103.0 for m in range(600)]
    taught = advice(**night)
    evidence = only(taught, "Set the band lower")
    assert len(taught) == 1  # and not that a log came late
    assert "under the band of 107 °C to 135 °C for 9 h 58 min of 9 h 58 min" in evidence
    assert "held 102 °C or less" in evidence


def test_a_bare_stall_is_named_with_the_wrap() -> None:
    night = quiet_night()
    night["core"] = [min(core, 68.0) for core in night["core"]]
    night["events"] += [stall(200, True), stall(500, False), mark(440, MarkKind.WRAPPED, "chuck")]
    evidence = only(advice(**night), "earlier in the stall")
    assert "stalled at 20:20" in evidence and "for 4 h 00 min" in evidence and "wrapped at 00:20" in evidence


def test_a_late_wrap_is_named_by_the_minute_it_was_due() -> None:
    night = quiet_night()
    due = next(m + 1 for m, core in enumerate(night["core"]) if core >= 77.0)
    night["events"] += [mark(due + 90, MarkKind.WRAPPED, "chuck")]
    assert "1 h 30 min later" in only(advice(**night), "ask to be woken")


@pytest.mark.parametrize(("serve", "word", "minutes"), [(900, "on later", "4 h"), (620, "earlier", "35 min too late")])
def test_too_early_and_too_late_are_named(serve: int, word: str, minutes: str) -> None:
    night = quiet_night()
    assert minutes in only(advice(**night, serve_at=at(serve)), word)


def test_a_hot_place_is_named_with_both_temperatures() -> None:
    night = quiet_night()
    night["pit"] = ([130.0] * 600, [114.0] * 600)
    evidence = only(advice(**night), "Turn the meat")
    assert "left read 16 °C hotter than right (130 °C against 114 °C)" in evidence


def test_what_the_probes_may_make_is_no_hot_place() -> None:
    """Two class 2 probes may make 3.5 °C of 12 (IEC 60584-1: ± 2.5 °C each)."""
    night = quiet_night()
    night["pit"] = ([128.0] * 600, [116.0] * 600)
    evidence = only(advice(**night), "Check the probes of left and right in ice and boiling water")
    assert "12 °C hotter than right (128 °C against 116 °C), of which the probes themselves may make 4 °C" in evidence
    assert not any("Turn the meat" in text for text, _ in advice(**night))


def test_a_probe_that_failed_is_named_with_its_evidence() -> None:
    night = quiet_night()
    night["core"] = [nan if 100 <= m < 120 or 200 <= m < 210 else core for m, core in enumerate(night["core"])]
    night["events"] += [
        doubted(2, "chuck", Quality.SUSPECT, "put into cold meat"),
        doubted(100, "chuck", Quality.BAD, "the device reports open"),
        doubted(200, "chuck", Quality.BAD, "another word for the shorter gap"),
    ]
    evidence = only(advice(**night), "Chuck roll")
    assert evidence == "It gave nothing to believe for 30 min in 2 spells (the device reports open)."


def test_wakes_that_were_not_needed_are_named() -> None:
    night = quiet_night()
    night["events"] += [
        told(100, "pit-falling/pit"),
        told(300, "pit-falling/pit", occurrence=2),
        judged(590, "pit-falling/pit#1.0", False),
        judged(590, "pit-falling/pit#2.0", True),
    ]
    assert "1 of 2 wakes you judged were not needed (18:40" in only(advice(**night), "what other settings")


def test_a_pit_that_ran_hot_now_and_then_is_named() -> None:
    night = quiet_night()
    night["pit"] = [150.0 if 100 <= m < 140 else 121.0 for m in range(600)]
    assert "once, 40 min in all, 15 °C at the highest (18:40)" in only(advice(**night), "Close the draught")


def test_every_lid_counts_once_it_is_a_habit() -> None:
    night = quiet_night()
    night["events"] += [mark(60 * n, MarkKind.LID_OPEN) for n in range(1, 7)]
    assert "opened 6 times" in only(advice(**night), "lid shut")
    night["events"] = night["events"][:-1]
    assert advice(**night) == []


def test_the_band_in_force_is_the_one_that_was_set_then() -> None:
    night = quiet_night()
    found = findings(kept(**night, bands=((at(0), BAND), (at(300), Band(125.0, 140.0)))))
    assert found.bands == ((at(0), BAND), (at(300), Band(125.0, 140.0)))
    assert [(s.start, s.end) for s in found.low] == [(at(300), at(598))]


def late(minute: float, done: float, kind: MarkKind, piece: str | None = None) -> Marked:
    return Marked(at(minute), kind, piece, "cook", at=at(done))


def test_what_was_marked_late_counts_from_when_it_was_done() -> None:
    night = quiet_night()
    events: list[Event] = [
        stage(0, "on"), stage(30, "cooking", "the core begins to climb"), late(200, 180, MarkKind.LOG),
        late(330, 300, MarkKind.WRAPPED, "chuck"), stage(330, "wrapped"),
        stage(550, "tender-range", "the core is in the tender range"), late(560, 540, MarkKind.OFF), stage(560, "off"),
    ]  # fmt: skip
    found = findings(kept(night["pit"], night["core"], events))
    (piece,) = found.pieces
    assert [deed.time for deed in found.deeds] == [at(180)]
    assert (piece.wrapped_at, piece.off_at) == (at(300), at(540))
    spans = [(s.stage, s.start, s.end) for s in piece.stages]
    assert spans[1:] == [("cooking", at(30), at(300)), ("wrapped", at(300), at(540)), ("off", at(540), at(600))]


def test_a_mark_that_was_taken_back_leaves_no_stage() -> None:
    night = quiet_night()
    wrong: list[Event] = [
        stage(0, "on"), stage(30, "cooking", "the core begins to climb"), mark(200, MarkKind.WRAPPED, "chuck"),
        stage(200, "wrapped"), TakenBack(at(210), "wrapped", "chuck", at(200), at(200), "cook"),
        stage(210, "cooking", "taken back"), stage(599, "off"),
    ]  # fmt: skip
    cook = kept(night["pit"], night["core"], wrong)
    (piece,) = findings(replace(cook, events=standing(cook.events))).pieces
    assert piece.wrapped_at is None
    assert [(s.stage, s.start) for s in piece.stages] == [("on", at(0)), ("cooking", at(30)), ("off", at(599))]


def test_the_core_of_a_piece_follows_its_probe() -> None:
    """A loaf that joined without a probe took the one of the chuck roll, and gave it back."""
    loaf = replace(CHUCK, id="loaf", name="Meat loaf", channel=None, wrap_at=None, tender_low=None, target=71.0)
    night = quiet_night()
    cook = kept(night["pit"], night["core"], [*night["events"], replace(stage(100, "on"), subject="loaf")])
    probes = {
        "chuck": ((START, "chuck"), (at(200), None), (at(300), "chuck")),
        "loaf": ((at(100), None), (at(200), "chuck"), (at(300), None)),
    }
    chuck, loaf_found = findings(
        replace(cook, settings=replace(cook.settings, pieces=(CHUCK, loaf)), probes=probes)
    ).pieces
    read = [index for index, value in enumerate(loaf_found.core) if not isnan(value)]
    assert read == list(range(200, 300))
    assert [index for index, value in enumerate(chuck.core) if isnan(value)] == read


def test_cores_read_by_hand_are_told() -> None:
    night = quiet_night()
    read = SpotRead(at(310), "chuck", 68.5, "thick end", "thin tip", 1.0, "cook", at(300))
    (piece,) = findings(kept(night["pit"], night["core"], [*night["events"], read])).pieces
    assert piece.by_hand == ((at(300), 68.5, "thick end"),)
