"""Calls in threads of their own: answers, errors, and what they leave behind."""

import asyncio
import gc
import threading
import weakref

import pytest

from daemon.shell.background import in_background
from tests.patience import PATIENCE


class Socket:
    """Something that must be closed as soon as nobody holds it."""


async def test_answers_and_errors_come_back() -> None:
    assert await in_background(divmod, 7, 3) == (2, 1)
    with pytest.raises(ZeroDivisionError):
        await in_background(divmod, 7, 0)


async def test_an_error_holds_nothing_open() -> None:
    held: list[weakref.ref[Socket]] = []

    def fails() -> None:
        socket = Socket()
        held.append(weakref.ref(socket))
        raise OSError("refused")

    gc.disable()
    try:
        try:
            await in_background(fails)
        except OSError as error:
            assert str(error) == "refused"
        while any(thread.name == "fails" for thread in threading.enumerate()):
            await asyncio.sleep(0)
        await asyncio.sleep(0)  # the loop lets go of the call that brought the answer
        assert held[0]() is None
    finally:
        gc.enable()


async def test_a_cancelled_caller_leaves_the_call_to_itself() -> None:
    go, done = threading.Event(), threading.Event()

    def slow() -> None:
        go.wait(PATIENCE)
        done.set()

    waiting = asyncio.create_task(in_background(slow))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    go.set()
    assert await asyncio.to_thread(done.wait, PATIENCE)
