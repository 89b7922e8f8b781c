"""One alarm after ISA-18.2 / IEC 62682: its states, the table of transitions between them, and the times it waits for.

Terms: on-delay, off-delay, deadband, latching, acknowledge, shelve, suppressed by design, out of service, re-alarm.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from daemon.core.alarms.rule import AlarmRule, Condition
from daemon.core.events import AlarmChanged, AlarmState
from daemon.core.said import Said, Text, say

CHATTER_WINDOW = 60.0
CHATTER_RAISES = 3
"""An alarm chatters when it occurs three or more times in a minute: a convention of the trade, read at
https://aliresources.hexagon.com/water-wastewater/shut-up-fixing-chattering-and-fleeting-alarms"""

CHATTER_HOLD = 600.0
"""s without the condition before a chattering alarm may return: common practice, no source."""

NAMELESS = frozenset({"watch-disk", "watch-broker", "watch-clock", "record-lost"})
"""Rules of what there is only one of: their words need no name."""


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
RAISABLE = (_S.NORMAL, _S.RETURNED_UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED, _S.LATCHED_ACKNOWLEDGED)
STANDING = (_S.UNACKNOWLEDGED, _S.ACKNOWLEDGED)
AWAY = (_S.SHELVED, _S.SUPPRESSED, _S.OUT_OF_SERVICE)
WAITING = (_S.UNACKNOWLEDGED, _S.RETURNED_UNACKNOWLEDGED, _S.LATCHED_UNACKNOWLEDGED)

TRANSITIONS: dict[tuple[AlarmState, Trigger], AlarmState] = {
    **{(state, _T.OCCUR): _S.UNACKNOWLEDGED for state in RAISABLE},
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
    **{(state, _T.SUPPRESS): _S.SUPPRESSED for state in (*RAISABLE, *STANDING)},
    **{(state, _T.BACK): _S.NORMAL for state in AWAY},
    (_S.SHELVED, _T.BACK_IN_ALARM): _S.UNACKNOWLEDGED,
    (_S.OUT_OF_SERVICE, _T.BACK_IN_ALARM): _S.UNACKNOWLEDGED,
    **{(state, _T.RETIRE): _S.NORMAL for state in _S},
}
"""(state, trigger) -> state. A trigger that is not here for a state changes nothing. From suppression an alarm always
comes back to normal first: under a guard no delay ran, so its on-delay begins anew (none: it occurs at once)."""

STANDS_AS: dict[AlarmState, Said] = {
    _S.UNACKNOWLEDGED: say("alarm-state.new"),
    _S.ACKNOWLEDGED: say("alarm-state.seen"),
    _S.RETURNED_UNACKNOWLEDGED: say("alarm-state.over"),
    _S.LATCHED_UNACKNOWLEDGED: say("alarm-state.happened"),
    _S.LATCHED_ACKNOWLEDGED: say("alarm-state.happened-seen"),
}
"""How an alarm that is not put away stands, in the words of its card."""
RECOVERED_AS = STANDS_AS | {
    _S.UNACKNOWLEDGED: STANDS_AS[_S.RETURNED_UNACKNOWLEDGED],
    _S.ACKNOWLEDGED: say("alarm-state.seen-over"),
}
"""The same while its off-delay runs: its state says that it stands, and its words that it is over."""


def stands_as(state: AlarmState, recovered: bool) -> Text:
    """ "" of one that is put away. recovered: back by more than the deadband."""
    return (RECOVERED_AS if recovered else STANDS_AS).get(state, "")


