"""One serial port, opened by us alone: how opening fails, in the two classes a caller can act on."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import fcntl
import os
import termios
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import serial

from drivers.base import DeviceMisconfigured, DeviceUnavailable

LOOK_EVERY: Final = 5.0
"""s of silence after which we look whether the port's file is still there: an unplugged adapter is seen within 10 s
even where the kernel does not hang up"""
GATHER_LONGEST: Final = 0.002
"""s; how long the rest of a line may take to gather before we read again, to wake up less. A whole line never waits."""
GATHER_BYTES: Final = 1024
"""a quarter of the 4,096 bytes that the kernel's line discipline holds for us"""
BITS_PER_BYTE: Final = 10
"""start bit, 8 data bits, stop bit"""
_HELD_ELSEWHERE: Final = frozenset({errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK})
_NOT_ALLOWED: Final = frozenset({errno.EACCES, errno.EPERM})
_GONE: Final = frozenset({errno.ENOENT, errno.ENXIO, errno.ENODEV, errno.EIO})


def classed(error: OSError, port: str) -> DeviceUnavailable | DeviceMisconfigured:
    """What the cook or the supervisor can do about an error on `port`."""
    if error.errno in _HELD_ELSEWHERE:  # worth another try: who holds it now may be a terminal that somebody will close
        return DeviceUnavailable("device.held", port=port)
    if error.errno in _NOT_ALLOWED:
        return DeviceMisconfigured("device.not-allowed", port=port)
    if error.errno is None and Path(port).exists() and not Path(port).is_char_device():
        return DeviceMisconfigured("device.no-serial-port", port=port)
    if error.errno in _GONE:
        return DeviceUnavailable("device.not-there", port=port)
    return DeviceUnavailable("device.failed", name=port, why=str(error.strerror or error))


@contextlib.contextmanager
def opened(port: str, baud: int) -> Iterator[serial.Serial]:
    """The port, raw, 8 data bits, no parity, and ours alone: an advisory lock for programs that honour it and
    TIOCEXCL for the rest. Raises DeviceUnavailable or DeviceMisconfigured on entry."""
    try:
        line = serial.Serial(port, baud, timeout=0, exclusive=True)
    except serial.SerialException as error:
        raise classed(error, port) from error
    except (ValueError, termios.error) as error:
        raise DeviceMisconfigured("device.baud", port=port, baud=baud) from error
    try:
        with contextlib.suppress(OSError):
            fcntl.ioctl(line.fileno(), termios.TIOCEXCL)
        yield line
    finally:
        with contextlib.suppress(OSError):
            fcntl.ioctl(line.fileno(), termios.TIOCNXCL)  # a pty would keep the claim after we close
        with contextlib.suppress(OSError, termios.error):
            line.close()


class PortReader:
    """Waits for bytes without a thread and without polling. For devices that speak in lines."""

    def __init__(self, line: serial.Serial, port: str, baud: int) -> None:
        self._line = line
        self._descriptor: int = line.fileno()
        self._port = port
        self._gather = min(GATHER_LONGEST, GATHER_BYTES * BITS_PER_BYTE / baud)

    async def read(self) -> bytes:
        """At least one byte; what ends a line is handed out at once. Raises DeviceUnavailable when it is unplugged."""
        while not await self._readable_soon():
            if not self._still_there():
                raise DeviceUnavailable("device.unplugged", port=self._port)
        data = self._read()
        if not data.endswith(b"\n"):
            await asyncio.sleep(self._gather)
            if self._waiting():
                data += self._read()
        return data

    def _read(self) -> bytes:
        try:
            data = os.read(self._descriptor, 4 * GATHER_BYTES)
        except OSError as error:
            raise DeviceUnavailable("device.unplugged", port=self._port) from error
        if not data:  # a terminal that hangs up reads as an endless "nothing"
            raise DeviceUnavailable("device.unplugged", port=self._port)
        return data

    def _waiting(self) -> bool:
        try:
            return self._line.in_waiting > 0
        except OSError:
            return False  # what we hold may still be whole; the next read says that it was unplugged

    async def _readable_soon(self) -> bool:
        """Whether bytes, or a hang-up, came within LOOK_EVERY."""
        loop = asyncio.get_running_loop()
        ready: asyncio.Future[bool] = loop.create_future()

        def answer(came: bool) -> None:
            if not ready.done():
                ready.set_result(came)

        loop.add_reader(self._descriptor, answer, True)
        look = loop.call_later(LOOK_EVERY, answer, False)
        try:
            return await ready
        finally:
            look.cancel()
            loop.remove_reader(self._descriptor)

    def _still_there(self) -> bool:
        """The name still leads to the device we hold (not to a new one that took its place)."""
        try:
            return Path(self._port).stat().st_rdev == os.fstat(self._descriptor).st_rdev
        except OSError:
            return False
