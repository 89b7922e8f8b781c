"""The demo's hands: what a cook would do on hearing what the watch says. Asleep, only a wake gets them up."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from daemon.core.events import Level, Notification
from daemon.core.inputs import Command
from daemon.core.orders import Acknowledge, GoodMorning, GoToSleep, Mark, MarkKind, TestWake
from daemon.texts.composer import PLAIN
from drivers.simulated.cook import Act, SimulatedCook

HOUR = 3600.0
BEDTIME, MORNING = 6.6 * HOUR, 13.5 * HOUR
"""s after the start: 23:36 and 06:30."""
ANSWER_AFTER = 75.0
"""s from hearing something to pressing acknowledge."""
SLOW_HANDS = 8 * 60.0
"""s from a wake to the log on the fire."""
WALK_OUT = 25 * 60.0
"""s in which an awake cook gets to what can wait a little."""

NIGHT_LOG = 1.6
"""kg that go on when the pit asks for wood."""

MARKS = {
    Act.LOG: MarkKind.LOG,
    Act.PUT_ON: MarkKind.MEAT_ON,
    Act.WRAP_PAPER: MarkKind.WRAPPED,
    Act.REST: MarkKind.OFF,
    Act.HOLD: MarkKind.HOLD,
    Act.SERVE: MarkKind.SERVE,
}
"""What the virtual cook tells the watch about what was done."""


class VirtualCook:
    """Hands. Awake, they do what the watch asks for; asleep, only a wake gets them up."""

    def __init__(self, simulated: SimulatedCook, post: Callable[[Command], None], tell: Callable[[str], None]) -> None:
        self._simulated, self._post, self._tell = simulated, post, tell
        self._told_truth = 0
        self._todo: list[tuple[float, Callable[[], None]]] = []
        self._asked: set[str] = set()
        self._finished: set[str] = set()
        self._asleep = self._greeted = False

    def step(self, now: float) -> None:
        """`now`: simulated s since the start."""
        for event in self._simulated.truth[self._told_truth :]:
            if event.kind in set(Act) and Act(event.kind) in MARKS:
                self._mark(MARKS[Act(event.kind)], event.subject or None)
        self._told_truth = len(self._simulated.truth)
        if not self._greeted and now > BEDTIME - 600:
            self._greeted = True
            self._post(TestWake(by="cook"))
            self._later(now + 180, lambda: self._post(Acknowledge("*", by="cook")))
        if self._greeted and not self._asleep and BEDTIME < now < MORNING:
            self._asleep = True
            self._post(GoToSleep(by="cook"))
        if self._asleep and now > MORNING:
            self._asleep = False
            self._post(GoodMorning(by="cook"))
        for due, deed in [t for t in self._todo if t[0] <= now]:
            self._todo.remove((due, deed))
            deed()

    def hear(self, notification: Notification, now: float) -> None:
        """Reacts to what reaches a person in this state."""
        if notification.level is Level.LOG or (self._asleep and notification.level is not Level.WAKE):
            return
        if now < BEDTIME and notification.alarm.startswith(("pit-", "fire-")):
            return  # in the evening the logs are in the script
        delay = SLOW_HANDS if notification.level is Level.WAKE else WALK_OUT
        for alarm in {notification.alarm, *notification.merged}:
            rule, _, subject = alarm.partition("/")
            deed = self._deed(rule, subject)
            if deed is not None and alarm not in self._asked:
                self._asked.add(alarm)
                self._later(now + ANSWER_AFTER, partial(self._post, Acknowledge(alarm, by="cook")))
                self._later(now + delay, partial(self._go, alarm, deed))

    def _go(self, alarm: str, deed: Callable[[], None]) -> None:
        self._asked.discard(alarm)
        deed()

    def _deed(self, rule: str, piece: str) -> Callable[[], None] | None:
        do = self._simulated.do
        match rule:
            case "fire-out":
                return self._relight
            case "pit-falling":
                return lambda: do(Act.LOG, amount=NIGHT_LOG)
            case "wrap-target":
                return lambda: do(Act.WRAP_PAPER, piece)
            case "tender-range" | "target-reached":
                return lambda: self._finish(piece)
            case "pit-high" | "runaway":
                return self._choke
            case _:
                return None

    def _choke(self) -> None:
        self._simulated.do(Act.DAMPER, amount=0.6)
        self._later(self._simulated.now + 1800, lambda: self._simulated.do(Act.DAMPER, amount=1.0))

    def _relight(self) -> None:
        self._simulated.do(Act.LIGHT)
        self._simulated.do(Act.LOG, amount=NIGHT_LOG)
        self._mark(MarkKind.FIRE_LIT, None)

    def _finish(self, piece: str) -> None:
        """Probe for tender; off if the probe slides in, else try again in half an hour."""
        now = self._simulated.now
        if piece in self._finished:
            return
        if self._simulated.core(piece) < 92:
            self._tell(PLAIN.words("command.demo.not-tender", piece=piece))
            self._later(now + 1800, lambda: self._finish(piece))
            return
        self._finished.add(piece)
        self._mark(MarkKind.PROBED_TENDER, piece)
        self._simulated.do(Act.REST, piece)
        self._later(now + 2400, lambda: self._simulated.do(Act.HOLD, piece))

    def _later(self, when: float, deed: Callable[[], None]) -> None:
        self._todo.append((when, deed))

    def _mark(self, kind: MarkKind, piece: str | None) -> None:
        self._tell(PLAIN.words("command.demo.does", deed=kind.value, piece=piece or "").rstrip())
        self._post(Mark(kind, piece))
