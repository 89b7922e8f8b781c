"""Wires the rooms together: files, devices, engine, journal, outbox, broker and page make one running watch."""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import secrets
import sqlite3
import sys
from dataclasses import dataclass
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING

from config.config_error import ConfigError
from config.cook import Cook
from config.delivery import MqttReach, ReachWithChart
from daemon.core.alarms.table import alarm_key
from daemon.core.engine import Engine
from daemon.core.forecast.outlooks import Forecaster
from daemon.core.inputs import Health, Part, Resumed, UsePitClass, UsePitProfile
from daemon.core.orders import Mark, MarkKind, StartCook
from daemon.core.pit_profile import PitProfile, taught
from daemon.core.said import Text
from daemon.core.settings import CookSettings
from daemon.shell.background import in_background
from daemon.shell.clock import PLAUSIBLE_SINCE, Clock, SystemClock, boot_id, boot_seconds, wall_seconds
from daemon.shell.fleet.class_file import file_of, read_figures
from daemon.shell.journal.journal import Journal, Start
from daemon.shell.journal.profile_note import FIRST_PROBES_NOTE, PITS_NOTE, keep_profile, kept_profile
from daemon.shell.library.archive import CookArchive
from daemon.shell.library.compaction import compact
from daemon.shell.life.housekeeping import Housekeeping, repeat
from daemon.shell.life.systemd import tell_systemd
from daemon.shell.loop import FAREWELL, WatchLoop
from daemon.shell.notify.outbox import Outbox
from daemon.shell.resume import away_is_known, engine_time_at_start, restored
from daemon.shell.state.failed_lives import SOUND_AFTER, FailedLives
from daemon.shell.state.regular_file import make_room
from daemon.shell.state.running_cook import BY, Progress, RunningCook
from daemon.shell.state.state_lock import StateLock
from daemon.texts.problems import in_a_line
from daemon.wiring.composers import composer_of
from daemon.wiring.cook_file import NOT_BEGUN, files_read, fits, meant_by, order_of
from daemon.wiring.cook_planner import CookPlanner
from daemon.wiring.deliveries import broker_settings, delivery_channel
from daemon.wiring.device_supervisors import device_supervisors
from daemon.wiring.keys import address_of, invitation, page_key_made, shown_address
from daemon.wiring.pit_order import first_probes, in_known_order
from daemon.wiring.settings_from_files import cook_settings, unserved, watch_settings
from daemon.wiring.signs_of_life import SignsOfLife
from daemon.wiring.state_directory import JOURNAL_FILE, state_directory
from daemon.wiring.state_files import state_files

if TYPE_CHECKING:  # brought in below, where the rig uses them: each costs a board megabytes
    from daemon.shell.hub.feed import HubFeed
    from daemon.shell.notify.chart import ChartAhead
    from daemon.shell.web.page import Page

log = logging.getLogger(__name__)

HEARTBEAT_EVERY = 60.0
"""s between heartbeats on the broker; what is measured expires at the hub after four minutes without one."""
PROFILE_EVERY = 3600.0
TIDY_EVERY = 86400.0
COOKS_EVERY, FIRST_KEPT = 30.0, 1.0
"""s between looks at whether a cook has begun or ended, and before the first."""
LIFE_BYTES = 3
"""Of the word that tells one life's messages from another's."""
PAGE_TRIED_EVERY = 10.0
"""s between attempts to serve the page on a port that is taken."""
TOPICS_NOTE = "announced-topics"
COOK_NOTE = "cook-file"
"""The path of the cook file of the newest start, "" = it was started without one."""


@dataclass(frozen=True, slots=True)
class Files:
    """What a watch is started from. state: directory of the journal, None = no journal."""

    rig: Path
    cook: Path | None
    state: Path | None


