"""Who reads: from the people of a rig file to the composer of their sentences."""

from __future__ import annotations

from config.rig import PeopleSection, Rig
from daemon.texts.composer import PLAIN, Composer
from daemon.texts.reader import Reader


def reader_of(rig: Rig) -> Reader:
    """The units, the zone and the clock of the rig's people."""
    return _reader(rig.people)


def composer_of(rig: Rig) -> Composer:
    """Makes sentences for the rig's people."""
    return Composer(reader_of(rig))


def composer_of_people(people: PeopleSection | None) -> Composer:
    """Of a rig file that may be unfit for use. None: nobody knows how they read."""
    return PLAIN if people is None else Composer(_reader(people))


def _reader(people: PeopleSection) -> Reader:
    return Reader(people.unit == "F", people.zone, twelve=people.clock == 12)
