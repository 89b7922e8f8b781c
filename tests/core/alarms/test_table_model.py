"""The alarm table against the plain reference model: a random life of an alarm, crashes included, is the same life."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from daemon.core.alarms import state as alarm_state
from daemon.core.alarms.rules import AlarmRule, Condition, WakePolicy
from daemon.core.alarms.table import AlarmTable
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Priority
from daemon.core.orders import Acknowledge, OutOfService, Shelve, Unshelve
from tests.core.alarms.reference_alarm_model import ReferenceAlarm

LIMIT = 7200
KEY = "r/s"
LETTER = {
    AlarmState.NORMAL: "A",
    AlarmState.UNACKNOWLEDGED: "B",
    AlarmState.ACKNOWLEDGED: "C",
    AlarmState.RETURNED_UNACKNOWLEDGED: "D",
    AlarmState.LATCHED_UNACKNOWLEDGED: "LU",
    AlarmState.LATCHED_ACKNOWLEDGED: "LA",
    AlarmState.SHELVED: "E",
    AlarmState.SUPPRESSED: "F",
    AlarmState.OUT_OF_SERVICE: "G",
}
PLAIN = AlarmRule("r", 60.0, Priority.HIGH, WakePolicy.NOW)


class Pair:
    """The table and the model side by side."""

    def __init__(self, on: int, off: int, re_alarm: int | None, latched: bool, prompt: bool, once: bool, safety: bool):
        self.rules = (
            replace(
                PLAIN,
                on_delay=on,
                off_delay=off,
                re_alarm=re_alarm,
                latched=latched,
                prompt=prompt,
                once=once,
                safety=safety,
            ),
        )
        self.table = AlarmTable(self.rules, LIMIT)
        self.model = ReferenceAlarm(on, off, re_alarm, latched, prompt, once, safety)
        self.log: list[tuple[float, str, str]] = []
        self.ids: list[int] = []

    def note(self, changes: list[AlarmChanged] | list[AlarmChanged | CommandRefused]) -> None:
        for change in changes:
            if isinstance(change, AlarmChanged):
                self.log.append((change.time, LETTER[change.before], LETTER[change.after]))

    def wait(self, seconds: int) -> None:
        self.model.wait(seconds)
        self.note(self.table.handle_timer(float(self.model.seconds)))

    def judge(self, active: bool, within: bool, guarded: bool, severity: int, improving: bool) -> None:
        if self.table.view(KEY) is not None or active:  # before its first condition an alarm does not exist
            self.model.judge(active, within, guarded, severity, improving)
        guards = ("lid-open",) if guarded else ()
        self.note(
            self.table.judge(
                Condition("r", "s", active, within, "t", "b", None, None, guards, severity, improving),
                float(self.model.seconds),
            )
        )

    def acknowledge(self, everything: bool) -> None:
        if not everything or self.model.state in ("B", "D", "LU"):
            self.model.acknowledge()
        self.note(self.table.command(Acknowledge("*" if everything else KEY, "me"), float(self.model.seconds)))

    def shelve(self, seconds: int) -> None:
        if not self.model.safety and self.model.state != "G":
            self.model.shelf_ends = self.model.seconds + min(seconds, LIMIT)
            self.model.go("E")
        self.note(self.table.command(Shelve(KEY, float(seconds), "why", "me"), float(self.model.seconds)))

    def unshelve(self) -> None:
        if self.model.state == "E":
            self.model.come_back()
        self.note(self.table.command(Unshelve(KEY, "me"), float(self.model.seconds)))

    def out_of_service(self, out: bool) -> None:
        if out and not self.model.safety:
            self.model.go("G")
        elif not out and self.model.state == "G":
            self.model.come_back()
        self.note(self.table.command(OutOfService(KEY, out, "why", "me"), float(self.model.seconds)))

    def retire(self) -> None:
        self.model.retire()
        self.note(self.table.retire("s", float(self.model.seconds)))

    def crash(self) -> None:
        """kill -9 and start again from the checkpoint, as JSON."""
        stored = json.loads(json.dumps(self.table.dump()))
        self.table = AlarmTable(self.rules, LIMIT)
        self.table.load(stored)

    def check(self) -> None:
        view = self.table.view(KEY)
        assert self.log == self.model.log
        assert (LETTER[view.state] if view else "A") == self.model.state
        assert (view.occurrence if view else 0) == self.model.occurrence


def live(seed: int, steps: int = 40) -> None:
    """One random life. The seed names it, so that a failure can be lived again."""
    dice = random.Random(seed)
    pair = Pair(
        dice.choice((0, 20, 120)),
        dice.choice((0, 30)),
        dice.choice((None, 100, 900)),
        dice.random() < 0.3,
        dice.random() < 0.3,
        dice.random() < 0.3,
        dice.random() < 0.2,
    )
    for _ in range(steps):
        match dice.choices(range(8), weights=(40, 20, 10, 5, 5, 5, 2, 13))[0]:
            case 0:
                active = dice.random() < 0.6
                pair.judge(
                    active,
                    not active and dice.random() < 0.8,
                    dice.random() < 0.15,
                    dice.choice((0, 0, 0, 1, 2)),
                    dice.random() < 0.2,
                )
            case 1:
                pair.wait(dice.choice((1, 5, 5, 30, 120, 400)))
            case 2:
                pair.acknowledge(dice.random() < 0.3)
            case 3:
                pair.shelve(dice.choice((1, 60, 600, 10_000)))
            case 4:
                pair.unshelve()
            case 5:
                pair.out_of_service(dice.random() < 0.5)
            case 6:
                pair.retire()
            case 7:
                pair.crash()
        pair.check()


def test_a_thousand_random_lives() -> None:
    for seed in range(1_000):
        live(seed)


@pytest.mark.soak
def test_ten_thousand_random_lives() -> None:
    for seed in range(1_000, 11_000):
        live(seed, steps=80)


@pytest.mark.parametrize("wrong", ["on-delay", "re-alarm", "chatter", "lost-at-restart", "suppressed"])
def test_a_wrong_build_is_found_within_a_hundred_lives(wrong: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The injectors: each of these mistakes must break the equality."""
    if wrong == "on-delay":
        real = alarm_state.Alarm.due
        monkeypatch.setattr(
            alarm_state.Alarm, "due", lambda self, rule: None if (d := real(self, rule)) is None else d + 1
        )
    elif wrong == "re-alarm":
        monkeypatch.setattr(alarm_state.Alarm, "left_alone_until", lambda self, rule: None)
    elif wrong == "chatter":
        monkeypatch.setattr(alarm_state, "CHATTER_HOLD", 0.0)
    elif wrong == "lost-at-restart":
        monkeypatch.setattr(AlarmTable, "load", lambda self, dumped: None)
    else:
        cell = (AlarmState.ACKNOWLEDGED, alarm_state.Trigger.SUPPRESS)
        monkeypatch.setitem(alarm_state.TRANSITIONS, cell, AlarmState.NORMAL)
    with pytest.raises(AssertionError):
        for seed in range(100 if wrong != "chatter" else 1_000):
            live(seed)