class Watch:
    """One running watch. Build it, then `run` until cancelled."""

    def __init__(self, files: Files, clock: Clock | None = None, time_scale: float = 1.0) -> None:
        """Raises ConfigError, SecretRefused, StateInUse; nothing has been started then."""
        self.rig, self.cook, unreadable = files_read(files.rig, files.cook)
        self.state = state_directory(self.rig, files.state)
        self.lock = StateLock(self.state)
        self.lock.take()
        make_room(state_files(self.state))
        for problem in unserved(self.rig, str(files.rig)):
            log.warning("%s", in_a_line(problem, composer_of(self.rig)))
        self.journal = Journal.opened(self.state / JOURNAL_FILE)
        if len(self.rig.pits) > 1:
            with contextlib.suppress(sqlite3.Error):  # a disk that cannot be read: the order of the file
                notes = self.journal.notes
                self.rig = in_known_order(self.rig, notes.note(PITS_NOTE), notes.note(FIRST_PROBES_NOTE))
        boot, since_boot, wall = boot_id(), boot_seconds(), wall_seconds()
        resume_at = engine_time_at_start(self.journal, boot, since_boot, wall)
        self._away_known = clock is not None or away_is_known(self.journal, boot, since_boot, wall)
        self.clock = clock or SystemClock(resume_at)
        previous = self.journal.newest_start()
        self._cook_text = files.cook.read_text(encoding="utf-8") if files.cook and not unreadable else None
        if unreadable:
            self._cook_text = previous.cook if previous is not None else None
            earlier = meant_by(self._cook_text)
            self.cook = earlier if earlier is not None and fits(earlier, self.rig) else None
        offset = self.clock.wall() - self.clock.now()
        settings = watch_settings(self.rig, self.cook, offset)
        self._failed_lives, self._forgot = FailedLives(self.state), False
        if self._failed_lives.too_many:
            log.error(
                "%d lives ended by a failure: this one begins without what they remembered", self._failed_lives.count
            )
            self._failed_lives.forget()
            self._begin_without_memory()
            self.engine = Engine(settings)
        else:
            self.engine = restored(lambda: Engine(settings), self.journal, self._begin_without_memory)
        self._wall_offset = offset
        self._class_told = {pit.id: pit.fire.class_figures for pit in self.engine.pits.values()}
        self._class_trouble = ""
        self._cook_file = str(files.cook.resolve()) if files.cook is not None else ""
        if unreadable:
            self._go_on_without_file(unreadable)
        self.loop = WatchLoop(
            self.engine, self.clock, self.journal, forecaster=Forecaster(),
            clock_trusted=lambda: self.clock.wall() >= PLAUSIBLE_SINCE, time_scale=time_scale,
        )  # fmt: skip
        self.composer = composer_of(self.rig)
        self.feed = self._make_feed()
        self.chart = self._make_chart()
        newest = self.chart.newest if self.chart is not None else None
        audiences = dict(self.engine.settings.announcing.audiences)
        link = self.feed.link if self.feed is not None else None
        self.outbox = Outbox(
            {d.name: delivery_channel(d, link, self.rig.pit.id, newest) for d in self.rig.delivery}, audiences,
            self.journal, self.clock, self.loop.post, self.rig.pit.name, lambda: self.engine.wall.offset, time_scale,
            self.loop.writer, self.composer, self.engine.words_now,
        )  # fmt: skip
        self.loop.outbox = self.outbox
        if self.chart is not None:
            self.loop.listeners.append(self.chart.on_events)
        if self.feed is not None:
            self.loop.listeners.append(self.feed.on_events)
            self.feed.carries = self._broker_carries
        self.device_supervisors = device_supervisors(self.rig, self.loop.post, self.loop.stamp)
        self._planner = CookPlanner(self.rig, self.loop)
        self.loop.listeners.append(self._planner.on_events)
        self._page_key = page_key_made(self.rig.page, self.state) if self.rig.page is not None else ""
        self.page = self._make_page()
        if self.page is not None:
            self.loop.listeners.append(self.page.on_events)
        self._rig_text = files.rig.read_text(encoding="utf-8")
        self._previous = previous
        self._boot = boot
        self._began = self.clock.now()
        self.signs_of_life = SignsOfLife(self.clock, self.loop, self.outbox, self.device_supervisors)
        self._archive = CookArchive(self.journal)
        self._running_cook = RunningCook(self.state)
        self._lost_cook = self._running_cook.newer_than(self.journal.last_input, bool(self.journal.trouble), offset)

    # --- parts -----------------------------------------------------------------------------------------------

    def _broker_carries(self, works: bool, why: Text) -> None:
        self.outbox.carried((d.name for d in self.rig.delivery if isinstance(d, MqttReach)), works, why)

    def _make_chart(self) -> ChartAhead | None:
        """Only where a delivery channel asks for it."""
        if not any(isinstance(d, ReachWithChart) and d.chart for d in self.rig.delivery):
            return None
        from daemon.shell.notify.chart import ChartAhead
        from daemon.shell.report.picture.drawer import Drawer

        return ChartAhead(Drawer(self.state / "drawing"), self.loop.stamp, self.composer.reader)

    def _make_feed(self) -> HubFeed | None:
        settings = broker_settings(self.rig)
        if settings is None:
            return None
        from daemon.shell.hub.feed import HubFeed
        from daemon.shell.hub.orders import Makers

        known = set(self.journal.notes.note(TOPICS_NOTE) or ())
        return HubFeed(
            self.rig, settings, self.loop.post, known,
            lambda topics: self.journal.notes.set_note(TOPICS_NOTE, sorted(topics)), lambda: self.engine.wall.offset,
            page=shown_address(self.rig.page) if self.rig.page is not None else "", composer=self.composer,
            makers=Makers(self._build_cook, lambda own: self._planner.reminder(own)),
            keep_plan=lambda wanted: self._planner.keep_asked(wanted.ambient, wanted.wind, wanted.wake, wanted.by),
        )  # fmt: skip

    def _make_page(self) -> Page | None:
        section = self.rig.page
        if section is None:
            return None
        from daemon.shell.web.page import Page

        return Page(section, self.rig, self.composer.reader, self.loop, self._page_key, self._build_cook, self._planner)

    def _build_cook(self, cook: Cook) -> CookSettings:
        return cook_settings(cook, self.rig, self.engine.wall.offset)

    def greeting(self) -> list[str]:
        """What to tell whoever starts the watch by hand."""
        names = tuple(pit.name for pit in self.rig.pits)
        lines = [
            self.composer.words(
                "command.run.watching", pits=names, channels=len(self.rig.channels), directory=str(self.state)
            )
        ]
        section = self.rig.page
        if section is not None:
            # the key is for whoever sits at the terminal, not for a log
            hint = self.composer.words("command.run.key")
            bare = [f"page: {address_of(section)}", hint]
            lines += invitation(section, self._page_key) if sys.stdout.isatty() else bare
        return lines

    # --- life ------------------------------------------------------------------------------------------------

    async def run(self) -> None:
        """Watch until cancelled. Leaves everything written and the broker told."""
        self._began = self.clock.now()
        await self._begin()
        served = self.page is None or await self._served(self.page)
        housekeeping = Housekeeping()
        housekeeping.every(PROFILE_EVERY, self._keep_profile, "keep what the pit taught")
        housekeeping.every(COOKS_EVERY, self._keep_cooks, "keep the cooks", FIRST_KEPT)
        housekeeping.every(SOUND_AFTER, self._remember_soundness, "count this life as sound")
        housekeeping.every(TIDY_EVERY, self._tidy, "tidy the journal")
        try:
            async with asyncio.TaskGroup() as group:
                group.create_task(self.loop.run(), name="loop")
                group.create_task(self.outbox.run(), name="outbox")
                for device_supervisor in self.device_supervisors:
                    group.create_task(device_supervisor.run(), name=f"device {device_supervisor.name}")
                for name, sign in self.signs_of_life.given(self.rig.dead_man):
                    group.create_task(sign, name=name)
                if self.feed is not None:
                    feed = self.feed
                    beat = repeat(HEARTBEAT_EVERY, lambda: feed.heartbeat(self.loop.stamp(), self.loop.view))
                    group.create_task(beat, name="heartbeat")
                group.create_task(self._check_journal(), name="check the journal")
                if self.page is not None and not served:
                    group.create_task(self._serve_later(self.page), name="page")
                group.create_task(housekeeping.run(), name="housekeeping")
                tell_systemd("READY=1")
        except* Exception:
            self._failed_lives.failed(self.clock.now() - self._began)
            raise
        finally:
            tell_systemd("STOPPING=1")
            await self._end()

    def _keep_profile(self) -> None:
        """With the fires of this watch; what a cook taught and what was emptied by hand is kept by the loop at once."""
        for pit in self.engine.pits.values():
            keep_profile(self.journal.notes, pit.learned(), pit.id)

    def _keep_running_cook(self) -> None:
        progress = tuple(
            Progress(p.id, p.on_at, p.wrapped_at, p.off_at) for p in self.engine.snapshot(self.loop.stamp()).pieces
        )
        self._running_cook.keep(self.engine.settings.cook, progress, self.journal.last_input, self.engine.wall.offset)

    async def _keep_cooks(self) -> None:
        self.lock.keep()
        self._keep_running_cook()
        if await in_background(self._archive.tend, self.engine.settings, self.engine.wall.offset):
            await self._write_now()  # so that a cook is kept even of a watch whose lives are short
        finished = await in_background(self._archive.finished)
        self._heed_class()
        for pit in self.engine.pits.values():
            before = pit.learned()
            profile = reduce(taught, [lessons for of, lessons in finished if of == pit.id], before)
            if profile != before:
                self.loop.post(UsePitProfile(profile, by="cook log", pit=pit.id))
        if finished:
            await self._tidy()

    def _heed_class(self) -> None:
        """What a crew's other pits have shown, if this board shares what it learns: fetched by `pitvigil ship`."""
        shares = self.rig is not None and self.rig.fleet is not None and self.rig.fleet.share_learning
        try:
            told = {pit: read_figures(self.state / file_of(pit)) if shares else () for pit in self._class_told}
        except (OSError, ValueError) as error:
            if str(error) != self._class_trouble:
                self._class_trouble = str(error)
                log.error("what the centre told of this class of pits is not used: %s", error)
            return
        self._class_trouble = ""
        for pit, figures in told.items():
            if figures != self._class_told[pit]:
                self._class_told[pit] = figures
                self.loop.post(UsePitClass(figures, by="fleet", pit=pit))

    async def _served(self, page: Page) -> bool:
        try:
            await page.start()
        except OSError as error:
            log.error("the page cannot be served: %s; it is tried again", error.strerror or error)
            return False
        return True

    async def _serve_later(self, page: Page) -> None:
        """A port that another program has is no reason not to watch."""
        while True:
            await asyncio.sleep(PAGE_TRIED_EVERY)
            with contextlib.suppress(OSError):
                await page.start()
                log.error("the page is served now")
                return

    async def _check_journal(self) -> None:
        """It takes a while and may wait: the watch watches meanwhile."""
        with contextlib.suppress(sqlite3.Error):  # a disk that refuses is told of elsewhere
            await in_background(self.journal.disk.check)

    def _remember_soundness(self) -> None:
        if self.clock.now() - self._began >= SOUND_AFTER:
            self._failed_lives.forget()

    async def _tidy(self) -> None:
        await self._check_journal()
        self.journal.outbox.tidy()
        if not self.journal.trouble:
            with contextlib.suppress(sqlite3.Error):  # the next time will do
                await in_background(compact, self.journal.path)

    async def _begin(self) -> None:
        ill = self.engine.health.ill()
        for broker in (part for part in ill if part.part is Part.BROKER):
            self._broker_carries(False, broker.detail)  # what it did not carry in the life before is well when it does
        self.outbox.resume(part.name for part in ill if part.part is Part.CHANNEL)
        if self.feed is not None:
            self.feed.start()
        now = self.loop.stamp()
        start = Start(self.journal.last_input + 1, now, self._boot, boot_seconds(), self._rig_text, self._cook_text)
        self.journal.take_start(start)
        self.journal.notes.set_note(COOK_NOTE, self._cook_file)
        self.journal.notes.set_note(PITS_NOTE, [pit.id for pit in self.rig.pits])
        self.journal.notes.set_note(FIRST_PROBES_NOTE, first_probes(self.rig))
        resumed = Resumed(
            watched_until=self.journal.newest_event_time(),
            life=secrets.token_hex(LIFE_BYTES),
            away_known=self._away_known,
        )
        if left := self.engine.left_behind():
            log.warning(
                "this rig does not have what these are of, they end: %s", ", ".join(alarm_key(*one) for one in left)
            )
        await self.loop.drive(now, resumed)
        for pit in self.engine.pits.values():
            kept = kept_profile(self.journal.notes, pit.id)
            if kept != PitProfile() == pit.learned():  # else a checkpoint has brought its own
                self.loop.post(UsePitProfile(kept, by="journal", pit=pit.id))
        if self._lost_cook is None:
            self._heed_cook_file()
            if self._record_lost():
                log.error("the record of the cook is lost: say what is on the fire")
                self.loop.post(Health(Part.RECORD, "cook", ok=False))
            self._keep_running_cook()
        else:
            self._take_up(*self._lost_cook)

    def _begin_without_memory(self) -> None:
        self._forgot = True

    def _record_lost(self) -> bool:
        """Neither the journal nor the note beside it tells what ran; a first start has neither. Or what they tell is not
        believed, for it may be what made the lives before fail."""
        if self._forgot:
            return True
        note = self._running_cook
        if note.damaged and self._previous is None:
            return True
        return bool(self.journal.disk.mended) and (note.damaged or note.missing)

    def _take_up(self, cook: CookSettings, progress: tuple[Progress, ...]) -> None:
        """The journal has lost the end of the running cook: what was on the fire is on it again."""
        known = {piece.id: piece.on_at for piece in self.engine.snapshot(self.loop.stamp()).pieces}
        missing = [p for p in progress if p.on_at is not None and known.get(p.piece) is None]
        if cook.id != self.engine.settings.cook.id or set(known) != {piece.id for piece in cook.pieces}:
            self.loop.post(StartCook(cook, by=BY))
        elif not missing:
            self._heed_cook_file()
            return
        on = ", ".join(p.piece for p in missing) or "nothing"
        log.error("the journal has lost the end of %s; taken up again as it was on the fire: %s", cook.name, on)
        pit_of = {piece.id: piece.pit for piece in cook.pieces}
        lit: dict[str, float] = {}
        for p in missing:
            if p.on_at is not None:
                lit[pit_of[p.piece]] = min(p.on_at, lit.get(pit_of[p.piece], p.on_at))
        for pit, on_at in sorted(
            lit.items()
        ):  # a fire burnt before meat lay on it: one lit now would be given time to catch
            self.loop.post(Mark(MarkKind.FIRE_LIT, by=BY, pit=pit, at=on_at))
        for mark in (mark for p in missing for mark in p.marks()):
            self.loop.post(mark)

    def _go_on_without_file(self, unreadable: ConfigError) -> None:
        """A file that cannot be read ends no cook that runs. Raises ConfigError where none does, and where the file is not
        there and another one was named before: then its name is wrong, and whoever wrote it is still here."""
        cook, before = self.engine.settings.cook, self.journal.notes.note(COOK_NOTE)
        wrong_name = before not in (None, self._cook_file) and not Path(self._cook_file).exists()
        if wrong_name or all(str(piece.stage.stage) in NOT_BEGUN for piece in self.engine.pieces.values()):
            self.journal.close()
            self.lock.release()
            raise unreadable
        for problem in unreadable.problems:
            log.error("%s; %s goes on as it was", in_a_line(problem, composer_of(self.rig)), cook.name)

    def _heed_cook_file(self) -> None:
        """An edited file changes the running cook, and throws none away."""
        if self.cook is None:
            return
        if self._previous is None:  # at the first start the engine was made from it
            self._planner.keep_from_file(self.cook)
            return
        meant = cook_settings(self.cook, self.rig, self._wall_offset)
        stages = {piece.id: str(piece.stage) for piece in self.engine.snapshot(self.loop.stamp()).pieces}
        asked = order_of(self.cook, meant, self._previous.cook, self.engine.settings.cook, stages)
        if asked.words:
            log.warning("%s", asked.words)
        if asked.order is not None:
            self.loop.post(asked.order)
        unplanned = self.engine.duties.plan.kept is None and meant.id == self.engine.settings.cook.id
        if unplanned or isinstance(asked.order, StartCook):
            self._planner.keep_from_file(self.cook)

    async def _write_now(self) -> None:
        if self.loop.writer is not None:
            with contextlib.suppress(Exception):
                await self.loop.writer.commit(self.loop.stamp(), FAREWELL)

    async def _end(self) -> None:
        self._keep_profile()
        await self._write_now()
        await self._planner.close()
        if self.page is not None:
            await self.page.stop()
        if self.feed is not None:
            await self.feed.stop()
        if self.chart is not None:
            await self.chart.close()
        await self.outbox.close()
        self.journal.close()
        self.lock.release()
        log.info("stopped: %s", json.dumps({k.name: dict(k.rejected) for k in self.device_supervisors if k.rejected}))
