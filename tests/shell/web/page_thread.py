"""Runs the page of our scenario in a thread of its own, for drivers that block (a browser, a fuzzer)."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager

from daemon.shell.web.contract import PageSettings
from daemon.shell.web.server import PageServer
from tests.patience import PATIENCE
from tests.shell.web.page_scenario import FakeWatch, page_server

TOKEN = "a-token-of-the-tests-only-0123456789-abcdef"
SCAN_CYCLE = 0.3


class ServedPage:
    """The running page. silent: publish nothing, as a watch that hangs."""

    def __init__(self, watch: FakeWatch, server: PageServer) -> None:
        self.watch, self.server = watch, server
        self.silent = False
        self.step = 0.0

    @property
    def address(self) -> str:
        return f"http://localhost:{self.server.port}"

    @property
    def login(self) -> str:
        return f"{self.address}/login?token={TOKEN}"

    async def run(self, ready: threading.Event, over: asyncio.Event) -> None:
        await self.server.start()
        ready.set()
        while not over.is_set():
            if not self.silent:
                self.server.publish(self.watch.tick(self.step))
            try:
                async with asyncio.timeout(SCAN_CYCLE):
                    await over.wait()
            except TimeoutError:
                continue
        await self.server.stop()


@contextmanager
def served(settings: PageSettings | None = None) -> Iterator[ServedPage]:
    """Serve on a free port until the block ends."""
    watch = FakeWatch()
    page = ServedPage(watch, page_server(watch, TOKEN, settings or PageSettings(host="127.0.0.1", port=0)))
    ready, over, loop = threading.Event(), asyncio.Event(), asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_until_complete, args=(page.run(ready, over),))
    thread.start()
    try:
        assert ready.wait(PATIENCE), "the page did not start"
        yield page
    finally:
        loop.call_soon_threadsafe(over.set)
        thread.join(PATIENCE)
        loop.close()
