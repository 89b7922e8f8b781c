"""Who reads: from the people of a rig file to the composer of their sentences."""

from __future__ import annotations

from config.rig import Rig
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader


def composer_of(rig: Rig) -> Composer:
    """In the units and the zone of the rig's people."""
    return Composer(Reader(rig.people.unit == "F", rig.people.zone))
