"""What the conditions are judged from, and how a finding becomes a `Condition`."""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass, field
from functools import cache, lru_cache
from math import isnan
from typing import NamedTuple

from daemon.core.alarms.names import called
from daemon.core.alarms.rule import NotKnown
from daemon.core.alarms.rules import RULES_BY_ID, AlarmRule, Condition, warn_within
from daemon.core.inputs import Health, Part
from daemon.core.pieces.meat_witness import ColdMeat, Course
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.pit.fire import FireWatch
from daemon.core.plan.duties import Duties
from daemon.core.readings.pit_witness import Contradiction
from daemon.core.said import Said, Text, Value, say
from daemon.core.settings import Band, PieceSettings, WatchSettings, subject_of
from daemon.core.since import LastSeen

TURNING = 0.05
"""°C per minute: the temperature has turned."""
_called = lru_cache(maxsize=256)(called)
"""An alarm that stands is worded at each scan, and names seldom change."""
ASKED_AS = {
    "question.pit-warms": "alarm.stage-question.lit",
    "question.pit-hot": "alarm.stage-question.lit",
    "question.not-caught": "alarm.stage-question.caught",
    "question.fire-out": "alarm.stage-question.out",
    "question.no-answer": "alarm.stage-question.unmoved",
    "question.seems-on": "alarm.stage-question.on-unsaid",
    "question.never-on": "alarm.stage-question.never-on",
    "question.cold-pit": "alarm.stage-question.cold-pit",
    "question.climbs-again": "alarm.stage-question.wrap-unsaid",
    "question.wrap-unsaid": "alarm.stage-question.wrap-unsaid",
    "question.early-wrap": "alarm.stage-question.early-wrap",
    "question.early-tender": "alarm.stage-question.early-tender",
    "question.spot": "alarm.stage-question.apart",
    "question.slid-out": "alarm.stage-question.slid",
    "question.cools": "alarm.stage-question.cools",
    "question.still-heats": "alarm.stage-question.heats",
}
"""The message of each question to the cook: it says what is asked."""
FAR_OFF = 8 * 3600.0
"""s: the time to a consequence that need not wake anybody."""


def asked_as(question: Text, **values: Value) -> Said | None:
    """The message of a question to the cook, where it has one of its own."""
    key = ASKED_AS.get(question.key) if isinstance(question, Said) else None
    return None if key is None else say(key, **values)


@dataclass(frozen=True, slots=True)
class Subject:
    """What an alarm is about. id: the second half of its key; name: what people call it."""

    id: str
    name: str


@lru_cache(maxsize=256)
def subject_called(id_: str, name: str) -> Subject:
    """The same subjects are asked for at every scan."""
    return Subject(id_, name)


class Finding(NamedTuple):
    """One rule judged for one subject. active: beyond the set point; within: back by more than the deadband; because: the
    reason. The rest as in `Condition`; limit: the set point, in the rule's unit. between: s from now to the early and
    to the late end of when the consequence comes, where a forecast gives them. last: what was seen last, and how many s
    ago, where nothing is seen now."""

    active: bool
    within: bool
    because: Text
    value: float | None = None
    limit: float | None = None
    consequence_in: float | None = None
    severity: int = 0
    improving: bool = False
    between: tuple[float, float] | None = None
    told: Said | None = None
    """The message, where it is not the usual one of the rule."""
    last: tuple[float, float] | None = None
    held: float = 0.0
    mends: bool = False
    """On its way back so surely that the message may say so: seen in degrees, not in the slope of a minute."""


