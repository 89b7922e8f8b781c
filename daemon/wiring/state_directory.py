"""Where a watch keeps its state, and the files it makes there."""

from __future__ import annotations

import os
from pathlib import Path

from config.rig import Rig
from daemon.shell.fleet.class_file import NAME as CLASS_FILE
from daemon.shell.fleet.class_file import file_of
from daemon.shell.journal.disk import RESERVE_FILE
from daemon.shell.journal.file import names
from daemon.shell.state.failed_lives import FILE as LIVES_FILE
from daemon.shell.state.running_cook import RUNNING_FILE
from daemon.wiring.keys import KEY_FILE

JOURNAL_FILE = "journal.sqlite"


def state_directory(rig: Rig | None, given: Path | None) -> Path:
    """Given on the command line, else in the rig if there is one, else by systemd, else under the home directory."""
    if given is not None:
        return given
    named = (rig is not None and rig.state_directory) or os.environ.get("STATE_DIRECTORY")
    return Path(named) if named else Path.home() / ".local" / "state" / "pitvigil"


def state_files(state: Path) -> list[Path]:
    """All that a watch keeps there by name."""
    others = (KEY_FILE, RUNNING_FILE, LIVES_FILE, RESERVE_FILE, CLASS_FILE)
    told = sorted((state / file_of("*")).parent.glob(Path(file_of("*")).name))
    return [*names(state / JOURNAL_FILE), *(state / name for name in others), *told]
