"""Pseudo-terminals whose far end plays the device: a real tty and the kernel's real line discipline, no hardware."""

from __future__ import annotations

import asyncio
import os
import tty
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import pytest


@dataclass
class FakeTty:
    """master: the device's end. port: the name that the driver opens."""

    master: int
    port: str
    plugged: bool = True

    def send(self, data: bytes) -> None:
        """For what fits the kernel's buffer."""
        assert os.write(self.master, data) == len(data)

    async def pour(self, data: bytes) -> None:
        """For any amount: waits while the buffer is full."""
        while data:
            try:
                data = data[os.write(self.master, data) :]
            except BlockingIOError:
                await asyncio.sleep(0.002)

    def unplug(self) -> None:
        if self.plugged:
            self.plugged = False
            os.close(self.master)


@contextmanager
def _fake_tty() -> Iterator[FakeTty]:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    terminal = FakeTty(master, os.ttyname(slave))
    os.close(slave)
    try:
        yield terminal
    finally:
        terminal.unplug()


@pytest.fixture
def far_end() -> Iterator[FakeTty]:
    with _fake_tty() as terminal:
        yield terminal


@dataclass
class Cable:
    """Two ports, each the other's far end."""

    left: FakeTty
    right: FakeTty

    def unplug_left(self) -> None:
        asyncio.get_running_loop().remove_reader(self.left.master)
        asyncio.get_running_loop().remove_reader(self.right.master)
        self.left.unplug()


@pytest.fixture
async def cable() -> AsyncIterator[Cable]:
    loop = asyncio.get_running_loop()

    def carry(source: FakeTty, target: FakeTty) -> None:
        try:
            data = os.read(source.master, 4096)
        except OSError:  # nobody has the near end open now
            return
        target.send(data)

    with _fake_tty() as left, _fake_tty() as right:
        # one spare descriptor each, so that a port nobody has open yet does not read as hung up
        spares = [os.open(end.port, os.O_RDWR | os.O_NOCTTY) for end in (left, right)]
        loop.add_reader(left.master, carry, left, right)
        loop.add_reader(right.master, carry, right, left)
        try:
            yield Cable(left, right)
        finally:
            for end in (left, right):
                if end.plugged:
                    loop.remove_reader(end.master)
            for spare in spares:
                os.close(spare)
