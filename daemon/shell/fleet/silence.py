"""Tells the crew of a pit that has fallen silent while it was in use, once, and of its return, once.

The pit's own watch cannot: its board, its line or its power is gone. Delivery is the watch's own (`shell/notify`); what was told
is noted when the first delivery channel has taken it, so that a service that dies in between tells it then.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daemon.core.events import Level, Notification
from daemon.core.inputs import Delivered, Input, Outcome
from daemon.core.pit.stage import PitPhase
from daemon.core.said import Text, say
from daemon.shell.fleet.overview import SILENT_AFTER, PitRow
from daemon.shell.fleet.shipper import LONGEST_WAIT
from daemon.shell.state.regular_file import read_regular
from daemon.shell.state.whole_file import write_whole

log = logging.getLogger(__name__)

SETTLED: Final = LONGEST_WAIT + SILENT_AFTER
"""s after a start of the database: until then a pit may still wait before it tries again."""
WORTH: Final = 6 * 3600.0
"""s for which a message is worth sending. Our choice."""
NAMED: Final = 4
"""Pits whose names a message holds."""
PHONE: Final = "phone"
LONGEST: Final = 1_000_000
"""Bytes of the file: a hundred for each of 10,000 pits."""


@dataclass(frozen=True, slots=True)
class Call:
    """heard: of each pit its last word before the silence, UTC; None: it is heard again."""

    notification: Notification
    heard: dict[str, float | None]


class Silences:
    """notes: the file of what was told. send: takes a call; whether it arrived is told to `delivered`."""

    def __init__(self, notes: Path, send: Callable[[Notification], None]) -> None:
        self._notes, self._send = notes, send
        self._told = _read(notes)
        self._called: dict[str, float] = dict(self._told)
        """pit -> its last word, of silences of which this life knows that they were called for."""
        self._open: dict[str, Call] = {}

    def look(self, rows: Sequence[PitRow], now: float, up: float) -> None:
        """now: engine time. up: s since the database's start."""
        silent = [one for one in rows if one.heard is not None and one.is_silent]
        lost = [one for one in silent if one.heard != self._called.get(one.pit) and in_use(one)]
        back = sorted(self._called.keys() - {one.pit for one in silent})
        if lost and up > SETTLED:
            longest = max(one.silent or 0.0 for one in lost)
            text = say("crew.silent.several", pits=_names([one.pit for one in lost]), silent=longest)
            if len(lost) == 1:
                text = say("crew.silent.one", pit=lost[0].pit, silent=longest, stage=lost[0].stage)
            heard = {one.pit: one.heard for one in lost}
            self._called |= {one.pit: one.heard for one in lost if one.heard is not None}
            self._call(Level.WAKE, text, now, heard, self._called[lost[0].pit])
        if back:
            known = {one.pit for one in rows}
            last = self._called[back[0]]
            self._called = {pit: at for pit, at in self._called.items() if pit not in back}
            there = [pit for pit in back if pit in known]  # a revoked one has not come back
            gone = {pit: None for pit in back if pit not in known}
            if gone:
                self._note(gone)
            if there:
                self._call(Level.NOTICE, say("crew.silent.again", pits=_names(there)), now, dict.fromkeys(there), last)

    def _call(self, level: Level, text: Text, now: float, heard: dict[str, float | None], last: float) -> None:
        """last: UTC of a last word, which tells this silence from every other."""
        first, more = next(iter(heard)), len(heard) - 1
        key = f"silent/{first}+{more}" if more else f"silent/{first}"
        word = "silent" if level is Level.WAKE else "heard"
        ident = f"{word}/{first}+{more}@{last:.0f}"
        call = Notification(now, ident, level, key, 1, 0, text, (PHONE,), now + WORTH)
        self._open[ident] = Call(call, heard)
        self._send(call)

    def delivered(self, item: Input) -> None:
        """What the outbox says of a message. The first channel that takes it settles it."""
        if (
            isinstance(item, Delivered)
            and item.outcome is Outcome.SENT
            and (call := self._open.pop(item.notification, None))
        ):
            self._note(call.heard)

    def _note(self, heard: Mapping[str, float | None]) -> None:
        for pit, at in heard.items():
            if at is None:
                self._told.pop(pit, None)
            else:
                self._told[pit] = at
        try:
            write_whole(self._notes, json.dumps(self._told))
        except OSError as error:
            log.warning("what was told of silent pits cannot be noted, and will be told again after a start: %s", error)


def in_use(one: PitRow) -> bool:
    """Somebody has to look after it: a pit that was switched off in the morning is no reason to wake anybody."""
    burning = one.stage not in ("", PitPhase.UNLIT, PitPhase.COOLING)
    return burning or bool(one.cook) or any(not alarm["prompt"] for alarm in one.alarms)


def _names(pits: Sequence[str]) -> Text:
    named, more = tuple(pits[:NAMED]), len(pits) - NAMED
    return say("crew.silent.pits-more", pits=named, more=more) if more > 0 else say("crew.silent.pits", pits=named)


def _read(notes: Path) -> dict[str, float]:
    """Nothing where it cannot be read: then it is told again, which is the better mistake."""
    try:
        found = json.loads(read_regular(notes, LONGEST))
        return {str(pit): float(at) for pit, at in found.items()}
    except FileNotFoundError:
        return {}
    except (OSError, ValueError, TypeError, AttributeError, RecursionError) as error:
        log.warning("what was told of silent pits cannot be read: %s", error)
        return {}
