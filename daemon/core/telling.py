"""What the annunciator remembers: who was told what, how loud, and what is still to be told."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, cast

from daemon.core.escalation import WakeCall
from daemon.core.events import Level


@dataclass(slots=True)
class Telling:
    """One unacknowledged alarm and how loud it was told. consequence_at: engine time, None = treat as now."""

    key: str
    rule: str
    occurrence: int
    text: str
    since: float
    consequence_at: float | None
    level: str = Level.LOG
    woken: bool = False
    held: str = ""
    """Why it does not wake, where it is spared a sleeper."""


@dataclass(slots=True)
class Sent:
    """One wake message on its way."""

    at: float
    audiences: list[str]
    failed: list[str] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Memory:
    """All that must outlive a restart. Times are engine times, s."""

    asleep: bool = False
    paused_from: float = 0.0
    paused_until: float | None = None
    steps: dict[str, list[int]] = field(default_factory=dict)
    """key -> [occurrence, next step]: an id is never used twice."""
    standing: dict[str, Telling] = field(default_factory=dict)
    call: WakeCall | None = None
    last_wake: float | None = None
    last_urgent: float | None = None
    waiting: list[str] = field(default_factory=list)
    """Alarms that may wake as soon as the spacing is over."""
    notices: list[float] = field(default_factory=list)
    queue: list[str] = field(default_factory=list)
    """Alarms to be told in the next notice."""
    sent: dict[str, Sent] = field(default_factory=dict)
    down: list[str] = field(default_factory=list)
    """Delivery channels that failed last time."""
    recheck_at: float | None = None
    woke: list[str] = field(default_factory=list)
    held: dict[str, str] = field(default_factory=dict)
    tests: int = 0
    test_state: str = "never"
    test_at: float = 0.0

    def dump(self) -> dict[str, object]:
        """Plain values only."""
        return asdict(self)

    @classmethod
    def load(cls, dumped: dict[str, object]) -> Memory:
        """The inverse of `dump`."""
        memory = cls(**cast(dict[str, Any], dumped))
        memory.standing = {k: Telling(**cast(dict[str, Any], t)) for k, t in memory.standing.items()}
        memory.sent = {k: Sent(**cast(dict[str, Any], s)) for k, s in memory.sent.items()}
        memory.call = None if memory.call is None else WakeCall(**cast(dict[str, Any], memory.call))
        return memory
