"""What one night of the bench came to, as a value and as a line of JSON."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, field
from typing import Any

from daemon.core.alarms.rules import ALARM_RULES
from tests.bench.nights.night_oracle import Need, Place, Verdict, Wake

PLACES = {
    "pit": (
        "pit-falling",
        "log-not-caught",
        "fire-out",
        "pit-blind",
        "pit-high",
        "runaway",
        "lid-left-open",
        "pit-probes-contradict",
        "meat-cooling",
    ),
    "hold": ("hold-falling", "hold-unsafe", "cooling-slow"),
    "watch": (*(r.id for r in ALARM_RULES if r.id.startswith("watch-")), "device-lost", "battery-low"),
}


def place_of(alarm: str) -> Place:
    """Where an alarm's one action sends the person; what is neither pit, hold nor watch is the meat's."""
    rule = alarm.partition("/")[0]
    return next((Place(place) for place, rules in PLACES.items() if rule in rules), Place.MEAT)


@dataclass
class Told:
    """A wake message. opened: it opened a call (else it repeats one or tells what joined it)."""

    time: float
    opened: bool
    alarms: tuple[str, ...]
    text: str


@dataclass
class Night:
    """The outcome of one night, for the table. worse: times of calls soon after another that the oracle holds to be for
    a distinctly worse hazard. lost: alarms that did not outlive a restart as they were. doubled: message ids used twice.
    hollow: wakes about nothing that stood unacknowledged."""

    seed: int
    kind: str
    verdict: Verdict
    told: list[Told] = field(default_factory=list)
    false: list[Told] = field(default_factory=list)
    notices: list[float] = field(default_factory=list)
    raised: list[tuple[float, str]] = field(default_factory=list)
    worse: list[float] = field(default_factory=list)
    lost: int = 0
    doubled: int = 0
    hollow: int = 0

    @property
    def calls(self) -> list[Told]:
        return [t for t in self.told if t.opened]


def to_line(night: Night) -> str:
    return json.dumps(asdict(night))


def from_line(line: str) -> Night:
    """The inverse of `to_line`."""
    plain: dict[str, Any] = json.loads(line)
    verdict = plain["verdict"]
    plain["verdict"] = Verdict(
        tuple(_need(n) for n in verdict["needs"]),
        tuple(_need(n) for n in verdict["missed"]),
        tuple(Wake(w["minute"], Place(w["place"])) for w in verdict["false"]),
        tuple((minutes, possible) for minutes, possible in verdict["leads"]),
    )
    for name in ("told", "false"):
        plain[name] = [Told(**{**t, "alarms": tuple(t["alarms"])}) for t in plain[name]]
    plain["raised"] = [(at, alarm) for at, alarm in plain["raised"]]
    return Night(**plain)


def _need(plain: dict[str, Any]) -> Need:
    return Need(**{**plain, "place": Place(plain["place"])})
