"""The alarm table after ISA-18.2 / IEC 62682: states and transitions only. No rules are judged here, nobody is told.

Terms: on-delay, off-delay, deadband, latching, acknowledge, shelve, suppressed by design, out of service, re-alarm.
Every deadline is kept in engine time, which goes on from where it was after a restart, and a change that a deadline
makes is stamped with that deadline, so that a late timer and a replay give the same events.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any, cast

from daemon.core.alarm_rule import PRIORITY_ORDER, AlarmRule, Condition
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused
from daemon.core.inputs import Acknowledge, OutOfService, Shelve, Unshelve

CHATTER_WINDOW = 60.0
CHATTER_RAISES = 3
"""An alarm chatters when it occurs three or more times in a minute: a convention of the trade, read at
https://aliresources.hexagon.com/water-wastewater/shut-up-fixing-chattering-and-fleeting-alarms"""

CHATTER_HOLD = 600.0
"""s without the condition before a chattering alarm may return: common practice, no source."""


class Trigger(StrEnum):
    """What may move an alarm from one state to another."""

    OCCUR = "occur"
    RETURN = "return"
    RETURN_LATCHED = "return-latched"
    DONE = "done"
    """A prompt's condition went away: the deed is the answer, no acknowledgement is missing."""
    ACKNOWLEDGE = "acknowledge"
    RE_ALARM = "re-alarm"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    TAKE_OUT = "take-out"
    BACK = "back"
    """From the shelf, from suppression or from out of service, and now normal."""
    BACK_IN_ALARM = "back-in-alarm"
    """The same, with the condition standing for longer than its on-delay."""
    RETIRE = "retire"


_S, _T = AlarmState, Trigger
_RAISABLE = (_S.NORMAL, _S.RETURNED_UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED, _S.LATCHED_ACKNOWLEDGED)
_STANDING = (_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED)
_AWAY = (_S.SHELVED, _S.SUPPRESSED, _S.OUT_OF_SERVICE)
_WAITING = (_S.UNACKNOWLEDGED, _S.RETURNED_UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED)

TRANSITIONS: dict[tuple[AlarmState, Trigger], AlarmState] = {
    **{(state, _T.OCCUR): _S.UNACKNOWLEDGED for state in _RAISABLE},
    (_S.UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.ACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.RETURN): _S.RETURNED_UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.RETURN_LATCHED): _S.LATCHED_UNACKNOWLEDGED,
    (_S.UNACKNOWLEDGED, _T.DONE): _S.NORMAL,
    (_S.UNACKNOWLEDGED, _T.RE_ALARM): _S.UNACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _T.RETURN): _S.NORMAL,
    (_S.ACKNOWLEDGED, _T.RETURN_LATCHED): _S.LATCHED_ACKNOWLEDGED,
    (_S.ACKNOWLEDGED, _T.DONE): _S.NORMAL,
    (_S.ACKNOWLEDGED, _T.RE_ALARM): _S.UNACKNOWLEDGED,
    (_S.RETURNED_UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.NORMAL,
    (_S.LATCHED_UNACKNOWLEDGED, _T.ACKNOWLEDGE): _S.LATCHED_ACKNOWLEDGED,
    (_S.LATCHED_ACKNOWLEDGED, _T.ACKNOWLEDGE): _S.NORMAL,  # the second acknowledgement is the reset
    **{(state, _T.SHELVE): _S.SHELVED for state in _S if state is not _S.OUT_OF_SERVICE},
    **{(state, _T.TAKE_OUT): _S.OUT_OF_SERVICE for state in _S},
    **{(state, _T.SUPPRESS): _S.SUPPRESSED for state in (*_RAISABLE, *_STANDING)},
    **{(state, _T.BACK): _S.NORMAL for state in _AWAY},
    (_S.SHELVED, _T.BACK_IN_ALARM): _S.UNACKNOWLEDGED,
    (_S.OUT_OF_SERVICE, _T.BACK_IN_ALARM): _S.UNACKNOWLEDGED,
    **{(state, _T.RETIRE): _S.NORMAL for state in _S},
}
"""(state, trigger) -> state. A trigger that is not here for a state changes nothing. From suppression an alarm always
comes back to normal first: under a guard no delay ran, so its on-delay begins anew (none: it occurs at once)."""


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
    text: str
    because: str
    value: float | None = None
    consequence_in: float | None = None
    shelved_until: float | None = None
    shelved_reason: str = ""


