"""Where the journal keeps what the pit taught: one note, read and written here and nowhere else."""

from __future__ import annotations

import logging
from typing import Any, Protocol

from daemon.core.pit.profile import PitProfile

log = logging.getLogger(__name__)

PROFILE_NOTE = "pit-profile"


class Notes(Protocol):
    """Whatever holds the journal's notes: small JSON values by key, None where there is none."""

    def note(self, key: str) -> Any: ...


class WritableNotes(Notes, Protocol):
    """Queues what is set; it is on disk with the next commit."""

    def set_note(self, key: str, value: Any) -> None: ...


def kept_profile(notes: Notes) -> PitProfile:
    """What this pit taught; empty where nothing is known yet, or where what is kept cannot be understood."""
    kept = notes.note(PROFILE_NOTE)
    try:
        return PitProfile.from_plain(kept) if kept else PitProfile()
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        log.error("what the pit taught cannot be read (%r): it begins anew", error)
        return PitProfile()


def keep_profile(notes: WritableNotes, profile: PitProfile) -> None:
    """In place of what was kept."""
    notes.set_note(PROFILE_NOTE, profile.to_plain())
