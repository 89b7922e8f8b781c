"""Two pits in one watch: each is judged by its own probes and band, and whoever sleeps is called once for both."""

from __future__ import annotations

import json
from copy import deepcopy
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest

from daemon.core import inputs, orders
from daemon.core.annunciation.nap import earliest
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import (
    AlarmChanged,
    AlarmState,
    CommandRefused,
    CookChanged,
    Event,
    FireNoticed,
    Level,
    Marked,
    NapPlanned,
    Notification,
    StageChanged,
    TakenBack,
)
from daemon.core.inputs import UsePitClass
from daemon.core.orders import Mark, MarkKind, MovePiece, SetBand, TakeBack
from daemon.core.pit_profile import ClassFigure
from daemon.core.settings import SPACING, Band
from daemon.shell.hub.duties import newest
from daemon.shell.wording import event_to_dict, input_from_json, input_to_json
from tests.core.night import AUDIENCES, NIGHT, engine_at_night, read, restarted, step
from tests.core.two_pits import BAND, BED, BY_SIMULATION, EVENING, LOADED_AFTER, TWO, TwoPits
from tests.texts.english import in_english

IDLE = replace(TWO.cook, id="no-cook", pieces=())
FIRST, DRUM = "pit-falling/pit", "pit-falling/drum"
WARM = {"pit_left": 122.0, "pit_right": 119.0, "drum_left": 121.0, "drum_right": 118.0, "chuck": 40.0, "lamb": 30.0}


def raised(events: list[Event]) -> dict[str, float]:
    """When each alarm was first raised."""
    times: dict[str, float] = {}
    for event in events:
        if isinstance(event, AlarmChanged) and event.after is AlarmState.UNACKNOWLEDGED:
            times.setdefault(event.alarm, event.time)
    return times


def burning(minutes: float = 30.0) -> tuple[Engine, list[Event]]:
    """Both pits burn in their band with their meat on. Ends s after NIGHT: 60 * minutes."""
    engine = engine_at_night(TWO)
    events: list[Event] = []
    for mark in (
        Mark(MarkKind.FIRE_LIT), Mark(MarkKind.FIRE_LIT, pit="drum"), Mark(MarkKind.MEAT_ON, "chuck"),
        Mark(MarkKind.MEAT_ON, "lamb"),
    ):  # fmt: skip
        events += step(engine, mark, NIGHT)
    return engine, events + read(engine, 0.0, 60.0 * minutes, **WARM)


# --- a night ------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def evening() -> TwoPits:
    """Until the last logs before bed. Each night goes on from a copy of it."""
    both = TwoPits(Engine(BY_SIMULATION))
    both.until(LOADED_AFTER)
    return both


@pytest.fixture(scope="module")
def night(evening: TwoPits) -> TwoPits:
    """Both fires were given the same wood at half past eleven, so that both want some within minutes of each other."""
    both = deepcopy(evening)
    both.load({"": 2.2, "drum": 2.2})
    both.until(11.0)
    return both


def test_two_fires_that_want_wood_within_minutes_are_one_call_that_names_both(night: TwoPits) -> None:
    (call,) = night.calls
    assert {call.alarm, *call.merged} == {FIRST, DRUM}
    said = in_english(call.text)
    assert "Drum" in said and "Off" in said and len(said) <= 60
    lows = [
        e for fire in night.fires.values() for e in fire.truth if e.kind == "pit-low" and e.time > call.time - EVENING
    ]
    assert not lows, "neither fire left its band"


def test_one_answer_is_for_both_and_wood_on_both_ends_both(night: TwoPits) -> None:
    changes = [e for e in night.events if isinstance(e, AlarmChanged) and e.alarm in (FIRST, DRUM) and e.time > BED]
    for key in (FIRST, DRUM):
        assert [c.after for c in changes if c.alarm == key] == [
            AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL
        ]  # fmt: skip


