"""Plays the scenarios in the *.txt files of this folder: what happens to a pit, line by line, and what the watch says to it.

A file holds scenarios; each begins with `== TITLE`. Its lines, in order of time:

    # why                              a remark, kept
    set WORDS                          before the first instant: `by-day` (else it is night), `wake-for-wrap`, `serve H:MM`,
                                       `night H:MM H:MM`, `wood N` splits at hand, `fat P` percent in a tray of 0.3 l,
                                       `lit C`: the fire burns in its band and the chuck roll, C °C warm, lies on it
    H:MM[:SS] WORDS                    an input, so long after the start; see `Player.do`
      > H:MM:SS WORDS                  an event; written by `python -m tests.golden.rewrite`, compared by test_golden.py
    H:MM end                           the last line

A course (`pit 122`, `pit 122 to 90 in 1:00`) is read every ten seconds, with a wobble of less than a degree as a real probe
has. An event is said by its key fields only, so that a text may be reworded without a change here.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC
from pathlib import Path

from daemon.core.engine import Engine
from daemon.core.events import (
    AlarmChanged,
    CommandRefused,
    CookChanged,
    Event,
    FireNoticed,
    MorningTold,
    NapPlanned,
    Notification,
    PlanKept,
    QualityChanged,
    SpotRead,
    StageChanged,
    StallChanged,
    TakenBack,
    WakeJudged,
)
from daemon.core.inputs import (
    Delivered,
    ForecastArrived,
    Health,
    Input,
    Outcome,
    Part,
    Readings,
    Resumed,
    UsePitClass,
    WallClock,
)
from daemon.core.orders import (
    Acknowledge,
    AddReminder,
    AskWrap,
    ChangeCook,
    CountWood,
    EndCook,
    GoodMorning,
    GoToSleep,
    JudgeWake,
    KeepPlan,
    Mark,
    MarkKind,
    MoveProbe,
    OutOfService,
    PauseSound,
    ReminderDone,
    RemoveReminder,
    SetBand,
    Shelve,
    SpotReading,
    StartCook,
    TakeBack,
    TestWake,
    Unshelve,
)
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pit_profile import ClassFigure
from daemon.core.planned import From, KeptPlan, PlannedPiece, ReminderSettings, WoodSettings
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    Role,
    WatchSettings,
    Wrap,
)
from daemon.wiring.learned import learned
from drivers.reading import Fault, Reading

FOLDER = Path(__file__).parent
START = 1_795_824_000.0
"""Engine time of 0:00, s: midnight UTC, a whole minute."""
CLASS_FIRES = 6.0
"""Fires that what a class has shown is worth."""
EVERY = 10.0
"""s between readings."""
WOBBLE = (0.0, 0.25, 0.5, 0.25)
"""°C: a probe that always says the same counts as stuck."""
CHUCK = PieceSettings(
    "chuck",
    "Chuck roll",
    "beef-chuck-roll",
    MeatKind.WHOLE_ROAST,
    "chuck",
    6.0,
    0.125,
    1.25,
    Wrap.FOIL,
    70.0,
    93.0,
    97.0,
)
LAMB = PieceSettings(
    "lamb", "Lamb shoulder", "lamb-shoulder", MeatKind.WHOLE_ROAST, "lamb", 2.5, 0.09, 1.1, target=88.0
)
LONG_AGO = START - 366 * 86400.0
AUDIENCES = (("phone", ("phone",)), ("sounder", ("horn",)), ("second", ("neighbour",)), ("notice", ("phone",)))
BY_NIGHT, BY_DAY = QuietHours(0, 24 * 60 - 1, UTC), QuietHours(0, 0, UTC)
LIT_BEFORE, ON_BEFORE = 1800.0, 600.0
"""s before 0:00 from which a `lit` pit is in its band, and the piece on it."""
IN_BAND = 122.0
"""°C of that pit."""


def settings_of(scenario: Scenario) -> WatchSettings:
    """Only the channels and pieces that the scenario speaks of are there."""
    said, words = " ".join(scenario.lines), scenario.setting

    def told(name: str) -> list[str]:
        return next((word.split()[1:] for word in words if word.startswith(name + " ")), [])

    serve = next((START + seconds(at) for at in told("serve")), None)
    wood = WoodSettings(stock=next((int(splits) for splits in told("wood")), None))
    fat = next((float(percent) for percent in told("fat")), None)
    pieces = tuple(p for p in (CHUCK, LAMB) if p.id in said or (p is CHUCK and scenario.core is not None))
    channels = (
        *(
            ChannelSettings(name, name, Role.PIT, stale_after=60.0)
            for name in ("pit", "pit-2")
            if name == "pit" or name in said
        ),
        *(ChannelSettings(piece.id, piece.name, Role.MEAT, stale_after=60.0) for piece in pieces),
        *(ChannelSettings(o, o, Role.AMBIENT, None, None, 60.0, 2.5, LONG_AGO) for o in ("unchecked",) if o in said),
        *(ChannelSettings(hold, hold, Role.HOLD, stale_after=60.0) for hold in ("cabinet",) if hold in said),
    )
    pieces = tuple(replace(piece, fat_percent=fat) for piece in pieces)
    cook = CookSettings("night", "Night", Band(107.0, 135.0), pieces, serve, wood=wood)
    if "cabinet" in said:
        cook = replace(cook, hold=HoldSettings(channel="cabinet"))
    quiet = BY_DAY if "by-day" in words else BY_NIGHT
    if hours := [int(seconds(at) / 60) for at in told("night")]:
        quiet = QuietHours(hours[0], hours[1], UTC)
    announcing = AnnouncingSettings(quiet, wake_for_wrap="wake-for-wrap" in words, audiences=AUDIENCES)
    tray = 0.0 if fat is None else 0.3
    return WatchSettings("pit", "Pit", channels, cook, announcing, learned=learned(), grease_tray=tray)


def seconds(text: str) -> float:
    """ "1:02" or "1:02:03" -> s."""
    hours, minutes, *rest = (int(part) for part in text.split(":"))
    return 3600.0 * hours + 60.0 * minutes + (rest[0] if rest else 0)


def clock(time: float) -> str:
    """Engine time -> "1:02:03" since the start."""
    since = round(time - START)
    return f"{since // 3600}:{since // 60 % 60:02}:{since % 60:02}"


@dataclass
class Course:
    """°C from `since` on: `first`, moving to `last` within `takes` s. first None: a broken wire."""

    since: float
    first: float | None
    last: float
    takes: float

    def at(self, now: float) -> float | None:
        if self.first is None:
            return None
        share = 1.0 if self.takes <= 0 else min(1.0, (now - self.since) / self.takes)
        return self.first + share * (self.last - self.first)


@dataclass
class Scenario:
    """lines: without those of events. written: all of them, as they stand in the file."""

    title: str
    lines: list[str] = field(default_factory=list)
    written: list[str] = field(default_factory=list)

    @property
    def setting(self) -> list[str]:
        return [line.removeprefix("set ") for line in self.lines if line.startswith("set ")]

    @property
    def core(self) -> float | None:
        """°C of the piece on a pit that is lit."""
        return next((float(words.removeprefix("lit ")) for words in self.setting if words.startswith("lit ")), None)


def scenarios(file: Path) -> list[Scenario]:
    found: list[Scenario] = []
    for line in file.read_text(encoding="utf-8").splitlines():
        if line.startswith("== "):
            found.append(Scenario(line.removeprefix("== ")))
        elif line.strip():
            found[-1].written.append(line)
            if not line.startswith("  > "):
                found[-1].lines.append(line)
    return found


def played(scenario: Scenario) -> list[str]:
    """The body with the events that the watch of today has. Raises ValueError for a line that says nothing."""
    player = Player(settings_of(scenario), scenario.core)
    body: list[str] = []
    for line in scenario.lines:
        if not line[0].isdigit():
            body.append(line)
            continue
        at, words = line.split(maxsplit=1)
        body += player.run(START + seconds(at))
        body.append(line)
        if words != "end":
            body += player.do(words, START + seconds(at))
    return body


class Player:
    def __init__(self, settings: WatchSettings, core: float | None) -> None:
        """core: as in `Scenario`."""
        self.settings, self.engine = settings, Engine(settings)
        self.courses: dict[str, Course] = {}
        self.read_at = START if core is None else START - LIT_BEFORE
        self.stopped: dict[str, object] | None = None
        self.newest = ""
        """id of the newest message that was to be delivered."""
        self.engine.handle(Resumed(), self.read_at)
        self.engine.handle(WallClock(0.0, True), self.read_at)
        if core is not None:
            self.courses = {"pit": Course(START, IN_BAND, IN_BAND, 0.0), CHUCK.id: Course(START, core, core, 0.0)}
            self.engine.handle(Mark(MarkKind.FIRE_LIT), self.read_at)
            self.run(START - ON_BEFORE)
            self.engine.handle(Mark(MarkKind.MEAT_ON, CHUCK.id), START - ON_BEFORE)
            self.run(START)

    def run(self, until: float) -> list[str]:
        """Readings and deadlines up to this instant, in their order."""
        told: list[str] = []
        while self.stopped is None and self.read_at < until:
            told += self._due(self.read_at)
            told += self._take(self._readings(self.read_at), self.read_at)
            self.read_at += EVERY
        if self.stopped is None:
            told += self._due(until)
        return told

    def do(self, words: str, now: float) -> list[str]:
        """One input line. Returns event lines."""
        if words == "stop":
            self.stopped = json.loads(json.dumps(self.engine.dump()))
            self._stopped_at = now
            return []
        if words == "start":
            assert self.stopped is not None
            self.engine = Engine(self.settings)
            self.engine.load(self.stopped)
            self.stopped, self.read_at = None, now
            return self._take(Resumed(watched_until=self._stopped_at), now)
        if (course := self._course(words, now)) is not None:
            return course
        return self._take(self._input(words, now), now)

    def _course(self, words: str, now: float) -> list[str] | None:
        name, *rest = words.split()
        if self.settings.channel(name) is None:
            return None
        match rest:
            case ["silent"]:
                del self.courses[name]
            case ["broken"]:
                self.courses[name] = Course(now, None, 0.0, 0.0)
            case [value]:
                self.courses[name] = Course(now, float(value), float(value), 0.0)
            case [first, "to", last, "in", takes]:
                self.courses[name] = Course(now, float(first), float(last), seconds(takes))
            case _:
                raise ValueError(words)
        return []

    def _input(self, words: str, now: float) -> Input:
        match words.split():
            case ["mark", kind, *more]:
                return Mark(MarkKind(kind), more[0] if more else None, note=" ".join(more[1:]))
            case ["acknowledge", alarm]:
                return Acknowledge(alarm, "cook")
            case ["shelve", alarm, takes]:
                return Shelve(alarm, seconds(takes), "working on it", "cook")
            case ["unshelve", alarm]:
                return Unshelve(alarm, "cook")
            case ["out-of-service", alarm]:
                return OutOfService(alarm, True, "being replaced", "cook")
            case ["in-service", alarm]:
                return OutOfService(alarm, False, "replaced", "cook")
            case ["pause", takes]:
                return PauseSound(seconds(takes), "cook")
            case ["class", *told]:
                figures = zip(told[::2], told[1::2], strict=True)
                return UsePitClass(
                    tuple(ClassFigure(name, float(middle), CLASS_FIRES) for name, middle in figures), "fleet"
                )
            case ["band", low, high]:
                return SetBand(Band(float(low), float(high)), "cook")
            case ["ask-wrap", piece, celsius]:
                return AskWrap(piece, float(celsius), "cook")
            case ["lost", part, name]:
                return Health(Part(part), name, False, "does not answer")
            case ["found", part, name]:
                return Health(Part(part), name, True)
            case ["delivered", channel, outcome]:
                return Delivered(self.newest, channel, Outcome(outcome))
            case ["clock", word]:
                return WallClock(0.0, word == "set")
            case ["move-probe", piece, channel]:
                return MoveProbe(piece, None if channel == "none" else channel, "cook")
            case ["spot", piece, celsius]:
                return SpotReading(piece, float(celsius))
            case ["take-back", what, *more]:
                return TakeBack(what, more[0] if more else None)
            case ["forecast", piece, *rest]:
                return ForecastArrived(piece, now, tuple(_outlooks(" ".join(rest))))
            case ["keep-plan", light, piece, put_on, lasts, *more]:
                return KeepPlan(self._plan(light, piece, put_on, lasts, wake="quiet" not in more), "cook")
            case ["drop-plan"]:
                return KeepPlan(None, "cook")
            case ["serve", at]:
                cook = replace(self.engine.settings.cook, serve_at=START + seconds(at))
                return ChangeCook(cook, "cook")
            case ["remind", what, every, start, *more]:
                until = next((From(word) for word in more if word in set(From)), None)
                about = next((word for word in more if word in self.engine.pieces), None)
                night = "night" in more
                own = ReminderSettings(what, what.title(), seconds(every), From(start), None, until, about, night)
                return AddReminder(own, "cook")
            case ["remind-at", what, at]:
                return AddReminder(ReminderSettings(what, what.title(), at=START + seconds(at)), "cook")
            case ["forget", what]:
                return RemoveReminder(what, "cook")
            case ["done", what]:
                return ReminderDone(what, "cook")
            case ["wood", splits]:
                return CountWood(int(splits), "cook")
            case ["sleep"]:
                return GoToSleep("cook")
            case ["morning"]:
                return GoodMorning("cook")
            case ["test-wake"]:
                return TestWake("cook")
            case ["judge", needed]:
                return JudgeWake(self.newest, needed == "needed", "cook")
            case ["start-cook"]:
                return StartCook(replace(self.settings.cook, id="next"), "cook")
            case ["end-cook"]:
                return EndCook("cook")
        raise ValueError(words)

    def _plan(self, light: str, piece: str, put_on: str, lasts: str, wake: bool) -> KeptPlan:
        """Of one piece, wrapped half way, with a heat-up of 75 min and a log every 40 min."""
        serve_at, cook = self.engine.settings.cook.serve_at, self.engine.settings.cook
        assert serve_at is not None
        long = seconds(lasts)
        planned = PlannedPiece(piece, START + seconds(put_on), 0.85 * long, long, 1.2 * long, 0.5 * long)
        return KeptPlan(serve_at, cook.rest, START + seconds(light), 4500.0, 2400.0, (planned,), wake)

    def _readings(self, now: float) -> Readings:
        wobble = WOBBLE[int(now // EVERY) % len(WOBBLE)]
        return Readings(
            tuple(
                Reading(name, None, now, Fault.OPEN_CIRCUIT)
                if (celsius := course.at(now)) is None
                else Reading(name, round(32 * (celsius + wobble)) / 32, now)
                for name, course in self.courses.items()
            )
        )

    def _due(self, until: float) -> list[str]:
        told: list[str] = []
        while (deadline := self.engine.next_deadline()) is not None and deadline <= until:
            told += self._said(self.engine.handle_timer(deadline))
        return told

    def _take(self, item: Input, now: float) -> list[str]:
        return self._said(self.engine.handle(item, now))

    def _said(self, events: list[Event]) -> list[str]:
        for event in events:
            if isinstance(event, Notification):
                self.newest = event.id
        return [f"  > {clock(event.time)} {words}" for event in events for words in in_words(event)]


def _outlooks(text: str) -> Iterator[Outlook]:
    """ "tender 2:00 3:00 4:00, tender/wrapped-now 1:00 2:00 3:00"."""
    for one in text.split(","):
        goal, *ends = one.split()
        name, _, scenario = goal.partition("/")
        yield Outlook(Goal(name), scenario or "planned", Interval(*(START + seconds(end) for end in ends)))


def in_words(event: Event) -> Iterator[str]:
    """The key fields of an event that somebody acts on; nothing of the others."""
    match event:
        case StageChanged():
            yield f"stage {event.subject}: {event.before} -> {event.after}" + (" (asks)" if event.asks else "")
        case FireNoticed():
            yield f"fire {event.sign.value} at {clock(event.at)}"
        case StallChanged():
            yield f"stall {event.piece}: {'begins' if event.stalled else 'ends'}"
        case QualityChanged():
            doubts = " ".join(sorted(doubt.value for doubt in event.doubts))
            yield re.sub(" +$", "", f"quality {event.channel}: {event.quality.value} {doubts}")
        case AlarmChanged():
            yield f"alarm {event.alarm} #{event.occurrence} {event.priority.value}: {event.before.value} -> {event.after.value}"
        case Notification():
            merged = f" with {' '.join(event.merged)}" if event.merged else ""
            held = " (held back)" if event.held_back else ""
            yield f"{event.level.value} {event.id} to {'+'.join(event.audiences) or 'nobody'}{merged}{held}"
        case NapPlanned():
            until = "none" if event.until is None else clock(event.until)
            yield f"nap until {until}, {len(event.unmet)} unmet"
        case MorningTold():
            yield f"morning: woke {len(event.woke)}, held back {len(event.held_back)}"
        case PlanKept():
            steps = (f"{step.kind} {step.piece or 'pit'} {clock(step.at)}" for step in event.steps)
            yield f"plan {', '.join(steps) or 'dropped'}"
        case CookChanged():
            yield "cook changed"
        case WakeJudged():
            yield f"judged {event.notification}: {'needed' if event.needed else 'not needed'}"
        case CookChanged(probe=moved) if moved:
            yield f"probe moved: {' '.join(moved)}"
        case SpotRead():
            yield f"spot {event.piece}: {event.celsius:g}" + (" (asks)" if event.asks else "")
        case TakenBack():
            yield f"taken back {event.what} of {clock(event.said_at)}"
        case CommandRefused():
            yield f"refused {event.command}"


def whole(found: list[tuple[str, list[str]]]) -> str:
    """(title, body) of each scenario -> the text of a file."""
    return "\n".join("\n".join([f"== {title}", *body, ""]) for title, body in found)
