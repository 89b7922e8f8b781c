"""What the annunciator remembers: what stands unannunciated or unanswered, how loud it was told, and when."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any, cast

from daemon.core.annunciation.escalation import WakeCall
from daemon.core.events import Level
from daemon.core.said import Text, said


@dataclass(slots=True)
class Annunciation:
    """One unacknowledged alarm and how loud it was told. consequence_at: engine time, None = treat as now."""

    key: str
    rule: str
    occurrence: int
    text: Text
    since: float
    consequence_at: float | None
    level: Level = Level.LOG
    woken: bool = False
    held: Text = ""
    """Why it does not wake, where it is spared a sleeper."""
    noticed_at: float | None = None
    improving: bool = False
    """Beyond the set point, and on its way back."""
    recovered: bool = False
    """Back; its off-delay runs."""
    value: float | None = None
    told_value: float | None = None
    """The value when somebody was last told to wake up for it."""

    @property
    def mends(self) -> bool:
        """Nobody need be called louder for it."""
        return self.improving or self.recovered


@dataclass(slots=True)
class Memory:
    """All that must outlive a restart. Times are engine times, s."""

    asleep: bool = False
    paused_from: float = 0.0
    paused_until: float | None = None
    standing: dict[str, Annunciation] = field(default_factory=dict)
    call: WakeCall | None = None
    waiting: list[str] = field(default_factory=list)
    """Alarms that may wake as soon as the spacing is over."""
    queue: list[str] = field(default_factory=list)
    """Alarms to be told in the next notice."""
    recheck_at: float | None = None
    woke: list[str] = field(default_factory=list)
    held: dict[str, Text] = field(default_factory=dict)

    def dump(self) -> dict[str, object]:
        """Plain values only."""
        return asdict(self)

    @classmethod
    def load(cls, dumped: dict[str, object]) -> Memory:
        """The inverse of `dump`."""
        memory = cls(**cast(dict[str, Any], dumped))
        kept = cast(dict[str, dict[str, Any]], memory.standing)
        memory.standing = {
            k: Annunciation(**{**t, "level": Level(t["level"]), "text": said(t["text"]), "held": said(t["held"])})
            for k, t in kept.items()
        }
        memory.held = {name: said(text) for name, text in memory.held.items()}
        memory.call = None if memory.call is None else WakeCall(**cast(dict[str, Any], memory.call))
        return memory
