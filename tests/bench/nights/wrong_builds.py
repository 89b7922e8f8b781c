"""Watches broken on purpose, one for each thing the night bench claims to see: each must miss the bar named with it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import Any

from daemon.core import engine as engine_module
from daemon.core.alarms import state as alarm_state
from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rules import ALARM_RULES, Condition
from daemon.core.alarms.table import AlarmTable, AlarmView
from daemon.core.annunciation import spacing
from daemon.core.annunciation.annunciator import RECHECK, Annunciator
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Level, Notification
from daemon.core.settings import Band, SleeperSettings, WatchSettings


class Build:
    """The right watch. What a wrong one overrides is what is wrong with it.

    kind: of night that shows it; nights: how many of them are enough; seed: whose; bar: the one that must be missed."""

    kind = "fed-late"
    nights = 1
    seed = 4
    bar = ""

    def engine(self, settings: WatchSettings) -> Engine:
        return Engine(settings)

    def load(self, engine: Engine, dumped: dict[str, Any]) -> None:
        engine.load(dumped)

    def judges(self, process: ProcessSnapshot) -> Iterator[Condition]:
        return conditions(process)

    @contextmanager
    def in_force(self) -> Iterator[None]:
        """The engine judges with this build's judges."""
        right = vars(engine_module)["conditions"]
        vars(engine_module)["conditions"] = self.judges
        try:
            yield
        finally:
            vars(engine_module)["conditions"] = right


class Late(Build):
    """Waits an hour before it says that the fire wants feeding or is lost."""

    bar = "must-wake missed"

    def engine(self, settings: WatchSettings) -> Engine:
        made = Engine(settings)
        slow = tuple(replace(r, on_delay=3600.0) if r.id in ("pit-falling", "fire-out") else r for r in ALARM_RULES)
        made.alarms = AlarmTable(slow, settings.announcing.shelve_limit)
        return made


class Silent(Build):
    """Judges that never find anything."""

    bar = "must-wake missed"

    def judges(self, process: ProcessSnapshot) -> Iterator[Condition]:
        return iter(())


class Eager(Build):
    """Holds the pit to a band much narrower than the cook's."""

    bar = "false wakes a night"

    def engine(self, settings: WatchSettings) -> Engine:
        band = Band(settings.cook.band.low + 14.0, settings.cook.band.high)
        return Engine(replace(settings, cook=replace(settings.cook, band=band)))


class Hasty(Build):
    """Believes that a sleeper needs two minutes."""

    nights = 2
    bar = "fire wakes with lead >= 22 min, if possible"

    def engine(self, settings: WatchSettings) -> Engine:
        announcing = replace(settings.announcing, sleeper=SleeperSettings(30.0, 30.0, 30.0, 30.0))
        made = Engine(replace(settings, announcing=announcing))
        made.annunciator = Annunciator(tuple(replace(r, time_to_act=60.0) for r in ALARM_RULES), announcing)
        return made


class Forgetful(Build):
    """Starts anew after a restart and knows nothing of before."""

    kind = "restart"
    nights = 4
    bar = "alarms lost or changed over a restart"

    def load(self, engine: Engine, dumped: dict[str, Any]) -> None:
        return None


class Losing(Build):
    """Knows the pit and the meat after a restart, but not which alarms stood."""

    kind = "restart"
    nights = 4
    bar = "alarms lost or changed over a restart"

    def load(self, engine: Engine, dumped: dict[str, Any]) -> None:
        engine.load({**dumped, "alarms": {"judged_at": 0.0, "alarms": {}}})


class Doubling(Build):
    """Forgets after a restart which messages it has sent."""

    kind = "restart"
    nights = 8
    bar = "message ids used twice"

    def load(self, engine: Engine, dumped: dict[str, Any]) -> None:
        told = {**dumped["annunciator"], "messages": {"steps": {}, "named": {}}}
        engine.load({**dumped, "annunciator": told})


class _Recovering(Annunciator):
    def changed(self, change: AlarmChanged, view: AlarmView | None, now: float, wall: float) -> list[Notification]:
        told = super().changed(change, view, now, wall)
        if change.before is AlarmState.ACKNOWLEDGED and change.after is AlarmState.NORMAL:
            told.append(
                Notification(now, f"{change.alarm}#{change.occurrence}.back", Level.WAKE, change.alarm, change.occurrence,
                             0, "Sleep on: all is well again", ("phone",), now + 600.0)
            )  # fmt: skip
        return told


class Recovering(Build):
    """Wakes people to say that all is well again."""

    bar = "wakes about nothing that stands"

    def engine(self, settings: WatchSettings) -> Engine:
        made = Engine(settings)
        made.annunciator = _Recovering(ALARM_RULES, settings.announcing)
        return made


class Nagging(Build):
    """Calls again two minutes after an answer, and knows no spacing."""

    bar = "wake calls in any 10 min"

    def engine(self, settings: WatchSettings) -> Engine:
        made = Engine(settings)
        impatient = tuple(replace(r, re_alarm=120.0) for r in ALARM_RULES)
        made.alarms = AlarmTable(impatient, settings.announcing.shelve_limit)
        return made

    @contextmanager
    def in_force(self) -> Iterator[None]:
        right, spacing.SPACING = spacing.SPACING, 1.0  # type: ignore[attr-defined]
        try:
            yield
        finally:
            spacing.SPACING = right  # type: ignore[attr-defined]


class _Talkative(Annunciator):
    def _recheck(self, now: float, night: bool) -> list[Notification]:
        told = super()._recheck(now, night)
        self._memory.queue = [key for key, telling in self._memory.standing.items() if not telling.woken]
        self._spacing.notices = []
        self._memory.recheck_at = now + RECHECK
        return told


class Talkative(Build):
    """Sends the same notice again at every look."""

    kind = "outage"
    bar = "notices in any 10 min"

    def engine(self, settings: WatchSettings) -> Engine:
        made = Engine(settings)
        made.annunciator = _Talkative(ALARM_RULES, settings.announcing)
        return made


class Twitchy(Build):
    """No delays, no deadbands."""

    nights = 2
    bar = "chattering alarms (3 raises in 10 min)"

    def engine(self, settings: WatchSettings) -> Engine:
        made = Engine(settings)
        bare = tuple(replace(r, on_delay=0.0, off_delay=0.0, re_alarm=None) for r in ALARM_RULES)
        made.alarms = AlarmTable(bare, settings.announcing.shelve_limit)
        return made

    def judges(self, process: ProcessSnapshot) -> Iterator[Condition]:
        return (replace(c, within=not c.active) for c in conditions(process))

    @contextmanager
    def in_force(self) -> Iterator[None]:
        right, alarm_state.CHATTER_HOLD = alarm_state.CHATTER_HOLD, 0.0
        try:
            with super().in_force():
                yield
        finally:
            alarm_state.CHATTER_HOLD = right


WRONG_BUILDS: dict[str, Build] = {
    made.__name__.lower(): made()
    for made in (
        Late, Silent, Eager, Hasty, Forgetful, Losing, Doubling, Recovering, Nagging, Talkative, Twitchy
    )
}  # fmt: skip
