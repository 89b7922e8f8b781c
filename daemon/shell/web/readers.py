"""In which units and by which clock whoever asks reads: as the phone chose (two cookies), or as the rig's people do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from aiohttp import web

from daemon.texts.composer import Composer
from daemon.texts.reader import Reader

UNIT, CLOCK = "unit", "clock"
"""Cookies of the page's own choices: "C" or "F", "12" or "24". They hold no secret and are believed in nothing else."""
UNITS = {"C": False, "F": True}
CLOCKS = {"24": False, "12": True}
CHOICES: Mapping[str, Mapping[str, bool]] = {UNIT: UNITS, CLOCK: CLOCKS}


class Readers:
    """One composer for each way to read, so that a snapshot is made into words once for all who read alike."""

    def __init__(self, people: Reader) -> None:
        self._people = people
        self._composers = {
            (unit, twelve): Composer(replace(people, fahrenheit=unit, twelve=twelve))
            for unit in UNITS.values()
            for twelve in CLOCKS.values()
        }

    def composer(self, request: web.Request) -> Composer:
        unit = UNITS.get(request.cookies.get(UNIT, ""), self._people.fahrenheit)
        return self._composers[unit, CLOCKS.get(request.cookies.get(CLOCK, ""), self._people.twelve)]