@dataclass(frozen=True, slots=True)
class ProcessSnapshot:
    """One pit and the pieces on it at one scan. pit: control value of good probes, °C, NaN if blind. blind_since: engine time.
    cores: newest good core by piece id, of its probe or, where none tells, read by hand just now. lost: piece id -> engine time
    since when its probe gives nothing good.
    pit_question: what the cook has not answered about the pit. pit_climbed_at: engine time, pit_relit, pit_falls_back: see
    `PitStage`."""

    now: float
    settings: WatchSettings
    band: Band
    pit: float
    blind_since: float | None
    pit_stage: str
    fire: FireWatch
    lid_since: float | None
    pieces: tuple[PieceWatch, ...]
    cores: dict[str, float]
    """Believed cores by piece id, °C. A probe that has just been seated anew tells none."""
    lost: dict[str, float]
    health: dict[tuple[Part, str], tuple[Health, float]]
    wake_channels: frozenset[str]
    rules: Mapping[str, AlarmRule] = field(default_factory=lambda: RULES_BY_ID)
    pit_question: Text = ""
    pit_climbed_at: float = 0.0
    pit_relit: bool = False
    pit_falls_back: bool = False
    standing: frozenset[str] = frozenset()
    """Keys of the alarms that stand, acknowledged or not."""
    asleep: bool = False
    """The cook said that he goes to sleep."""
    duties: Duties = field(default_factory=Duties)
    settling: frozenset[str] = frozenset()
    """Ids of the pieces whose probe has just been seated anew."""
    awake: bool = True
    """It is day, or somebody has just said something."""
    seen: Container[tuple[str, str]] | None = None
    """(rule, subject) of the alarms that were ever active: to the others an inactive condition says nothing, and is not worded.
    None: all are worded."""

    open: frozenset[tuple[str, str]] = frozenset()
    """(rule, subject) of the alarms that wait for their condition to go."""
    waiting: Container[str] = frozenset()
    """Keys of the alarms that nobody has acknowledged."""
    too_warm: Mapping[str, float] = field(default_factory=dict)
    """By piece id the core, °C, that a probe would read without the heat of the pit that its shaft leads to its tip."""
    air: Mapping[str, float] = field(default_factory=dict)
    """Believed air of the cabinet, °C, by the id of each piece that is held where no probe of its own tells."""
    doubted_air: float | None = None
    """°C that the cabinet reads while what is held in it is colder and cools."""
    pit_id: str = ""
    """Which pit: "" is the first."""
    elsewhere: bool = False
    """There are pieces on other pits: then a pit without any is not needed."""
    lain: float = 0.0
    """s for which this pit's probes have lain off the grate, all of them; 0 if not all do."""
    contradiction: Contradiction | None = None
    """One of its probes tells of a fire that goes out or burns too hot, and the others do not."""
    cold_meat: ColdMeat | None = None
    """What lies on it cools while it is said to be hot."""
    reads: tuple[float, ...] = ()
    """°C that each of its believed probes reads now, without what their habits make of it."""
    glimpsed_since: float | None = None
    """Engine time since which it is seen only now and then."""
    owed: float = 0.0
    """s that were not made good when it was last lost from sight."""
    probes_lost: Mapping[str, float] = field(default_factory=dict)
    """Of a pit that is seen, its probes that give nothing to believe: engine time since when, by channel."""
    meat: Mapping[str, Course] = field(default_factory=dict)
    """What the cores of the pieces on it do, by piece id."""
    joint: bool = False
    """Somebody is called to feed another pit: if this one would call within the merge time, it is told with it."""

    last_seen: LastSeen | None = None
    """The newest value of the pit that may be believed."""
    senses: dict[float, FeedSense] = field(default_factory=dict, compare=False)
    """What was made of the fire at this scan, see `sense`."""
    pit_subject: Subject = field(init=False)
    """The pit, for its alarms."""

    def __post_init__(self) -> None:
        name = self.settings.pit_names[self.pit_id]
        object.__setattr__(self, "pit_subject", subject_called(subject_of(self.pit_id), name))

    def sense(self, within: float = 0.0) -> FeedSense:
        """See `FireWatch.feed`. Several rules ask for it: it is worked out once a scan."""
        if within not in self.senses:
            self.senses[within] = self.fire.feed(self.now, within)
        return self.senses[within]

    @property
    def stays_low(self) -> bool:
        """Meat lies on a pit that logs do not bring back to its band."""
        return any(piece.on_fire for piece in self.pieces) and self.fire.stays_low(self.now)

    @property
    def record_lost(self) -> bool:
        """Nobody has said how things stand since the record of the cook was lost."""
        return any(part is Part.RECORD and not health.ok for (part, _), (health, _) in self.health.items())

    @property
    def last(self) -> tuple[float, float] | None:
        """Of a pit that nobody sees: what was seen last, °C, and how many s ago; None: not known, or it is seen."""
        if self.last_seen is None or not isnan(self.pit):
            return None
        return self.last_seen.celsius, self.now - self.last_seen.at

    @property
    def unseen_since(self) -> float:
        """Engine time from which nobody has seen the pit; now, if it is seen."""
        since = self.now if self.blind_since is None else min(self.blind_since, self.now - self.lain)
        return since if self.last is None or self.last_seen is None else self.last_seen.at

    def is_standing(self, rule: str, subject: str) -> bool:
        """That alarm stands, acknowledged or not."""
        return f"{rule}/{subject}" in self.standing

    def stands(self, rule: str) -> bool:
        """The same of this pit."""
        return self.is_standing(rule, subject_of(self.pit_id))

    def is_answered(self, rule: str, subject: str | None = None) -> bool:
        """That alarm of this pit, or of another subject, stands, and somebody has acknowledged it."""
        of = subject_of(self.pit_id) if subject is None else subject
        return self.is_standing(rule, of) and f"{rule}/{of}" not in self.waiting

    def lead(self, rule: AlarmRule) -> float:
        """s before its consequence at which a condition of this rule becomes active."""
        return warn_within(rule, self.settings.announcing.sleeper.lead)

    def is_plain(self, rule_id: str, subject: Subject) -> bool:
        """That alarm was never active: an inactive condition says nothing to it, whatever else was found."""
        return self.seen is not None and (rule_id, subject.id) not in self.seen

    def goes_without_saying(self, rule_id: str, subject: Subject, active: bool, within: bool) -> bool:
        """Nobody reads the words of such a condition: they need not be made."""
        return not active and (within or self.is_plain(rule_id, subject))

    def condition(self, rule_id: str, subject: Subject, found: Finding, guards: tuple[str, ...] = ()) -> Condition:
        """The finding as the alarm table takes it. guards: process conditions that hold now; those that suppress this
        rule by design are passed on."""
        if not found.active and self.is_plain(rule_id, subject):
            return quiet(rule_id, subject.id)
        rule = self.rules[rule_id]
        text: Text = ""  # what is plainly normal is never read
        if found.active or (found.value is not None and not found.within):
            text = found.told or alarm_text(rule, found, self.called(subject.name))
        return Condition(
            rule=rule_id,
            subject=subject.id,
            active=found.active,
            within=found.within,
            text=text,
            because=found.because,
            value=found.value,
            consequence_in=found.consequence_in,
            suppressed_by=tuple(guard for guard in guards if guard in rule.guards),
            severity=found.severity,
            improving=found.improving,
            held=found.held,
        )

    def unseen(self, rule_id: str, because: Text) -> Condition | NotKnown:
        """A rule of a pit that nobody sees. An alarm that stands goes on standing, but tells no value of long ago as if it were
        read now."""
        if not self.stands(rule_id):
            return self.unknown(rule_id, self.pit_subject)
        found = Finding(active=False, within=False, because=because, last=self.last)
        text = alarm_text(self.rules[rule_id], found, self.called(self.pit_subject.name))
        return Condition(rule_id, self.pit_subject.id, False, False, text, because, known=False)

    def unread(self, rule_id: str, subject: Subject, text: Text) -> Condition | NotKnown:
        """A rule of a piece whose core nobody reads just now. text: what an alarm that stands says until then."""
        if not self.is_standing(rule_id, subject.id):
            return self.unknown(rule_id, subject)
        return Condition(rule_id, subject.id, False, False, text, say("alarm.because-unread"), known=False)

    def called(self, name: str) -> Text:
        """The name of a pit, a piece or a probe for a message: what tells it from the others stays where there is little room."""
        settings = self.settings
        channels = (channel.name or channel.id for channel in settings.channels)
        pieces = (piece.name for piece in settings.cook.pieces)
        return _called(name, frozenset((*settings.pit_names.values(), *pieces, *channels)))

    def unknown(self, rule_id: str, subject: Subject) -> NotKnown:
        """The rule cannot be judged now: no reading, or no forecast yet. To yield nothing of a rule means that its ground has
        gone, and ends its alarm."""
        return NotKnown(rule_id, subject.id)


@cache
def quiet(rule: str, subject: str) -> Condition:
    """Inactive, and back by more than the deadband."""
    return Condition(rule, subject, active=False, within=True, text="", because="")


def alarm_text(rule: AlarmRule, found: Finding, name: Text) -> Said:
    """The message."""
    left = found.consequence_in if found.between is None else found.between
    if rule.tells_last and found.last is not None:
        last, ago = found.last
        return say(
            f"alarm.{rule.id}.unseen", name=name, value=found.value, limit=found.limit, left=left, last=last, ago=ago
        )
    unmeasured = found.value is None and rule.may_lack_value
    words = "unmeasured" if unmeasured else "recovering" if found.mends and rule.recovers else "text"
    return say(f"alarm.{rule.id}.{words}", name=name, value=found.value, limit=found.limit, left=left)


def piece_subject(piece: PieceSettings) -> Subject:
    """A piece, for its alarms."""
    return subject_called(piece.id, piece.name)