@pytest.mark.soak
def test_a_replay_gives_the_very_same_events_also_over_a_restart(night: TwoPits) -> None:
    """From inputs as the journal keeps them; cut in the middle of the night, between the call and the wood. The real watch
    does so at every run, in a shorter night (`tests/system/test_two_pits.py`)."""
    (call,) = night.calls
    journalled = [
        (at, item if isinstance(item, inputs.Readings) else input_from_json(*input_to_json(item)))
        for at, item in night.given
    ]
    cut = next(n for n, (at, _) in enumerate(journalled) if at > call.time + 120.0)
    one, again = Engine(BY_SIMULATION), Engine(BY_SIMULATION)
    before = list(replayed(one, journalled[:cut]))
    due = {pit.subject: pit.log_due.p50 for pit in one.snapshot(call.time).pits if pit.log_due is not None}
    assert call.alarm == f"pit-falling/{min(due, key=lambda subject: due[subject])}", "the nearer one's words lead"
    again.load(json.loads(json.dumps(one.dump())))
    assert again.dump() == one.dump() and again.snapshot(call.time + 120.0) == one.snapshot(call.time + 120.0)
    assert before + list(replayed(again, journalled[cut:])) == night.events


def test_the_nap_ends_with_the_fire_that_wants_wood_first_and_fires_far_apart_are_two_calls(evening: TwoPits) -> None:
    both = deepcopy(evening)
    both.load({"": 1.4, "drum": 2.4})
    both.until(6.7)
    (nap,) = [e for e in both.events if isinstance(e, NapPlanned)]
    due = {pit.subject: pit.log_due for pit in both.engine.snapshot(both.now).pits}
    first, drum = due["pit"], due["drum"]
    assert first is not None and drum is not None and first.p50 < drum.p50, "or there is nothing to choose"
    lead = TWO.announcing.sleeper.lead
    assert nap.latest is not None and abs(nap.latest - (first.p50 - lead)) < 10 * 60.0
    assert nap.latest < drum.p50 - lead
    both.until(10.6)
    calls = [c for c in both.calls if c.step == 0]
    assert {c.alarm for c in calls} >= {FIRST, DRUM}
    assert all(b.time - a.time >= SPACING for a, b in pairwise(calls))
    assert not calls[0].merged and "also" not in in_english(calls[0].text)


def test_no_sleep_is_promised_while_one_of_the_fires_promises_none() -> None:
    assert earliest([(20.0, 30.0), (10.0, 40.0)]) == (10.0, 30.0)
    assert earliest([(20.0, 30.0), None]) is None and earliest([]) is None


# --- each by itself -----------------------------------------------------------------------------------------


def test_a_fire_lost_in_the_second_pit_wakes_by_its_name() -> None:
    engine, events = burning()
    celsius = dict(WARM)
    for minute in range(30, 100):
        celsius |= {name: max(20.0, celsius[name] - 1.5) for name in ("drum_left", "drum_right")}
        events += read(engine, 60.0 * minute, 60.0 * (minute + 1), **celsius)
    assert "fire-out/drum" in raised(events) and "fire-out/pit" not in raised(events)
    calls = [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]
    assert any(c.alarm == "fire-out/drum" and "Drum" in in_english(c.text) for c in calls)
    assert calls[0].audiences == AUDIENCES[0][1]
    view = {pit.id: pit for pit in engine.snapshot(NIGHT + 6000.0).pits}
    assert view["drum"].stage == "out" and view["offset"].stage == "in-band"
    assert engine.snapshot(NIGHT + 6000.0).pit == view["offset"]


def test_a_second_pit_that_runs_away_wakes_at_once() -> None:
    engine, events = burning()
    celsius = dict(WARM)
    for minute in range(30, 50):
        celsius |= {name: celsius[name] + 4.0 for name in ("drum_left", "drum_right")}
        events += read(engine, 60.0 * minute, 60.0 * (minute + 1), **celsius)
    assert "runaway/drum" in raised(events) and "runaway/pit" not in raised(events)


