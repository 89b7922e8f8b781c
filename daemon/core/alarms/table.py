"""The alarm table: every alarm by its key, its deadlines and what people ask of it. No rules are judged here, nobody is
told; how one alarm moves stands in `alarm_state`.

Every deadline is kept in engine time, which goes on from where it was after a restart, and a change that a deadline
makes is stamped with that deadline, so that a late timer and a replay give the same events.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import inf
from typing import Any, cast

from daemon.core.alarms.rule import PRIORITY_ORDER, AlarmRule, Condition, WakePolicy
from daemon.core.alarms.state import RAISABLE, STANDING, WAITING, Alarm, Trigger, stands_as
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused
from daemon.core.orders import Acknowledge, OutOfService, Shelve, Unshelve
from daemon.core.said import Text, said, say

SHOWN_IN = (
    *WAITING,
    AlarmState.ACKNOWLEDGED,
    AlarmState.LATCHED_ACKNOWLEDGED,
    AlarmState.SHELVED,
    AlarmState.OUT_OF_SERVICE,
    AlarmState.SUPPRESSED,
)
"""The order of states in a list for people: what wants an answer first."""
NOT_OVER = (*STANDING, AlarmState.SUPPRESSED)
"""States that only a condition that has gone can end."""
GONE = (Trigger.RETURN, Trigger.RETURN_LATCHED, Trigger.ACKNOWLEDGE)
"""By these an alarm that was acknowledged goes."""


@dataclass(frozen=True, slots=True)
class AlarmView:
    """One alarm as it stands. key: "rule" or "rule/subject"."""

    key: str
    rule: str
    subject: str
    state: AlarmState
    active: bool
    occurrence: int
    raised_at: float
    changed_at: float
    priority: str
    prompt: bool
    text: Text
    because: Text
    value: float | None = None
    consequence_in: float | None = None
    shelved_until: float | None = None
    shelved_reason: str = ""
    suppressed_by: tuple[str, ...] = ()
    """The process conditions and alarms under which it is suppressed by design."""
    improving: bool = False
    """Beyond the set point, and on its way back."""
    recovered: bool = False
    """Back by more than the deadband: it returns when its off-delay has run."""
    stands_as: Text = ""
    """New, seen, over: for people, and of one piece with its text."""


class AlarmTable:
    """Every alarm by its key. The engine judges the conditions at each beat and fires the deadlines in between."""

    def __init__(self, rules: tuple[AlarmRule, ...], shelve_limit: float) -> None:
        """shelve_limit: the longest shelving, s."""
        self._rules = {rule.id: rule for rule in rules}
        self._shelve_limit = shelve_limit
        self._alarms: dict[str, Alarm] = {}
        self._deadlines: dict[str, float] = {}
        self._judged_at = 0.0
        self._seen: frozenset[tuple[str, str]] = frozenset()

    def judge(self, condition: Condition, now: float) -> list[AlarmChanged]:
        """Take one condition and move its alarm. Raises KeyError for a rule the table does not have."""
        key = alarm_key(condition.rule, condition.subject)
        alarm = self._alarms.get(key)
        if not condition.known:
            if alarm is not None:
                alarm.text, alarm.because, alarm.value = condition.text, condition.because, None
            return []
        self._judged_at = now
        if alarm is None:
            if not condition.active:
                return []
            alarm = self._alarms[key] = Alarm(self._rules[condition.rule].id, condition.subject)
        alarm.seen_again(now)
        changes = self._run_out(key, alarm, now)
        alarm.take(condition, now)
        if alarm.guarded and (condition.active or alarm.state is not AlarmState.NORMAL):
            changes += self._move(key, alarm, Trigger.SUPPRESS, now)
        elif alarm.state is AlarmState.SUPPRESSED and not alarm.guarded:
            changes += self._move(key, alarm, Trigger.BACK, now)
        if alarm.is_worse:
            changes += self._move(key, alarm, Trigger.RE_ALARM, now)
        elif alarm.outgrows_shelf:
            changes += self._come_back(key, alarm, now)
        self._plan(key, alarm, now)
        return changes + self._run_out(key, alarm, now)

    def scanned(self, now: float) -> None:
        """Every condition was looked at; those that say nothing to any alarm were not handed over."""
        self._judged_at = now

    def command(
        self, command: Acknowledge | Shelve | Unshelve | OutOfService, now: float
    ) -> list[AlarmChanged | CommandRefused]:
        """What a person asks. A second tap on the same button is no error and changes nothing."""
        match command:
            case Acknowledge(alarm="*"):
                return [change for key in self.waiting() for change in self._acknowledge(key, now)]
            case Acknowledge(alarm=key):
                return self._acknowledge(key, now)
            case Shelve():
                return self._shelve(command, now)
            case Unshelve(alarm=key):
                alarm = self._alarms.get(key)
                if alarm is None or alarm.state is not AlarmState.SHELVED:
                    return [CommandRefused(now, "unshelve", say("refused.not-shelved", alarm=key))]
                return [*self._come_back(key, alarm, now)]
            case OutOfService():
                return self._out_of_service(command, now)

    def waiting(self) -> dict[str, int]:
        """Key -> occurrence of every alarm that nobody has acknowledged, standing or returned."""
        return {key: alarm.occurrence for key, alarm in self._alarms.items() if alarm.state in WAITING}

    def standing(self) -> frozenset[str]:
        """Keys of the alarms that stand, acknowledged or not, or shelved while their condition lasts: what it says of the pit is
        so on the shelf, too."""
        return frozenset(
            key
            for key, alarm in self._alarms.items()
            if alarm.state in STANDING or (alarm.state is AlarmState.SHELVED and alarm.active_since is not None)
        )

    def open(self) -> frozenset[tuple[str, str]]:
        """(rule, subject) of the alarms that wait for their condition to go: standing, on the way to it, or put away; also of
        those that wait to be judged anew after a time that nobody watched."""
        return frozenset(
            (alarm.rule, alarm.subject)
            for alarm in self._alarms.values()
            if alarm.active_since is not None
            or alarm.guarded
            or (alarm.state in NOT_OVER and (alarm.within_since is None or alarm.unseen_since is not None))
        )

    def seen(self) -> frozenset[tuple[str, str]]:
        """(rule, subject) of the alarms that were ever active; one that was is never forgotten."""
        if len(self._seen) != len(self._alarms):
            self._seen = frozenset((alarm.rule, alarm.subject) for alarm in self._alarms.values())
        return self._seen

    def next_deadline(self) -> float | None:
        """When an on-delay, off-delay, shelving or re-alarm time runs out."""
        return min(self._deadlines.values(), default=None)

    def handle_timer(self, now: float) -> list[AlarmChanged]:
        """Fire every deadline up to and including now, the earliest first, each at its own time."""
        changes: list[AlarmChanged] = []
        while self._deadlines:
            key = min(self._deadlines, key=lambda k: (self._deadlines[k], k))
            if self._deadlines[key] > now:
                break
            changes += self._fire(key, self._alarms[key], self._deadlines[key])
        return changes

    def views(self) -> tuple[AlarmView, ...]:
        """Every alarm that is not plainly normal, worst first."""
        shown = [(key, alarm) for key, alarm in self._alarms.items() if alarm.state is not AlarmState.NORMAL]
        shown.sort(key=lambda item: self._rank(*item))
        return tuple(self._view(key, alarm) for key, alarm in shown)

    def view(self, key: str) -> AlarmView | None:
        """One alarm, normal or not; None if it was never seen."""
        alarm = self._alarms.get(key)
        return None if alarm is None else self._view(key, alarm)

    def retire(self, subject: str, now: float, rules: frozenset[str] | None = None) -> list[AlarmChanged]:
        """The subject is gone (piece done, cook ended): its alarms end, or those of some rules. Only the count of occurrences
        is kept, for a notification id made of it must never come twice."""
        changes: list[AlarmChanged] = []
        for key, alarm in self._alarms.items():
            if alarm.subject == subject and (rules is None or alarm.rule in rules):
                if alarm.state is not AlarmState.NORMAL:
                    changes += self._move(key, alarm, Trigger.RETIRE, now)
                self._alarms[key] = Alarm(alarm.rule, subject, occurrence=alarm.occurrence, changed_at=now)
                self._deadlines.pop(key, None)
        return changes

    def may_tell_again(self, rule: str, subject: str) -> None:
        """What was told once is to be told again when it comes again: it was answered by mistake."""
        alarm = self._alarms.get(alarm_key(rule, subject))
        if alarm is not None and alarm.state is AlarmState.NORMAL:
            alarm.told_severity = None

    def lies_down(self, now: float) -> None:
        """Who has acknowledged what he was told goes to sleep."""
        for key, alarm in self._alarms.items():
            alarm.lies_down(self._rules[alarm.rule], now)
            self._plan(key, alarm, now)

    def passed(self, seconds: float, now: float) -> None:
        """So much more time has passed than engine time has counted: what was shelved comes back so much sooner."""
        for key, alarm in self._alarms.items():
            if alarm.state is AlarmState.SHELVED and alarm.shelved_until is not None:
                alarm.shelved_until = max(now, alarm.shelved_until - seconds)
                self._plan(key, alarm, now)

    def resumed(self, now: float, away_known: bool = True) -> None:
        """Nobody watched until now. On-delays and off-delays stand still until their alarm is judged anew, then go on with
        what remained of them: nothing is raised, returned or raised again for what nobody saw. A shelving that ran out
        meanwhile ends now, and so does every one if nobody can say how long that was."""
        if not away_known:
            self.passed(inf, now)
        for key, alarm in self._alarms.items():
            if alarm.unseen_since is None:
                alarm.unseen_since = self._judged_at
            self._plan(key, alarm, now)
        self._judged_at = now

    def raises_before(self, when: float) -> bool:
        """An on-delay runs that will have ended by then, if its condition lasts, of an alarm that may wake somebody."""
        near = (self._alarms[key] for key, at in self._deadlines.items() if at <= when)
        return any(a.state in RAISABLE and self._rules[a.rule].wake is not WakePolicy.NEVER for a in near)

    def dump(self) -> dict[str, object]:
        """For a checkpoint: plain values only."""
        return {"judged_at": self._judged_at, "alarms": {key: asdict(alarm) for key, alarm in self._alarms.items()}}

    def load(self, dumped: dict[str, object]) -> None:
        """The inverse of `dump`: delays go on with the time that remained, alarms of rules now gone are dropped."""
        self._alarms, self._deadlines, self._seen = {}, {}, frozenset()
        self._judged_at = cast(float, dumped["judged_at"])
        for key, row in cast(dict[str, dict[str, Any]], dumped["alarms"]).items():
            alarm = Alarm(**row)
            alarm.guards = tuple(alarm.guards)
            if alarm.rule in self._rules:
                alarm.state = AlarmState(alarm.state)
                alarm.raises = list(alarm.raises)
                alarm.text, alarm.because = said(alarm.text), said(alarm.because)
                self._alarms[key] = alarm
                self._plan(key, alarm, now=0.0)

    # --- deadlines ----------------------------------------------------------------------------------

    def _plan(self, key: str, alarm: Alarm, now: float) -> None:
        """Write down the one deadline this alarm waits for, never one in the past: a re-alarm time that ran out
        while things improved is due when they stop improving."""
        deadline = alarm.deadline(self._rules[alarm.rule])
        if deadline is None:
            self._deadlines.pop(key, None)
        else:
            self._deadlines[key] = max(deadline, now)

    def _run_out(self, key: str, alarm: Alarm, now: float) -> list[AlarmChanged]:
        """Fire what is due of this one alarm."""
        changes: list[AlarmChanged] = []
        while (deadline := self._deadlines.get(key)) is not None and deadline <= now:
            changes += self._fire(key, alarm, deadline)
        return changes

    def _fire(self, key: str, alarm: Alarm, deadline: float) -> list[AlarmChanged]:
        """Do what the alarm's one deadline stands for, at its own time."""
        if alarm.state is AlarmState.SHELVED:
            return self._come_back(key, alarm, deadline)
        if alarm.state in RAISABLE:
            changes = self._move(key, alarm, Trigger.OCCUR, deadline)
        elif alarm.within_since is not None:
            rule = self._rules[alarm.rule]
            back = Trigger.DONE if rule.prompt else Trigger.RETURN_LATCHED if rule.latched else Trigger.RETURN
            changes = self._move(key, alarm, back, deadline)
        else:
            changes = self._move(key, alarm, Trigger.RE_ALARM, deadline)
        self._plan(key, alarm, deadline)
        return changes

    def _move(self, key: str, alarm: Alarm, trigger: Trigger, now: float) -> list[AlarmChanged]:
        changes = alarm.move(key, self._rules[alarm.rule], trigger, now)
        if changes and trigger in GONE and alarm.state not in STANDING and alarm.acknowledged_at is not None:
            self._spare_lesser(alarm, now)
        return changes

    def _spare_lesser(self, greater: Alarm, now: float) -> None:
        """Who answered an alarm answered the lesser ones in it: what is left of them when it has gone is left alone for
        as long as if they had just been acknowledged themselves, unless it grows worse. A prompt asks for a deed, and asks
        anew."""
        for rule in self._rules[greater.rule].covers:
            lesser = self._known(alarm_key(rule, greater.subject))
            if lesser is not None and lesser.state not in STANDING and not self._rules[rule].prompt:
                lesser.acknowledged_at = now
                lesser.told_severity = max(lesser.severity, lesser.told_severity or 0)
                self._plan(alarm_key(rule, greater.subject), lesser, now)

    def _come_back(self, key: str, alarm: Alarm, now: float) -> list[AlarmChanged]:
        """From the shelf or from out of service. Evaluation never stopped, so an on-delay that ran out counts."""
        alarm.shelved_until, alarm.reason = None, ""
        due = alarm.due(self._rules[alarm.rule])
        trigger = Trigger.BACK_IN_ALARM if due is not None and due <= now else Trigger.BACK
        changes = self._move(key, alarm, trigger, now)
        self._plan(key, alarm, now)
        return changes

    # --- commands -----------------------------------------------------------------------------------

    def _acknowledge(self, key: str, now: float) -> list[AlarmChanged | CommandRefused]:
        alarm = self._alarms.get(key)
        if alarm is None:
            return [CommandRefused(now, "acknowledge", say("refused.no-alarm", alarm=key))]
        changes = self._move(key, alarm, Trigger.ACKNOWLEDGE, now)
        self._plan(key, alarm, now)
        return [*changes]

    def _shelve(self, command: Shelve, now: float) -> list[AlarmChanged | CommandRefused]:
        alarm = self._known(command.alarm)
        refusal = self._refusal(
            alarm, command.alarm, command.reason, say("refused.safety-shelved", alarm=command.alarm)
        )
        if alarm is not None and alarm.state is AlarmState.OUT_OF_SERVICE:
            refusal = say("refused.is-out", alarm=command.alarm)
        if not command.seconds > 0:
            refusal = say("refused.shelving-time")
        if alarm is None or refusal:
            return [CommandRefused(now, "shelve", refusal)]
        alarm.shelved_until = now + min(command.seconds, self._shelve_limit)
        alarm.reason = f"{command.by}: {command.reason}"
        changes = self._move(command.alarm, alarm, Trigger.SHELVE, now)
        self._plan(command.alarm, alarm, now)
        return [*changes]

    def _out_of_service(self, command: OutOfService, now: float) -> list[AlarmChanged | CommandRefused]:
        alarm = self._known(command.alarm)
        if not command.out:
            if alarm is None or alarm.state is not AlarmState.OUT_OF_SERVICE:
                return [CommandRefused(now, "out-of-service", say("refused.not-out", alarm=command.alarm))]
            return [*self._come_back(command.alarm, alarm, now)]
        refusal = self._refusal(alarm, command.alarm, command.reason, say("refused.safety-out", alarm=command.alarm))
        if alarm is None or refusal:
            return [CommandRefused(now, "out-of-service", refusal)]
        alarm.reason = f"{command.by}: {command.reason}"
        alarm.shelved_until = None
        changes = self._move(command.alarm, alarm, Trigger.TAKE_OUT, now)
        self._plan(command.alarm, alarm, now)
        return [*changes]

    def _known(self, key: str) -> Alarm | None:
        """The alarm of this key; made if its rule exists and it has not been seen yet."""
        rule, _, subject = key.partition("/")
        if key not in self._alarms and rule in self._rules:
            self._alarms[key] = Alarm(rule, subject)
        return self._alarms.get(key)

    def _refusal(self, alarm: Alarm | None, key: str, reason: str, guarded: Text) -> Text:
        if alarm is None:
            return say("refused.no-alarm", alarm=key)
        if self._rules[alarm.rule].safety:
            return guarded
        return "" if reason.strip() else say("refused.reason-needed")

    # --- views --------------------------------------------------------------------------------------

    def _rank(self, key: str, alarm: Alarm) -> tuple[int, int, int, float, str]:
        rule = self._rules[alarm.rule]
        return SHOWN_IN.index(alarm.state), not rule.safety, PRIORITY_ORDER[rule.priority], alarm.raised_at, key

    def _view(self, key: str, alarm: Alarm) -> AlarmView:
        rule = self._rules[alarm.rule]
        text, because = alarm.words
        return AlarmView(
            key=key,
            rule=rule.id,
            subject=alarm.subject,
            state=alarm.state,
            active=alarm.active_since is not None,
            occurrence=alarm.occurrence,
            raised_at=alarm.raised_at,
            changed_at=alarm.changed_at,
            priority=rule.priority,
            prompt=rule.prompt,
            text=text,
            because=because,
            value=alarm.value,
            consequence_in=alarm.consequence_in,
            shelved_until=alarm.shelved_until,
            shelved_reason=alarm.reason,
            suppressed_by=alarm.guards,
            improving=alarm.improving or alarm.is_between,
            recovered=alarm.within_since is not None,
            stands_as=stands_as(alarm.state, alarm.within_since is not None),
        )


def alarm_key(rule: str, subject: str) -> str:
    """ "rule" or "rule/subject"."""
    return f"{rule}/{subject}" if subject else rule
