"""Keeps every device open: by class of error it tries again with back-off, or stops and says so.

It also gives each measurement its channel, its calibration and its time; from here on there are only Readings.
"""

from __future__ import annotations

import asyncio
import logging
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from daemon.core.inputs import Health, Input, LinkCounts, Part, Readings
from daemon.core.said import Text, say
from daemon.texts.composer import PLAIN
from daemon.texts.problems import told
from drivers.base import Batch, DeviceMisconfigured, DeviceUnavailable, Driver
from drivers.reading import Measurement, Reading, on_grid

log = logging.getLogger(__name__)

BACK_OFF = (0.5, 1.0, 2.0, 4.0)
"""s before attempts to open again; the last goes on for ever, so a replugged device is open within 5 s."""
SILENCE = 15.0
"""s without a batch after which the link is opened anew: a driver that hangs is cut short here, and a board that hangs
may start afresh. Longer where the device or its channels may be silent for longer."""
OPENING = 60.0
"""s for opening; the longest, over Bluetooth, is a scan and a connection."""
CLEANING_UP = 15.0
"""s for closing what failed; the longest, over Bluetooth, waits 12 s for the device."""
STEP_LIMIT = 1.0
"""s anything else may take."""
BATTERY_LOW = 15
"""Percent; common practice, no source."""
BATTERY_FINE = 20
NAME_SHOWN = 40
"""characters of an unknown source's name in the log"""
NAMES_KEPT = 16
"""unknown sources told by name; further ones are counted only, for a damaged line invents names for ever"""
COUNTS_EVERY = 60.0
"""s between two words on lines lost and refused"""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where one source of one device leads: the channel, and what its calibration makes of a value."""

    channel: str
    correct: Callable[[float], float] = lambda celsius: celsius


class DeviceSupervisor:
    """One device. `rejected` counts refused frames by reason; `unknown` holds the first sources that no channel names,
    `unnamed` counts values of others; `lost` and `restarts` are what the device's own numbering shows.
    silence: s it may give nothing before it is opened anew."""

    def __init__(
        self,
        name: str,
        driver: Driver,
        wires: Mapping[str, Wire],
        post: Callable[[Input], None],
        stamp: Callable[[], float],
        silence: float = SILENCE,
        may_be_away: bool = False,
    ) -> None:
        """may_be_away: it is used for a moment only, and silent or gone the rest of the time."""
        self.name, self.driver, self.wires = name, driver, wires
        self.rejected: Counter[str] = Counter()
        self.unknown: set[str] = set()
        self.unnamed = self.lost = self.restarts = 0
        self._counts: LinkCounts | None = None
        self._counted_at = float("-inf")
        self.received_at: float | None = None
        self._post, self._stamp, self._silence, self._may_be_away = post, stamp, silence, may_be_away
        self._due_by: float | None = None
        """Event-loop time by which something must have happened; None while there is nothing to wait for."""
        self._ok: bool | None = None
        self._weak: set[str] = set()

    async def run(self) -> None:
        """Until cancelled, or for ever idle once the device is found to be misconfigured."""
        attempt = 0
        while True:
            try:
                async with asyncio.timeout_at(self._expect(OPENING)) as patience, self.driver.open() as link:
                    log.info("%s: open", self.name)
                    while True:
                        if patience.expired():  # a driver swallowed being cut short, and gives something after all
                            raise TimeoutError
                        patience.reschedule(self._expect(self._silence))
                        try:
                            batch = await link.receive()
                        except BaseException:
                            self._expect(CLEANING_UP)
                            raise
                        if self._take(batch):
                            attempt = 0
            except TimeoutError:
                self._tell_away(say("device.silent", silence=self._silence))
            except DeviceUnavailable as error:
                self._tell_away(told(error.why))
            except DeviceMisconfigured as error:
                self._tell(False, say("device.stopped", why=told(error.why)))
                self._due_by = None
                return
            except Exception as error:
                log.exception("%s: the driver broke; it is opened again", self.name)
                self._tell(False, say("device.broke", why=repr(error)))
            pause = BACK_OFF[min(attempt, len(BACK_OFF) - 1)]
            self._expect(pause)
            await asyncio.sleep(pause)
            attempt += 1

    def _expect(self, seconds: float) -> float:
        """Event-loop time by which the step that begins now has ended, or is cut short."""
        limit = asyncio.get_running_loop().time() + seconds
        self._due_by = limit + STEP_LIMIT
        return limit

    def stuck(self) -> bool:
        """It should have moved on by now and has not: for the systemd watchdog. A device that is silent, away or
        misconfigured is not stuck."""
        return self._due_by is not None and asyncio.get_running_loop().time() > self._due_by

    def _take(self, batch: Batch) -> bool:
        """True when the batch held a value for a channel."""
        for refused in batch.rejected:
            self.rejected[refused.reason] += 1
        self.lost += batch.lost
        self.restarts += batch.restarts
        if batch.hint:
            self._tell(False, told(batch.hint))
        readings = self.readings(batch.measurements)
        self._tell_counts()
        if not readings:
            return False
        self._post(Readings(readings))
        if not batch.hint:
            self._tell(True, "")
        return True

    def readings(self, measurements: tuple[Measurement, ...]) -> tuple[Reading, ...]:
        """Measurements with their channel, calibration and time. Sources that no channel names are left out."""
        now = self.received_at = self._stamp()
        readings = []
        for m in measurements:
            wire = self.wires.get(m.source)
            if wire is None:
                self._unknown(m.source)
                continue
            if m.battery_percent is not None:
                self._battery(wire.channel, m.battery_percent)
            if m.celsius is None and m.fault is None:
                continue
            celsius = None if m.celsius is None else on_grid(wire.correct(m.celsius))
            cold = None if m.cold_junction is None else on_grid(m.cold_junction)
            readings.append(Reading(wire.channel, celsius, now, m.fault, m.quality, cold))
        return tuple(readings)

    def _unknown(self, source: str) -> None:
        """The first names are told, each once; then that there are more."""
        if source in self.unknown:
            return
        if len(self.unknown) < NAMES_KEPT:
            self.unknown.add(source)
            log.warning(
                "%s sends a value named %r that no channel of the rig file reads: give the channel that it is meant for that "
                "source, or let it be",
                self.name,
                source[:NAME_SHOWN],
            )
            return
        if not self.unnamed:
            log.warning("%s sends still more names that no channel reads; they are counted from here on", self.name)
        self.unnamed += 1

    def _tell_counts(self) -> None:
        """What was lost and refused, when it has changed: at once, and then once a minute at most."""
        counts = LinkCounts(self.name, self.lost, self.restarts, self.rejected.total(), self.unnamed)
        now = asyncio.get_running_loop().time()
        if counts == (self._counts or LinkCounts(self.name)) or now - self._counted_at < COUNTS_EVERY:
            return
        self._counts, self._counted_at = counts, now
        self._post(counts)

    def _battery(self, channel: str, percent: int) -> None:
        if percent <= BATTERY_LOW and channel not in self._weak:
            self._weak.add(channel)
            self._post(Health(Part.BATTERY, channel, False, say("device.battery", left=float(percent))))
        elif percent >= BATTERY_FINE and channel in self._weak:
            self._weak.discard(channel)
            self._post(Health(Part.BATTERY, channel, True, say("device.battery", left=float(percent))))

    def _tell_away(self, detail: Text) -> None:
        if self._may_be_away:
            log.info("%s: away", self.name)
        else:
            self._tell(False, detail)

    def _tell(self, ok: bool, detail: Text) -> None:
        """Once when it fails, once when it works again."""
        if ok == self._ok:
            return
        if not ok:
            log.warning("%s: %s", self.name, PLAIN.say(detail))
        elif self._ok is False:
            log.warning("%s: works again", self.name)
        self._ok = ok
        self._post(Health(Part.DEVICE, self.name, ok, detail))
