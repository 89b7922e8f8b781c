"""`pitvigil fleet`: one page of all pits, at the centre."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from aiohttp import web
from pydantic import ValidationError

from config.rig import PeopleSection
from daemon.shell.fleet.centre import LIBRARY_MISSING, library_there
from daemon.shell.fleet.crew_server import CrewServer
from daemon.texts.reader import Reader


class CannotServe(Exception):
    """In words for whoever called."""


def crew_reader(unit: str, clock: int, zone: str) -> Reader:
    """How the crew reads. Raises CannotServe."""
    try:
        PeopleSection(zone=zone)
    except ValidationError:
        raise CannotServe(f'--zone {zone}: use a zone of the tz database, such as "Europe/London"') from None
    return Reader(unit == "F", zone, twelve=clock == 12)


async def serve(database: str, port: int, names: Sequence[str], people: Reader) -> None:
    """Until cancelled, on this machine only: whoever opens it to others puts a proxy that asks for a sign-in before it.
    Raises CannotServe."""
    if not library_there():
        raise CannotServe(LIBRARY_MISSING)
    runner = web.AppRunner(CrewServer(database, tuple(names), people).app(), access_log=None)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, "127.0.0.1", port).start()
        except OSError as error:
            raise CannotServe(f"port {port} cannot be served: {error.strerror or error}") from error
        await asyncio.Event().wait()
    finally:
        await runner.cleanup()