def test_a_pit_that_nobody_hears_is_blind_and_the_other_is_not() -> None:
    engine, events = burning()
    seen = {name: value for name, value in WARM.items() if not name.startswith("drum")}
    events += read(engine, 1800.0, 3600.0, **seen)
    assert "pit-blind/drum" in raised(events) and "pit-blind/pit" not in raised(events)


def test_a_pit_without_meat_is_not_called_for_while_the_cook_is_elsewhere() -> None:
    """The drum stays cold and unheard: nobody is woken for it."""
    cook = replace(TWO.cook, pieces=TWO.cook.pieces[:1])
    engine = engine_at_night(replace(TWO, cook=cook))
    events = step(engine, Mark(MarkKind.FIRE_LIT), NIGHT) + step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    seen = {name: value for name, value in WARM.items() if not name.startswith(("drum", "lamb"))}
    events += read(engine, 0.0, 5400.0, **seen)
    assert not [e for e in events if isinstance(e, Notification) and e.level is Level.WAKE]


def test_signs_and_stages_name_their_pit_and_the_first_ones_are_as_ever() -> None:
    engine, events = burning()
    stages = {e.subject for e in events if isinstance(e, StageChanged)}
    assert {"pit", "drum"} <= stages
    events += read(engine, 1800.0, 1860.0, **WARM)
    events += read(engine, 1860.0, 1980.0, **(WARM | {"drum_left": 70.0, "drum_right": 68.0}))
    signs = [e for e in events if isinstance(e, FireNoticed)]
    assert {sign.pit for sign in signs} == {"drum"}, "a lid of the drum"
    assert event_to_dict(signs[0], 0.0)["pit"] == "drum"
    snapshot = engine.snapshot(NIGHT + 1980.0)
    lids = {pit.id: pit.lid_open for pit in snapshot.pits}
    assert lids == {"offset": False, "drum": True}
    assert {c.id: c.pit for c in snapshot.channels} == {
        "pit-left": "offset", "pit-right": "offset", "drum-left": "drum", "drum-right": "drum", "chuck": "offset",
        "lamb": "drum", "outside": "",
    }  # fmt: skip
    assert {piece.id: piece.pit for piece in snapshot.pieces} == {"chuck": "offset", "lamb": "drum"}


# --- orders -------------------------------------------------------------------------------------------------


def test_a_mark_is_of_the_pit_that_it_names_and_can_be_taken_back_there() -> None:
    engine, _ = burning()
    at = NIGHT + 1800.0
    (told,) = [e for e in step(engine, Mark(MarkKind.LOG, pit="drum"), at) if isinstance(e, Marked)]
    assert told.pit == "drum" and event_to_dict(told, 0.0)["pit"] == "drum"
    (first,) = [e for e in step(engine, Mark(MarkKind.LOG, pit="offset"), at + 5.0) if isinstance(e, Marked)]
    assert first.pit == "" and "pit" not in event_to_dict(first, 0.0), "as in a rig with one pit"
    assert (engine.pit.fire.last_log, engine.pits["drum"].fire.last_log) == (at + 5.0, at)
    views = {mark.pit for mark in engine.snapshot(at + 5.0).marks if mark.what == "log"}
    assert views == {"offset", "drum"}
    step(engine, Mark(MarkKind.LID_OPEN, pit="drum"), at + 6.0)
    known = newest(engine.snapshot(at + 6.0), None)
    assert known is not None and (known.what, known.pit) == ("log", "offset"), "a hub knows the first pit's marks"
    (back,) = [e for e in step(engine, TakeBack("log", pit="drum"), at + 10.0) if isinstance(e, TakenBack)]
    assert back.pit == "drum" and engine.pit.fire.last_log == at + 5.0
    assert engine.pits["drum"].fire.last_log != at
    (refused,) = [e for e in step(engine, Mark(MarkKind.LOG, pit="kiln"), at + 15.0) if isinstance(e, CommandRefused)]
    assert "kiln" in in_english(refused.reason)


