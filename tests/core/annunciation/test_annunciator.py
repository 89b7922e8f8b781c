"""Who is told, how loud, when and when again: the table and the annunciator together, driven by conditions."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.core.alarms.rules import ALARM_RULES, Condition
from daemon.core.alarms.table import AlarmTable
from daemon.core.annunciation import annunciator as annunciation
from daemon.core.annunciation.annunciator import Annunciator
from daemon.core.annunciation.escalation import rung
from daemon.core.events import CommandRefused, Level, MorningTold, Notification
from daemon.core.inputs import Delivered, Outcome
from daemon.core.orders import Acknowledge, GoodMorning, PauseSound, Shelve
from daemon.core.orders import TestWake as SendTestWake
from daemon.core.settings import (
    AnnouncingSettings,
    QuietHours,
)
from tests.texts.english import in_english

BERLIN = ZoneInfo("Europe/Berlin")
SETTINGS = AnnouncingSettings(
    QuietHours(22 * 60, 6 * 60, BERLIN),
    audiences=(("phone", ("push",)), ("sounder", ("horn",)), ("second", ("neighbour",)), ("notice", ("push",))),
)
MIDNIGHT = datetime(2026, 11, 25, 23, 0, tzinfo=UTC).timestamp()  # 00:00 in Berlin
NOON = MIDNIGHT + 12 * 3600.0


class Watch:
    """A table and an annunciator joined as the engine joins them: every deadline fired at its own time."""

    def __init__(self, wall: float = MIDNIGHT, settings: AnnouncingSettings = SETTINGS) -> None:
        self.settings = settings
        self.table = AlarmTable(ALARM_RULES, settings.shelve_limit)
        self.annunciator = Annunciator(ALARM_RULES, settings)
        self.now = 0.0
        self.wall = wall
        self.sent: list[Notification] = []
        self.morning: list[MorningTold] = []

    def hear(self, changes: list) -> None:  # type: ignore[type-arg]
        for change in changes:
            if isinstance(change, CommandRefused):
                continue
            view = self.table.view(change.alarm)
            self.annunciator.refresh(self.table.views(), change.time)
            self.sent += self.annunciator.changed(change, view, change.time, self.wall + change.time)

    def until(self, now: float) -> None:
        while True:
            due = [d for d in (self.table.next_deadline(), self.annunciator.next_deadline()) if d is not None]
            if not due or min(due) > now:
                break
            at = max(self.now, min(due))
            self.now = at
            self.hear(self.table.handle_timer(at))
            call = self.annunciator.next_deadline()
            if call is not None and call <= at:
                self.sent += self.annunciator.handle_timer(self.table.views(), at, self.wall + at)
        self.now = now

    def judge(self, rule: str, active: bool = True, subject: str = "pit", severity: int = 0, **more: Any) -> None:
        condition = Condition(
            rule, subject, active, not active, f"Do {rule} 1 °C", "because", severity=severity, **more
        )
        self.hear(self.table.judge(condition, self.now))

    def raised(self, rule: str, at: float, **more: object) -> None:
        """Bring the alarm up at exactly this time, its on-delay behind it."""
        delay = next(r.on_delay for r in ALARM_RULES if r.id == rule)
        self.until(at - delay)
        self.judge(rule, **more)  # type: ignore[arg-type]
        self.until(at)

    def acknowledge(self, alarm: str = "*") -> None:
        for key in self.annunciator.answers(alarm, self.table.waiting(), self.now):
            self.hear(self.table.command(Acknowledge(key, "cook"), self.now))

    def command(self, command: PauseSound | SendTestWake | GoodMorning | Acknowledge) -> list:  # type: ignore[type-arg]
        told = self.annunciator.command(command, self.now, self.wall + self.now)
        self.sent += [t for t in told if isinstance(t, Notification)]
        self.morning += [t for t in told if isinstance(t, MorningTold)]
        return told

    def report(self, notification: Notification, channel: str, outcome: str) -> list[Notification]:
        more = self.annunciator.delivered(Delivered(notification.id, channel, Outcome(outcome)), self.now)
        self.sent += more
        return more

    def crash(self) -> None:
        table, told = json.loads(json.dumps([self.table.dump(), self.annunciator.dump()]))
        self.table = AlarmTable(ALARM_RULES, self.settings.shelve_limit)
        self.annunciator = Annunciator(ALARM_RULES, self.settings)
        self.table.load(table)
        self.annunciator.load(told)

    def wakes(self) -> list[Notification]:
        return [n for n in self.sent if n.level is Level.WAKE]

    def calls(self) -> list[float]:
        """When a wake call was opened: repeats go to "louder", never to "phone" again."""
        return [n.time for n in self.wakes() if "phone" in n.audiences]


@pytest.mark.parametrize("rule", ["pit-blind", "fire-out"])
def test_an_unanswered_wake_grows_louder(rule: str) -> None:
    watch = Watch()
    watch.raised(rule, 1000.0)
    watch.until(1000.0 + SETTINGS.give_up_after)
    told = [(n.time - 1000.0, n.audiences) for n in watch.wakes()]
    everybody = ("louder", "sounder", "second")
    assert told[:4] == [
        (0.0, ("phone",)),
        (120.0, ("louder",)),
        (300.0, ("louder", "sounder")),
        (600.0, everybody),
    ]
    assert told[4:] == [(900.0, everybody), (1500.0, everybody), (2700.0, everybody)], (
        "5 min, and twice as long each time"
    )
    assert [n.id for n in watch.wakes()] == [f"{rule}/pit#1.{step}" for step in range(7)]
    assert rung(SETTINGS, 7) is None


def test_what_can_wait_for_the_morning_is_given_up() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.until(12 * 3600.0)
    assert watch.wakes()[-1].time == 1000.0 + 2700.0


def test_what_was_given_up_is_told_again_once_it_is_clearly_worse() -> None:
    """A pit that goes on climbing by 12 °C in an hour while nobody answers: our own rule, no source."""
    watch = Watch()
    watch.raised("pit-high", 1000.0, value=146.0)
    for minute in range(60, 240):
        watch.until(1000.0 + 60.0 * minute)
        watch.judge("pit-high", value=146.0 + (0.2 * (minute - 60) if minute < 160 else 20.0 + minute % 3))
        if minute == 70:
            watch.crash()
    calls = [(at - 1000.0) / 60.0 for at in watch.calls()]
    assert calls[0] == 0.0 and calls[1] == pytest.approx(85.0, abs=2.0), "5 °C more, and an hour of its own"
    assert len(calls) == 3 and calls[2] < 165.0, "what then wavers about its place is no worse"


def test_an_unseen_pit_without_meat_is_not_called_about_for_ever() -> None:
    watch = Watch()
    watch.raised("pit-blind", 1000.0, consequence_in=8 * 3600.0)
    watch.until(12 * 3600.0)
    assert watch.wakes()[-1].time == 1000.0 + 2700.0


@pytest.mark.parametrize("rule", ["fire-out", "pit-blind"])
def test_a_lost_fire_is_called_at_growing_intervals_until_somebody_answers(rule: str) -> None:
    watch = Watch()
    watch.raised(rule, 1000.0)
    watch.until(1000.0 + 8 * 3600.0)
    later = [n.time - 1000.0 for n in watch.wakes() if n.time > 1000.0 + SETTINGS.second_person_after]
    pauses = [b - a for a, b in pairwise([SETTINGS.second_person_after, *later])]
    assert pauses[:4] == [300.0, 600.0, 1200.0, 2400.0] and set(pauses[4:]) == {3600.0}
    assert all(n.audiences == ("louder", "sounder", "second") for n in watch.wakes()[4:])
    watch.crash()
    watch.until(1000.0 + 10 * 3600.0)
    assert len(watch.wakes()) > len(later) + 4, "a restart does not end it"
    watch.acknowledge()
    before = len(watch.wakes())
    watch.until(watch.now + 600.0)
    assert len(watch.wakes()) == before


@pytest.mark.parametrize(
    ("served", "ladder"),
    [
        ("sounder", [("sounder",)] * 4),
        ("second", [("second",)] * 4),
        ("phone", [("phone",), ("louder",), ("louder", "sounder"), ("louder", "sounder", "second")]),
    ],
)
def test_each_rung_starts_at_the_first_audience_that_exists(served: str, ladder: list[tuple[str, ...]]) -> None:
    """Row: a rig whose only delivery is a sounder, or a second person, is woken at once."""
    watch = Watch(settings=replace(SETTINGS, audiences=((served, ("horn",)),)))
    watch.raised("runaway", 1000.0)
    watch.until(1700.0)
    reached = [n for n in watch.wakes() if served in n.audiences or served == "phone"]
    assert reached[0].time == 1000.0
    shown = [tuple(a for a in n.audiences if served == "phone" or a == served) for n in watch.wakes()[:4]]
    assert shown == ladder


def test_audiences_that_nobody_serves_are_named() -> None:
    watch = Watch(settings=replace(SETTINGS, audiences=(("phone", ("push",)), ("sounder", ()))))
    assert watch.annunciator.view(0.0, MIDNIGHT).unserved == ("sounder", "second", "notice")


def test_a_test_wake_that_can_reach_nobody_is_refused() -> None:
    watch = Watch(settings=replace(SETTINGS, audiences=()))
    (refused,) = watch.command(SendTestWake("cook"))
    assert isinstance(refused, CommandRefused) and "delivery" in in_english(refused.reason)
    assert watch.annunciator.view(0.0, MIDNIGHT).test_wake == "never"


def test_a_call_holds_its_rung_while_things_get_better_and_says_so_once() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.until(1060.0)
    watch.judge("fire-out", improving=True)
    watch.until(1500.0)
    assert [(n.time, n.audiences) for n in watch.wakes()[1:]] == [(1120.0, ("phone",))], "the rung it was on, once"
    watch.judge("fire-out")
    watch.until(1600.0)
    assert watch.wakes()[-1].audiences == ("louder",), "worse again: it goes on from where it was"
    assert watch.wakes()[-1].time <= 1530.0


def test_what_stops_getting_better_calls_louder_when_a_call_would_be_repeated_and_not_at_once() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.until(1060.0)
    watch.judge("fire-out", improving=True)
    watch.until(1125.0)
    watch.judge("fire-out")
    watch.until(1300.0)
    assert [n.time for n in watch.wakes()] == [1000.0, 1120.0, 1120.0 + SETTINGS.repeat_after]


def test_recovery_ends_a_call_at_once() -> None:
    """Back by more than the deadband: not one more message, while the off-delay of 5 min still runs."""
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.until(1060.0)
    watch.judge("fire-out", active=False)
    watch.until(2000.0)
    assert len(watch.wakes()) == 1
    assert watch.table.view("fire-out/pit").state == "returned-unacknowledged"  # type: ignore[union-attr]


def test_a_message_says_what_is_known_when_it_is_sent() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.until(1115.0)
    condition = Condition("fire-out", "pit", True, False, "Relight fire: The pit 71 °C", "because")
    watch.hear(watch.table.judge(condition, watch.now))
    watch.until(1121.0)
    assert in_english(watch.wakes()[-1].text) == "Relight fire: The pit 71 °C"


def test_acknowledging_ends_the_escalation() -> None:
    watch = Watch()
    watch.raised("pit-blind", 1000.0)
    watch.until(1130.0)
    watch.acknowledge("pit-blind/pit")
    watch.until(1130.0 + 899.0)
    assert len(watch.wakes()) == 2


def test_acknowledged_is_not_solved_and_wakes_again() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.until(1060.0)
    watch.acknowledge()
    watch.until(1060.0 + 900.0)
    assert [(n.time, n.id) for n in watch.wakes()] == [(1000.0, "pit-falling/pit#1.0"), (1960.0, "pit-falling/pit#1.1")]
    assert watch.calls() == [1000.0, 1960.0]


def test_recovery_wakes_nobody_and_stops_the_call() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.judge("pit-high", active=False)
    watch.until(3000.0)
    assert [n.time for n in watch.wakes()] == [1000.0]
    assert len(watch.sent) == 1


def test_at_night_only_what_needs_a_person_now_wakes() -> None:
    watch = Watch()
    watch.raised("watch-broker", 1000.0, subject="")
    watch.raised("device-lost", 2000.0, subject="board")
    watch.raised("meat-probe-lost", 3000.0, subject="chuck", consequence_in=4 * 3600.0)
    watch.raised("wrap-target", 4000.0, subject="chuck")
    watch.raised("cooling-slow", 5000.0, subject="lamb", consequence_in=4 * 3600.0)
    assert watch.wakes() == []
    assert [n.level for n in watch.sent] == [Level.LOG] * 4 + [Level.NOTICE]
    assert all(n.held_back for n in watch.sent)


def test_the_wrap_wakes_only_who_asked() -> None:
    watch = Watch(settings=replace(SETTINGS, wake_for_wrap=True))
    watch.raised("wrap-target", 4000.0, subject="chuck")
    assert len(watch.wakes()) == 1


def test_lead_wakes_when_the_consequence_has_come_near() -> None:
    """Raised 60 min ahead it is only noticed; it wakes 31 min ahead (30 min to act, 1 min margin), within a re-check."""
    watch = Watch()
    watch.raised("hold-falling", 1000.0, subject="chuck", consequence_in=3600.0)
    assert [n.level for n in watch.sent] == [Level.NOTICE]
    for beat in range(1005, 4600, 5):
        watch.until(float(beat))
        watch.judge("hold-falling", subject="chuck", consequence_in=4600.0 - beat)
    (wake,) = [n for n in watch.wakes() if "phone" in n.audiences]
    assert 0.0 <= wake.time - (4600.0 - 31 * 60.0) <= annunciation.RECHECK + 5.0


def test_by_day_a_wake_class_alarm_is_a_heard_notice_and_a_high_one_still_wakes() -> None:
    watch = Watch(wall=NOON)
    watch.raised("pit-falling", 1000.0)
    watch.raised("fire-out", 3000.0)
    assert [(n.level, n.audiences) for n in watch.sent[:2]] == [
        (Level.NOTICE, ("phone",)),
        (Level.WAKE, ("phone",)),
    ]


def test_a_nap_by_day_is_a_night() -> None:
    watch = Watch(wall=NOON)
    watch.annunciator.sleep(True, 0.0)
    watch.raised("pit-falling", 1000.0)
    assert len(watch.wakes()) == 1


def test_what_was_only_noticed_wakes_when_the_cook_lies_down() -> None:
    watch = Watch(wall=NOON)
    watch.raised("pit-falling", 1000.0)
    watch.annunciator.sleep(True, 1100.0)
    watch.until(1100.0)
    assert watch.calls() == [1100.0]


def test_what_was_only_noticed_wakes_when_quiet_hours_begin() -> None:
    watch = Watch(wall=MIDNIGHT - 2 * 3600.0 - 1500.0)  # 22:00 comes at 1500 s
    watch.raised("pit-falling", 1000.0)
    watch.until(1600.0)
    assert len(watch.calls()) == 1 and 1500.0 <= watch.calls()[0] <= 1530.0


def test_what_was_held_for_the_morning_is_told_in_one_notice() -> None:
    watch = Watch(wall=MIDNIGHT + 5 * 3600.0)
    for name in ("disk", "second disk", "third disk"):
        watch.judge("watch-disk", subject=name)
    watch.until(3600.0 + 30.0)
    notices = [n for n in watch.sent if n.level is Level.NOTICE]
    assert 1 <= len(notices) <= 2
    assert {n.alarm for n in notices} | {k for n in notices for k in n.merged} >= {"watch-disk/disk"}
    watch.until(3600.0 + 700.0)
    told = [n for n in watch.sent if n.level is Level.NOTICE]
    assert sum(1 + len(n.merged) for n in told) == 3


def test_a_clock_that_was_never_set_counts_as_night() -> None:
    watch = Watch(wall=12 * 3600.0)  # noon, 1 January 1970
    watch.raised("pit-falling", 1000.0)
    assert len(watch.wakes()) == 1


def test_pause_mutes_repeats_but_never_what_is_new_or_worse() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.command(PauseSound(3600.0, "cook"))
    watch.until(1500.0)
    assert len(watch.wakes()) == 1, "repeats are muted"
    watch.raised("pit-high", 1600.0)
    assert watch.wakes()[-1].time == 1600.0, "a new alarm is not"
    watch.until(1700.0)
    watch.judge("pit-falling", severity=1)
    assert watch.wakes()[-1].time == 1700.0, "nor is a worse one"
    watch.until(1000.0 + 900.0)
    assert watch.wakes()[-1].time == 1900.0, "and a pause lasts 15 min at most"


def test_pauses_cannot_be_strung_together_beyond_the_limit() -> None:
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    for at in (1000.0, 1400.0, 1800.0, 1899.0):
        watch.until(at)
        watch.command(PauseSound(900.0, "cook"))
    watch.until(1900.0)
    assert watch.wakes()[-1].time == 1900.0
    assert isinstance(watch.command(PauseSound(0.0, "cook"))[0], CommandRefused)


def test_a_failed_channel_falls_over_at_once() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.until(1004.0)
    (instead,) = watch.report(watch.wakes()[0], "push", "failed")
    assert instead.audiences == ("sounder",) and instead.time == 1004.0
    (last,) = watch.report(instead, "horn", "failed")
    assert last.audiences == ("second",)
    assert watch.report(last, "neighbour", "failed") == []
    watch.until(1120.0)
    assert watch.wakes()[-1].audiences == ("louder", "sounder", "second")
    assert len({n.id for n in watch.wakes()}) == len(watch.wakes())


def test_a_delivered_wake_does_not_fall_over_because_a_second_channel_failed() -> None:
    watch = Watch(settings=replace(SETTINGS, audiences=(("phone", ("push", "mail")), ("sounder", ("horn",)))))
    watch.raised("fire-out", 1000.0)
    (wake,) = watch.wakes()
    assert watch.report(wake, "push", "sent") == []
    assert watch.report(wake, "mail", "failed") == []


def test_a_channel_known_to_be_down_is_not_waited_for() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.report(watch.wakes()[0], "push", "failed")
    watch.acknowledge()
    watch.judge("fire-out", active=False)
    watch.raised("pit-high", 3000.0)
    first = next(n for n in watch.wakes() if n.time == 3000.0)
    assert first.audiences == ("phone", "sounder")


def test_a_channel_that_nothing_carries_is_not_waited_for_and_one_that_is_carried_again_is() -> None:
    watch = Watch()
    watch.annunciator.channel("push", works=False)
    watch.raised("fire-out", 1000.0)
    assert watch.wakes()[0].audiences == ("phone", "sounder")
    watch.acknowledge()
    watch.judge("fire-out", active=False)
    watch.annunciator.channel("push", works=True)
    watch.raised("pit-high", 3000.0)
    assert next(n for n in watch.wakes() if n.time == 3000.0).audiences == ("phone",)


def test_after_an_acknowledgement_a_late_failure_says_nothing() -> None:
    watch = Watch()
    watch.raised("fire-out", 1000.0)
    watch.acknowledge()
    assert watch.report(watch.wakes()[0], "push", "expired") == []


def test_who_joins_late_gets_the_whole_ladder() -> None:
    """58 min into an unanswered call a second alarm must not be given up two minutes later."""
    watch = Watch()
    watch.raised("pit-falling", 1000.0)
    watch.raised("pit-blind", 1000.0 + 58 * 60.0)
    watch.until(1000.0 + 58 * 60.0 + 49 * 60.0)
    assert watch.annunciator.view(watch.now, watch.wall + watch.now).calling
    joined = 1000.0 + 58 * 60.0
    assert [n.time - joined for n in watch.wakes() if n.time >= joined] == [0.0, 300.0, 900.0, 2100.0]


def test_test_wake_is_sent_delivered_and_acknowledged() -> None:
    watch = Watch(wall=NOON)

    def state() -> str:
        return watch.annunciator.view(watch.now, watch.wall + watch.now).test_wake

    assert state() == "never"
    watch.command(SendTestWake("cook"))
    (sent,) = watch.wakes()
    assert state() == "sent" and sent.audiences == ("phone", "sounder", "second")
    watch.report(sent, "push", "sent")
    assert state() == "delivered"
    watch.command(Acknowledge("test-wake", "cook"))
    assert state() == "acknowledged"
    watch.until(13 * 3600.0)
    assert state() == "never", "yesterday's test does not count"
    watch.command(SendTestWake("cook"))
    assert len({n.id for n in watch.wakes()}) == 2


def test_the_morning_account() -> None:
    watch = Watch()
    watch.raised("watch-broker", 1000.0, subject="")
    watch.raised("pit-falling", 2000.0)
    watch.until(2130.0)
    watch.acknowledge()
    watch.judge("pit-falling", active=False)
    watch.command(GoodMorning("cook"))
    (told,) = watch.morning
    assert told.woke == ("pit-falling/pit#1.0",)
    assert tuple(map(in_english, told.held_back)) == ("Do watch-broker 1 °C (never wakes)",)
    watch.command(GoodMorning("cook"))
    assert watch.morning[-1].woke == () == watch.morning[-1].held_back


def test_an_unanswered_call_is_told_in_the_morning() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.until(6000.0)
    watch.command(GoodMorning("cook"))
    assert tuple(map(in_english, watch.morning[0].held_back)) == ("Do pit-high 1 °C (nobody answered)",)


def test_shelved_is_silent() -> None:
    watch = Watch()
    watch.raised("pit-high", 1000.0)
    watch.hear(watch.table.command(Shelve("pit-high/pit", 600.0, "searing", "cook"), watch.now))
    watch.until(1500.0)
    assert len(watch.wakes()) == 1


@pytest.mark.parametrize("crash_every", [7.0, 61.0])
def test_a_restart_tells_nothing_twice_and_loses_nothing(crash_every: float) -> None:
    stories = []
    for crashes in (False, True):
        watch = Watch()
        beat = 0.0
        while beat < 9000.0:
            beat += crash_every
            watch.until(beat)
            if crashes:
                watch.crash()
            watch.judge("pit-falling", active=700 < beat < 2500)
            watch.judge("fire-out", active=1800 < beat < 5000)
            watch.judge("hold-falling", subject="lamb", active=beat > 3000, consequence_in=max(0.0, 7000 - beat))
            if 2000 <= beat < 2000 + crash_every or 6000 <= beat < 6000 + crash_every:
                watch.acknowledge()
        stories.append(watch.sent)
    assert stories[0] == stories[1]
    assert len(stories[0]) > 10


def test_a_restart_that_forgets_is_caught(monkeypatch: pytest.MonkeyPatch) -> None:
    """The injector: without `load` the same story differs."""
    monkeypatch.setattr(Annunciator, "load", lambda self, dumped: None)
    with pytest.raises(AssertionError):
        test_a_restart_tells_nothing_twice_and_loses_nothing(61.0)


def test_escalation_runs_in_elapsed_time_over_a_wall_clock_step() -> None:
    for step in (-3600.0, 86400.0, 1.7e9):
        watch = Watch(wall=MIDNIGHT if step < 1e9 else 0.0)
        watch.raised("fire-out", 1000.0)
        watch.until(1050.0)
        watch.wall += step
        watch.until(1650.0)
        assert [n.time - 1000.0 for n in watch.wakes()] == [0.0, 120.0, 300.0, 600.0]
