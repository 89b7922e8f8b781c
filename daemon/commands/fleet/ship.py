"""`pitvigil ship`: sends what the watch has kept to the crew's centre, until it is stopped."""

from __future__ import annotations

import signal
import sys
import threading
from importlib.metadata import version
from pathlib import Path
from random import SystemRandom

from config.rig import FleetSection, Rig
from daemon.shell.fleet.centre import DATABASE, LIBRARY_MISSING, CentreAway, CentreRefuses, connected, library_there
from daemon.shell.fleet.shipper import Shipper
from daemon.shell.fleet.whereabouts import BoardPits
from daemon.texts.composer import PLAIN
from daemon.wiring.pit_order import in_known_order
from daemon.wiring.state_directory import JOURNAL_FILE, state_directory

KEYS = {"sslrootcert": "ca.crt", "sslcert": "pit.crt", "sslkey": "pit.key"}


class CannotShip(Exception):
    """In words for whoever called."""


def ship(rig: Rig, given: Path | None) -> None:
    """Until SIGTERM or SIGINT. Raises CannotShip."""
    fleet = _section(rig)
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    journal = state_directory(rig, given) / JOURNAL_FILE
    release = release_of(Path(sys.prefix))
    Shipper(
        journal, where(fleet), fleet.pit, ended.wait, SystemRandom(), shares=fleet.share_learning, release=release,
        pits_of=lambda known: board_pits(in_known_order(rig, known)),
    ).run()  # fmt: skip


def board_pits(rig: Rig) -> BoardPits:
    """The rig's pits as the journal calls them, and which of its channels belong to those beside the first."""
    keys = {channel.id: rig.pit_key(channel.pit) for channel in rig.channels}
    names = {"": rig.pit.name} | {pit.id: pit.name for pit in rig.other_pits}
    return BoardPits(names, {channel: pit for channel, pit in keys.items() if pit})


def not_my_turn(rig: Rig, release: str) -> str:
    """Why this pit may not take that release yet, in the centre's words; empty when it may. Raises CannotShip."""
    fleet = _section(rig)
    try:
        with connected(where(fleet), fleet.pit) as centre:
            return centre.not_my_turn(release)
    except (CentreAway, CentreRefuses) as error:
        raise CannotShip(PLAIN.words("command.crew.no-answer", why=str(error))) from error


def release_of(home: Path) -> str:
    """What runs, as deploy/install.sh calls it: the directory of a complete installation, else the version alone."""
    return home.name if (home / "complete").is_file() else version("pitvigil")


def _section(rig: Rig) -> FleetSection:
    if rig.fleet is None:
        raise CannotShip(PLAIN.words("command.crew.no-section"))
    if not library_there():
        raise CannotShip(PLAIN.words(LIBRARY_MISSING))
    for name in KEYS.values():
        if not (Path(rig.fleet.keys) / name).is_file():
            raise CannotShip(PLAIN.words("command.crew.no-key", keys=str(rig.fleet.keys), file=name))
    return rig.fleet


def where(fleet: FleetSection) -> str:
    """A libpq connection string: only a server that this authority made for this host is believed."""
    keys = " ".join(f"{word}={_quoted(str(Path(fleet.keys) / name))}" for word, name in KEYS.items())
    return f"host={_quoted(fleet.host)} port={fleet.port} dbname={DATABASE} sslmode=verify-full {keys}"


def _quoted(value: str) -> str:
    return "'" + value.replace("\\", "\\\\").replace("'", "\\'") + "'"
