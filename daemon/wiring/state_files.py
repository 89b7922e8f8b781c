"""The files that a watch makes in its state directory."""

from __future__ import annotations

from pathlib import Path

from daemon.shell.fleet.class_file import NAME as CLASS_FILE
from daemon.shell.fleet.class_file import file_of
from daemon.shell.journal.disk import RESERVE_FILE
from daemon.shell.journal.file import names
from daemon.shell.state.failed_lives import FILE as LIVES_FILE
from daemon.shell.state.running_cook import RUNNING_FILE
from daemon.wiring.keys import KEY_FILE
from daemon.wiring.state_directory import JOURNAL_FILE


def state_files(state: Path) -> list[Path]:
    """All that a watch keeps there by name."""
    others = (KEY_FILE, RUNNING_FILE, LIVES_FILE, RESERVE_FILE, CLASS_FILE)
    told = sorted((state / file_of("*")).parent.glob(Path(file_of("*")).name))
    return [*names(state / JOURNAL_FILE), *(state / name for name in others), *told]
