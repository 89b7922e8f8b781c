"""The engine, one input at a time: each does its own thing and only that, or is refused in words."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import TypeVar, get_args

import pytest

from daemon.core import inputs, orders
from daemon.core.alarms.rules import DAMPER_SHOWS
from daemon.core.engine import FORECAST_EVERY, MIN_BAND, SCAN_CYCLE, Engine
from daemon.core.events import (
    AlarmChanged,
    AlarmState,
    CommandRefused,
    CookChanged,
    Event,
    ForecastMade,
    ForecastWanted,
    HandedOver,
    Level,
    Marked,
    MorningTold,
    NapPlanned,
    Notification,
    PlanKept,
    QualityChanged,
    SafetyDeedTold,
    SamplesJudged,
    SpotRead,
    StageChanged,
    TakenBack,
    WakeJudged,
)
from daemon.core.grace import GRACE
from daemon.core.inputs import Part
from daemon.core.orders import MarkKind, SafetyDeed
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pit_profile import ClassFigure, FireProfile, PitProfile
from daemon.core.planned import From, KeptPlan, PlannedPiece, ReminderSettings, StepKind
from daemon.core.settings import Band, ChannelSettings, MeatKind, PieceSettings, Role
from daemon.core.shift import OnWatch
from tests.core.night import (
    CHUCK,
    COOK,
    DAY_OFFSET,
    LAMB,
    NIGHT,
    SETTINGS,
    cooking,
    engine_at_night,
    read,
    readings,
    restarted,
    step,
)
from tests.texts.english import in_english

TESTED: set[type] = set()
Test = TypeVar("Test", bound=Callable[..., object])
ON = 600.0
"""s after NIGHT at which `cooking` ends."""


def at(seconds: float) -> float:
    return NIGHT + seconds


@pytest.fixture
def engine() -> Engine:
    """Ten minutes into the night: the chuck roll is on, the lamb shoulder waits."""
    made = engine_at_night()
    cooking(made)
    return made


@pytest.fixture
def by_day() -> Engine:
    made = engine_at_night(wall_offset=DAY_OFFSET)
    cooking(made)
    return made


def of(kind: type) -> Callable[[Test], Test]:
    """A test of this input."""
    TESTED.add(kind)
    return lambda test: test


def said(engine: Engine, item: inputs.Input, now: float) -> list[Event]:
    """What the engine says to the input itself, once all that was due before it has been said."""
    step(engine, None, now)
    return engine.handle(item, now)


def refused(events: list[Event]) -> str:
    (only,) = events
    assert isinstance(only, CommandRefused)
    return f"{only.command}: {in_english(only.reason)}"


def states(engine: Engine) -> dict[str, AlarmState]:
    return {view.key: view.state for view in engine.alarms.views() if view.state is not AlarmState.NORMAL}


def too_hot(engine: Engine, until: float = ON + 900.0) -> list[Event]:
    """The pit stands above its band until pit-high is raised and told."""
    return read(engine, ON, until, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0)


def wakes(events: list[Event]) -> list[Notification]:
    return [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]


# --- what the shell hears ------------------------------------------------------------------------------


@of(inputs.Readings)
def test_readings_are_judged_and_kept_one_sample_each(engine: Engine) -> None:
    events = engine.handle(readings(at(ON), pit_left=124.0, chuck=None), at(ON))
    judged = events[0]
    assert isinstance(judged, SamplesJudged)
    assert [(s.channel, s.celsius) for s in judged.samples] == [("pit-left", 124.0), ("chuck", None)]
    (change,) = events[1:]
    assert isinstance(change, QualityChanged) and change.channel == "chuck"
    assert engine.readout.pit_now() == pytest.approx(121.0, abs=1.5)


@of(inputs.Readings)
def test_readings_of_an_unknown_channel_raise_nothing(engine: Engine) -> None:
    before = states(engine)
    said(engine, readings(at(ON), cellar=12.0), at(ON))
    assert states(engine) == before


@of(inputs.Resumed)
def test_resumed_nobody_is_blamed_for_silence_within_the_grace() -> None:
    engine = engine_at_night()
    said(engine, orders.Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    blind = next(rule for rule in engine._rules.values() if rule.id == "pit-blind")
    first_told = at(GRACE + blind.on_delay)
    told = step(engine, None, first_told - SCAN_CYCLE)
    assert not any(isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED for e in told)
    told = step(engine, None, first_told + 2 * SCAN_CYCLE)
    raised = {e.rule for e in told if isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED}
    assert raised == {"pit-blind", "meat-probe-lost"}


@of(inputs.Resumed)
def test_resumed_fires_nothing_of_the_time_in_which_nobody_watched(engine: Engine) -> None:
    """The board was lost moments before the watch stopped: what remained of that delay is not over an hour later."""
    said(engine, inputs.Health(Part.DEVICE, "board", False, "does not answer"), at(ON))
    stopped = at(ON + 15.0)
    step(engine, None, stopped)
    running = engine.alarms.next_deadline()
    assert running is not None and stopped < running < at(ON + 3600.0), "or there is nothing to hold back"
    other = restarted(engine)
    events = other.handle(inputs.Resumed(watched_until=stopped), at(ON + 3600.0))
    assert not any(isinstance(e, AlarmChanged | Notification) for e in events)
    assert other.next_deadline() == at(ON + 3600.0)


@of(inputs.WallClock)
def test_wall_clock_an_unset_clock_is_an_alarm_and_makes_every_hour_night(by_day: Engine) -> None:
    assert not by_day.annunciator.is_night(by_day._utc(at(ON)))
    said(by_day, inputs.WallClock(DAY_OFFSET + 60.0, False), at(ON))
    assert by_day.wall.offset == DAY_OFFSET + 60.0
    read(by_day, ON, ON + 400.0, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0)
    assert states(by_day)["watch-clock/clock"] is AlarmState.UNACKNOWLEDGED


@of(inputs.Health)
def test_health_a_part_that_fails_is_an_alarm_and_ends_it_when_it_works_again(engine: Engine) -> None:
    said(engine, inputs.Health(Part.DEVICE, "board", False, "does not answer"), at(ON))
    read(engine, ON, ON + 90.0, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0)
    assert states(engine)["device-lost/board"] is AlarmState.UNACKNOWLEDGED
    said(engine, inputs.Health(Part.DEVICE, "board", True), at(ON + 90.0))
    read(engine, ON + 90.0, ON + 180.0, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0)
    assert states(engine)["device-lost/board"] is AlarmState.RETURNED_UNACKNOWLEDGED


@of(inputs.LinkCounts)
def test_link_counts_are_shown_and_move_nothing(engine: Engine) -> None:
    before = states(engine)
    assert said(engine, inputs.LinkCounts("board", lost=3, refused=1), at(ON)) == []
    assert states(engine) == before
    shown = [one for one in engine.snapshot(at(ON)).links if one.device == "board"]
    assert [(one.lost, one.refused) for one in shown] == [(3, 1)]


@of(inputs.Delivered)
def test_delivered_a_wake_that_no_phone_took_goes_to_the_next_at_once(engine: Engine) -> None:
    first = wakes(too_hot(engine, ON + 250.0))[0]
    (instead,) = said(engine, inputs.Delivered(first.id, "phone", inputs.Outcome.FAILED, "no network"), at(ON + 250.0))
    assert isinstance(instead, Notification) and instead.audiences == ("sounder",)


@of(inputs.ForecastArrived)
def test_forecast_arrived_is_shown_and_a_strangers_is_dropped(engine: Engine) -> None:
    outlook = Outlook(Goal.TENDER, "planned", Interval(at(3e4), at(4e4), at(5e4)))
    (made,) = said(engine, inputs.ForecastArrived("chuck", at(ON - 5), (outlook,)), at(ON))
    assert isinstance(made, ForecastMade) and made.outlooks == (outlook,)
    assert engine.pieces["chuck"].outlook(Goal.TENDER) == outlook.at
    assert said(engine, inputs.ForecastArrived("goat", at(ON - 5), (outlook,)), at(ON)) == []


@of(inputs.UsePitProfile)
def test_use_pit_profile_replaces_what_was_known_of_the_pit(engine: Engine) -> None:
    taught = PitProfile(FireProfile((), (38.0, 41.0)), lag=7.0, cooks=("May",))
    assert said(engine, inputs.UsePitProfile(taught, "journal"), at(ON)) == []
    known = engine.pit.learned()
    assert (known.cooks, known.lag, known.fire.log_intervals) == (("May",), 7.0, (38.0, 41.0))


@of(inputs.UsePitClass)
def test_use_pit_class_stands_for_a_first_fire_and_is_kept(engine: Engine) -> None:
    figures = (ClassFigure("gap", 55.0, 6.0), ClassFigure("turn", 9.0, 4.0))
    assert said(engine, inputs.UsePitClass(figures, "fleet"), at(ON)) == []
    assert engine.pit.fire.class_figures == figures
    assert restarted(engine).pit.fire.class_figures == figures
    assert said(engine, inputs.UsePitClass((), "fleet"), at(ON)) == []
    assert not engine.pit.fire.class_figures


# --- what the cook says --------------------------------------------------------------------------------


@of(orders.Mark)
def test_mark_moves_what_it_names_and_asks_for_a_forecast(engine: Engine) -> None:
    echo, stage, *asked = said(engine, orders.Mark(MarkKind.WRAPPED, "chuck", "Ann", "paper"), at(ON + 1))
    assert isinstance(echo, Marked) and (echo.kind, echo.piece, echo.by) == (MarkKind.WRAPPED, "chuck", "Ann")
    assert isinstance(stage, StageChanged) and (stage.subject, stage.after) == ("chuck", "wrapped")
    assert [e.request.piece.id for e in asked if isinstance(e, ForecastWanted)] == ["chuck"]
    assert engine.pieces["lamb"].stage.stage == "waiting"


@of(orders.Mark)
def test_mark_of_no_piece_means_all_that_it_can_mean(engine: Engine) -> None:
    said(engine, orders.Mark(MarkKind.OFF), at(ON))
    assert engine.pieces["chuck"].stage.stage == "off"
    assert engine.pieces["lamb"].stage.stage == "waiting", "it was never on"


@of(orders.Mark)
def test_mark_of_a_piece_that_is_not_there_is_refused(engine: Engine) -> None:
    assert refused(said(engine, orders.Mark(MarkKind.OFF, "goat"), at(ON))) == "mark off: no piece is called goat"


@of(orders.Mark)
def test_what_comes_off_before_it_went_on_is_refused(engine: Engine) -> None:
    on = engine.pieces["chuck"].stage.on_at
    assert on is not None
    early = said(engine, orders.Mark(MarkKind.OFF, "chuck", at=on - 60.0), at(ON + 600))
    assert "the meat went on only at" in refused(early)
    assert engine.pieces["chuck"].stage.off_at is None
    said(engine, orders.Mark(MarkKind.OFF, "chuck", at=on + 60.0), at(ON + 601))
    assert engine.pieces["chuck"].stage.off_at == on + 60.0


@of(orders.Acknowledge)
def test_acknowledge_silences_and_does_not_solve(engine: Engine) -> None:
    too_hot(engine)
    alarm = next(iter(states(engine)))
    changes = said(engine, orders.Acknowledge(alarm, "cook"), at(ON + 900.0))
    assert states(engine)[alarm] is AlarmState.ACKNOWLEDGED
    assert any(isinstance(e, AlarmChanged) and e.alarm == alarm for e in changes)
    later = read(engine, ON + 900.0, ON + 1500.0, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0)
    assert wakes(later) == [], "it stands, and is silent until it is told again after the re-alarm time"


@of(orders.Acknowledge)
def test_acknowledge_of_what_is_not_there_is_refused(engine: Engine) -> None:
    assert "there is no alarm" in refused(said(engine, orders.Acknowledge("pit-high/goat", "cook"), at(ON)))


@of(orders.Shelve)
def test_shelve_takes_an_alarm_away_and_brings_it_back(engine: Engine) -> None:
    said(engine, orders.Shelve("pit-high/pit", 600.0, "working on it", "cook"), at(ON))
    told = too_hot(engine, ON + 595.0)
    assert states(engine)["pit-high/pit"] is AlarmState.SHELVED
    assert [n for n in wakes(told) if n.alarm == "pit-high/pit"] == []
    read(engine, ON + 595.0, ON + 800.0, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0)
    assert states(engine)["pit-high/pit"] is AlarmState.UNACKNOWLEDGED


@pytest.mark.parametrize(
    ("alarm", "seconds", "reason", "words"),
    [
        ("runaway/pit", 600.0, "known", "pause the sound instead"),
        ("pit-high/pit", 0.0, "known", "a shelving needs a time"),
        ("pit-high/pit", 600.0, "", "a reason"),
        ("nonsense/pit", 600.0, "known", "there is no alarm"),
    ],
)
@of(orders.Shelve)
def test_shelve_refused(engine: Engine, alarm: str, seconds: float, reason: str, words: str) -> None:
    assert words in refused(said(engine, orders.Shelve(alarm, seconds, reason, "cook"), at(ON)))
    assert alarm not in states(engine)


@of(orders.Unshelve)
def test_unshelve_at_once_and_only_what_is_shelved(engine: Engine) -> None:
    said(engine, orders.Shelve("pit-high/pit", 600.0, "working on it", "cook"), at(ON))
    said(engine, orders.Unshelve("pit-high/pit", "cook"), at(ON + 10))
    assert "pit-high/pit" not in states(engine)
    assert "is not shelved" in refused(said(engine, orders.Unshelve("pit-high/pit", "cook"), at(ON + 20)))


@of(orders.OutOfService)
def test_out_of_service_by_day_only(engine: Engine, by_day: Engine) -> None:
    order = orders.OutOfService("pit-high/pit", True, "the probe is being replaced", "cook")
    assert "by day only" in refused(said(engine, order, at(ON)))
    assert "pit-high/pit" not in states(engine)
    said(by_day, order, at(ON))
    assert states(by_day)["pit-high/pit"] is AlarmState.OUT_OF_SERVICE
    said(by_day, replace(order, out=False), at(ON + 10))
    assert "pit-high/pit" not in states(by_day)


@of(orders.OutOfService)
def test_out_of_service_may_be_put_back_by_night(by_day: Engine) -> None:
    order = orders.OutOfService("pit-high/pit", True, "the probe is being replaced", "cook")
    said(by_day, order, at(ON))
    said(by_day, inputs.WallClock(0.0, True), at(ON + 10))
    said(by_day, replace(order, out=False), at(ON + 20))
    assert "pit-high/pit" not in states(by_day)


@of(orders.OutOfService)
def test_out_of_service_never_a_safety_alarm(by_day: Engine) -> None:
    assert "safety" in refused(said(by_day, orders.OutOfService("runaway/pit", True, "noisy", "cook"), at(ON)))


@of(orders.PauseSound)
def test_pause_sound_holds_repeats_back_and_is_refused_without_a_time(engine: Engine) -> None:
    first = wakes(too_hot(engine, ON + 305.0))[0]
    assert first.time < at(ON + 305.0)
    said(engine, orders.PauseSound(600.0, "cook"), at(ON + 305.0))
    assert wakes(read(engine, ON + 305.0, ON + 900.0, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0)) == []
    assert wakes(read(engine, ON + 900.0, ON + 960.0, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0))
    assert "needs a time" in refused(said(engine, orders.PauseSound(0.0, "cook"), at(ON + 960.0)))


@of(orders.SetBand)
def test_set_band_counts_from_now_on(engine: Engine) -> None:
    assert said(engine, orders.SetBand(Band(95.0, 95.0 + MIN_BAND), "cook"), at(ON)) == []
    assert engine.pit.band == Band(95.0, 100.0)
    assert engine.snapshot(at(ON)).pit.band == Band(95.0, 100.0)


@pytest.mark.parametrize(
    "band", [Band(110.0, 110.0 + MIN_BAND - 0.1), Band(39.0, 60.0), Band(390.0, 401.0), Band(130.0, 110.0)]
)
@of(orders.SetBand)
def test_set_band_too_narrow_or_out_of_reach_is_refused(engine: Engine, band: Band) -> None:
    assert "at least 5 °C wide" in refused(said(engine, orders.SetBand(band, "cook"), at(ON)))
    assert engine.pit.band == COOK.band


@of(orders.AskWrap)
def test_ask_wrap_asks_the_forecaster_at_once(engine: Engine) -> None:
    (asked,) = [
        e for e in said(engine, orders.AskWrap("chuck", 70.0, "cook"), at(ON + 1)) if isinstance(e, ForecastWanted)
    ]
    assert (asked.request.piece.id, asked.request.asked_wrap) == ("chuck", 70.0)
    assert "no piece is called" in refused(said(engine, orders.AskWrap("goat", 70.0, "cook"), at(ON + 2)))


@of(orders.StartCook)
def test_start_cook_begins_anew_and_takes_its_own_band(engine: Engine) -> None:
    too_hot(engine)
    cook = replace(COOK, id="second", band=Band(90.0, 105.0), pieces=(LAMB,))
    said(engine, orders.StartCook(cook, "page"), at(ON + 900.0))
    assert (engine.settings.cook, engine.pit.band) == (cook, cook.band)
    assert list(engine.pieces) == ["lamb"] and engine.pieces["lamb"].stage.stage == "waiting"


@of(orders.StartCook)
def test_start_cook_with_a_piece_on_no_meat_channel_is_refused(engine: Engine) -> None:
    cook = replace(COOK, id="second", pieces=(replace(LAMB, channel="pit-left"),))
    assert "no meat channel is called pit-left" in refused(said(engine, orders.StartCook(cook, "page"), at(ON)))
    assert engine.settings.cook == COOK and engine.pieces["chuck"].stage.stage != "waiting"


HAM = PieceSettings("ham", "Ham", "ham", MeatKind.CURED, "spare", 3.0, 0.12, 1.2, target=72.0)


def with_a_spare_probe() -> Engine:
    spare = ChannelSettings("spare", "Spare", Role.MEAT)
    made = engine_at_night(replace(SETTINGS, channels=(*SETTINGS.channels, spare)))
    cooking(made)
    return made


@of(orders.AddPiece)
def test_add_piece_to_the_running_cook() -> None:
    engine = with_a_spare_probe()
    (changed,) = said(engine, orders.AddPiece(HAM, "page"), at(ON))
    assert changed == CookChanged(at(ON), ("ham",), (), (), (), "page")
    assert list(engine.pieces) == ["chuck", "lamb", "ham"] and engine.pieces["ham"].stage.stage == "waiting"
    assert engine.pieces["chuck"].stage.stage == "cooking", "what was on goes on"


@of(orders.AddPiece)
def test_add_piece_with_the_name_of_another_or_without_a_channel_is_refused(engine: Engine) -> None:
    refused(said(engine, orders.AddPiece(replace(HAM, id="chuck"), "page"), at(ON)))
    refused(said(engine, orders.AddPiece(HAM, "page"), at(ON)))
    assert list(engine.pieces) == ["chuck", "lamb"]


@of(orders.RemovePiece)
def test_remove_piece_ends_its_alarms(engine: Engine) -> None:
    step(engine, inputs.Health(Part.DEVICE, "board", False), at(ON))
    events = said(engine, orders.RemovePiece("chuck", "page"), at(ON))
    assert events[-1] == CookChanged(at(ON), (), ("chuck",), (), (), "page")
    assert list(engine.pieces) == ["lamb"]
    assert not any(key.endswith("/chuck") for key in states(engine))
    refused(said(engine, orders.RemovePiece("goat", "page"), at(ON + 1)))


@of(orders.MoveProbe)
def test_move_probe_to_a_free_channel_and_swap_with_a_piece() -> None:
    engine = with_a_spare_probe()
    (moved,) = said(engine, orders.MoveProbe("chuck", "spare", "page"), at(ON))
    assert isinstance(moved, CookChanged) and moved.probe == ("chuck",)
    assert engine.pieces["chuck"].settings.channel == "spare"
    said(engine, orders.MoveProbe("lamb", "spare", "page"), at(ON + 1))
    assert (engine.pieces["lamb"].settings.channel, engine.pieces["chuck"].settings.channel) == ("spare", "lamb")
    refused(said(engine, orders.MoveProbe("chuck", "pit-left", "page"), at(ON + 2)))


@of(orders.MovePiece)
def test_move_piece_to_no_other_pit_is_refused_where_there_is_one(engine: Engine) -> None:
    refused(said(engine, orders.MovePiece("chuck", "drum", "page"), at(ON)))
    assert engine.pieces["chuck"].settings.pit == ""


@of(orders.ChangeCook)
def test_change_cook_keeps_what_a_piece_went_through(engine: Engine) -> None:
    cook = replace(COOK, band=Band(100.0, 120.0), pieces=(replace(CHUCK, tender_low=90.0), LAMB))
    (changed,) = said(engine, orders.ChangeCook(cook, "file"), at(ON))
    assert isinstance(changed, CookChanged) and (changed.added, changed.changed) == ((), ("chuck",))
    assert engine.pit.band == cook.band and engine.pieces["chuck"].settings.tender_low == 90.0
    assert engine.pieces["chuck"].stage.stage == "cooking"
    refused(said(engine, orders.ChangeCook(replace(cook, pieces=(replace(CHUCK, channel="x"),)), "file"), at(ON + 1)))
    assert engine.settings.cook == cook


@of(orders.KeepPlan)
def test_keep_plan_says_what_was_agreed_and_moves_with_the_cook(engine: Engine) -> None:
    pieces = (
        PlannedPiece("chuck", at(0.0), 34000.0, 36000.0, 38000.0, 18000.0),
        PlannedPiece("lamb", at(7200.0), 25000.0, 27000.0, 29000.0),
    )
    plan = KeptPlan(at(12 * 3600.0), 3600.0, at(-4500.0), 4500.0, 2400.0, pieces)
    (kept,) = said(engine, orders.KeepPlan(plan, "page"), at(ON))
    assert isinstance(kept, PlanKept) and (kept.steps[0].kind, kept.steps[0].at) == ("light", at(-4500.0))
    shown = engine.snapshot(at(ON)).plan
    assert shown is not None
    steps = {(s.kind, s.piece): s for s in shown.steps}
    assert steps[StepKind.PUT_ON, "chuck"].done and not steps[StepKind.PUT_ON, "lamb"].done
    assert steps[StepKind.OFF, "lamb"].at.p50 == at(7200.0 + 27000.0)
    assert restarted(engine).snapshot(at(ON)).plan == shown
    (dropped,) = said(engine, orders.KeepPlan(None, "page"), at(ON + 1.0))
    assert isinstance(dropped, PlanKept) and dropped.steps == ()
    assert engine.snapshot(at(ON + 1.0)).plan is None


@of(orders.AddReminder)
def test_add_reminder_is_due_from_its_stage_and_outlives_a_restart(engine: Engine) -> None:
    own = ReminderSettings("spritz", "Spritz", 1800.0, From.ON, piece="chuck")
    assert said(engine, orders.AddReminder(own, "page"), at(ON)) == []
    (shown,) = engine.snapshot(at(ON)).reminders
    assert (shown.due, shown.is_due) == (at(1800.0), False)
    assert restarted(engine).snapshot(at(ON)).reminders == (shown,)
    refused(said(engine, orders.AddReminder(replace(own, every=60.0), "page"), at(ON + 1.0)))
    refused(said(engine, orders.AddReminder(replace(own, start=None), "page"), at(ON + 2.0)))


@of(orders.ReminderDone)
def test_reminder_done_counts_anew(engine: Engine) -> None:
    said(engine, orders.AddReminder(ReminderSettings("water", "Fill the pan", 3600.0, From.LIT), "page"), at(ON))
    said(engine, orders.ReminderDone("water", "page"), at(ON + 30.0))
    assert engine.snapshot(at(ON + 30.0)).reminders[0].due == at(ON + 30.0 + 3600.0)
    refused(said(engine, orders.ReminderDone("spritz", "page"), at(ON + 31.0)))
    assert said(engine, orders.ReminderDone("grease-tray", "page"), at(ON + 32.0)) == []


@of(orders.RemoveReminder)
def test_remove_reminder_ends_its_prompt_and_no_others(engine: Engine) -> None:
    for piece in ("chuck", "water"):  # one bears the name of a piece
        own = ReminderSettings(piece, "Turn", at=at(ON))
        said(engine, orders.AddReminder(own, "page"), at(ON))
    read(engine, ON, ON + 60.0, pit_left=124.0, pit_right=118.0, chuck=41.0, lamb=8.0)
    assert {"reminder/chuck", "reminder/water"} <= set(states(engine))
    said(engine, orders.RemoveReminder("chuck", "page"), at(ON + 60.0))
    assert "reminder/chuck" not in states(engine) and "reminder/water" in states(engine)
    refused(said(engine, orders.RemoveReminder("chuck", "page"), at(ON + 61.0)))


@of(orders.CountWood)
def test_count_wood_tells_how_long_it_lasts(engine: Engine) -> None:
    before = engine.snapshot(at(ON)).wood
    assert before is not None and before.left is before.runs_out is None
    said(engine, orders.CountWood(5, "page"), at(ON))
    said(engine, orders.Mark(MarkKind.LOG), at(ON + 60.0))
    wood = engine.snapshot(at(ON + 60.0)).wood
    assert wood is not None and (wood.left, wood.runs_out) == (4, at(ON + 60.0) + 5 * wood.pace)
    refused(said(engine, orders.CountWood(-1, "page"), at(ON + 61.0)))


@of(orders.ChangePiece)
def test_change_piece_keeps_what_it_went_through(engine: Engine) -> None:
    (changed,) = said(engine, orders.ChangePiece(replace(CHUCK, weight=8.0), "page"), at(ON))
    assert isinstance(changed, CookChanged) and changed.changed == ("chuck",)
    assert engine.pieces["chuck"].settings.weight == 8.0 and engine.pieces["chuck"].stage.stage == "cooking"
    assert "no piece is called" in refused(said(engine, orders.ChangePiece(HAM, "page"), at(ON + 1)))


@of(orders.TakeBack)
def test_take_back_of_what_was_never_said_is_refused(engine: Engine) -> None:
    assert "no such mark of chuck stands" in refused(said(engine, orders.TakeBack("wrapped", "chuck"), at(ON)))
    said(engine, orders.Mark(MarkKind.WRAPPED, "chuck"), at(ON + 1))
    gone, back, *_ = said(engine, orders.TakeBack("wrapped", "chuck", by="Ann"), at(ON + 2))
    assert gone == TakenBack(at(ON + 2), "wrapped", "chuck", at(ON + 1), at(ON + 1), "Ann")
    assert isinstance(back, StageChanged) and (back.before, back.after) == ("wrapped", "cooking")


@of(orders.SpotReading)
def test_spot_reading_is_told_and_asks_for_a_forecast(engine: Engine) -> None:
    read, *asked = said(engine, orders.SpotReading("chuck", 41.0, "centre", "thin tip", by="Ann"), at(ON + 1))
    assert isinstance(read, SpotRead) and (read.celsius, read.where, read.by, read.asks) == (41.0, "centre", "Ann", "")
    (wanted,) = [e for e in asked if isinstance(e, ForecastWanted)]
    assert [(s.at, s.celsius) for s in wanted.request.spots] == [(at(ON + 1), 41.0)]
    for wrong in (orders.SpotReading("goat", 41.0), orders.SpotReading("chuck", 165.0),
                  orders.SpotReading("chuck", 41.0, at=at(ON + 900.0))):  # fmt: skip
        refused(said(engine, wrong, at(ON + 2)))


@of(orders.ChooseSpot)
def test_choose_spot_of_a_piece_that_is_not_there_is_refused(engine: Engine) -> None:
    assert "no piece is called" in refused(said(engine, orders.ChooseSpot("goat", "Ann"), at(ON)))
    assert said(engine, orders.ChooseSpot("chuck", "Ann"), at(ON + 1)) == []
    handheld = engine.snapshot(at(ON + 2)).handheld
    assert handheld is not None and handheld.chosen == "chuck"


@of(orders.EndCook)
def test_end_cook_leaves_the_pit_to_cool_and_no_piece(engine: Engine) -> None:
    events = said(engine, orders.EndCook("page"), at(ON))
    assert ("pit", "cooling") in [(e.subject, e.after) for e in events if isinstance(e, StageChanged)]
    assert len(list(engine.pieces)) == 0 and engine.settings.cook.serve_at is None


@of(orders.GoToSleep)
def test_go_to_sleep_gives_the_green_list(engine: Engine) -> None:
    would = engine.snapshot(at(ON)).could_sleep
    (plan,) = said(engine, orders.GoToSleep("cook"), at(ON))
    assert isinstance(plan, NapPlanned)
    assert plan == would, "what was shown before anybody asked is what is then promised"
    assert engine.snapshot(at(ON)).could_sleep is None and engine.snapshot(at(ON)).nap == plan
    assert "send a test wake and acknowledge it" in tuple(map(in_english, plan.unmet))
    assert "every wake channel works" in tuple(map(in_english, plan.green))


@of(orders.GoToSleep)
def test_go_to_sleep_over_a_pit_that_stays_too_hot_is_told_so_while_he_lies_awake(engine: Engine) -> None:
    """Without it the time of the acknowledgement runs on, and he is woken a quarter of an hour after he lay down."""
    too_hot(engine)
    said(engine, orders.Acknowledge("*", "cook"), at(ON + 900.0))
    said(engine, orders.GoToSleep("cook"), at(ON + 960.0))
    later = read(engine, ON + 960.0, ON + 1500.0, pit_left=150.0, pit_right=148.0, chuck=41.0, lamb=8.0)
    assert [n.time for n in wakes(later)][:1] == [at(ON + 960.0 + DAMPER_SHOWS)]


@of(orders.GoodMorning)
def test_good_morning_tells_what_woke_and_ends_the_nap(engine: Engine) -> None:
    said(engine, orders.GoToSleep("cook"), at(ON))
    first = wakes(too_hot(engine))[0]
    (account,) = [e for e in said(engine, orders.GoodMorning("cook"), at(ON + 900.0)) if isinstance(e, MorningTold)]
    assert first.id in account.woke
    assert engine.snapshot(at(ON + 900.0)).sleep.asleep is False


@of(orders.TestWake)
def test_an_answer_to_the_message_of_a_test_wake_counts(engine: Engine) -> None:
    """As a phone sends it back: by the id of the message."""
    (call,) = wakes(said(engine, orders.TestWake("cook"), at(ON)))
    said(engine, inputs.Delivered(call.id, "phone", inputs.Outcome.SENT), at(ON + 2))
    assert said(engine, orders.Acknowledge(call.id, "phone"), at(ON + 5)) == []
    assert engine.snapshot(at(ON + 6)).sleep.test_wake == "acknowledged"


@of(orders.TestWake)
def test_test_wake_goes_to_everybody_who_may_wake_and_counts_once_answered(engine: Engine) -> None:
    (call,) = wakes(said(engine, orders.TestWake("cook"), at(ON)))
    assert call.audiences == ("phone", "sounder", "second")
    (plan,) = said(engine, orders.GoToSleep("cook"), at(ON + 10))
    assert isinstance(plan, NapPlanned)
    assert "send a test wake and acknowledge it" in tuple(map(in_english, plan.unmet))
    said(engine, inputs.Delivered(call.id, "phone", inputs.Outcome.SENT), at(ON + 12))
    said(engine, orders.Acknowledge("*", "cook"), at(ON + 15))
    (plan,) = said(engine, orders.GoToSleep("cook"), at(ON + 20))
    assert isinstance(plan, NapPlanned) and "a test wake was delivered and acknowledged" in tuple(
        map(in_english, plan.green)
    )


@of(orders.JudgeWake)
def test_judge_wake_is_recorded(engine: Engine) -> None:
    (judged,) = said(engine, orders.JudgeWake("pit-high/pit#1.0", False, "cook"), at(ON))
    assert judged == WakeJudged(at(ON), "pit-high/pit#1.0", False, "cook")


@of(orders.HandOver)
def test_the_watch_is_handed_over_and_kept(engine: Engine) -> None:
    (first,) = said(engine, orders.HandOver("Ann", "page", "lamb comes off first"), at(ON))
    (second,) = said(engine, orders.HandOver(" Ben ", "page"), at(ON + 60.0))
    assert first == HandedOver(at(ON), "Ann", "", "lamb comes off first", "page")
    assert isinstance(second, HandedOver) and (second.to, second.before) == ("Ben", "Ann")
    told = restarted(engine).snapshot(at(ON + 60.0)).shift
    assert told.on_watch == OnWatch("Ben", at(ON + 60.0))
    assert refused(said(engine, orders.HandOver("  ", "page"), at(ON + 61.0))).startswith("hand over")


@of(orders.TellDeed)
def test_what_was_done_about_a_safety_alarm_is_asked_and_kept(engine: Engine) -> None:
    """The chuck roll goes into the hold at 70 °C and sinks: the first alarm about it asks, until somebody answers."""
    said(engine, orders.Mark(MarkKind.HOLD, "chuck"), at(ON))
    read(engine, ON, ON + 1800.0, pit_left=121.0, pit_right=119.0, chuck=50.0, lamb=8.0)
    now = at(ON + 1800.0)
    (asked,) = restarted(engine).snapshot(now).shift.asked
    assert (asked.piece, asked.alarm) == ("chuck", "hold-falling/chuck")
    (told,) = said(engine, orders.TellDeed("chuck", SafetyDeed.REHEATED, "page", "to 75 °C"), now)
    assert told == SafetyDeedTold(now, "chuck", asked.alarm, SafetyDeed.REHEATED, "to 75 °C", "page")
    after = restarted(engine).snapshot(now).shift
    assert after.asked == () and [(d.piece, d.deed, d.note) for d in after.deeds] == [
        ("chuck", SafetyDeed.REHEATED, "to 75 °C")
    ]
    assert refused(said(engine, orders.TellDeed("goat", SafetyDeed.SERVED, "page"), now)).startswith("safety deed")


def test_a_new_cook_asks_nothing_of_the_old_one_and_keeps_the_watch(engine: Engine) -> None:
    said(engine, orders.HandOver("Ann", "page"), at(ON))
    said(engine, orders.TellDeed("chuck", SafetyDeed.SERVED, "page"), at(ON))
    assert engine.snapshot(at(ON)).shift.cook_since == NIGHT
    said(engine, orders.StartCook(replace(COOK, id="next"), "page"), at(ON + 60.0))
    told = engine.snapshot(at(ON + 60.0)).shift
    assert told.cook_since == at(ON + 60.0) and told.deeds == ()
    assert told.on_watch is not None and told.on_watch.name == "Ann"
    said(engine, orders.EndCook("page"), at(ON + 120.0))
    assert engine.snapshot(at(ON + 120.0)).shift.cook_since is None


# --- time ----------------------------------------------------------------------------------------------


def test_before_the_first_input_there_is_no_deadline_and_then_one_every_scan_cycle() -> None:
    engine = Engine(replace(engine_at_night().settings))
    assert engine.next_deadline() is None
    engine.handle(readings(NIGHT + 1.0, pit_left=20.0), NIGHT + 1.0)
    assert engine.next_deadline() == NIGHT + SCAN_CYCLE
    engine.handle_timer(NIGHT + SCAN_CYCLE)
    assert engine.next_deadline() == NIGHT + 2 * SCAN_CYCLE


def test_a_forecast_is_asked_for_every_ten_minutes(engine: Engine) -> None:
    events = read(engine, ON, ON + 3600.0, pit_left=124.0, pit_right=118.0, chuck=40.0, lamb=8.0)
    asked = [e.time for e in events if isinstance(e, ForecastWanted) and e.request.piece.id == "chuck"]
    assert [b - a for a, b in pairwise(asked)] == [FORECAST_EVERY] * 5


def test_every_input_is_tested_here() -> None:
    assert {one for kind in get_args(inputs.Input) for one in (get_args(kind) or (kind,))} == TESTED


def test_what_is_not_read_has_no_trend(engine: Engine) -> None:
    """A slope of ten minutes outlives the last reading by minutes; nobody may take it for what goes on now."""
    seen = engine.snapshot(at(ON))
    assert seen.pit.celsius is not None and seen.pit.rate is not None
    step(engine, None, at(ON + 300.0))
    unseen = engine.snapshot(at(ON + 300.0))
    assert unseen.pit.celsius is None and unseen.pit.rate is None
    lost = [channel for channel in unseen.channels if channel.celsius is None]
    assert lost and all(channel.rate is None for channel in lost)
    assert all(piece.rate is None for piece in unseen.pieces if piece.celsius is None)
