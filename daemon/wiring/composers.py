"""Who reads: from the people of a rig file to the composer of their sentences."""

from __future__ import annotations

from config.rig import Rig
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader


def reader_of(rig: Rig) -> Reader:
    """The units, the zone and the clock of the rig's people."""
    return Reader(rig.people.unit == "F", rig.people.zone, twelve=rig.people.clock == 12)


def composer_of(rig: Rig) -> Composer:
    """Makes sentences for the rig's people."""
    return Composer(reader_of(rig))
