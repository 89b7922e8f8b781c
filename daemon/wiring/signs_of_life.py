"""The watchdog and the dead man: what must move, and what must have been shown, before either is answered."""

from __future__ import annotations

import logging
from collections.abc import Coroutine, Iterator, Sequence
from typing import Any

from config.rig import DeadManSection
from daemon.shell.clock import Clock
from daemon.shell.life.housekeeping import repeat
from daemon.shell.life.supervisor import DeviceSupervisor
from daemon.shell.life.systemd import tell_systemd, watchdog_period
from daemon.shell.loop import WatchLoop
from daemon.shell.notify.outbox import Outbox
from daemon.texts.composer import PLAIN

log = logging.getLogger(__name__)

ALIVE_WITHIN = 10.0
"""s within which judging, which goes on every 5 s, must have advanced for the systemd watchdog to be answered."""
PROVEN_AFTER = 60.0
"""s a life must have lasted before the dead man is answered: what kills it again and again must be seen from outside."""


class SignsOfLife:
    """Of one life, which begins when this is made."""

    def __init__(
        self, clock: Clock, loop: WatchLoop, outbox: Outbox, device_supervisors: Sequence[DeviceSupervisor]
    ) -> None:
        self._clock, self._loop, self._outbox = clock, loop, outbox
        self._device_supervisors = device_supervisors
        self._began = clock.now()

    def given(self, dead_man: DeadManSection | None) -> Iterator[tuple[str, Coroutine[Any, Any, None]]]:
        """(name, work) of each sign that somebody waits for; the work goes on until it is cancelled."""
        if dead_man is not None:
            from daemon.shell.life.dead_man import DeadMan

            yield "dead man", repeat(dead_man.every, DeadMan(dead_man.url, self.not_proven).call)
        period = watchdog_period()
        if period is not None:
            yield "watchdog", repeat(period / 2, self._ping_watchdog)

    def standing_still(self) -> list[str]:
        """Of sampling, judging and delivering, whatever should have moved on by now and has not. Nothing to sample and
        nothing to deliver is no standstill."""
        judging = self._clock.now() - self._loop.judged_at < ALIVE_WITHIN
        return [
            *([] if judging else ["judging"]),
            *(f"device {supervisor.name}" for supervisor in self._device_supervisors if supervisor.stuck()),
            *(f"delivery {name}" for name in self._outbox.stuck()),
        ]

    def not_proven(self) -> str:
        """What keeps this watch from waking anybody, or has not been shown yet in this life, for whoever waits outside for
        a sign of life; "" when nothing does. A watch that dies again and again soon after each start gives none."""
        still = self.standing_still()
        if still:
            return PLAIN.words("watch.still", parts=tuple(still))
        if self._clock.now() - self._began < PROVEN_AFTER:
            return PLAIN.words("watch.too-soon", least=PROVEN_AFTER)
        if not any(supervisor.received_at is not None for supervisor in self._device_supervisors):
            return PLAIN.words("watch.no-probe")
        if self._outbox.unreachable(self._loop.engine.settings.announcing.wake_channels):
            return PLAIN.words("watch.no-reach")
        return ""

    def _ping_watchdog(self) -> None:
        """Only once it has judged, and while everything moves; a hung watch must be found and restarted."""
        still = self.standing_still()
        if not self._loop.judged:
            still = still or ["the first judging"]
        if still:
            level = logging.ERROR if self._loop.judged else logging.INFO
            log.log(level, "the watchdog is not answered: %s stands still", ", ".join(still))
        else:
            tell_systemd("WATCHDOG=1")
