"""Kept cooks made by hand, minute by minute, for what a report must say of them: our own chuck roll in our own pit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from daemon.core.events import (
    AlarmChanged,
    AlarmState,
    Event,
    FireNoticed,
    FireSign,
    ForecastMade,
    Level,
    Marked,
    Notification,
    Priority,
    QualityChanged,
    StageChanged,
    StallChanged,
    WakeJudged,
)
from daemon.core.orders import MarkKind
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.settings import Band, ChannelSettings, CookSettings, MeatKind, PieceSettings, Role
from daemon.shell.library.cook import KeptCook
from daemon.shell.wording import event_to_dict
from drivers.reading import Quality

START = 1_795_798_800.0
"""Friday 27 November 2026, 17:00 UTC: a whole minute."""
BAND = Band(107.0, 135.0)
CHUCK = PieceSettings(
    id="chuck", name="Chuck roll", cut="beef-chuck-roll", kind=MeatKind.WHOLE_ROAST, channel="chuck", weight=7.0,
    thickness=0.15, shape=0.9, wrap_at=77.0, tender_low=92.0, tender_high=97.0,
    safe_rule="USDA home guidance, with 3 min rest",
)  # fmt: skip
CHANNELS = (
    ChannelSettings("left", "Pit, left", Role.PIT, place="left"),
    ChannelSettings("right", "Pit, right", Role.PIT, place="right"),
    ChannelSettings("chuck", "Chuck roll", Role.MEAT),
)


def at(minute: float) -> float:
    """Engine time of a minute of the cook."""
    return START + 60.0 * minute


def stage(minute: float, after: str, because: str = "mark", before: str = "") -> StageChanged:
    return StageChanged(at(minute), "chuck", before, after, because)


def mark(minute: float, kind: MarkKind, piece: str | None = None) -> Marked:
    return Marked(at(minute), kind, piece, "cook")


def seen(minute: float, sign: FireSign) -> FireNoticed:
    """Noticed three minutes late."""
    return FireNoticed(at(minute + 3), sign, at(minute), 0.9)


def stall(minute: float, stalled: bool) -> StallChanged:
    return StallChanged(at(minute), "chuck", stalled, 0.9)


def told(
    minute: float, alarm: str, occurrence: int = 1, step: int = 0, level: Level = Level.WAKE, held_back: str = ""
) -> Notification:
    return Notification(
        at(minute), f"{alarm}#{occurrence}.{step}", level, alarm, occurrence, step, "Add 1-2 splits: pit 109 °C",
        ("phone",), at(minute + 2), held_back=held_back,
    )  # fmt: skip


def alarm(minute: float, key: str, before: AlarmState, after: AlarmState, occurrence: int = 1) -> AlarmChanged:
    rule, _, subject = key.partition("/")
    return AlarmChanged(
        at(minute), key, rule, subject, occurrence, before, after, Priority.HIGH, False, "Act now", "seen"
    )


def judged(minute: float, notification: str, needed: bool) -> WakeJudged:
    return WakeJudged(at(minute), notification, needed, "cook")


def said(minute: float, goal: Goal, p05: float, p50: float, p95: float) -> ForecastMade:
    """A forecast made at `minute` that names three minutes of the cook."""
    interval = Interval(at(p05), at(p50), at(p95))
    return ForecastMade(at(minute), "chuck", at(minute), (Outlook(goal, "planned", interval),))


def doubted(minute: float, channel: str, quality: Quality, evidence: str) -> QualityChanged:
    return QualityChanged(at(minute), channel, quality, (), None, evidence)


def kept(
    pit: Sequence[float] | Sequence[Sequence[float]],
    core: Sequence[float],
    events: Iterable[Event] = (),
    piece: PieceSettings = CHUCK,
    **more: Any,
) -> KeptCook:
    """pit: minute values of both places, or one sequence for each. core: of the chuck roll, of the same length."""
    left, right = (pit[0], pit[1]) if pit and isinstance(pit[0], Sequence) else (pit, pit)
    count = len(core)
    settings = CookSettings("supper", "Village-hall lunch", BAND, (piece,), serve_at=more.pop("serve_at", None))
    ordered = sorted(events, key=lambda event: event.time)
    return KeptCook(
        id="2026-11-27-supper",
        name=settings.name,
        pit="The long pit",
        started=START,
        ended=at(count),
        wall_offset=0.0,
        settings=settings,
        channels=CHANNELS,
        minutes=tuple(range(int(START // 60), int(START // 60) + count)),
        series={"left": tuple(left), "right": tuple(right), "chuck": tuple(core)},  # type: ignore[arg-type]
        events=tuple(event_to_dict(event, 0.0) for event in ordered),
        bands=more.pop("bands", ()),
        **more,
    )


def quiet_night(hours: int = 10) -> dict[str, Any]:
    """Arguments of `kept`: a pit in the middle of its band, a core that climbs evenly to 92 °C and is served at once."""
    count = 60 * hours
    core = [5.0 + 88.0 * minute / count for minute in range(count)]
    events = [stage(0, "on"), stage(30, "cooking", "the core begins to climb"), stage(count - 1, "off")]
    return {"pit": [121.0] * count, "core": core, "events": events}