@dataclass(slots=True)
class Alarm:
    """What is remembered of one alarm, and how it moves. All times are engine times, s; its rule comes as an argument,
    for a checkpoint holds none."""

    rule: str
    subject: str
    state: AlarmState = AlarmState.NORMAL
    occurrence: int = 0
    raised_at: float = 0.0
    changed_at: float = 0.0
    text: Text = ""
    because: Text = ""
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
    guards: tuple[str, ...] = ()
    """What suppresses it, while it is guarded."""
    unseen_since: float | None = None
    """When it was last judged before a time that nobody watched; None once it has been judged anew."""

    def seen_again(self, now: float) -> None:
        """Judged anew: its delays go on, less the time that nobody watched."""
        if self.unseen_since is None:
            return
        unseen, self.unseen_since = now - self.unseen_since, None
        self.active_since = None if self.active_since is None else self.active_since + unseen
        self.within_since = None if self.within_since is None else self.within_since + unseen

    def take(self, condition: Condition, now: float) -> None:
        """Remember what was judged. Under a guard no delay runs: what is measured then means nothing."""
        self.guarded, self.guards = bool(condition.suppressed_by), tuple(condition.suppressed_by)
        active = condition.active and not self.guarded
        within = condition.within and not condition.active and not self.guarded
        self.active_since = (
            (now - condition.held if self.active_since is None else self.active_since) if active else None
        )
        self.within_since = (now if self.within_since is None else self.within_since) if within else None
        self.value = condition.value
        self.consequence_in = condition.consequence_in
        self.severity = condition.severity
        self.improving = condition.improving
        if condition.text:
            self.text, self.because = condition.text, condition.because

    @property
    def words(self) -> tuple[Text, Text]:
        """(text, because). Of what is over, or about to be, they say what it was and since when: its last words spoke of what
        is no more."""
        if self.within_since is None:
            return self.text, self.because
        name = dict(self.text.values).get("name") if isinstance(self.text, Said) else None
        title = say(f"alarm.{self.rule}.title")
        if not name or self.rule in NAMELESS:
            return say("message.over", what=title, since=self.within_since), ""
        return say("message.over-of", what=title, name=name, since=self.within_since), ""

    @property
    def is_between(self) -> bool:
        """Seen to be back at the set point, not yet beyond the deadband."""
        return self.active_since is None and self.within_since is None and self.value is not None and not self.guarded

    @property
    def is_worse(self) -> bool:
        """A worse alarm than anybody was told of."""
        return (
            self.state in STANDING
            and self.active_since is not None
            and not self.improving
            and self.told_severity is not None
            and self.severity > self.told_severity
        )

    @property
    def outgrows_shelf(self) -> bool:
        """Worse than what was put away: who shelved a call for wood did not shelve a pit below its band."""
        return (
            self.state is AlarmState.SHELVED
            and self.active_since is not None
            and not self.improving
            and self.severity > (self.told_severity or 0)
        )

    def deadline(self, rule: AlarmRule) -> float | None:
        """The one time this alarm waits for, None if it waits for nothing, or for being judged anew."""
        if self.state is not AlarmState.SHELVED and self.unseen_since is not None:
            return None
        if self.state in RAISABLE:
            return self.due(rule)
        if self.state is AlarmState.SHELVED:
            return self.shelved_until
        if self.state in STANDING and self.within_since is not None:
            return max(self.within_since + rule.off_delay, self.held_until)
        if self.state is AlarmState.ACKNOWLEDGED and self.active_since is not None and not self.improving:
            return self.left_alone_until(rule)
        return None

    def due(self, rule: AlarmRule) -> float | None:
        """When a condition that stands becomes an alarm: after its on-delay, and not while a person who has
        just acknowledged it is at work. None: no condition, or a once-only alarm that has been told."""
        if self.active_since is None:
            return None
        told = rule.once and self.told_severity is not None and self.severity <= self.told_severity
        if told:
            return None
        at = self.active_since + rule.on_delay
        worse = self.told_severity is not None and self.severity > self.told_severity
        return at if rule.safety or worse else max(at, self.left_alone_until(rule) or at)

    def left_alone_until(self, rule: AlarmRule) -> float | None:
        """Acknowledged is not solved: the end of the time a person is given to turn it."""
        if rule.re_alarm is None or self.acknowledged_at is None:
            return None
        return self.acknowledged_at + rule.re_alarm

    def lies_down(self, rule: AlarmRule, now: float) -> None:
        """Who acknowledged it goes to sleep, and is at it no longer: what has not turned by the time in which his deed shows is
        told while he lies awake."""
        if self.acknowledged_at is not None and rule.re_alarm is not None and rule.shows_in is not None:
            self.acknowledged_at = min(self.acknowledged_at, now + rule.shows_in - rule.re_alarm)

    def move(self, key: str, rule: AlarmRule, trigger: Trigger, now: float) -> list[AlarmChanged]:
        """One step through the table. Nothing happens where the table has no entry."""
        before = self.state
        after = TRANSITIONS.get((before, trigger))
        if after is None:
            return []
        self.state = after
        self.changed_at = now
        if trigger in (Trigger.OCCUR, Trigger.BACK_IN_ALARM):
            self._raise(before, now)
        elif trigger is Trigger.RE_ALARM:
            self.acknowledged_at = None
            self.told_severity = max(self.severity, self.told_severity or 0)
        elif trigger is Trigger.ACKNOWLEDGE:
            self.acknowledged_at = now
        text, because = self.words
        return [
            AlarmChanged(
                time=now,
                alarm=key,
                rule=rule.id,
                subject=self.subject,
                occurrence=self.occurrence,
                before=before,
                after=after,
                priority=rule.priority,
                prompt=rule.prompt,
                text=text,
                because=because,
                value=self.value,
            )
        ]

    def _raise(self, before: AlarmState, now: float) -> None:
        if before in (AlarmState.NORMAL, *AWAY):
            self.occurrence += 1
        self.raised_at = now
        self.acknowledged_at = None
        self.told_severity = self.severity
        self.raises = [at for at in self.raises if at > now - CHATTER_WINDOW] + [now]
        if len(self.raises) >= CHATTER_RAISES:
            self.held_until = now + CHATTER_HOLD