class AlarmLives(RuleBasedStateMachine):
    """The same, searched by hypothesis, which shrinks what it finds to the shortest story."""

    @initialize(
        on=st.sampled_from((0, 20, 120)),
        off=st.sampled_from((0, 30)),
        re_alarm=st.sampled_from((None, 100, 900)),
        flags=st.tuples(st.booleans(), st.booleans(), st.booleans(), st.booleans()),
    )
    def begin(self, on: int, off: int, re_alarm: int | None, flags: tuple[bool, bool, bool, bool]) -> None:
        self.pair = Pair(on, off, re_alarm, *flags)

    @rule(
        side=st.sampled_from(("beyond", "between", "back")),
        guarded=st.booleans(),
        severity=st.integers(0, 2),
        improving=st.booleans(),
    )
    def judge(self, side: str, guarded: bool, severity: int, improving: bool) -> None:
        self.pair.judge(side == "beyond", side == "back", guarded, severity, improving)

    @rule(seconds=st.sampled_from((1, 5, 30, 120, 400)))
    def wait(self, seconds: int) -> None:
        self.pair.wait(seconds)

    @rule(everything=st.booleans())
    def acknowledge(self, everything: bool) -> None:
        self.pair.acknowledge(everything)

    @rule(seconds=st.sampled_from((1, 60, 600, 10_000)))
    def shelve(self, seconds: int) -> None:
        self.pair.shelve(seconds)

    @rule()
    def unshelve(self) -> None:
        self.pair.unshelve()

    @rule(out=st.booleans())
    def out_of_service(self, out: bool) -> None:
        self.pair.out_of_service(out)

    @rule()
    def retire(self) -> None:
        self.pair.retire()

    @rule()
    def crash(self) -> None:
        self.pair.crash()

    @invariant()
    def same(self) -> None:
        if hasattr(self, "pair"):
            self.pair.check()


AlarmLives.TestCase.settings = settings(max_examples=25, stateful_step_count=30, deadline=None, derandomize=True)
TestAlarmLives = AlarmLives.TestCase
