"""Which cook runs, in a file of its own: a journal that lost its newest part would otherwise forget the meat on the fire.

It counts only where the journal plainly is the older of the two, and then only what was on is taken from it.
"""

from __future__ import annotations

import json
import logging
from dataclasses import replace
from pathlib import Path

from daemon.core.settings import CookSettings, cook_from_plain, cook_to_plain
from daemon.shell.whole_file import write_whole

log = logging.getLogger(__name__)

RUNNING_FILE = "running-cook.json"


class RunningCook:
    """The file in this state directory. A disk that refuses it only leaves the watch without it."""

    def __init__(self, state: Path) -> None:
        self._path = state / RUNNING_FILE
        self._kept: CookSettings | None = None

    def keep(self, cook: CookSettings, last_input: int, wall_offset: float) -> None:
        """Written when the cook has changed. last_input: the newest of the journal; wall_offset: UTC minus engine time."""
        if cook == self._kept:
            return
        serve_at = None if cook.serve_at is None else cook.serve_at + wall_offset
        body = {"input": last_input, "cook": cook_to_plain(replace(cook, serve_at=serve_at))}
        try:
            write_whole(self._path, json.dumps(body) + "\n")
        except OSError as error:
            log.warning("%s cannot be kept: %s", self._path, error.strerror)
        else:
            self._kept = cook

    def newer_than(self, last_input: int, lost: bool, wall_offset: float) -> CookSettings | None:
        """The cook that ran, where the journal, which ends at `last_input`, does not reach so far or has lost rows."""
        try:
            body = json.loads(self._path.read_text(encoding="utf-8"))
            cook = cook_from_plain(body["cook"])
            if not cook.pieces or (int(body["input"]) <= last_input and not lost):
                return None
        except FileNotFoundError:
            return None
        except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
            log.warning("%s cannot be read: %r", self._path, error)
            return None
        return replace(cook, serve_at=None if cook.serve_at is None else cook.serve_at - wall_offset)
