"""`pitvigil fleet`: one page of all pits, at the centre."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from aiohttp import web

from daemon.shell.fleet.centre import LIBRARY_MISSING, library_there
from daemon.shell.fleet.crew_server import CrewServer


class CannotServe(Exception):
    """In words for whoever called."""


async def serve(database: str, port: int, names: Sequence[str]) -> None:
    """Until cancelled, on this machine only: whoever opens it to others puts a proxy that asks for a sign-in before it.
    Raises CannotServe."""
    if not library_there():
        raise CannotServe(LIBRARY_MISSING)
    runner = web.AppRunner(CrewServer(database, tuple(names)).app(), access_log=None)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, "127.0.0.1", port).start()
        except OSError as error:
            raise CannotServe(f"port {port} cannot be served: {error.strerror or error}") from error
        await asyncio.Event().wait()
    finally:
        await runner.cleanup()
