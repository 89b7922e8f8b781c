"""Calls that may hang (a dying disk, a server that does not answer), each in a thread that cannot hold up the end.

The event loop's own pool of threads is waited for when the program ends, and is small enough for a few hung calls to
fill it.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


async def in_background(function: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
    """What the function returns or raises. When the caller is cancelled, the call goes on and its answer is dropped."""
    loop = asyncio.get_running_loop()
    answer: asyncio.Future[T] = loop.create_future()

    def settle(error: BaseException | None, value: T | None) -> None:
        if answer.cancelled():
            return
        if error is not None:
            answer.set_exception(error)
        else:
            answer.set_result(value)  # type: ignore[arg-type]

    def run() -> None:
        error, value = None, None
        try:
            value = function(*arguments, **named)
        except BaseException as raised:
            error = raised
        with contextlib.suppress(RuntimeError):  # the loop is closed: nobody waits any more
            loop.call_soon_threadsafe(settle, error, value)

    threading.Thread(target=run, name=getattr(function, "__name__", "background"), daemon=True).start()
    return await answer
