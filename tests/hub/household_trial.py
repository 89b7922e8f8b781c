"""One trial: a hub, a household, and the rows of its table."""

from __future__ import annotations

import asyncio
import json
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.hub.household import Board, Broker, Watch
from tests.hub.hub_process import Hub

PIT = "the_long_pit"
TEMPERATURE, CONTROL = f"sensor.{PIT}", f"button.{PIT}_heard"
RUNS, LIFE = f"binary_sensor.{PIT}_cook_runs", f"sensor.{PIT}_watch"
REFUSED = f"sensor.{PIT}_last_refused_order"
SILENCE = "Nobody watches the pit"
BACK = 75.0
"""s: the watch stands back up to 36 s before it tries the broker again, and the hub has its own pause."""
EXPECTED = ("mqtt.client]", "No device components to cleanup", "Updating state for")
"""In warnings of the hub that are not about us, see `Trial.complaints`."""
FORGIVEN = 150.0
"""s to wait for a message that must not come: longer than the package's patience."""


@dataclass
class Row:
    what: str
    found: str
    bar: str
    met: bool


@dataclass
class Trial:
    hub: Hub
    broker: Broker
    board: Board
    watch: Watch
    rows: list[Row] = field(default_factory=list)

    def note(self, what: str, found: object, bar: str, met: bool) -> None:
        self.rows.append(Row(what, str(found), bar, met))
        say(self.rows[-1])

    def took(self, what: str, seconds: float | None, bar: float, begin: float | None = None) -> None:
        """begin: monotonic s from which to count, if not from the beginning of the wait."""
        if seconds is not None and begin is not None:
            seconds = time.monotonic() - begin
        shown = "never" if seconds is None else f"{seconds:.1f} s"
        self.note(what, shown, f"<= {bar:g} s", seconds is not None and seconds <= bar)

    def complaints(self, home: Path) -> tuple[int, int]:
        """Warnings of the hub about MQTT, kept in `home`, and those of them that are about us. A lost connection is the trial's
        doing, a slow moment the machine's; the other is how the hub speaks of a document that was cleared."""
        told = self.hub.complaints()
        (home / "complaints.json").write_text(json.dumps(told, indent=1), encoding="utf-8")
        return len(told), sum(not any(words in line for words in EXPECTED) for line in told)

    def verdict(self) -> int:
        """Says what was missed. Exit code."""
        missed = [row.what for row in self.rows if not row.met]
        sys.stdout.write(f"\n{len(self.rows)} tried, {len(missed)} not met {missed or ''}\n")
        return 1 if missed else 0

    async def wait(self, what: str, holds: Callable[[], bool], bar: float, begin: float | None = None) -> None:
        self.took(what, await self.hub.until(holds, 2 * bar + 30), bar, begin)

    def is_(self, entity: str, *words: str) -> Callable[[], bool]:
        return lambda: self.hub.state(entity) in words

    def reads(self, entity: str, value: float) -> Callable[[], bool]:
        """The entity shows this number, give or take what the display rounds."""
        return lambda: self.known(entity)() and abs(float(self.hub.state(entity)) - value) < 0.3

    def known(self, entity: str) -> Callable[[], bool]:
        return lambda: self.hub.state(entity) not in ("", "unknown", "unavailable")

    async def none_left(self) -> None:
        """The hub knows no entity of ours any more."""
        async with asyncio.timeout(60):
            while await self.hub.entities():
                await asyncio.sleep(0.5)

    async def some_known(self, number: int) -> None:
        """The hub knows so many entities, hidden ones counted."""
        async with asyncio.timeout(60):
            while len(await self.hub.entities()) != number:
                await asyncio.sleep(0.5)

    def silences(self) -> int:
        """How often the hub has cried, whether or not the phone was in reach."""
        return sum(call["service_data"].get("title") == SILENCE for call in self.hub.seen.calls)

    async def none_cried(self, what: str, before: int) -> None:
        await self.hub.until(lambda: self.silences() > before, FORGIVEN)
        self.note(f"{what}: false cries of silence", self.silences() - before, "0", self.silences() == before)

    async def all_back(self, what: str) -> None:
        here = [e for e in self.hub.states() if e.startswith((f"sensor.{PIT}", f"button.{PIT}", "sensor.chuck_roll"))]
        await self.wait(what, lambda: all(self.hub.state(e) != "unavailable" for e in here), BACK)


def say(row: Row) -> None:
    sys.stdout.write(f"| {row.what} | {row.found} | {row.bar} | {'yes' if row.met else '**NO**'} |\n")
    sys.stdout.flush()
