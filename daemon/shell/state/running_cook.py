"""Which cook runs, in a file of its own: a journal that lost its newest part would otherwise forget the meat on the fire.

It counts only where the journal plainly is the older of the two, and then only what was on is taken from it.
"""

from __future__ import annotations

import json
import logging
from dataclasses import asdict, dataclass
from pathlib import Path

from daemon.core.orders import Mark, MarkKind
from daemon.core.settings import CookSettings, cook_from_plain, cook_shifted, cook_to_plain
from daemon.shell.state.regular_file import read_regular
from daemon.shell.state.whole_file import write_whole

log = logging.getLogger(__name__)

RUNNING_FILE = "running-cook.json"
BY = "running cook"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a piece has come: engine times, s, or None."""

    piece: str
    on_at: float | None
    wrapped_at: float | None
    off_at: float | None

    def shifted(self, by: float) -> Progress:
        """Its times moved by so many s."""
        on_at, wrapped_at, off_at = (None if t is None else t + by for t in (self.on_at, self.wrapped_at, self.off_at))
        return Progress(self.piece, on_at, wrapped_at, off_at)

    def marks(self) -> list[Mark]:
        """What the cook would have to mark again."""
        done = ((MarkKind.MEAT_ON, self.on_at), (MarkKind.WRAPPED, self.wrapped_at), (MarkKind.OFF, self.off_at))
        return [Mark(kind, self.piece, BY, "", at) for kind, at in done if at is not None]


class RunningCook:
    """The file in this state directory. A disk that refuses it only leaves the watch without it."""

    def __init__(self, state: Path) -> None:
        self._path = state / RUNNING_FILE
        self._kept: tuple[CookSettings, tuple[Progress, ...]] | None = None
        self.missing, self.damaged = False, False
        """How `newer_than` found the file."""

    def keep(self, cook: CookSettings, progress: tuple[Progress, ...], last_input: int, wall_offset: float) -> None:
        """Written when the cook or the place of a piece has changed. last_input: the newest of the journal; wall_offset: UTC
        minus engine time."""
        if (cook, progress) == self._kept:
            return
        body = {
            "input": last_input,
            "cook": cook_to_plain(cook_shifted(cook, wall_offset)),
            "progress": [asdict(p.shifted(wall_offset)) for p in progress],
        }
        try:
            write_whole(self._path, json.dumps(body) + "\n")
        except OSError as error:
            log.warning("%s cannot be kept: %s", self._path, error.strerror)
        else:
            self._kept = (cook, progress)

    def newer_than(
        self, last_input: int, lost: bool, wall_offset: float
    ) -> tuple[CookSettings, tuple[Progress, ...]] | None:
        """The cook that ran and how far its pieces had come, where the journal, which ends at `last_input`, does not reach so
        far or has lost rows."""
        try:
            body = json.loads(read_regular(self._path))
            cook = cook_from_plain(body["cook"])
            progress = tuple(Progress(**p).shifted(-wall_offset) for p in body.get("progress", ()))
            if not cook.pieces or (int(body["input"]) <= last_input and not lost):
                return None
        except FileNotFoundError:
            self.missing = True
            return None
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            self.damaged = True
            log.warning("%s is damaged and cannot be read; the cook is as the journal has it", self._path)
            return None
        return cook_shifted(cook, -wall_offset), progress
