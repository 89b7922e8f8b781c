"""One channel, reading by reading: device fault, implausible value, spike, stuck value, silence.

Nothing is repaired: the value stays what was read, and only its quality and its named doubts say how far to
believe it. A value that no probe in that place could have reached since the last believed one is a spike until
`AGREEING` readings in a row agree with each other; then the world has moved (a lid, a pulled probe) and it is believed.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from math import isfinite
from typing import Any

from daemon.core.events import ProbeFault
from daemon.core.said import Text, said, say
from daemon.core.settings import Role
from drivers.reading import Fault, Quality, Reading

LOWEST_PLAUSIBLE = -50.0
"""°C. Below any night a pit is lit in. Our choice."""
HIGHEST_PLAUSIBLE = 650.0
"""°C. Above any grate place short of lying in the coals, and within what K amplifiers specify (700 °C). Our choice."""


@dataclass(frozen=True, slots=True)
class Agility:
    """How fast a probe can really move: `step` °C at once (noise, quantisation), then `rate` °C/s, at most `limit` °C.
    Our choices, set far above what lids, flare-ups and simulated cooks do; no published source."""

    step: float
    rate: float
    limit: float


AGILITY: dict[Role, Agility] = {
    Role.PIT: Agility(step=15.0, rate=20.0, limit=150.0),
    Role.HOLD: Agility(step=10.0, rate=5.0, limit=60.0),
    Role.AMBIENT: Agility(step=8.0, rate=2.0, limit=40.0),
    Role.SPOT: Agility(step=15.0, rate=20.0, limit=150.0),
    Role.MEAT: Agility(step=3.0, rate=0.2, limit=40.0),
}
IN_AIR = AGILITY[Role.PIT]
"""What a probe can do while it is being moved."""
MOVING_FOR = 60.0
"""s after a believed jump during which a channel may move as a probe in the open air does."""
LEAP = 20.0
"""°C from one reading to the next that are kept in mind: by so much 0 °C and all that is warmer leaps when it is told in °F."""
AGREEING = 3
"""Readings in a row that make a departure believed."""
AGREE_RATE = 5.0
"""°C/s by which readings of one departure may differ from each other."""

TROUBLES = 5
"""This many troubles within `NOISY_WINDOW` are a loose contact: the doubt stays named, though good readings stay good,
and a trouble is told again only when it lasts for `AGREEING` readings. Within `DENSE_WINDOW` none is good any more."""
NOISY_WINDOW = 1800.0
"""s."""
DENSE_WINDOW = 60.0
"""s, or `DENSE_READINGS` readings where they come slower."""
DENSE_READINGS = 20

STUCK_AFTER = 600.0
"""s a probe must stand still to the last bit before it can be called stuck. Our choice."""
STUCK_READINGS = 30
STUCK_HABIT = 10.0
"""... and that many times longer than it has stood still of late."""
STUCK_HABIT_CORROBORATED = 3.0
"""The same when another channel has seen the pit move meanwhile."""
STUCK_NEEDS_STEPS = 50
"""Steps a channel must have made before its habit is known."""
HABIT_KEEPS = 0.999
"""The longest stand still is forgotten by this factor a step."""
NOISE_SHARE = 0.03
"""Share of wide turns among steps from which a channel is known to be so noisy that even a flat value must flicker."""
WARM = 50.0
"""°C above which a living or dying fire must move a pit probe."""
SLOWEST_MEAT = 0.1 / 3600.0
"""°C/s: a stall may truly be this flat, so a quiet meat probe must stand still for its own resolution / this."""
STUCK_MEAT_AFTER = 1800.0
"""s, the least for a meat or cabinet probe however fine its steps."""

GOOD, SUSPECT = Quality.GOOD, Quality.SUSPECT
"""Python 3.11 looks a member up in its enumeration far more dearly than a name; this room asks for them at every reading."""
QUALITY_RANK = {Quality.GOOD: 0, Quality.SUSPECT: 1, Quality.BAD: 2}
DEVICE_FAULT = (ProbeFault.DEVICE_FAULT,)
IMPLAUSIBLE = (ProbeFault.IMPLAUSIBLE,)
SPIKE = (ProbeFault.SPIKE,)
STUCK = (ProbeFault.STUCK,)
STALE = (ProbeFault.STALE,)
NO_DOUBT: tuple[ProbeFault, ...] = ()


@dataclass(slots=True)
class ChannelJudge:
    """The state of one channel; every field is plain, so a checkpoint is the fields themselves.

    doubts/quality/fault/evidence: the verdict on the newest reading, as of now. Times are engine seconds."""

    role: Role
    stale_after: float
    quality: Quality = Quality.GOOD
    doubts: tuple[ProbeFault, ...] = NO_DOUBT
    fault: Fault | None = None
    evidence: Text = ""
    heard_at: float | None = None
    newest: float | None = None
    believed: float | None = None
    believed_at: float = 0.0
    departed: float = 0.0
    departed_at: float = 0.0
    departures: int = 0
    leapt_from: float | None = None
    """°C that it read before its last `LEAP`, at `leapt_at`."""
    leapt_at: float = 0.0
    moving_until: float = -1.0
    trouble_run: int = 0
    troubles: list[float] = field(default_factory=list)
    noisy_until: float = -1.0
    dense_until: float = -1.0
    held: tuple[ProbeFault, ...] = NO_DOUBT
    still_value: float | None = None
    still_since: float = 0.0
    still_count: int = 0
    longest_still: float = 0.0
    steps: int = 0
    finest_step: float = 0.0
    last_step: float = 0.0
    wide_turns: int = 0
    """Steps of two or more finest steps back where it came from: only noise wider than a step makes them."""
    stuck: bool = False
    corroborated: bool = False
    """Another channel has seen the pit move while this one stood still."""

    def judge(self, reading: Reading) -> None:
        """Take one reading and set the verdict. A few µs: this runs for every reading of the night."""
        _, celsius, at, fault, quality, _ = reading
        heard = self.heard_at
        spacing = 0.0 if heard is None else at - heard
        if heard is None or spacing > 0.0:
            self.heard_at = at
        self.newest = celsius
        self.fault = fault
        if celsius is None or fault is not None:
            self.fault = fault or Fault.NOT_KNOWN
            self._verdict(Quality.BAD, DEVICE_FAULT, at, spacing)
            return
        if not LOWEST_PLAUSIBLE <= celsius <= HIGHEST_PLAUSIBLE:
            self.newest = celsius if isfinite(celsius) else None
            self._verdict(Quality.BAD, IMPLAUSIBLE, at, spacing)
            return
        if celsius == self.still_value:
            self.still_count += 1
        else:
            self._step(celsius, at)
        if quality is not GOOD:
            self._verdict(quality, IMPLAUSIBLE, at, spacing)
        elif not self._possible(celsius, at):
            self._verdict(SUSPECT, SPIKE, at, spacing)
        elif self.stuck:
            self._verdict(SUSPECT, STUCK, at, spacing)
        else:
            self.trouble_run = 0
            self.doubts = self.held if at < self.noisy_until else NO_DOUBT
            self.quality = SUSPECT if at < self.dense_until else GOOD

    def lasting(self) -> tuple[Quality, tuple[ProbeFault, ...], Fault | None]:
        """The verdict worth annunciation: a known loose contact does not tell each single trouble."""
        if 0 < self.trouble_run < AGREEING and self.heard_at is not None and self.heard_at < self.noisy_until:
            return Quality.SUSPECT if self.heard_at < self.dense_until else Quality.GOOD, self.held, None
        return self.quality, self.doubts, self.fault

    def scan(self, now: float, started: float, corroborated: bool) -> None:
        """Every few seconds: silence, and a value that no longer moves. started: when the watch began, for a channel
        never heard. corroborated: another channel saw the pit move since this one last moved."""
        if self.role is Role.SPOT:
            return  # a handheld probe is silent most of the time, and lies still on the table
        silent = now - (started if self.heard_at is None else self.heard_at)
        if silent > self.stale_after:
            if self.doubts != STALE:
                self.evidence = (
                    say("probe.never-heard", limit=self.stale_after)
                    if self.heard_at is None
                    else say("probe.silent", silent=silent, limit=self.stale_after)
                )
            self.quality, self.doubts, self.fault = Quality.BAD, STALE, None
            return
        self.corroborated = self.corroborated or corroborated
        if not self.stuck and self.quality is GOOD and self._stands_still():
            self.stuck = True
            self.quality, self.doubts = SUSPECT, STUCK
            stuck = say(
                "probe.stuck",
                celsius=self.still_value,
                still=self._still_for(),
                count=self.still_count,
                usual=self.longest_still,
            )
            self.evidence = say("probe.stuck-alone", stuck=stuck) if self.corroborated else stuck

    def expect_move(self, until: float) -> None:
        """The cook is handling this probe: it may move as in open air until then."""
        self.moving_until = max(self.moving_until, until)

    def believed_now(self) -> bool:
        """Nothing is wrong with the newest reading in itself (slow faults are judged elsewhere)."""
        return self.quality is GOOD and self.newest is not None

    # --- spike ------------------------------------------------------------------------------------

    def _possible(self, celsius: float, at: float) -> bool:
        """Could the probe have come here since the last believed value? If so, or if it lasts, believe it."""
        believed = self.believed
        if believed is not None and celsius != believed:
            agility = IN_AIR if at < self.moving_until else AGILITY[self.role]
            distance = abs(celsius - believed)
            if distance > agility.step and distance > min(
                agility.step + agility.rate * (at - self.believed_at), agility.limit
            ):
                return self._departure_lasts(celsius, at, believed)
        self.believed = celsius
        self.believed_at = at
        self.departures = 0
        return True

    def _departure_lasts(self, celsius: float, at: float, believed: float) -> bool:
        allowed = AGILITY[self.role].step + AGREE_RATE * (at - self.departed_at)
        agrees = self.departures > 0 and abs(celsius - self.departed) <= min(allowed, IN_AIR.limit)
        self.departures = self.departures + 1 if agrees else 1
        if self.departures == 1:
            self.evidence = say("probe.too-fast", celsius=celsius, after=at - self.believed_at, before=believed)
        self.departed, self.departed_at = celsius, at
        if self.departures < AGREEING:
            return False
        self.believed, self.believed_at, self.departures = celsius, at, 0
        self.moving_until = max(self.moving_until, at + MOVING_FOR)
        self.evidence = say("probe.agree", count=AGREEING, celsius=celsius)
        return True

    # --- trouble ----------------------------------------------------------------------------------

    def _verdict(self, quality: Quality, doubts: tuple[ProbeFault, ...], at: float, spacing: float) -> None:
        if doubts != self.doubts:
            if doubts == DEVICE_FAULT:
                self.evidence = say("probe.device-reports", fault=self.fault or Fault.NOT_KNOWN)
            elif doubts == IMPLAUSIBLE and quality is Quality.BAD:
                self.evidence = say(
                    "probe.outside", celsius=self.newest, possible=(LOWEST_PLAUSIBLE, HIGHEST_PLAUSIBLE)
                )
            elif doubts == IMPLAUSIBLE:
                self.evidence = say("probe.broken-bus", celsius=self.newest)
        self.quality, self.doubts = quality, doubts
        if doubts == STUCK:
            return
        self.trouble_run += 1
        if self.trouble_run == 1:
            self.troubles = [*self.troubles[1 - TROUBLES :], at]
        lasted = at - self.troubles[0]
        if len(self.troubles) < TROUBLES or lasted > NOISY_WINDOW:
            return
        if at >= self.noisy_until:
            self.evidence = say("probe.loose", what=self.evidence, times=TROUBLES, lasted=lasted)
        self.noisy_until, self.held = at + NOISY_WINDOW, doubts
        dense = max(DENSE_WINDOW, DENSE_READINGS * spacing)
        if lasted <= dense:
            self.dense_until = at + dense

    # --- stuck ------------------------------------------------------------------------------------

    def _step(self, celsius: float, at: float) -> None:
        """The value changed: one stand-still is over."""
        if self.still_value is not None:
            stood, habit = at - self.still_since, HABIT_KEEPS * self.longest_still
            self.longest_still = stood if stood > habit else habit
            step = celsius - self.still_value
            size = abs(step)
            if self.steps == 0 or size < self.finest_step:
                self.finest_step = size
            if size >= 2 * self.finest_step and step * self.last_step < 0.0:
                self.wide_turns += 1
            self.last_step = step
            self.steps += 1
            if size >= LEAP:
                self.leapt_from, self.leapt_at = self.still_value, at
        self.still_value, self.still_since, self.still_count = celsius, at, 1
        self.stuck = self.corroborated = False

    def _still_for(self) -> float:
        return 0.0 if self.heard_at is None else self.heard_at - self.still_since

    def _stands_still(self) -> bool:
        still, value = self._still_for(), self.still_value
        if value is None or self.still_count < STUCK_READINGS or self.role is Role.AMBIENT:
            return False
        if still < STUCK_AFTER:
            return False
        habit_known = self.steps >= STUCK_NEEDS_STEPS
        breaks_habit = habit_known and still > STUCK_HABIT * self.longest_still
        if breaks_habit and self.wide_turns >= NOISE_SHARE * self.steps:
            return True
        if self.role is Role.PIT:
            corroborated = self.corroborated and still > STUCK_HABIT_CORROBORATED * self.longest_still
            return corroborated or (breaks_habit and value > WARM)
        return breaks_habit and self.corroborated and still > max(STUCK_MEAT_AFTER, self.finest_step / SLOWEST_MEAT)

    # --- checkpoint -------------------------------------------------------------------------------

    def dump(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return asdict(self)

    @classmethod
    def loaded(cls, dumped: dict[str, Any]) -> ChannelJudge:
        """The inverse of `dump`, also after a trip through JSON."""
        fault = dumped["fault"]
        restored = dumped | {
            "role": Role(dumped["role"]),
            "quality": Quality(dumped["quality"]),
            "doubts": tuple(ProbeFault(doubt) for doubt in dumped["doubts"]),
            "held": tuple(ProbeFault(doubt) for doubt in dumped["held"]),
            "fault": None if fault is None else Fault(fault),
            "evidence": said(dumped["evidence"]),
            "troubles": list(dumped["troubles"]),
        }
        return cls(**restored)
