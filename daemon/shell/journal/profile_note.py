"""Where the journal keeps what a pit taught: one note a pit, read and written here and nowhere else."""

from __future__ import annotations

import logging
from typing import Any, Protocol

from daemon.core.pit_profile import PitProfile

log = logging.getLogger(__name__)

PROFILE_NOTE = "pit-profile"
PITS_NOTE = "pits"
"""The ids of the rig's pits, the first first."""
FIRST_PROBES_NOTE = "first-pit-probes"
"""The ids of the first pit's own channels: whichever pit has them by now is the first, whatever it is called."""


class Notes(Protocol):
    """Whatever holds the journal's notes: small JSON values by key, None where there is none."""

    def note(self, key: str) -> Any: ...


class WritableNotes(Notes, Protocol):
    """Queues what is set; it is on disk with the next commit."""

    def set_note(self, key: str, value: Any) -> None: ...


def kept_profile(notes: Notes, pit: str = "") -> PitProfile:
    """What this pit ("" is the first) taught; empty where nothing is known yet, or where what is kept cannot be understood."""
    kept = notes.note(profile_key(pit))
    try:
        return PitProfile.from_plain(kept) if kept else PitProfile()
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        log.error("what the pit taught cannot be read (%r): it begins anew", error)
        return PitProfile()


def keep_profile(notes: WritableNotes, profile: PitProfile, pit: str = "") -> None:
    """In place of what was kept."""
    notes.set_note(profile_key(pit), profile.to_plain())


def profile_key(pit: str) -> str:
    return f"{PROFILE_NOTE}/{pit}" if pit else PROFILE_NOTE
