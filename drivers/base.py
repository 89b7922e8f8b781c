"""What every driver is: a thing that opens a link, and a link that yields batches until it fails.

Drivers do not reconnect themselves. They raise one of two errors, classed by what the caller can do,
and the supervisor decides. A bad frame is no error: it is counted in the batch and dropped.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import dataclass
from typing import Protocol

from config.problems import Remedy, Value, remedy
from drivers.reading import Measurement


class DeviceError(Exception):
    """What the cook is told of a device. key: of a sentence in the catalogue of texts, with its values; a driver of another
    package may give the sentence itself."""

    def __init__(self, key: str, **values: Value) -> None:
        super().__init__(key, *values.values())
        self.why = remedy(key, **values)


class DeviceUnavailable(DeviceError):
    """The device is not there or stopped answering: close, wait, try again."""


class DeviceMisconfigured(DeviceError):
    """Trying again cannot help (no such option, no permission): stop and say so."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """A frame that was refused. reason: a short fixed word for counting ("crc", "half-line", "not-a-number");
    detail: at most 80 printable characters of evidence."""

    reason: str
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Batch:
    """What one receive brought: measurements that belong together, frames refused, and a hint for the cook
    when the link can tell the trouble ("looks like the wrong baud rate: 97 % bad frames in 10 s").
    lost: frames that must have been sent before and never came whole. restarts: times the device began anew.
    Both only where frames are numbered."""

    measurements: tuple[Measurement, ...] = ()
    rejected: tuple[Rejected, ...] = ()
    hint: Remedy | None = None
    lost: int = 0
    restarts: int = 0


class Link(Protocol):
    """An open device."""

    async def receive(self) -> Batch:
        """Wait for the next batch. Raises DeviceUnavailable when the device is gone."""
        ...


class Driver(Protocol):
    """A device of the rig. `open` raises DeviceUnavailable or DeviceMisconfigured on entry."""

    def open(self) -> AbstractAsyncContextManager[Link]: ...


class NeverOpens:
    """In place of a driver that cannot be made (its package is missing, its query makes no sense): the watch goes on with the
    other devices and says why this one is not read."""

    def __init__(self, why: DeviceMisconfigured) -> None:
        self._why = why

    @asynccontextmanager
    async def open(self) -> AsyncIterator[Link]:
        raise self._why
        yield  # makes it a generator
