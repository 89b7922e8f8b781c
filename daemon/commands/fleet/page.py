"""`pitvigil fleet`: one page of all pits, at the centre."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from pathlib import Path

from aiohttp import web
from pydantic import ValidationError

from config.crew import Crew
from config.rig import PeopleSection
from daemon.shell.clock import SystemClock
from daemon.shell.fleet.centre import LIBRARY_MISSING, library_there
from daemon.shell.fleet.crew_server import CrewServer
from daemon.shell.fleet.overview import PitRow
from daemon.shell.fleet.silence import PHONE, Silences
from daemon.shell.notify.base import PermanentFailure
from daemon.shell.notify.outbox import Outbox
from daemon.shell.state.secrets import SecretRefused
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.reader import Reader
from daemon.wiring.deliveries import delivery_channel

NOTES = "told.json"


class CannotServe(Exception):
    """In words for whoever called."""


def crew_reader(unit: str, clock: int, zone: str) -> Reader:
    """How the crew reads. Raises CannotServe."""
    try:
        PeopleSection(zone=zone)
    except ValidationError:
        raise CannotServe(PLAIN.words("command.call.zone", zone=zone)) from None
    return Reader(unit == "F", zone, twelve=clock == 12)


class Crier:
    """Tells the crew of silent pits. Raises CannotServe."""

    def __init__(self, crew: Crew, people: Reader) -> None:
        self._clock = SystemClock()
        try:
            channels = {one.name: delivery_channel(one, None, "centre") for one in crew.delivery}
            home = Path(crew.state_directory)
            home.mkdir(mode=0o700, parents=True, exist_ok=True)
        except (SecretRefused, PermanentFailure, OSError) as error:
            raise CannotServe(str(error)) from error
        self.outbox = Outbox(
            channels, {PHONE: tuple(channels)}, None, self._clock, lambda item: self.silences.delivered(item),
            PLAIN.words("command.crew.title"),
            lambda: self._clock.wall() - self._clock.now(), composer=Composer(people),
        )  # fmt: skip
        self.silences = Silences(home / NOTES, lambda call: self.outbox.committed(self.outbox.rows(call, call.time)))

    def looked(self, rows: Sequence[PitRow], up: float) -> None:
        self.silences.look(rows, self._clock.now(), up)


async def serve(database: str, port: int, names: Sequence[str], people: Reader, crew: Crew | None = None) -> None:
    """Until cancelled, on this machine only: whoever opens it to others puts a proxy that asks for a sign-in before it.
    crew: whom to tell of silent pits. Raises CannotServe."""
    if not library_there():
        raise CannotServe(PLAIN.words(LIBRARY_MISSING))
    crier = Crier(crew, people) if crew is not None else None
    server = CrewServer(database, tuple(names), people, *([crier.looked] if crier else []))
    runner = web.AppRunner(server.app(), access_log=None)
    await runner.setup()
    try:
        try:
            await web.TCPSite(runner, "127.0.0.1", port).start()
        except OSError as error:
            why = error.strerror or str(error)
            raise CannotServe(PLAIN.words("command.crew.port", port=port, why=why)) from error
        await (crier.outbox.run() if crier else asyncio.Event().wait())
    finally:
        await runner.cleanup()
        if crier:
            await crier.outbox.close()
