"""Calls that may hang (a dying disk, a server that does not answer), each in a thread that cannot hold up the end.

The event loop's own pool of threads is waited for when the program ends, and is small enough for a few hung calls to
fill it.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from functools import partial
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


async def in_background(function: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
    """What the function returns or raises. When the caller is cancelled, the call goes on and its answer is dropped."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[T] = loop.create_future()
    call = partial(function, *arguments, **named)
    name = getattr(function, "__name__", "background")
    threading.Thread(target=_run, args=(loop, answer, call), name=name, daemon=True).start()
    try:
        return await answer
    finally:
        # An error knows the frames it came through. If one of them knew it too, whatever else they hold (a socket) would
        # stay open until garbage is looked for.
        del answer


def _run(loop: asyncio.AbstractEventLoop, answer: asyncio.Future[T], call: Callable[[], T]) -> None:
    error, value = None, None
    try:
        value = call()
    except BaseException as raised:
        error = raised
    with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
        loop.call_soon_threadsafe(_settle, answer, error, value)
    del answer, call, error, value  # as above


def _settle(answer: asyncio.Future[T], error: BaseException | None, value: T | None) -> None:
    if answer.cancelled():
        return
    if error is not None:
        answer.set_exception(error)
    else:
        answer.set_result(value)  # type: ignore[arg-type]