@dataclass(slots=True)
class _Alarm:
    """What is remembered of one alarm. All times are engine times, s."""

    rule: str
    subject: str
    state: AlarmState = AlarmState.NORMAL
    occurrence: int = 0
    raised_at: float = 0.0
    changed_at: float = 0.0
    text: str = ""
    because: str = ""
    value: float | None = None
    consequence_in: float | None = None
    severity: int = 0
    improving: bool = False
    guarded: bool = False
    active_since: float | None = None
    within_since: float | None = None
    told_severity: int | None = None
    """The worst severity this alarm has been raised with; what is worse re-alarms."""
    acknowledged_at: float | None = None
    shelved_until: float | None = None
    reason: str = ""
    raises: list[float] = field(default_factory=list)
    held_until: float = 0.0
    """A chattering alarm does not return before."""


class AlarmTable:
    """Every alarm by its key. The engine judges the conditions at each beat and fires the deadlines in between."""

    def __init__(self, rules: tuple[AlarmRule, ...], shelve_limit: float) -> None:
        """shelve_limit: the longest shelving, s."""
        self._rules = {rule.id: rule for rule in rules}
        self._shelve_limit = shelve_limit
        self._alarms: dict[str, _Alarm] = {}
        self._deadlines: dict[str, float] = {}
        self._judged_at = 0.0

    def judge(self, condition: Condition, now: float) -> list[AlarmChanged]:
        """Take one condition and move its alarm. Raises KeyError for a rule the table does not have."""
        self._judged_at = now
        key = alarm_key(condition.rule, condition.subject)
        alarm = self._alarms.get(key)
        if alarm is None:
            if not condition.active:
                return []
            alarm = self._alarms[key] = _Alarm(self._rules[condition.rule].id, condition.subject)
        changes = self._run_out(key, alarm, now)
        self._take(alarm, condition, now)
        if alarm.guarded and (condition.active or alarm.state is not AlarmState.NORMAL):
            changes += self._move(key, alarm, Trigger.SUPPRESS, now)
        elif alarm.state is AlarmState.SUPPRESSED and not alarm.guarded:
            changes += self._move(key, alarm, Trigger.BACK, now)
        if self._is_worse(alarm):
            changes += self._move(key, alarm, Trigger.RE_ALARM, now)
        self._plan(key, alarm, now)
        return changes + self._run_out(key, alarm, now)

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
                    return [CommandRefused(now, "unshelve", f"{key} is not shelved")]
                return [*self._come_back(key, alarm, now)]
            case OutOfService():
                return self._out_of_service(command, now)

    def waiting(self) -> dict[str, int]:
        """Key -> occurrence of every alarm that nobody has acknowledged, standing or returned."""
        return {key: alarm.occurrence for key, alarm in self._alarms.items() if alarm.state in _WAITING}

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

    def retire(self, subject: str, now: float) -> list[AlarmChanged]:
        """The subject is gone (piece done, cook ended): its alarms end. Only the count of occurrences is kept,
        for a notification id made of it must never come twice."""
        changes: list[AlarmChanged] = []
        for key, alarm in self._alarms.items():
            if alarm.subject == subject:
                if alarm.state is not AlarmState.NORMAL:
                    changes += self._move(key, alarm, Trigger.RETIRE, now)
                self._alarms[key] = _Alarm(alarm.rule, subject, occurrence=alarm.occurrence, changed_at=now)
                self._deadlines.pop(key, None)
        return changes

    def resumed(self, now: float, since: float) -> None:
        """Nobody watched, and nobody will judge before `since`: on-delays and off-delays go on from there with what
        remained of them, and no alarm is raised, returned or raised again for what nobody saw. A shelving that ran out
        meanwhile ends now."""
        for key, alarm in self._alarms.items():
            unseen = since - self._judged_at
            alarm.active_since = None if alarm.active_since is None else alarm.active_since + unseen
            alarm.within_since = None if alarm.within_since is None else alarm.within_since + unseen
            self._plan(key, alarm, now if alarm.state is AlarmState.SHELVED else since)
        self._judged_at = since

    def dump(self) -> dict[str, object]:
        """For a checkpoint: plain values only."""
        return {"judged_at": self._judged_at, "alarms": {key: asdict(alarm) for key, alarm in self._alarms.items()}}

    def load(self, dumped: dict[str, object]) -> None:
        """The inverse of `dump`: delays go on with the time that remained, alarms of rules now gone are dropped."""
        self._alarms, self._deadlines = {}, {}
        self._judged_at = cast(float, dumped["judged_at"])
        for key, row in cast(dict[str, dict[str, Any]], dumped["alarms"]).items():
            alarm = _Alarm(**row)
            if alarm.rule in self._rules:
                alarm.state = AlarmState(alarm.state)
                alarm.raises = list(alarm.raises)
                self._alarms[key] = alarm
                self._plan(key, alarm, now=0.0)

    # --- conditions ---------------------------------------------------------------------------------

    def _take(self, alarm: _Alarm, condition: Condition, now: float) -> None:
        """Remember what was judged. Under a guard no delay runs: what is measured then means nothing."""
        alarm.guarded = bool(condition.suppressed_by)
        active = condition.active and not alarm.guarded
        within = condition.within and not condition.active and not alarm.guarded
        alarm.active_since = (now if alarm.active_since is None else alarm.active_since) if active else None
        alarm.within_since = (now if alarm.within_since is None else alarm.within_since) if within else None
        alarm.value = condition.value
        alarm.consequence_in = condition.consequence_in
        alarm.severity = condition.severity
        alarm.improving = condition.improving
        if condition.active:
            alarm.text, alarm.because = condition.text, condition.because

    def _is_worse(self, alarm: _Alarm) -> bool:
        return (
            alarm.state in _STANDING
            and alarm.active_since is not None
            and not alarm.improving
            and alarm.told_severity is not None
            and alarm.severity > alarm.told_severity
        )

    # --- deadlines ----------------------------------------------------------------------------------

    def _plan(self, key: str, alarm: _Alarm, now: float) -> None:
        """Write down the one deadline this alarm waits for, never one in the past: a re-alarm time that ran out
        while things improved is due when they stop improving."""
        deadline = self._deadline(alarm)
        if deadline is None:
            self._deadlines.pop(key, None)
        else:
            self._deadlines[key] = max(deadline, now)

    def _deadline(self, alarm: _Alarm) -> float | None:
        rule = self._rules[alarm.rule]
        if alarm.state in _RAISABLE:
            return self._due(alarm)
        if alarm.state is AlarmState.SHELVED:
            return alarm.shelved_until
        if alarm.state in _STANDING and alarm.within_since is not None:
            return max(alarm.within_since + rule.off_delay, alarm.held_until)
        if alarm.state is AlarmState.ACKNOWLEDGED and alarm.active_since is not None and not alarm.improving:
            return self._left_alone_until(alarm)
        return None

    def _due(self, alarm: _Alarm) -> float | None:
        """When a condition that stands becomes an alarm: after its on-delay, and not while a person who has
        just acknowledged it is at work. None: no condition, or a once-only alarm that has been told."""
        rule = self._rules[alarm.rule]
        if alarm.active_since is None:
            return None
        told = rule.once and alarm.told_severity is not None and alarm.severity <= alarm.told_severity
        if told:
            return None
        at = alarm.active_since + rule.on_delay
        worse = alarm.told_severity is not None and alarm.severity > alarm.told_severity
        return at if rule.safety or worse else max(at, self._left_alone_until(alarm) or at)

    def _left_alone_until(self, alarm: _Alarm) -> float | None:
        """Acknowledged is not solved: the end of the time a person is given to turn it."""
        rule = self._rules[alarm.rule]
        if rule.re_alarm is None or alarm.acknowledged_at is None:
            return None
        return alarm.acknowledged_at + rule.re_alarm

    def _run_out(self, key: str, alarm: _Alarm, now: float) -> list[AlarmChanged]:
        """Fire what is due of this one alarm."""
        changes: list[AlarmChanged] = []
        while (deadline := self._deadlines.get(key)) is not None and deadline <= now:
            changes += self._fire(key, alarm, deadline)
        return changes

    def _fire(self, key: str, alarm: _Alarm, deadline: float) -> list[AlarmChanged]:
        """Do what the alarm's one deadline stands for, at its own time."""
        if alarm.state is AlarmState.SHELVED:
            return self._come_back(key, alarm, deadline)
        if alarm.state in _RAISABLE:
            changes = self._move(key, alarm, Trigger.OCCUR, deadline)
        elif alarm.within_since is not None:
            rule = self._rules[alarm.rule]
            back = Trigger.DONE if rule.prompt else Trigger.RETURN_LATCHED if rule.latched else Trigger.RETURN
            changes = self._move(key, alarm, back, deadline)
        else:
            changes = self._move(key, alarm, Trigger.RE_ALARM, deadline)
        self._plan(key, alarm, deadline)
        return changes

    # --- transitions --------------------------------------------------------------------------------

    def _move(self, key: str, alarm: _Alarm, trigger: Trigger, now: float) -> list[AlarmChanged]:
        """One step through the table. Nothing happens where the table has no entry."""
        before = alarm.state
        after = TRANSITIONS.get((before, trigger))
        if after is None:
            return []
        alarm.state = after
        alarm.changed_at = now
        if trigger in (Trigger.OCCUR, Trigger.BACK_IN_ALARM):
            self._raise(alarm, before, now)
        elif trigger is Trigger.RE_ALARM:
            alarm.acknowledged_at = None
            alarm.told_severity = max(alarm.severity, alarm.told_severity or 0)
        elif trigger is Trigger.ACKNOWLEDGE:
            alarm.acknowledged_at = now
        rule = self._rules[alarm.rule]
        return [
            AlarmChanged(
                time=now,
                alarm=key,
                rule=rule.id,
                subject=alarm.subject,
                occurrence=alarm.occurrence,
                before=before,
                after=after,
                priority=rule.priority,
                prompt=rule.prompt,
                text=alarm.text,
                because=alarm.because,
                value=alarm.value,
            )
        ]

    def _raise(self, alarm: _Alarm, before: AlarmState, now: float) -> None:
        if before in (AlarmState.NORMAL, *_AWAY):
            alarm.occurrence += 1
        alarm.raised_at = now
        alarm.acknowledged_at = None
        alarm.told_severity = alarm.severity
        alarm.raises = [at for at in alarm.raises if at > now - CHATTER_WINDOW] + [now]
        if len(alarm.raises) >= CHATTER_RAISES:
            alarm.held_until = now + CHATTER_HOLD

    def _come_back(self, key: str, alarm: _Alarm, now: float) -> list[AlarmChanged]:
        """From the shelf or from out of service. Evaluation never stopped, so an on-delay that ran out counts."""
        alarm.shelved_until, alarm.reason = None, ""
        due = self._due(alarm)
        trigger = Trigger.BACK_IN_ALARM if due is not None and due <= now else Trigger.BACK
        changes = self._move(key, alarm, trigger, now)
        self._plan(key, alarm, now)
        return changes

    # --- commands -----------------------------------------------------------------------------------

    def _acknowledge(self, key: str, now: float) -> list[AlarmChanged | CommandRefused]:
        alarm = self._alarms.get(key)
        if alarm is None:
            return [CommandRefused(now, "acknowledge", f"there is no alarm {key}")]
        changes = self._move(key, alarm, Trigger.ACKNOWLEDGE, now)
        self._plan(key, alarm, now)
        return [*changes]

    def _shelve(self, command: Shelve, now: float) -> list[AlarmChanged | CommandRefused]:
        alarm = self._known(command.alarm)
        refusal = self._refusal(alarm, command.alarm, command.reason, "shelved; pause the sound instead")
        if alarm is not None and alarm.state is AlarmState.OUT_OF_SERVICE:
            refusal = f"{command.alarm} is out of service"
        if not command.seconds > 0:
            refusal = "a shelving needs a time"
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
                return [CommandRefused(now, "out-of-service", f"{command.alarm} is not out of service")]
            return [*self._come_back(command.alarm, alarm, now)]
        refusal = self._refusal(alarm, command.alarm, command.reason, "taken out of service")
        if alarm is None or refusal:
            return [CommandRefused(now, "out-of-service", refusal)]
        alarm.reason = f"{command.by}: {command.reason}"
        alarm.shelved_until = None
        changes = self._move(command.alarm, alarm, Trigger.TAKE_OUT, now)
        self._plan(command.alarm, alarm, now)
        return [*changes]

    def _known(self, key: str) -> _Alarm | None:
        """The alarm of this key; made if its rule exists and it has not been seen yet."""
        rule, _, subject = key.partition("/")
        if key not in self._alarms and rule in self._rules:
            self._alarms[key] = _Alarm(rule, subject)
        return self._alarms.get(key)

    def _refusal(self, alarm: _Alarm | None, key: str, reason: str, deed: str) -> str:
        if alarm is None:
            return f"there is no alarm {key}"
        if self._rules[alarm.rule].safety:
            return f"{key} guards safety and cannot be {deed}"
        return "" if reason.strip() else "a reason is needed"

    # --- views --------------------------------------------------------------------------------------

    def _rank(self, key: str, alarm: _Alarm) -> tuple[int, int, int, float, str]:
        order = (*_WAITING, _S.ACKNOWLEDGED, _S.LATCHED_ACKNOWLEDGED, _S.SHELVED, _S.OUT_OF_SERVICE, _S.SUPPRESSED)
        rule = self._rules[alarm.rule]
        return order.index(alarm.state), not rule.safety, PRIORITY_ORDER[rule.priority], alarm.raised_at, key

    def _view(self, key: str, alarm: _Alarm) -> AlarmView:
        rule = self._rules[alarm.rule]
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
            text=alarm.text,
            because=alarm.because,
            value=alarm.value,
            consequence_in=alarm.consequence_in,
            shelved_until=alarm.shelved_until,
            shelved_reason=alarm.reason,
        )


def alarm_key(rule: str, subject: str) -> str:
    """ "rule" or "rule/subject"."""
    return f"{rule}/{subject}" if subject else rule
