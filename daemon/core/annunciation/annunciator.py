"""Who is told, how loud, when, and when again. Reads alarm changes; never evaluates a condition.

A *wake call* starts with one message to the phone and grows louder until every alarm in it is acknowledged or gone.
A second alarm joins an open call: one as urgent takes over its words, nobody is woken twice. Within ten minutes of the
last call's start none opens another, save a runaway pit, which waits for nothing, and an alarm whose time to act would
run out meanwhile. Recovery wakes nobody, and what is on its way back opens no call. A pause mutes repeats of what was told,
never what is new or worse.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any, cast

from daemon.core.alarms.rule import AlarmRule, WakePolicy, wake_within
from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.escalation import FALL_OVER, LOUDER, NOTICE, PHONE, SECOND, SOUNDER, WakeCall, rung
from daemon.core.annunciation.messages import Messages
from daemon.core.annunciation.quiet_hours import is_night, is_quiet
from daemon.core.annunciation.reach import Reach
from daemon.core.annunciation.spacing import Spacing
from daemon.core.annunciation.state import Annunciation, Memory
from daemon.core.annunciation.test_call import TEST_WAKE, TestCall, TestCallState
from daemon.core.events import AlarmChanged, AlarmState, CommandRefused, Level, MorningTold, Notification, Priority
from daemon.core.inputs import Delivered
from daemon.core.orders import Acknowledge, GoodMorning, PauseSound, TestWake
from daemon.core.said import Text, say
from daemon.core.settings import AnnouncingSettings

__all__ = ["TEST_WAKE", "Annunciator", "SleepView"]

JOIN_GAP = 30.0
"""s between two messages of one call when alarms join it: our choice, no source."""

RECHECK = 30.0
"""s between looks at what is told but unacknowledged: its consequence draws nearer, a night begins or ends."""

NOTICE_WORTH = 3600.0
"""s after which a notice is not worth sending: our choice, no source."""

NOTICE_SINKS_IN = 60.0
"""s after a notice of a prompt before the same prompt may wake: one decision, one message. It fits into the margin of
the lead. Ours, no source."""


@dataclass(frozen=True, slots=True)
class SleepView:
    """For the page: is it night, does somebody nap, does a pause run, was the test wake delivered and acknowledged."""

    night: bool
    asleep: bool
    paused_until: float | None
    test_wake: TestCallState
    calling: bool = False
    """Somebody is being woken and has not answered."""
    unserved: tuple[str, ...] = ()
    """Audiences that no delivery serves: "phone", "sounder", "second", "notice"."""


def _annunciation(change: AlarmChanged, view: AlarmView | None, now: float) -> Annunciation:
    consequence_in = view.consequence_in if view is not None else None
    return Annunciation(
        change.alarm,
        change.rule,
        change.occurrence,
        change.text,
        now,
        None if consequence_in is None else now + consequence_in,
        improving=view is not None and view.improving,
        recovered=view is not None and view.recovered,
        value=change.value,
    )


class Annunciator:
    """One per watch. `changed` is told every alarm change; deadlines are fired at their own time."""

    def __init__(self, rules: tuple[AlarmRule, ...], settings: AnnouncingSettings) -> None:
        self._rules = {rule.id: rule for rule in rules}
        self._settings = settings
        self._messages = Messages(self._rules)
        self._reach = Reach(settings.audiences)
        self._test_call = TestCall()
        self._spacing = Spacing()
        self._memory = Memory()
        self._expected: dict[str, int] = {}
        """alarm key -> occurrence of what is raised at this instant and not yet told of."""

    def tell_apart(self, pits: Mapping[str, str]) -> None:
        """What tells its pit from the others, by subject, in a rig with several: a message that speaks of several names two."""
        self._messages.pits = pits

    def expect(self, raised: Iterable[tuple[AlarmChanged, AlarmView | None]], now: float) -> None:
        """`changed` is about to be told these, all of one instant: whichever is told first takes the others along."""
        for change, view in raised:
            new = change.after is AlarmState.UNACKNOWLEDGED and change.alarm not in self._memory.standing
            if new:
                self._memory.standing[change.alarm] = _annunciation(change, view, now)
                self._expected[change.alarm] = change.occurrence

    def changed(self, change: AlarmChanged, view: AlarmView | None, now: float, wall: float) -> list[Notification]:
        """An alarm changed state. wall: UTC seconds, for quiet hours only."""
        memory = self._memory
        key = change.alarm
        if change.after is not AlarmState.UNACKNOWLEDGED:
            self._forget(key)
            return []
        if self._expected.pop(key, None) == change.occurrence:
            known = memory.standing.get(key)
            if known is not None and (known.woken or known.noticed_at is not None):
                return []  # it was taken along
        annunciation = _annunciation(change, view, now)
        called = memory.call is not None and key in memory.call.members
        if memory.call is None or not called:
            self._forget(key)
            memory.standing[key] = annunciation
            return self._annunciate(annunciation, now, self.is_night(wall))
        annunciation.level, annunciation.woken = Level.WAKE, True
        memory.standing[key] = annunciation
        memory.call.join(key, self._settings, now)
        return self._call_on(now)

    def answers(self, word: str, waiting: Mapping[str, int], now: float) -> tuple[str, ...]:
        """A person is up: the alarms he means who acknowledges `word`: a message by its id, an alarm (and with it the newest
        message that named it), or "*". What has yet to be told is not among them: nobody can have seen it.

        waiting: alarm key -> occurrence of every alarm that nobody has acknowledged."""
        self._spacing.answered_at = now
        unannunciated = {
            *self._memory.waiting,
            *(self._memory.call.unannunciated if self._memory.call is not None else ()),
        }
        meant = tuple(waiting) if word == "*" else self._messages.answered_by(word, waiting)
        return tuple(key for key in meant if key not in unannunciated or key == word)

    def command(
        self, command: PauseSound | TestWake | GoodMorning | Acknowledge, now: float, wall: float
    ) -> list[Notification | MorningTold | CommandRefused]:
        """What a person asks. Of acknowledgements only that of the test wake ("test-wake" or "*") is answered here."""
        memory = self._memory
        match command:
            case PauseSound(seconds=seconds):
                if not seconds > 0:
                    return [CommandRefused(now, "pause-sound", say("refused.pause-time"))]
                running = memory.paused_until is not None and now < memory.paused_until
                memory.paused_from = memory.paused_from if running else now
                memory.paused_until = min(now + seconds, memory.paused_from + self._settings.pause_limit)
                return []
            case TestWake():
                others = tuple(a for a in FALL_OVER if self._reach.channels_of(a))
                if not others and not self._reach.channels_of(PHONE):
                    return [CommandRefused(now, "test-wake", say("refused.nobody-to-wake"))]
                return [self._test_call.send(others, self._settings.repeat_after, now, self._messages.life)]
            case Acknowledge(alarm=alarm):
                if alarm in (TEST_WAKE, "*"):
                    self._test_call.acknowledged()
                return []
            case GoodMorning():
                told = MorningTold(now, tuple(memory.woke), tuple(memory.held.values()))
                memory.woke, memory.held = [], {}
                self.sleep(False, now)
                return [told]

    def delivered(self, report: Delivered, now: float) -> list[Notification]:
        """A delivery channel succeeded or gave up: fall over to the next audience where that leaves nobody told."""
        self._test_call.delivered(report)
        unannunciated = self._reach.delivered(report)
        call = self._memory.call
        if call is None or not unannunciated:
            return []
        instead = self._next_audience(call)
        if instead is None:
            return []
        call.fallen.append(instead)
        return [self._message(call, (instead,), now)]

    def channel(self, name: str, works: bool) -> None:
        """A delivery channel stopped or began to work: the next message goes by that, and waits for no failure of its own."""
        self._reach.channel(name, works)

    def next_deadline(self) -> float | None:
        """Engine time of the next escalation, folded wake, folded notice or re-check."""
        memory = self._memory
        deadlines = [memory.recheck_at]
        if memory.call is not None:
            deadlines.append(self._call_due(memory.call))
        if memory.waiting:
            deadlines.append(self._waiting_ends())
        if memory.queue:
            deadlines.append(self._spacing.next_notice())
        return min((at for at in deadlines if at is not None), default=None)

    def handle_timer(self, views: tuple[AlarmView, ...], now: float, wall: float) -> list[Notification]:
        """Escalation, re-announcement, the end of quiet hours, the end of a merge window."""
        memory = self._memory
        night = self.is_night(wall)
        self.refresh(views, now)
        self._spare_mending(now)
        told: list[Notification] = []
        if memory.waiting and now >= self._waiting_ends():
            told += self._open([], now)
        if memory.recheck_at is not None and now >= memory.recheck_at:
            told += self._recheck(now, night)
        if memory.call is not None and now >= self._call_due(memory.call):
            told += self._call_on(now)
        return told + self._send_notice(now, night)

    def refresh(self, views: tuple[AlarmView, ...], now: float) -> None:
        """Take the newest words and times of what still stands: a message says what is known when it is sent."""
        for view in views:
            annunciation = self._memory.standing.get(view.key)
            if annunciation is not None and view.state is AlarmState.UNACKNOWLEDGED:
                annunciation.text = view.text
                annunciation.consequence_at = None if view.consequence_in is None else now + view.consequence_in
                annunciation.improving, annunciation.recovered = view.improving, view.recovered
                annunciation.value = view.value

    def words_now(self, message: str, views: tuple[AlarmView, ...]) -> Text | None:
        """What this message says if it is sent now: of the alarms it named those that still wait for an answer, in their
        newest words. Empty when none does; None for a message that named none. Changes nothing."""
        named, newest = self._messages.named(message), {view.key: view for view in views}
        standing = [t for key, n in named.items() if (t := self._memory.standing.get(key)) and t.occurrence == n]
        told = [replace(t, text=newest[t.key].text) if t.key in newest else t for t in standing]
        told = [t for t in told if not t.recovered] or told
        return None if not named else self._messages.words(message, told) if told else ""

    def sleep(self, asleep: bool, now: float) -> None:
        """A nap begins or ends: what is told but unacknowledged is looked at again at once."""
        self._memory.asleep = asleep
        if self._memory.standing:
            self._memory.recheck_at = now

    def view(self, now: float, wall: float) -> SleepView:
        memory = self._memory
        paused = memory.paused_until is not None and now < memory.paused_until
        return SleepView(
            night=is_quiet(self._settings.quiet, wall),
            asleep=memory.asleep,
            paused_until=memory.paused_until if paused else None,
            test_wake=self._test_call.counts(now),
            calling=memory.call is not None,
            unserved=self._reach.unserved(),
        )

    def passed(self, seconds: float, now: float) -> None:
        """So much more time has passed than engine time has counted: a pause ends so much sooner."""
        if self._memory.paused_until is not None:
            self._memory.paused_until = max(now, self._memory.paused_until - seconds)

    def is_night(self, wall: float) -> bool:
        """Somebody may be asleep."""
        return is_night(self._settings.quiet, self._memory.asleep, wall)

    def dump(self) -> dict[str, object]:
        """For a checkpoint: plain values only."""
        return {
            "memory": self._memory.dump(),
            "messages": self._messages.dump(),
            "reach": self._reach.dump(),
            "test_call": asdict(self._test_call),
            "spacing": asdict(self._spacing),
        }

    def begin_life(self, life: str) -> None:
        """From now on ids carry this word; empty: the old one."""
        self._messages.life = life or self._messages.life

    def load(self, dumped: dict[str, object]) -> None:
        """The inverse of `dump`: nothing is told twice, nothing is lost, delays go on with what remained."""
        parts = cast(dict[str, dict[str, Any]], dumped)
        self._memory = Memory.load(parts["memory"])
        self._messages.load(parts["messages"])
        self._reach.load(parts["reach"])
        call = parts["test_call"]
        self._test_call = TestCall(**{**call, "state": TestCallState(call["state"])})
        self._spacing = Spacing(**parts["spacing"])

    # --- how loud -----------------------------------------------------------------------------------

    def _level(self, annunciation: Annunciation, now: float, night: bool) -> tuple[Level, Text]:
        """How loud an alarm is told now, and why it does not wake where a sleeper is spared."""
        rule = self._rules[annunciation.rule]
        if rule.log_only:
            return Level.LOG, ""
        quiet = Level.LOG if rule.priority is Priority.LOW else Level.NOTICE
        if rule.wake is WakePolicy.NEVER:
            return (quiet, say("held-back.never-wakes")) if night else (Level.NOTICE, "")
        if rule.wake is WakePolicy.OPT_IN and not self._settings.wake_for_wrap:
            return (quiet, say("held-back.not-asked")) if night else (Level.NOTICE, "")
        if night and annunciation.mends and not rule.safety:
            return Level.LOG, say("held-back.comes-back")
        left = None if annunciation.consequence_at is None else annunciation.consequence_at - now
        within = wake_within(rule, self._settings.sleeper.lead)
        if rule.wake is WakePolicy.LEAD and left is not None and left > within:
            # One decision, one message: what may wake soon, and any prompt, is not told as a notice first.
            unsaid = rule.prompt or left <= within + self._settings.merge_within
            return (Level.LOG if unsaid else quiet, say("held-back.time-left")) if night else (Level.NOTICE, "")
        return (Level.WAKE if night or rule.priority is Priority.HIGH else Level.NOTICE), ""

    def _annunciate(self, annunciation: Annunciation, now: float, night: bool) -> list[Notification]:
        memory = self._memory
        level, held = self._level(annunciation, now, night)
        annunciation.level = level
        if not annunciation.woken and memory.recheck_at is None:
            memory.recheck_at = now + RECHECK
        self._hold_back(annunciation, held)
        if level is Level.WAKE:
            return self._wake(annunciation, now)
        if level is Level.LOG:
            return [self._messages.write(Level.LOG, [annunciation], (), now + NOTICE_WORTH, now)]
        memory.queue.append(annunciation.key)
        for other in [memory.standing[key] for key in self._expected if key in memory.standing]:
            if self._level(other, now, night)[0] is Level.NOTICE:
                other.level = Level.NOTICE
                memory.queue.append(other.key)
        return self._send_notice(now, night)

    def _recheck(self, now: float, night: bool) -> list[Notification]:
        """Tell louder what has become louder: the consequence drew near, the night began, or it ended."""
        memory = self._memory
        told: list[Notification] = []
        for annunciation in memory.standing.values():
            annunciation.woken = annunciation.woken and not self._has_worsened(annunciation)
            level, _ = self._level(annunciation, now, night)
            louder = level is Level.WAKE or (level is Level.NOTICE and annunciation.level == Level.LOG)
            if self._rules[annunciation.rule].prompt and annunciation.noticed_at is not None:
                louder = louder and now >= annunciation.noticed_at + NOTICE_SINKS_IN
            if louder and not annunciation.woken:  # a call just opened may have taken it along
                self._unqueue(annunciation.key)
                told += self._annunciate(annunciation, now, night)
        restless = any(self._is_restless(annunciation) for annunciation in memory.standing.values())
        memory.recheck_at = now + RECHECK if restless or memory.waiting else None
        return told

    def _is_restless(self, annunciation: Annunciation) -> bool:
        """It may yet be told louder, or again."""
        rule = self._rules[annunciation.rule]
        return bool(rule.worsens) or (not annunciation.woken and not rule.log_only)

    def _has_worsened(self, annunciation: Annunciation) -> bool:
        """Nobody answered and its call was given up, and it is worse than it was then by more than a wavering value is."""
        memory, step = self._memory, self._rules[annunciation.rule].worsens
        called = memory.call is not None and annunciation.key in memory.call.members
        if called or annunciation.key in memory.waiting or annunciation.mends:
            return False
        now, told = annunciation.value, annunciation.told_value
        return bool(step) and now is not None and told is not None and (now - told) / step >= 1.0

    # --- waking -------------------------------------------------------------------------------------

    def _wake(self, annunciation: Annunciation, now: float) -> list[Notification]:
        memory = self._memory
        annunciation.woken = True
        if memory.call is not None:
            memory.call.join(annunciation.key, self._settings, now)
            return self._call_on(now)
        rule = self._rules[annunciation.rule]
        urgent = rule.waits_for_nothing
        if self._spacing.is_over(urgent, now):
            return self._open([annunciation.key], now, urgent)
        memory.waiting.append(annunciation.key)
        if now >= self._waiting_ends():
            return self._open([], now)
        memory.recheck_at = now + RECHECK if memory.recheck_at is None else memory.recheck_at
        return []

    def _spare_mending(self, now: float) -> None:
        """What mends while it waits for the spacing opens no call; it is looked at again."""
        memory = self._memory
        for annunciation in [memory.standing[key] for key in memory.waiting]:
            if annunciation.mends and not self._rules[annunciation.rule].safety:
                memory.waiting.remove(annunciation.key)
                annunciation.woken = False
                self._hold_back(annunciation, say("held-back.comes-back"))
                memory.recheck_at = now + RECHECK if memory.recheck_at is None else memory.recheck_at

    def _waiting_ends(self) -> float:
        waiting = [self._memory.standing[key] for key in self._memory.waiting]
        return self._spacing.ends([(self._rules[t.rule], t) for t in waiting], self._settings.sleeper)

    def _open(self, keys: list[str], now: float, urgent: bool = False) -> list[Notification]:
        """Open a call for these alarms, for those that waited, and for what would wake within the merge time anyway."""
        memory = self._memory
        members = [*keys, *memory.waiting]
        self._spacing.called(urgent, bool(memory.waiting), now)
        memory.waiting = []
        for annunciation in memory.standing.values():
            if not annunciation.woken and self._wakes_soon(annunciation, now):
                annunciation.woken = True
                self._hold_back(annunciation, "")
                self._unqueue(annunciation.key)
                members.append(annunciation.key)
        memory.call = call = WakeCall(now, now, members, joined=dict.fromkeys(members, now))
        message = self._message(call, self._audiences(call, 0), now)
        memory.woke.append(message.id)
        return [message]

    def _wakes_soon(self, annunciation: Annunciation, now: float) -> bool:
        return self._level(annunciation, now + self._settings.merge_within, night=True)[0] is Level.WAKE

    def _call_due(self, call: WakeCall) -> float:
        call.insists = any(self._insists(self._memory.standing[key], call.annunciated_at) for key in call.members)
        if call.unannunciated:
            return call.annunciated_at + JOIN_GAP
        # who was just told that it gets better hears no louder call before he can have looked
        gap = self._settings.repeat_after if call.said_mending else JOIN_GAP
        return max(call.next_rung_at(self._settings), call.annunciated_at + gap, self._memory.paused_until or 0.0)

    def _insists(self, annunciation: Annunciation, now: float) -> bool:
        """Something is lost unless somebody comes: a pit that nobody sees matters only under meat. What wakes by its lead was
        near once, and goes on."""
        rule, at = self._rules[annunciation.rule], annunciation.consequence_at
        near = at is None or at - now <= wake_within(rule, self._settings.sleeper.lead)
        return rule.insists and (near or rule.wake is WakePolicy.LEAD)

    def _call_on(self, now: float) -> list[Notification]:
        """Say it again: louder when the time has come, at once when something joined or grew worse."""
        call = self._memory.call
        if call is None or now < self._call_due(call):
            return []
        standing = [self._memory.standing[key] for key in call.members]
        if not call.unannunciated and all(t.mends for t in standing):
            return self._hold_rung(call, standing, now)
        call.said_mending = False
        paused = self._memory.paused_until is not None and now < self._memory.paused_until
        # who paused the sound is up: nobody else is called for news
        if not (paused or call.climb(self._settings, now) or call.unannunciated):
            if not call.insists:
                for annunciation in standing:
                    self._hold_back(annunciation, say("held-back.nobody-answered"))
                self._memory.call = None
                return []
            call.insisted += 1
        news, call.unannunciated = call.unannunciated, []
        call.annunciated_at, call.rung = now, max(1, call.rung)
        return [self._message(call, self._audiences(call, call.rung), now, news)]

    def _hold_rung(self, call: WakeCall, standing: list[Annunciation], now: float) -> list[Notification]:
        """Things get better by themselves: nobody else is called, and whoever was is told so once. What has recovered
        needs no word: its call ends with its off-delay."""
        call.hold(self._settings, now + RECHECK)
        if call.said_mending or all(t.recovered for t in standing):
            return []
        call.said_mending = True
        call.annunciated_at = now
        return [self._message(call, self._audiences(call, call.rung), now)]

    def _audiences(self, call: WakeCall, number: int) -> tuple[str, ...]:
        """The rung's audiences, those of earlier fall-overs, and one more where all these are known to be down."""
        step = rung(self._settings, number)
        named = step.audiences if step is not None else (LOUDER, SOUNDER, SECOND)
        if self._is_own(call):
            named = tuple(audience for audience in named if audience != SECOND)
        named = self._reach.existing(named)
        named += tuple(call.fallen)
        while all(self._reach.is_down(a) for a in named) and (instead := self._next_audience(call)) is not None:
            call.fallen.append(instead)
            named += (instead,)
        return tuple(dict.fromkeys(named))

    def _message(
        self, call: WakeCall, audiences: tuple[str, ...], now: float, news: Collection[str] = ()
    ) -> Notification:
        memory = self._memory
        members = [memory.standing[key] for key in call.members]
        members = [t for t in members if not t.mends] or [t for t in members if not t.recovered] or members
        for annunciation in members:
            annunciation.told_value = annunciation.value if annunciation.value is not None else annunciation.told_value
        not_after = max(call.next_rung_at(self._settings), now + self._settings.repeat_after)
        message = self._messages.write(Level.WAKE, members, audiences, not_after, now, news)
        self._reach.sent(message.id, audiences, now, self._settings.give_up_after)
        return message

    def _next_audience(self, call: WakeCall) -> str | None:
        step = rung(self._settings, call.rung)
        spared = (SECOND,) if self._is_own(call) else ()
        return self._reach.instead((*call.fallen, *(step.audiences if step is not None else ()), *spared))

    def _is_own(self, call: WakeCall) -> bool:
        """An alarm clock: nobody but the cook is called for it."""
        return all(self._rules[self._memory.standing[key].rule].own for key in call.members)

    # --- notices ------------------------------------------------------------------------------------

    def _send_notice(self, now: float, night: bool) -> list[Notification]:
        """One message for all that is queued, as soon as fewer than two were sent in the last 10 min."""
        memory = self._memory
        if not memory.queue or now < self._spacing.next_notice():
            return []
        annunciations = [memory.standing[key] for key in memory.queue]
        memory.queue = []
        self._spacing.noticed(now)
        for annunciation in annunciations:
            annunciation.noticed_at = now
        heard = not night and any(self._rules[t.rule].wake is not WakePolicy.NEVER for t in annunciations)
        audiences = self._reach.existing((PHONE,)) if heard else (NOTICE,)
        return [self._messages.write(Level.NOTICE, annunciations, audiences, now + NOTICE_WORTH, now)]

    # --- bookkeeping --------------------------------------------------------------------------------

    def _hold_back(self, annunciation: Annunciation, why: Text) -> None:
        """For the morning's account: what was not told, or told in vain."""
        annunciation.held = why
        name = f"{annunciation.key}#{annunciation.occurrence}"
        if why:
            self._memory.held[name] = say("held-back.told", text=annunciation.text, why=why)
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
            memory.call.leave(key, self._settings)
            if not memory.call.members:
                memory.call = None
        if not memory.standing:
            memory.recheck_at = None
