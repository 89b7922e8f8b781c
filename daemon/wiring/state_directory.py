"""Where a watch keeps its state."""

from __future__ import annotations

import os
from pathlib import Path

from config.rig import Rig

JOURNAL_FILE = "journal.sqlite"


def state_directory(rig: Rig | None, given: Path | None) -> Path:
    """Given on the command line, else in the rig if there is one, else by systemd, else under the home directory."""
    if given is not None:
        return given
    named = (rig is not None and rig.state_directory) or os.environ.get("STATE_DIRECTORY")
    return Path(named) if named else Path.home() / ".local" / "state" / "pitvigil"
