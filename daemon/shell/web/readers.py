"""In which units and by which clock whoever asks reads: as the phone chose (two cookies), or as the rig's people do."""

from __future__ import annotations

from aiohttp import web

from daemon.texts.composer import Composer
from daemon.texts.reader import Reader

UNIT, CLOCK = "unit", "clock"
"""Cookies of the page's own choices: "C" or "F", "12" or "24". They hold no secret and are believed in nothing else."""


class Readers:
    """One composer for each way to read, so that a snapshot is made into words once for all who read alike."""

    def __init__(self, fahrenheit: bool = False, zone: str = "UTC") -> None:
        self._fahrenheit = fahrenheit
        self._composers = {
            (unit, twelve): Composer(Reader(unit, zone, twelve=twelve))
            for unit in (False, True)
            for twelve in (False, True)
        }

    def composer(self, request: web.Request) -> Composer:
        unit, clock = request.cookies.get(UNIT, ""), request.cookies.get(CLOCK, "")
        fahrenheit = unit == "F" if unit in ("C", "F") else self._fahrenheit
        return self._composers[fahrenheit, clock == "12"]