def test_each_pit_has_its_band_also_in_a_cook_and_over_a_restart() -> None:
    cook = replace(TWO.cook, bands=(("drum", Band(140.0, 160.0)),))
    engine = engine_at_night(replace(TWO, cook=cook))
    assert (engine.pit.band, engine.pits["drum"].band) == (BAND, Band(140.0, 160.0))
    step(engine, SetBand(Band(90.0, 100.0), "page", pit="drum"), NIGHT + 1.0)
    again = restarted(engine)
    assert (again.pit.band, again.pits["drum"].band) == (BAND, Band(90.0, 100.0))
    assert again.settings.cook.bands == cook.bands
    (refused,) = step(engine, SetBand(Band(90.0, 100.0), "page", pit="kiln"), NIGHT + 2.0)
    assert isinstance(refused, CommandRefused)
    step(engine, orders.StartCook(replace(TWO.cook, id="next"), "page"), NIGHT + 3.0)
    assert engine.pits["drum"].band == BAND


def test_a_piece_moves_to_another_pit_and_its_past_stays_on_the_first() -> None:
    engine, _ = burning()
    moved_at = NIGHT + 1800.0
    events = step(engine, MovePiece("chuck", "drum", "page"), moved_at)
    (changed,) = [e for e in events if isinstance(e, CookChanged)]
    assert changed.changed == ("chuck",) and engine.pieces["chuck"].stage.stage == "cooking"
    hotter = WARM | {"drum_left": 131.0, "drum_right": 128.0}
    read(engine, 1800.0, 3000.0, **hotter)
    chuck = engine.pieces["chuck"]
    first = int(NIGHT // 60)
    along = engine._pit_minutes(chuck, first, first + 45)
    assert max(along[:28]) < 124.0 and min(along[34:]) > 126.0, "the pit that heated it then"
    assert {p.id: p.pit for p in engine.snapshot(NIGHT + 3000.0).pieces} == {"chuck": "drum", "lamb": "drum"}
    assert engine.pit.stage.stage == "in-band" and restarted(engine).pieces["chuck"].settings.pit == "drum"
    again = restarted(engine)
    assert again._pit_minutes(again.pieces["chuck"], first, first + 45) == along
    for order in (MovePiece("goat", "drum", "page"), MovePiece("chuck", "kiln", "page")):
        assert isinstance(step(engine, order, NIGHT + 3001.0)[-1], CommandRefused)
    step(engine, MovePiece("chuck", "offset", "page"), NIGHT + 3002.0)
    assert engine.pieces["chuck"].settings.pit == ""


FATTY = tuple(replace(piece, fat_percent=20.0) for piece in TWO.cook.pieces)
"""7 and 2.4 kg: tender, each has lost half of its fat, 0.7 and 0.24 kg (daemon/core/plan/grease.py has the source)."""
TRAYS = replace(
    TWO, cook=replace(TWO.cook, pieces=FATTY), grease_tray=2.0, other_pits=(replace(TWO.other_pits[0], grease_tray=0.3),)
)  # fmt: skip
TENDER = WARM | {"chuck": 92.0, "lamb": 88.0}


def trays(engine: Engine) -> list[Any]:
    """kg of fat in the tray of each pit, the first pit's first."""
    pits = engine.snapshot(NIGHT + 3600.0).pits
    return [pytest.approx(pit.grease.kilograms, abs=0.02) for pit in pits if pit.grease is not None]


def test_each_pit_has_its_tray_and_is_asked_for_by_its_name() -> None:
    engine = engine_at_night(TRAYS)
    for piece in ("chuck", "lamb"):
        step(engine, Mark(MarkKind.MEAT_ON, piece), NIGHT)
    events = read(engine, 0.0, 30 * 60.0, **TENDER)
    assert trays(engine) == [0.7, 0.24]
    (call,) = (e for e in events if isinstance(e, Notification) and "grease-tray" in e.alarm)
    assert call.alarm == "grease-tray/drum" and "Drum" in in_english(call.text)
    assert restarted(engine).snapshot(NIGHT + 1800.0).pits == engine.snapshot(NIGHT + 1800.0).pits

    refused = step(engine, orders.ReminderDone("grease-tray/kiln", "page"), NIGHT + 1800.0)
    assert any(isinstance(event, CommandRefused) for event in refused)
    step(engine, orders.ReminderDone("grease-tray/drum", "page"), NIGHT + 1800.0)
    assert trays(engine) == [0.7, 0.0]
    step(engine, orders.ReminderDone("grease-tray/offset", "page"), NIGHT + 1800.0)
    assert trays(engine) == [0.0, 0.0]


def test_whoever_answers_for_a_tray_has_emptied_that_one() -> None:
    engine = engine_at_night(TRAYS)
    step(engine, Mark(MarkKind.MEAT_ON), NIGHT)
    read(engine, 0.0, 30 * 60.0, **TENDER)
    step(engine, orders.Acknowledge("grease-tray/drum", "cook"), NIGHT + 1800.0)
    assert trays(engine) == [0.7, 0.0]


def test_fat_drips_into_the_tray_under_the_meat_and_once_only() -> None:
    """A chuck roll goes over to the drum half way, and back: 52 of the 52 °C over which it loses its 0.7 kg."""
    engine = engine_at_night(TRAYS)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    read(engine, 0.0, 20 * 60.0, **WARM | {"chuck": 66.0})
    assert trays(engine) == [0.35, 0.0]
    step(engine, MovePiece("chuck", "drum", "cook"), NIGHT + 1200.0)
    read(engine, 1200.0, 2400.0, **WARM | {"chuck": 79.0})
    assert trays(engine) == [0.35, 0.175]
    step(engine, MovePiece("chuck", "", "cook"), NIGHT + 2400.0)
    read(engine, 2400.0, 3600.0, **WARM | {"chuck": 92.0})
    assert trays(engine) == [0.525, 0.175]


def test_a_tray_goes_with_the_new_id_of_its_pit() -> None:
    engine = engine_at_night(TRAYS)
    step(engine, Mark(MarkKind.MEAT_ON), NIGHT)
    read(engine, 0.0, 30 * 60.0, **TENDER)
    channels = tuple(replace(c, pit="smoker" if c.pit else "") for c in TRAYS.channels)
    renamed = replace(TRAYS, channels=channels, other_pits=(replace(TRAYS.other_pits[0], id="smoker"),), cook=IDLE)
    again = Engine(renamed)
    again.load(json.loads(json.dumps(engine.dump())))
    assert trays(again) == [0.7, 0.24]


def test_a_piece_may_not_be_called_like_a_pit() -> None:
    engine = engine_at_night(TWO)
    goat = replace(TWO.cook.pieces[0], id="drum", channel=None)
    (refused,) = step(engine, orders.AddPiece(goat, "page"), NIGHT + 1.0)
    assert isinstance(refused, CommandRefused)


# --- a rig that changes -------------------------------------------------------------------------------------


def test_a_checkpoint_of_one_pit_is_read_by_a_rig_that_has_another_by_now_and_the_other_way_round() -> None:
    channels = tuple(c for c in TWO.channels if c.pit == "")
    alone = replace(TWO, other_pits=(), channels=channels, cook=replace(TWO.cook, pieces=TWO.cook.pieces[:1]))
    engine = engine_at_night(alone)
    step(engine, Mark(MarkKind.FIRE_LIT), NIGHT)
    step(engine, Mark(MarkKind.MEAT_ON, "chuck"), NIGHT)
    read(engine, 0.0, 1800.0, pit_left=122.0, pit_right=119.0, chuck=40.0)
    both = Engine(TWO)
    both.load(json.loads(json.dumps(engine.dump())))
    assert both.pit.stage.stage == "in-band" and both.pits["drum"].stage.stage == "unlit"
    two, _ = burning()
    one = Engine(alone)
    one.load(json.loads(json.dumps(two.dump())))
    assert {p.settings.pit for p in one.pieces.values()} == {""} and one.pit.stage.stage == "in-band"


def test_a_pit_under_a_new_id_keeps_its_fire_its_meat_and_its_past() -> None:
    engine, _ = burning()
    read(engine, 1800.0, 3600.0, **(WARM | {"drum_left": 60.0, "drum_right": 58.0}))
    assert "drum" in {a.subject for a in engine.alarms.views() if a.state is AlarmState.UNACKNOWLEDGED}
    channels = tuple(replace(c, pit="smoker") if c.pit == "drum" else c for c in TWO.channels)
    renamed = replace(TWO, channels=channels, other_pits=(replace(TWO.other_pits[0], id="smoker"),), cook=IDLE)
    again = Engine(renamed)
    again.load(json.loads(json.dumps(engine.dump())))
    assert {id_: p.settings.pit for id_, p in again.pieces.items()} == {"chuck": "", "lamb": "smoker"}
    assert again.pits["smoker"].stage.stage == engine.pits["drum"].stage.stage
    first = int(NIGHT // 60)
    along = [each._pit_minutes(each.pieces["lamb"], first, first + 45) for each in (engine, again)]
    assert along[0] == along[1]
    step(again, inputs.Resumed(watched_until=NIGHT + 3600.0), NIGHT + 3603.0)
    assert "drum" not in {a.subject for a in again.alarms.views() if a.state is not AlarmState.NORMAL}
    told = read(again, 3605.0, 5400.0, **(WARM | {"drum_left": 50.0, "drum_right": 48.0}))
    assert any("/smoker" in e.alarm for e in told if isinstance(e, Notification) and e.level is Level.WAKE)


def test_meat_of_a_pit_that_is_no_more_goes_where_its_probe_is() -> None:
    engine, _ = burning()
    home = {"lamb": "kiln", "drum-left": "kiln", "drum-right": "spit"}
    channels = tuple(replace(c, pit=home.get(c.id, c.pit)) for c in TWO.channels)
    others = (replace(TWO.other_pits[0], id="kiln"), replace(TWO.other_pits[0], id="spit"))
    changed = replace(TWO, channels=channels, other_pits=others, cook=IDLE)
    again = Engine(changed)
    again.load(json.loads(json.dumps(engine.dump())))
    assert again.pieces["lamb"].settings.pit == "kiln"
    first = int(NIGHT // 60)
    assert len(again._pit_minutes(again.pieces["lamb"], first, first + 45)) == 46, "of the old pit nothing is known"
    step(again, inputs.Resumed(watched_until=NIGHT + 1800.0), NIGHT + 1803.0)
    read(again, 1805.0, 3600.0, **WARM)


def test_a_snapshot_of_a_rig_with_one_pit_lists_no_others() -> None:
    snapshot = engine_at_night().snapshot(NIGHT)
    assert snapshot.pits == () and snapshot.pit.subject == "pit"
    assert {piece.pit for piece in snapshot.pieces} == {""} == {channel.pit for channel in snapshot.channels}


def test_what_a_class_has_shown_is_for_the_pit_that_it_names() -> None:
    engine = burning()[0]
    figures = (ClassFigure("gap", 55.0, 6.0),)
    step(engine, UsePitClass(figures, "fleet", pit="drum"), NIGHT + 1.0)
    step(engine, UsePitClass(figures, "fleet", pit="barn"), NIGHT + 1.0)
    assert [pit.fire.class_figures for pit in engine.pits.values()] == [(), figures]
