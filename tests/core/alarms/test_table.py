"""The alarm table, row by row, against the published transitions and against its own promises on time."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.core.alarms import state as alarm_state
from daemon.core.alarms.rules import ALARM_RULES, AlarmRule, Condition, WakePolicy
from daemon.core.alarms.state import CHATTER_HOLD
from daemon.core.alarms.table import AlarmTable
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Priority
from daemon.core.orders import Acknowledge, OutOfService, Shelve, Unshelve
from daemon.core.said import say
from tests.texts.english import in_english

ROWS = Path(__file__).parents[2] / "data" / "isa_18_2_transitions.csv"
LIMIT = 7200.0
KEY = "r/pit"


def rule(**changes: object) -> AlarmRule:
    plain: dict[str, object] = {
        "id": "r",
        "time_to_act": 600.0,
        "priority": Priority.MEDIUM,
        "wake": WakePolicy.NOW,
    }
    return AlarmRule(**{**plain, **changes})  # type: ignore[arg-type]


def condition(
    active: bool, within: bool | None = None, guard: str = "", severity: int = 0, **more: object
) -> Condition:
    return Condition(
        "r",
        "pit",
        active,
        (not active) if within is None else within,
        "Add 1 split",
        "pit 100 °C",
        suppressed_by=(guard,) if guard else (),
        severity=severity,
        **more,  # type: ignore[arg-type]
    )


def table(**changes: object) -> AlarmTable:
    return AlarmTable((rule(**changes),), LIMIT)


def states(changes: Iterable[AlarmChanged | CommandRefused]) -> list[tuple[float, str]]:
    return [(c.time, c.after.value) for c in changes if isinstance(c, AlarmChanged)]


def published() -> list[dict[str, str]]:
    with ROWS.open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def bring_to(state: str, latched: bool) -> AlarmTable:
    """Lead a fresh alarm into a state by what a pit and a cook do, never by setting it."""
    one = table(latched=latched)
    if state == "normal":
        return one
    one.judge(condition(True), 10.0)
    match state:
        case "acknowledged" | "latched-acknowledged":
            one.command(Acknowledge(KEY, "cook"), 20.0)
        case "shelved":
            one.command(Shelve(KEY, 600.0, "damp wood", "cook"), 20.0)
        case "suppressed-by-design":
            one.judge(condition(True, guard="lid-open"), 20.0)
        case "out-of-service":
            one.command(OutOfService(KEY, True, "probe on order", "cook"), 20.0)
    if state in ("returned-unacknowledged", "latched-unacknowledged", "latched-acknowledged"):
        one.judge(condition(False), 30.0)
    return one


def do(one: AlarmTable, before: str, trigger: str) -> None:
    match trigger:
        case "occur":
            one.judge(condition(True), 100.0)
        case "acknowledge":
            one.command(Acknowledge(KEY, "cook"), 100.0)
        case "worse":
            one.judge(condition(True, severity=1), 100.0)
        case "return" | "return-latched":
            one.judge(condition(False), 100.0)
        case "shelve":
            one.command(Shelve(KEY, 600.0, "damp wood", "cook"), 100.0)
        case "suppress":
            one.judge(condition(True, guard="lid-open"), 100.0)
        case "take-out":
            one.command(OutOfService(KEY, True, "probe on order", "cook"), 100.0)
        case "back-normal" | "back-in-alarm":
            one.judge(
                condition(trigger == "back-in-alarm", guard="lid-open" if before.startswith("supp") else ""), 90.0
            )
            if before == "shelved":
                one.command(Unshelve(KEY, "cook"), 100.0)
            elif before == "out-of-service":
                one.command(OutOfService(KEY, False, "", "cook"), 100.0)
            else:
                one.judge(condition(trigger == "back-in-alarm"), 100.0)
        case _:
            raise AssertionError(trigger)


def follows(row: dict[str, str]) -> bool:
    latched = "latched" in row["before"] + row["after"]
    one = bring_to(row["before"], latched)
    view = one.view(KEY)
    assert row["before"] == (view.state if view else "normal")
    do(one, row["before"], row["trigger"])
    view = one.view(KEY)
    return row["after"] == (view.state if view else "normal")


@pytest.mark.parametrize("row", published(), ids=lambda r: f"{r['before']}-{r['trigger']}")
def test_published_transition(row: dict[str, str]) -> None:
    assert follows(row), row["source"]


def test_every_published_state_is_in_the_list() -> None:
    assert {r["before"] for r in published()} == {s.value for s in AlarmState}


TRIGGER_OF = {"worse": "re-alarm", "back-normal": "back"}
SPOKEN_OF = [
    cell
    for cell in alarm_state.TRANSITIONS
    if any((r["before"], TRIGGER_OF.get(r["trigger"], r["trigger"])) == cell for r in published())
]


@pytest.mark.parametrize("cell", SPOKEN_OF, ids=lambda c: f"{c[0]}-{c[1]}")
def test_a_wrong_cell_of_the_table_is_caught(
    cell: tuple[AlarmState, alarm_state.Trigger], monkeypatch: pytest.MonkeyPatch
) -> None:
    """The injector: each cell the published list speaks of is made wrong in turn; some row must then fail."""
    sinks = (AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED)  # states no deadline leaves, so that nothing loops
    wrong = next(s for s in sinks if s is not alarm_state.TRANSITIONS[cell])
    monkeypatch.setitem(alarm_state.TRANSITIONS, cell, wrong)
    failed = False
    for row in published():
        try:
            failed |= not follows(row)
        except AssertionError:
            failed = True
    assert failed


def test_the_injector_meets_nearly_every_published_row() -> None:
    """All but the one that is two steps with us: from suppression to normal and, without on-delay, on at once."""
    assert len(SPOKEN_OF) == len(published()) - 1


def test_on_delay_runs_out_at_its_own_time() -> None:
    one = table(on_delay=120.0)
    assert one.judge(condition(True), 5.0) == []
    assert one.next_deadline() == 125.0
    assert states(one.handle_timer(300.0)) == [(125.0, "unacknowledged")]


def test_a_single_beat_within_starts_the_on_delay_anew() -> None:
    one = table(on_delay=120.0)
    one.judge(condition(True), 5.0)
    one.judge(condition(False), 60.0)
    assert one.next_deadline() is None
    one.judge(condition(True), 65.0)
    assert one.next_deadline() == 185.0


def test_off_delay_and_deadband_hold_a_wavering_alarm() -> None:
    one = table(off_delay=60.0)
    one.judge(condition(True), 0.0)
    for second in range(5, 600, 5):  # between set point and deadband: neither beyond nor back
        assert one.judge(condition(False, within=False), float(second)) == []
    one.judge(condition(False), 600.0)
    assert states(one.handle_timer(660.0)) == [(660.0, "returned-unacknowledged")]


def test_without_a_deadband_the_same_trace_would_chatter() -> None:
    """The injector to the test above: the trace wavers, only the deadband makes it quiet."""
    one = table()
    raised = [one.judge(condition(s % 2 == 0), float(s)) for s in range(20)]
    assert sum(c.after is AlarmState.UNACKNOWLEDGED for changes in raised for c in changes) >= 3


def test_chattering_is_held_instead_of_counted() -> None:
    """Three occurrences in a minute are chattering (convention; source in daemon/core/alarms/table.py)."""
    one = table()
    changes = [c for s in range(0, 120, 5) for c in one.judge(condition(s % 10 == 0), float(s))]
    assert sum(c.after is AlarmState.UNACKNOWLEDGED for c in changes) == 3
    one.judge(condition(False), 120.0)
    assert states(one.handle_timer(2000.0)) == [(20.0 + CHATTER_HOLD, "returned-unacknowledged")]


def test_acknowledged_is_not_solved() -> None:
    one = table(re_alarm=900.0)
    one.judge(condition(True), 0.0)
    one.command(Acknowledge(KEY, "cook"), 60.0)
    for second in range(65, 960, 5):
        assert one.judge(condition(True), float(second)) == []
    assert states(one.handle_timer(960.0)) == [(960.0, "unacknowledged")]


@pytest.mark.parametrize(
    ("shows_in", "lay_down", "told"), [(300.0, 120.0, 420.0), (300.0, 800.0, 960.0), (None, 120.0, 960.0)]
)
def test_who_lies_down_over_what_he_acknowledged_is_told_once_his_deed_must_have_shown(
    shows_in: float | None, lay_down: float, told: float
) -> None:
    """Never later than the re-alarm time, and no sooner where what was done shows slowly."""
    one = table(re_alarm=900.0, shows_in=shows_in)
    one.judge(condition(True), 0.0)
    one.command(Acknowledge(KEY, "cook"), 60.0)
    one.lies_down(lay_down)
    assert states(one.handle_timer(2000.0)) == [(told, "unacknowledged")]


def test_improving_is_left_alone_until_it_stops_improving() -> None:
    one = table(re_alarm=900.0)
    one.judge(condition(True), 0.0)
    one.command(Acknowledge(KEY, "cook"), 60.0)
    one.judge(condition(True, improving=True), 500.0)
    assert one.next_deadline() is None
    assert one.judge(condition(True, improving=True), 1100.0) == []
    assert states(one.judge(condition(True), 1200.0)) == [(1200.0, "unacknowledged")]


def test_a_person_at_work_is_left_alone_when_it_wavers_but_not_when_it_is_worse() -> None:
    for severity, expected in ((0, 960.0), (1, 300.0)):
        one = table(re_alarm=900.0)
        one.judge(condition(True), 0.0)
        one.command(Acknowledge(KEY, "cook"), 60.0)
        one.judge(condition(False), 200.0)
        changes = one.judge(condition(True, severity=severity), 300.0) + one.handle_timer(2000.0)
        assert states(changes) == [(expected, "unacknowledged")]


def test_worse_re_alarms_even_while_unacknowledged() -> None:
    one = table()
    one.judge(condition(True), 0.0)
    changes = one.judge(condition(True, severity=1), 10.0)
    assert [(c.before, c.after) for c in changes] == [(AlarmState.UNACKNOWLEDGED,) * 2]
    assert one.judge(condition(True, severity=1), 15.0) == []


def test_once_is_once_unless_worse() -> None:
    one = table(once=True)
    one.judge(condition(True), 0.0)
    one.command(Acknowledge(KEY, "cook"), 5.0)
    one.judge(condition(False), 10.0)
    assert one.judge(condition(True), 20.0) == []
    assert states(one.judge(condition(True, severity=1), 30.0)) == [(30.0, "unacknowledged")]


def test_a_done_prompt_needs_no_acknowledgement() -> None:
    one = table(prompt=True)
    one.judge(condition(True), 0.0)
    assert states(one.judge(condition(False), 10.0)) == [(10.0, "normal")]


def test_a_guard_suppresses_and_the_delay_starts_anew_after_it() -> None:
    one = table(on_delay=60.0)
    one.judge(condition(True), 0.0)
    assert states(one.judge(condition(True, guard="lid-open"), 30.0)) == [(30.0, "suppressed-by-design")]
    assert one.next_deadline() is None
    one.judge(condition(True), 300.0)
    assert states(one.handle_timer(1000.0)) == [(360.0, "unacknowledged")]


def test_shelving_is_named_timed_reasoned_and_capped() -> None:
    one = table()
    one.judge(condition(True), 0.0)
    for bad in (Shelve(KEY, 600.0, " ", "cook"), Shelve(KEY, 0.0, "why", "cook"), Shelve("x/pit", 9.0, "why", "cook")):
        assert isinstance(one.command(bad, 1.0)[0], CommandRefused)
    one.command(Shelve(KEY, 1e6, "damp wood", "Ann"), 10.0)
    (view,) = one.views()
    assert (view.shelved_until, view.shelved_reason) == (10.0 + LIMIT, "Ann: damp wood")
    assert states(one.handle_timer(1e5)) == [(10.0 + LIMIT, "unacknowledged")]


def test_shelving_never_stops_evaluation() -> None:
    one = table(on_delay=60.0)
    one.command(Shelve(KEY, 600.0, "known", "cook"), 0.0)
    assert one.judge(condition(True), 100.0) == []
    (view,) = one.views()
    assert view.active
    assert states(one.handle_timer(600.0)) == [(600.0, "unacknowledged")]


def test_what_grows_worse_than_what_was_put_away_comes_off_the_shelf() -> None:
    """Who answers a call for wood with "later" has said nothing of a pit below its band (our own judgement, no source)."""
    one = table()
    one.judge(condition(True), 0.0)
    one.command(Shelve(KEY, 7200.0, "later", "cook"), 10.0)
    assert one.judge(condition(True), 20.0) == []
    assert one.judge(condition(True, severity=1, improving=True), 25.0) == []
    assert states(one.judge(condition(True, severity=1), 30.0)) == [(30.0, "unacknowledged")]
    one.command(Shelve(KEY, 7200.0, "later", "cook"), 40.0)
    assert one.judge(condition(True, severity=1), 50.0) == [], "put away as bad as it is"


def test_a_shelved_alarm_still_stands_for_what_follows_from_it() -> None:
    one = table()
    one.judge(condition(True), 0.0)
    one.command(Shelve(KEY, 7200.0, "later", "cook"), 10.0)
    assert one.standing() == {KEY}
    one.judge(condition(False), 20.0)
    assert one.standing() == frozenset()


def test_safety_can_be_neither_shelved_nor_taken_out() -> None:
    one = AlarmTable(ALARM_RULES, LIMIT)
    for safety in (r.id for r in ALARM_RULES if r.safety):
        for command in (Shelve(f"{safety}/pit", 60.0, "why", "hub"), OutOfService(f"{safety}/pit", True, "why", "hub")):
            assert isinstance(one.command(command, 0.0)[0], CommandRefused)
    assert one.views() == ()


def test_retired_ends_everything_and_never_reuses_an_occurrence() -> None:
    one = table(once=True)
    one.judge(condition(True), 0.0)
    assert states(one.retire("pit", 50.0)) == [(50.0, "normal")]
    assert one.views() == () and one.next_deadline() is None
    (change,) = one.judge(condition(True), 60.0)
    assert change.occurrence == 2


def test_restart_keeps_what_remains_of_every_delay() -> None:
    rules = tuple(rule(id=i, on_delay=60.0, off_delay=60.0, re_alarm=900.0) for i in ("a", "b", "c", "d"))
    one = AlarmTable(rules, LIMIT)

    def judged(name: str, active: bool, at: float) -> list[AlarmChanged]:
        return one.judge(Condition(name, "pit", active, not active, "t", "b"), at)

    for name in ("b", "c", "d"):
        judged(name, True, 0.0)
    one.handle_timer(60.0)
    judged("a", True, 100.0)  # on-delay until 160
    judged("b", False, 110.0)  # off-delay until 170
    one.command(Shelve("c/pit", 65.0, "why", "cook"), 115.0)  # until 180
    one.command(Acknowledge("d/pit", "cook"), 120.0)  # re-alarm at 1020
    stored = json.loads(json.dumps(one.dump()))
    again = AlarmTable(rules, LIMIT)
    again.load(stored)
    assert again.views() == one.views()
    expected = [(160.0, "unacknowledged"), (170.0, "returned-unacknowledged"), (180.0, "unacknowledged")]
    assert states(again.handle_timer(2000.0)) == [*expected, (1020.0, "unacknowledged")]
    assert again.handle_timer(3000.0) == []


def test_what_nobody_saw_raises_nothing() -> None:
    """Stopped at 100 s with 20 s of an on-delay to go, back at 1000 s, each alarm judged anew at 1030 s."""
    rules = tuple(rule(id=i, on_delay=60.0, off_delay=60.0, re_alarm=300.0) for i in ("a", "b", "c", "d"))
    one = AlarmTable(rules, LIMIT)
    for name in ("b", "c", "d"):
        one.judge(Condition(name, "pit", True, False, "t", "b"), 0.0)
    one.handle_timer(60.0)
    one.command(Acknowledge("b/pit", "cook"), 60.0)  # re-alarm at 360, unseen
    one.command(Shelve("c/pit", 540.0, "why", "cook"), 60.0)  # until 600, unseen
    one.judge(Condition("a", "pit", True, False, "t", "b"), 60.0)
    one.judge(Condition("d", "pit", False, True, "t", "b"), 80.0)
    for name in ("a", "b", "c"):
        one.judge(Condition(name, "pit", True, False, "t", "b"), 100.0)
    again = AlarmTable(rules, LIMIT)
    again.load(json.loads(json.dumps(one.dump())))
    again.resumed(1000.0)
    changes = again.handle_timer(1030.0)
    for name, active in (("a", True), ("b", True), ("c", True), ("d", False)):
        changes += again.judge(Condition(name, "pit", active, not active, "t", "b"), 1030.0)
    assert [(c.alarm, c.time, c.after.value) for c in changes + again.handle_timer(2000.0)] == [
        ("c/pit", 1000.0, "unacknowledged"),  # its condition stood long before the stop
        ("b/pit", 1030.0, "unacknowledged"),  # once it was looked at again
        ("a/pit", 1050.0, "unacknowledged"),
        ("d/pit", 1070.0, "returned-unacknowledged"),
    ]


def test_what_is_mending_after_a_stop_is_not_raised_again_for_how_it_stood_before() -> None:
    """Acknowledged at 60 s, the log put on while the watch was down: the first look finds it improving."""
    one = table(on_delay=60.0, re_alarm=300.0)
    one.judge(condition(True), 0.0)
    one.handle_timer(60.0)
    one.command(Acknowledge(KEY, "cook"), 60.0)
    again = table(on_delay=60.0, re_alarm=300.0)
    again.load(json.loads(json.dumps(one.dump())))
    again.resumed(1000.0)
    assert states(again.handle_timer(1065.0)) == []
    assert states(again.judge(condition(True, improving=True), 1065.0)) == []
    assert states(again.handle_timer(1500.0)) == []


def test_a_delay_stands_still_until_its_alarm_is_judged_anew() -> None:
    """Lives of 45 s each, 5 s apart, in which the condition always stands: an on-delay of 100 s ends in the third."""
    one, start = table(on_delay=100.0), 0.0
    for life in range(3):
        changes = [c for second in range(5, 45, 5) for c in one.judge(condition(True), start + second)]
        changes += one.handle_timer(start + 45.0)
        assert states(changes) == ([] if life < 2 else [(start + 35.0, "unacknowledged")]), life
        again = table(on_delay=100.0)
        again.load(json.loads(json.dumps(one.dump())))
        one, start = again, start + 50.0
        one.resumed(start)
        assert one.next_deadline() is None


def test_a_rule_that_is_gone_is_dropped_at_restart() -> None:
    one = table()
    one.judge(condition(True), 0.0)
    other = AlarmTable((rule(id="other"),), LIMIT)
    other.load(one.dump())
    assert other.views() == ()


def test_views_put_the_worst_first() -> None:
    one = AlarmTable(ALARM_RULES, LIMIT)
    for name in ("watch-disk", "pit-falling", "fire-out", "runaway"):
        one.judge(Condition(name, "pit", True, False, "t", "b"), 0.0)
    one.handle_timer(1000.0)
    assert [v.rule for v in one.views()] == ["runaway", "fire-out", "pit-falling", "watch-disk"]


def test_what_is_over_does_not_go_on_claiming_it() -> None:
    """The pit is read below its band, then not at all, then again, and well: the alarm was right, its words are of then."""
    alarms = AlarmTable((rule(latched=True, off_delay=300.0),), LIMIT)
    last, unseen = say("alarm.fire-out.text", name="Drum"), say("alarm.fire-out.unseen", name="Drum", ago=37.0)
    alarms.judge(replace(condition(True), text=last), 0.0)
    alarms.judge(replace(condition(False, False), known=False, text=unseen, because="not seen"), 37.0)
    assert [(v.text, v.because) for v in alarms.views()] == [(unseen, "not seen")]
    over = say("message.over-of", what=say("alarm.r.title"), name="Drum", since=60.0), ""
    alarms.judge(replace(condition(False), text="", because=""), 60.0)
    assert [(v.text, v.because) for v in alarms.views()] == [over], "nobody is told that it is unseen while it is seen"
    assert [(c.text, c.because) for c in alarms.handle_timer(2460.0)] == [over]
    assert [(v.state, v.text) for v in alarms.views()] == [(AlarmState.LATCHED_UNACKNOWLEDGED, over[0])]
    alarms.judge(replace(condition(True), text=last), 2500.0)
    assert [(v.text, v.because) for v in alarms.views()] == [(last, "pit 100 °C")], "it is there again"


def test_what_is_told_to_be_over_is_never_told_to_be_so_still() -> None:
    """It was seen while its off-delay ran: "Seen, still so" stood above "Over since 03:21"."""
    alarms = table(off_delay=300.0)
    alarms.judge(condition(True), 0.0)
    shown = []
    for at, act in ((60.0, condition(False)), (90.0, Acknowledge(KEY, "cook")), (120.0, condition(True))):
        alarms.judge(act, at) if isinstance(act, Condition) else alarms.command(act, at)
        (view,) = alarms.views()
        shown.append(
            (view.text == say("message.over", what=say("alarm.r.title"), since=60.0), in_english(view.stands_as))
        )
    assert shown == [(True, "Over, not yet seen"), (True, "Seen, over"), (False, "Seen, still so")]
    latched = bring_to("latched-acknowledged", latched=True).view(KEY)
    assert latched is not None and in_english(latched.stands_as) == "Happened, seen"


def test_what_has_no_name_is_over_without_one() -> None:
    alarms = table(off_delay=300.0)
    alarms.judge(condition(True), 0.0)
    alarms.judge(condition(False), 60.0)
    assert [v.text for v in alarms.views()] == [say("message.over", what=say("alarm.r.title"), since=60.0)]
