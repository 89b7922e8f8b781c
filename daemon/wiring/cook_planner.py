"""Plans the cook of a running watch: for the page, at a start whose cook file asks for it, and anew when the cook changes."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace

from config.config_error import ConfigError
from config.cook import Cook, ReminderSection
from config.rig import Rig
from daemon.core.engine import Engine
from daemon.core.events import CookChanged, Event
from daemon.core.forecast.plan import Course, Running
from daemon.core.orders import KeepPlan
from daemon.core.outlook import Goal
from daemon.core.plan.steps import at_once, end_of
from daemon.core.planned import KeptPlan, ReminderSettings
from daemon.core.settings import Role
from daemon.shell.background import in_background
from daemon.shell.loop import WatchLoop
from daemon.shell.view import View
from daemon.shell.web.contract import PlannedCook
from daemon.texts.problems import told
from daemon.wiring.composers import composer_of
from daemon.wiring.planning import AMBIENT, Weather, made_plan
from daemon.wiring.settings_from_files import reminder_settings, watch_settings

log = logging.getLogger(__name__)
BY = "watch"


def as_begun(made: PlannedCook, before: KeptPlan, begun: Collection[str], lit: bool) -> PlannedCook:
    """A plan made anew in mid-cook: what has begun stays as it was agreed. begun: pieces that are on, or were."""
    if made.kept is None:
        return made
    old = {piece.piece: piece for piece in before.pieces if piece.piece in begun}
    pieces = tuple(old.get(piece.piece, piece) for piece in made.kept.pieces)
    light = before.light if lit else made.kept.light
    return replace(made, kept=replace(made.kept, pieces=pieces, light=light))


def running_of(engine: Engine, now: float) -> Running:
    """What has been done of the running cook, and what is foretold of it; engine times."""
    courses = {}
    for piece, watch in engine.pieces.items():
        stage = watch.stage
        if stage.on_at is None:
            continue
        wrap = watch.outlook(Goal.WRAP)
        wrapped = stage.wrapped_at if stage.wrapped_at is not None or wrap is None else wrap.p50
        off = end_of(watch) if stage.off_at is None else at_once(stage.off_at)
        courses[piece] = Course(stage.on_at, off, stage.off_at is not None, wrapped)
    return Running(now, dict(engine.duties.plan.lit_at), courses)


class CookPlanner:
    """One per watch; used from the loop's own thread."""

    def __init__(self, rig: Rig, loop: WatchLoop) -> None:
        self._rig, self._loop = rig, loop
        self._weather: tuple[float | None, float] | None = None
        """As last asked for in this life: ambient, wind."""
        self._at_work: set[asyncio.Task[None]] = set()

    def plan(self, cook: Cook | None, ambient: float | None, wind: float, wake: bool) -> Callable[[], PlannedCook]:
        """See `contract.Planning`. Times of the kept plan are engine times."""
        engine = self._loop.engine
        offset, profile, now = engine.wall.offset, engine.pit.learned(), self._loop.clock.wall()
        settings = engine.settings if cook is None else watch_settings(self._rig, cook, offset)
        self._weather = (ambient, wind)
        weather = Weather(self._outside() if ambient is None else ambient, wind)
        running = None if cook is not None else running_of(engine, self._loop.stamp())

        def work() -> PlannedCook:
            try:
                made = made_plan(self._rig, settings, "page", weather, profile, now, wake, offset, running)
            except ConfigError as error:
                words = composer_of(self._rig).say
                raise ValueError("; ".join(words(told(problem.remedy)) for problem in error.problems)) from None
            return PlannedCook(made.lines, made.kept)

        return work

    def reminder(self, own: ReminderSection) -> ReminderSettings:
        return reminder_settings(own, self._rig.people.zone, self._loop.engine.wall.offset)

    def _outside(self) -> float:
        """°C, as the rig's own probe says."""
        read = [c.celsius for c in self._loop.engine.snapshot(self._loop.stamp()).channels if c.role is Role.AMBIENT]
        return next((celsius for celsius in read if celsius is not None), AMBIENT)

    def keep_from_file(self, cook: Cook) -> None:
        """The cook file asks for its plan to be kept."""
        if cook.plan is not None and cook.serve_at is not None:
            self._keep(self.plan(cook, cook.plan.ambient, cook.plan.wind, cook.plan.wake), "cook file")

    async def keep_asked(self, ambient: float | None, wind: float, wake: bool, by: str) -> str:
        """Plan the running cook and keep the plan. Why that cannot be, or ""."""
        if not self._loop.engine.settings.cook.pieces:
            return composer_of(self._rig).words("request.nothing-to-plan")
        try:
            made = await in_background(self.plan(None, ambient, wind, wake))
        except ValueError as error:
            return str(error)
        if made.kept is None:
            words = composer_of(self._rig).say
            return "; ".join(words(line).strip() for line in made.lines)
        self._loop.post(KeepPlan(made.kept, by))
        return ""

    def on_events(self, events: Sequence[Event], view: View, now: float) -> None:
        """Pieces came, went or changed: the kept plan is made anew."""
        changed = any(isinstance(e, CookChanged) and (e.added or e.removed or e.changed) for e in events)
        engine = self._loop.engine
        kept, cook, lit = engine.duties.plan.kept, engine.settings.cook, bool(engine.duties.plan.lit_at)
        begun = {piece for piece, watch in engine.pieces.items() if watch.stage.on_at is not None}
        if changed and kept is not None and cook.serve_at is not None and cook.pieces:
            anew = self.plan(None, *(self._weather or (kept.ambient, kept.wind)), kept.wake)
            self._keep(lambda: as_begun(anew(), kept, begun, lit), BY)

    def _keep(self, work: Callable[[], PlannedCook], by: str) -> None:
        task = asyncio.create_task(self._kept(work, by), name="plan")
        self._at_work.add(task)
        task.add_done_callback(self._at_work.discard)

    async def _kept(self, work: Callable[[], PlannedCook], by: str) -> None:
        try:
            made = await in_background(work)
        except ValueError as error:
            log.warning("no plan is kept: %s", error)
            return
        if made.kept is not None:
            self._loop.post(KeepPlan(made.kept, by))

    async def close(self) -> None:
        """Leave nothing at work."""
        for task in self._at_work:
            task.cancel()
        await asyncio.gather(*self._at_work, return_exceptions=True)
