"""`pitvigil fleet`: one page of all pits, at the centre."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from importlib.util import find_spec

from aiohttp import web

from daemon.shell.fleet.crew_server import CrewServer

DATABASE = "dbname=pitvigil"


class CannotServe(Exception):
    """In words for whoever called."""


async def serve(database: str, port: int, names: Sequence[str]) -> None:
    """Until cancelled, on this machine only: whoever opens it to others puts a proxy that asks for a sign-in before it.
    Raises CannotServe."""
    if find_spec("psycopg") is None:
        raise CannotServe("this needs the database library: apt install libpq5, and pip install 'pitvigil[fleet]'")
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
