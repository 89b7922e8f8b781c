"""A pseudo-terminal whose far end plays the device: real tty, real kernel line discipline, no hardware."""

from __future__ import annotations

import os
import tty
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass


@dataclass
class FakeTty:
    """master: the device's end. port: the name the driver opens."""

    master: int
    port: str
    plugged: bool = True

    def send(self, data: bytes) -> None:
        while data:
            data = data[os.write(self.master, data) :]

    def unplug(self) -> None:
        if self.plugged:
            self.plugged = False
            os.close(self.master)


@contextmanager
def fake_tty() -> Iterator[FakeTty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    port = os.ttyname(slave)
    os.close(slave)
    terminal = FakeTty(master, port)
    try:
        yield terminal
    finally:
        with suppress(OSError):
            terminal.unplug()
