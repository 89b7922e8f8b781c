"""Who is told, how loud, when, and when again. Reads alarm changes; never evaluates a condition.

A *wake call* starts with one message to the phone and grows louder until every alarm in it is acknowledged or gone.
A second alarm joins an open call; none opens a second call within ten minutes of the last one's start, save a
runaway pit. Recovery wakes nobody. A pause mutes repeats of what was told, never what is new or worse.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from daemon.core.alarm import AlarmView
from daemon.core.alarm_rule import PRIORITY_ORDER, AlarmRule, WakePolicy, wake_within
from daemon.core.alarm_words import TEXT_LIMIT, shorten
from daemon.core.escalation import FALL_OVER, LOUDER, NOTICE, PHONE, SECOND, SOUNDER, WakeCall, rung
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Level, MorningTold, Notification, Priority
from daemon.core.inputs import Acknowledge, Delivered, GoodMorning, PauseSound, TestWake
from daemon.core.settings import AnnouncingSettings, QuietHours
from daemon.core.telling import Memory, Sent, Telling

SPACING = 600.0
NOTICES_IN_SPACING = 2
"""s, and how many: at most one wake call is opened and two notices are sent in any 10 min, after the 1 (at most 2)
alarms per 10 min and operator of ANSI/ISA-18.2 (read in tables that cite it, not in the standard)."""

JOIN_GAP = 30.0
"""s between two messages of one call when alarms join it: our choice, no source."""

RECHECK = 30.0
"""s between looks at what is told but unacknowledged: its consequence draws nearer, a night begins or ends."""

NOTICE_WORTH = 3600.0
"""s after which a notice is not worth sending: our choice, no source."""

TEST_COUNTS_FOR = 12 * 3600.0
"""s an acknowledged test wake counts for the green list: this evening's, not yesterday's."""

CLOCK_SET_AFTER = 1_577_836_800.0
"""UTC s, 2020-01-01: a clock before this was never set, and then every hour counts as night."""

TEST_WAKE = "test-wake"


@dataclass(frozen=True, slots=True)
class SleepView:
    """For the page: is it night, does somebody nap, does a pause run, was the test wake delivered and acknowledged."""

    night: bool
    asleep: bool
    paused_until: float | None
    test_wake: str
    """"never", "sent", "delivered", "acknowledged" """
    calling: bool = False
    """Somebody is being woken and has not answered."""


class Annunciator:
    """One per watch. `changed` is told every alarm change; deadlines are fired at their own time."""

    def __init__(self, rules: tuple[AlarmRule, ...], settings: AnnouncingSettings) -> None:
        self._rules = {rule.id: rule for rule in rules}
        self._settings = settings
        self._channels = dict(settings.audiences)
        self._memory = Memory()

    def changed(self, change: AlarmChanged, view: AlarmView | None, now: float, wall: float) -> list[Notification]:
        """An alarm changed state. wall: UTC seconds, for quiet hours only."""
        memory = self._memory
        key = change.alarm
        if change.after is not AlarmState.UNACKNOWLEDGED:
            self._forget(key)
            return []
        consequence_in = view.consequence_in if view is not None else None
        telling = Telling(
            key,
            change.rule,
            change.occurrence,
            change.text,
            now,
            None if consequence_in is None else now + consequence_in,
        )
        called = memory.call is not None and key in memory.call.members
        if memory.call is None or not called:
            self._forget(key)
            memory.standing[key] = telling
            return self._tell(telling, now, self.is_night(wall))
        telling.level, telling.woken = Level.WAKE, True
        memory.standing[key] = telling
        memory.call.join(self._settings, now)
        return self._call_on(now)

    def command(
        self, command: PauseSound | TestWake | GoodMorning | Acknowledge, now: float, wall: float
    ) -> list[Notification | MorningTold | CommandRefused]:
        """What a person asks. Of acknowledgements only that of the test wake ("test-wake" or "*") is answered here."""
        memory = self._memory
        match command:
            case PauseSound(seconds=seconds):
                if not seconds > 0:
                    return [CommandRefused(now, "pause-sound", "a pause needs a time")]
                running = memory.paused_until is not None and now < memory.paused_until
                memory.paused_from = memory.paused_from if running else now
                memory.paused_until = min(now + seconds, memory.paused_from + self._settings.pause_limit)
                return []
            case TestWake():
                return [self._test_wake(now)]
            case Acknowledge(alarm=alarm):
                if alarm in (TEST_WAKE, "*") and memory.test_state in ("sent", "delivered"):
                    memory.test_state = "acknowledged"
                return []
            case GoodMorning():
                told = MorningTold(now, tuple(memory.woke), tuple(memory.held.values()))
                memory.woke, memory.held = [], {}
                self.sleep(False, now)
                return [told]

    def delivered(self, report: Delivered, now: float) -> list[Notification]:
        """A delivery channel succeeded or gave up: fall over to the next audience where that leaves nobody told."""
        memory = self._memory
        if report.outcome == "sent":
            memory.down = [name for name in memory.down if name != report.channel]
            if report.notification == f"{TEST_WAKE}#{memory.tests}.0" and memory.test_state == "sent":
                memory.test_state = "delivered"
        elif report.outcome == "failed" and report.channel not in memory.down:
            memory.down.append(report.channel)
        sent = memory.sent.get(report.notification)
        if sent is None:
            return []
        reached = [a for a in sent.audiences if report.channel in self._channels_of(a)]
        if report.outcome == "sent":
            sent.told += reached
            return []
        sent.failed.append(report.channel)
        lost = [a for a in reached if a not in sent.told and set(self._channels_of(a)) <= set(sent.failed)]
        call = memory.call
        if call is None or not lost:
            return []
        instead = self._next_audience(call)
        if instead is None:
            return []
        call.fallen.append(instead)
        return [self._message(call, (instead,), now)]

    def next_deadline(self) -> float | None:
        """Engine time of the next escalation, folded wake, folded notice or re-check."""
        memory = self._memory
        deadlines = [memory.recheck_at]
        if memory.call is not None:
            deadlines.append(self._call_due(memory.call))
        if memory.waiting:
            deadlines.append((memory.last_wake or 0.0) + SPACING)
        if memory.queue:
            deadlines.append(memory.notices[-NOTICES_IN_SPACING] + SPACING)
        return min((at for at in deadlines if at is not None), default=None)

    def handle_timer(self, views: tuple[AlarmView, ...], now: float, wall: float) -> list[Notification]:
        """Escalation, re-announcement, the end of quiet hours, the end of a merge window."""
        memory = self._memory
        night = self.is_night(wall)
        self._refresh(views, now)
        told: list[Notification] = []
        if memory.waiting and memory.last_wake is not None and now >= memory.last_wake + SPACING:
            told += self._open([], now)
        if memory.recheck_at is not None and now >= memory.recheck_at:
            told += self._recheck(now, night)
        if memory.call is not None and now >= self._call_due(memory.call):
            told += self._call_on(now)
        return told + self._send_notice(now, night)

    def sleep(self, asleep: bool, now: float) -> None:
        """A nap begins or ends: what is told but unacknowledged is looked at again at once."""
        self._memory.asleep = asleep
        if self._memory.standing:
            self._memory.recheck_at = now

    def view(self, now: float, wall: float) -> SleepView:
        memory = self._memory
        paused = memory.paused_until is not None and now < memory.paused_until
        fresh = now - memory.test_at <= TEST_COUNTS_FOR
        return SleepView(
            night=is_quiet(self._settings.quiet, wall),
            asleep=memory.asleep,
            paused_until=memory.paused_until if paused else None,
            test_wake=memory.test_state if fresh else "never",
            calling=memory.call is not None,
        )

    def is_night(self, wall: float) -> bool:
        """Somebody may be asleep: quiet hours, a nap, or a clock that was never set."""
        return self._memory.asleep or wall < CLOCK_SET_AFTER or is_quiet(self._settings.quiet, wall)

    def dump(self) -> dict[str, object]:
        """For a checkpoint: plain values only."""
        return self._memory.dump()

    def load(self, dumped: dict[str, object]) -> None:
        """The inverse of `dump`: nothing is told twice, nothing is lost, delays go on with what remained."""
        self._memory = Memory.load(dumped)

    # --- how loud -----------------------------------------------------------------------------------

    def _level(self, telling: Telling, now: float, night: bool) -> tuple[Level, str]:
        """How loud an alarm is told now, and why it does not wake where a sleeper is spared."""
        rule = self._rules[telling.rule]
        if rule.log_only:
            return Level.LOG, ""
        quiet = Level.LOG if rule.priority is Priority.LOW else Level.NOTICE
        if rule.wake is WakePolicy.NEVER:
            return (quiet, "never wakes") if night else (Level.NOTICE, "")
        if rule.wake is WakePolicy.OPT_IN and not self._settings.wake_for_wrap:
            return (quiet, "not asked to be woken for it") if night else (Level.NOTICE, "")
        left = None if telling.consequence_at is None else telling.consequence_at - now
        if rule.wake is WakePolicy.LEAD and left is not None and left > wake_within(rule, self._settings.sleeper.lead):
            return (quiet, "time enough left") if night else (Level.NOTICE, "")
        return (Level.WAKE if night or rule.priority is Priority.HIGH else Level.NOTICE), ""

    def _tell(self, telling: Telling, now: float, night: bool) -> list[Notification]:
        memory = self._memory
        level, held = self._level(telling, now, night)
        telling.level = level
        if not telling.woken and memory.recheck_at is None:
            memory.recheck_at = now + RECHECK
        self._hold_back(telling, held)
        if level is Level.WAKE:
            return self._wake(telling, now)
        if level is Level.LOG:
            return [self._notification(Level.LOG, [telling], (), now + NOTICE_WORTH, now)]
        memory.queue.append(telling.key)
        return self._send_notice(now, night)

    def _recheck(self, now: float, night: bool) -> list[Notification]:
        """Tell louder what has become louder: the consequence drew near, the night began, or it ended."""
        memory = self._memory
        told: list[Notification] = []
        for telling in memory.standing.values():
            level, _ = self._level(telling, now, night)
            louder = level is Level.WAKE or (level is Level.NOTICE and telling.level == Level.LOG)
            if louder and not telling.woken:  # a call just opened may have taken it along
                self._unqueue(telling.key)
                told += self._tell(telling, now, night)
        restless = any(not t.woken and not self._rules[t.rule].log_only for t in memory.standing.values())
        memory.recheck_at = now + RECHECK if restless else None
        return told

    # --- waking -------------------------------------------------------------------------------------

    def _wake(self, telling: Telling, now: float) -> list[Notification]:
        memory = self._memory
        telling.woken = True
        if memory.call is not None:
            memory.call.members.append(telling.key)
            memory.call.join(self._settings, now)
            return self._call_on(now)
        rule = self._rules[telling.rule]
        urgent = rule.safety and rule.wake is WakePolicy.NOW
        last = memory.last_urgent if urgent else memory.last_wake
        if last is None or now >= last + SPACING:
            memory.last_urgent = now if urgent else memory.last_urgent
            return self._open([telling.key], now)
        memory.waiting.append(telling.key)
        return []

    def _open(self, keys: list[str], now: float) -> list[Notification]:
        """Open a call for these alarms, for those that waited, and for what would wake within the merge time anyway."""
        memory = self._memory
        members = [*keys, *memory.waiting]
        memory.waiting = []
        for telling in memory.standing.values():
            if not telling.woken and self._wakes_soon(telling, now):
                telling.woken = True
                self._hold_back(telling, "")
                self._unqueue(telling.key)
                members.append(telling.key)
        memory.last_wake = now
        memory.call = call = WakeCall(now, now, members)
        message = self._message(call, self._audiences(call, 0), now)
        memory.woke.append(message.id)
        return [message]

    def _wakes_soon(self, telling: Telling, now: float) -> bool:
        return self._level(telling, now + self._settings.merge_within, night=True)[0] is Level.WAKE

    def _call_due(self, call: WakeCall) -> float:
        if call.untold:
            return call.told_at + JOIN_GAP
        return max(call.next_rung_at(self._settings), call.told_at + JOIN_GAP, self._memory.paused_until or 0.0)

    def _call_on(self, now: float) -> list[Notification]:
        """Say it again: louder when the time has come, at once when something joined or grew worse."""
        call = self._memory.call
        if call is None or now < self._call_due(call):
            return []
        if not call.climb(self._settings, now) and not call.untold:
            for telling in (self._memory.standing[key] for key in call.members):
                self._hold_back(telling, "nobody answered")
            self._memory.call = None
            return []
        call.untold = False
        call.told_at = now
        return [self._message(call, self._audiences(call, max(1, call.rung)), now)]

    def _audiences(self, call: WakeCall, number: int) -> tuple[str, ...]:
        """The rung's audiences, those of earlier fall-overs, and one more where all these are known to be down."""
        step = rung(self._settings, number)
        named = (step.audiences if step is not None else (LOUDER, SOUNDER, SECOND)) + tuple(call.fallen)
        while all(self._is_down(a) for a in named) and (instead := self._next_audience(call)) is not None:
            call.fallen.append(instead)
            named += (instead,)
        return tuple(dict.fromkeys(named))

    def _message(self, call: WakeCall, audiences: tuple[str, ...], now: float) -> Notification:
        memory = self._memory
        members = [memory.standing[key] for key in call.members]
        not_after = max(call.next_rung_at(self._settings), now + self._settings.repeat_after)
        message = self._notification(Level.WAKE, members, audiences, not_after, now)
        oldest = now - self._settings.give_up_after
        memory.sent = {k: s for k, s in memory.sent.items() if s.at >= oldest}
        memory.sent[message.id] = Sent(now, list(audiences))
        return message

    def _channels_of(self, audience: str) -> tuple[str, ...]:
        return self._channels.get(audience) or (self._channels.get(PHONE, ()) if audience == LOUDER else ())

    def _is_down(self, audience: str) -> bool:
        channels = self._channels_of(audience)
        return bool(channels) and set(channels) <= set(self._memory.down)

    def _next_audience(self, call: WakeCall) -> str | None:
        step = rung(self._settings, call.rung)
        tried = (*call.fallen, *(step.audiences if step is not None else ()))
        return next((a for a in FALL_OVER if a not in tried and self._channels_of(a)), None)

    def _test_wake(self, now: float) -> Notification:
        memory = self._memory
        memory.tests += 1
        memory.test_state, memory.test_at = "sent", now
        wake_audiences = (PHONE, *(a for a in FALL_OVER if self._channels_of(a)))
        return Notification(
            time=now,
            id=f"{TEST_WAKE}#{memory.tests}.0",
            level=Level.WAKE,
            alarm=TEST_WAKE,
            occurrence=memory.tests,
            step=0,
            text="Acknowledge this test wake",
            audiences=wake_audiences,
            not_after=now + self._settings.repeat_after,
        )

    # --- notices ------------------------------------------------------------------------------------

    def _send_notice(self, now: float, night: bool) -> list[Notification]:
        """One message for all that is queued, as soon as fewer than two were sent in the last 10 min."""
        memory = self._memory
        memory.notices = [at for at in memory.notices if now < at + SPACING]
        if not memory.queue or len(memory.notices) >= NOTICES_IN_SPACING:
            return []
        tellings = [memory.standing[key] for key in memory.queue]
        memory.queue = []
        memory.notices.append(now)
        heard = not night and any(self._rules[t.rule].wake is not WakePolicy.NEVER for t in tellings)
        return [self._notification(Level.NOTICE, tellings, (PHONE,) if heard else (NOTICE,), now + NOTICE_WORTH, now)]

    # --- bookkeeping --------------------------------------------------------------------------------

    def _notification(
        self,
        level: Level,
        tellings: list[Telling],
        audiences: tuple[str, ...],
        not_after: float,
        now: float,
    ) -> Notification:
        """One message: the most urgent alarm gives its id and its words, the others are named."""
        lead, *others = sorted(tellings, key=self._urgency)
        steps = self._memory.steps.get(lead.key)
        step = steps[1] if steps is not None and steps[0] == lead.occurrence else 0
        self._memory.steps[lead.key] = [lead.occurrence, step + 1]
        return Notification(
            time=now,
            id=f"{lead.key}#{lead.occurrence}.{step}",
            level=level,
            alarm=lead.key,
            occurrence=lead.occurrence,
            step=step,
            text=merged_text(lead.text, len(others)),
            audiences=audiences,
            not_after=not_after,
            merged=tuple(t.key for t in others),
            held_back=lead.held,
        )

    def _urgency(self, telling: Telling) -> tuple[bool, int, bool, float, str]:
        rule = self._rules[telling.rule]
        return not rule.safety, PRIORITY_ORDER[rule.priority], rule.prompt, telling.since, telling.key

    def _refresh(self, views: tuple[AlarmView, ...], now: float) -> None:
        """Take the newest words and times of what still stands."""
        for view in views:
            telling = self._memory.standing.get(view.key)
            if telling is not None and view.state is AlarmState.UNACKNOWLEDGED:
                telling.text = view.text
                telling.consequence_at = None if view.consequence_in is None else now + view.consequence_in

    def _hold_back(self, telling: Telling, why: str) -> None:
        """For the morning's account: what was not told, or told in vain."""
        telling.held = why
        name = f"{telling.key}#{telling.occurrence}"
        if why:
            self._memory.held[name] = f"{telling.text} ({why})"
        else:
            self._memory.held.pop(name, None)

    def _unqueue(self, key: str) -> None:
        self._memory.queue = [k for k in self._memory.queue if k != key]

    def _forget(self, key: str) -> None:
        """Acknowledged, gone, shelved or suppressed: it is told no more."""
        memory = self._memory
        memory.standing.pop(key, None)
        self._unqueue(key)
        memory.waiting = [k for k in memory.waiting if k != key]
        if memory.call is not None and key in memory.call.members:
            memory.call.members.remove(key)
            if not memory.call.members:
                memory.call = None
        if not memory.standing:
            memory.recheck_at = None


def is_quiet(quiet: QuietHours, wall: float) -> bool:
    """Is it night by the local wall clock? Daylight saving comes from the zone, so a night is as long as it is."""
    local = datetime.fromtimestamp(wall, quiet.zone)
    minute = local.hour * 60 + local.minute
    if quiet.start <= quiet.end:
        return quiet.start <= minute < quiet.end
    return minute >= quiet.start or minute < quiet.end


def merged_text(first: str, others: int) -> str:
    """The most urgent words, and how many more wait on the page."""
    tail = f" +{others} more" if others else ""
    return shorten(first, TEXT_LIMIT - len(tail)) + tail
