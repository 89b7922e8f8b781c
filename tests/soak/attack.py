"""An hour of everything at once, at random, on the real process, while the pit does what pits do.

    python -m tests.soak.attack --minutes 60 --seed N [--wrong believes]

The process is killed, told to stop and frozen; its disk is filled, its journal damaged, deleted and robbed of its log,
its key cut short and its wall clock stepped. Meanwhile the pit grows far too hot again and again, and stays so until
somebody is woken or an hour of the pit's time has gone: that would be a need missed. No id may mean two things, and no
start may fail. The seed is printed; the same one makes the same attacks, though not to the millisecond.
"""

from __future__ import annotations

import argparse
import asyncio
import contextlib
import json
import logging
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass, field
from pathlib import Path

from daemon.shell.clock import boot_seconds
from daemon.wiring.state_directory import JOURNAL_FILE
from tests.faults.disks import fill, small_disk
from tests.faults.row import NotHere
from tests.faults.stage import IN_BAND, NOON, TOO_HOT, Stage, staged
from tests.faults.test_damage import DAMAGES

FACTOR = 60.0
"""How much faster than life."""
MUST_WAKE_WITHIN = 3600.0
"""s of the pit's time from too hot until somebody is woken, whatever is done to the watch meanwhile. A start takes as long
here as in life, and nothing of it is speeded up: while a watch starts, the pit's time goes by as fast as ours."""
CALM = 900.0
"""s of the pit's time between two such needs, at least."""
PAUSE = (2.0, 10.0)
"""s between two attacks."""
LONGEST_FREEZE = 8.0
"""s: eight minutes of the pit's time."""
DISK_MEGABYTES = 24
STEPS = (-86400.0, -3600.0, 3600.0, 86400.0, -NOON, 0.0)
"""s by which the wall clock is off; one is 1970."""
PROGRAM = """
import asyncio, sys
from pathlib import Path
{wrong}
from daemon.cli import until_signal
from daemon.shell.clock import SpedUpClock, boot_seconds
from daemon.wiring.watch import Files, Watch

rig, cook, state, start, began, factor, step = sys.argv[1:]

class Stepped(SpedUpClock):
    def wall(self):
        try:
            return self.now() + float(Path(step).read_text())
        except (OSError, ValueError):
            return self.now()

now = float(start) + (boot_seconds() - float(began)) * float(factor)
watch = Watch(Files(Path(rig), Path(cook), Path(state)), Stepped(now, float(factor)), float(factor))
print("watching", flush=True)
asyncio.run(until_signal(watch.run()))
"""
WRONG = {
    "": "",
    "believes": "from daemon.shell.journal.journal import Journal\nJournal.opened = classmethod(lambda cls, path: cls(path))",
    "forgets": "from daemon.wiring import watch as w\nw.secrets.token_hex = lambda n: ''",
}
"""Builds made wrong on purpose: one that believes what a damaged journal says, one whose ids know no life."""


@dataclass
class Attack:
    """A night of them. problems: what must not be. trail: what was done, at how many s after the newest need."""

    stage: Stage
    state: Path
    seed: int
    wrong: str
    may_fill: bool
    done: Counter[str] = field(default_factory=Counter)
    trail: list[str] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    needs: int = 0
    slowest: float = 0.0
    pit_since: float = field(default_factory=time.monotonic)
    process: subprocess.Popen[bytes] | None = None

    def __post_init__(self) -> None:
        self.chance, self.pit_chance = random.Random(self.seed), random.Random(self.seed + 1)
        self.began = boot_seconds()
        self.starts = 0
        self.lives = self.stage.files[0].with_name("lives")
        self.step = self.stage.files[0].with_name("step")

    # --- the process -------------------------------------------------------------------------------------------

    def start(self) -> None:
        arguments = [
            *map(str, self.stage.files),
            str(self.state),
            str(NOON),
            str(self.began),
            str(FACTOR),
            str(self.step),
        ]
        self.starts += 1
        errors = (self.stage.files[0].with_name("errors")).open("ab")
        with errors, self.lives.open("ab") as lives:
            self.process = subprocess.Popen(
                [sys.executable, "-c", PROGRAM.format(wrong=WRONG[self.wrong]), *arguments],
                stdout=lives, stderr=errors,
            )  # fmt: skip

    async def end(self, number: int) -> None:
        assert self.process is not None
        self.process.send_signal(number)
        try:
            await asyncio.to_thread(self.process.wait, 20)
        except subprocess.TimeoutExpired:
            self.problems.append("it did not end when told to")
            self.process.kill()
            await asyncio.to_thread(self.process.wait)

    def look(self) -> None:
        """A watch that ended by itself has failed; it is started again, as a service would be."""
        assert self.process is not None
        if self.process.poll() is not None:
            lines = self.stage.files[0].with_name("errors").read_text(errors="replace").splitlines()
            self.problems.append(f"it ended by itself ({self.process.returncode}): {lines[-1] if lines else ''}")
            self.start()

    # --- what is done to it ----------------------------------------------------------------------------------

    async def kill(self) -> None:
        await self.end(signal.SIGKILL)
        self.start()

    async def stop(self) -> None:
        await self.end(signal.SIGTERM)
        self.start()

    async def freeze(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGSTOP)
        await asyncio.sleep(self.chance.uniform(0.2, LONGEST_FREEZE))
        self.process.send_signal(signal.SIGCONT)

    async def damage(self) -> None:
        await self.end(signal.SIGKILL)
        with contextlib.suppress(Exception):  # an injector may meet what the one before left
            self.chance.choice(DAMAGES)(self.chance, self.state)
        self.start()

    async def delete(self) -> None:
        match self.chance.choice(("all", "journal", "log")):
            case "all":
                gone = list(self.state.iterdir())
            case "journal":
                gone = [self.state / JOURNAL_FILE]
            case _:
                gone = [self.state / f"{JOURNAL_FILE}-wal"]
        for each in gone:  # an earlier attack may have left a directory in place of a file
            shutil.rmtree(each, ignore_errors=True) if each.is_dir() else each.unlink(missing_ok=True)

    async def fill(self) -> None:
        filler = fill(self.state.parent)
        try:
            await asyncio.sleep(self.chance.uniform(0.5, 8.0))
            if self.chance.random() < 0.5:
                await self.kill()
                await asyncio.sleep(self.chance.uniform(0.5, 4.0))
        finally:
            filler.unlink(missing_ok=True)

    async def cut_key(self) -> None:
        key = self.state / "page-token"
        if key.is_file():
            key.write_text(key.read_text()[: self.chance.choice((0, 10))])
        await self.kill()

    async def step_clock(self) -> None:
        self.step.write_text(str(self.chance.choice(STEPS)))

    async def attacks(self) -> None:
        kinds: list[Callable[[], Awaitable[None]]] = [self.kill, self.kill, self.stop, self.freeze, self.freeze, self.damage,
                                             self.delete, self.cut_key, self.step_clock]  # fmt: skip
        if self.may_fill:
            kinds.append(self.fill)
        while True:
            await asyncio.sleep(self.chance.uniform(*PAUSE))
            self.look()
            attack = self.chance.choice(kinds)
            self.done[attack.__name__] += 1
            self.trail.append(f"{time.monotonic() - self.pit_since:.0f} {attack.__name__}")
            with contextlib.suppress(OSError):  # what it was to act on may be gone just then
                await attack()

    # --- what the pit does, and what must come of it ----------------------------------------------------------

    def is_watching(self) -> bool:
        """The newest life has come to its first line; before that it is still starting."""
        return len(self.lives.read_bytes().splitlines()) >= self.starts

    async def pit(self) -> None:
        while True:
            self.stage.pit = IN_BAND
            await asyncio.sleep((CALM + self.pit_chance.uniform(0, CALM)) / FACTOR)
            heard, begin = len(self.stage.told), time.monotonic()
            self.stage.pit = TOO_HOT
            self.pit_since = begin
            self.trail.append(f"need {self.needs + 1}")
            self.needs += 1
            gone, looked = 0.0, begin
            while not any(m["level"] == "wake" for m in self.stage.told[heard:]):
                if gone > MUST_WAKE_WITHIN:
                    self.problems.append(
                        f"need {self.needs} missed; s after it, what was done: {', '.join(self.trail[-20:])}"
                    )
                    self.keep(f"missed-{self.needs}")
                    break
                await asyncio.sleep(0.05)
                now = time.monotonic()
                gone += (now - looked) * (FACTOR if self.is_watching() else 1.0)
                looked = now
            else:
                self.slowest = max(self.slowest, gone)

    def keep(self, name: str) -> None:
        """The state as it is, and every message so far, for whoever asks why."""
        home = self.stage.files[0].parent
        with contextlib.suppress(OSError, shutil.Error):  # the watch goes on writing
            shutil.copytree(self.state, home / name)
        (home / f"{name}.json").write_text(json.dumps(self.stage.told))

    def two_meanings(self) -> list[str]:
        """Ids heard with different words; a repeat of the same words is allowed."""
        said: dict[str, set[str]] = {}
        for message in self.stage.told:
            said.setdefault(message["id"], set()).add(json.dumps(message, sort_keys=True))
        return [f"{name}: {sorted(bodies)}" for name, bodies in said.items() if len(bodies) > 1]


@contextlib.asynccontextmanager
async def disk(home: Path) -> AsyncIterator[tuple[Path, bool]]:
    """Where the state lies, and whether that may be filled."""
    try:
        with small_disk(home, DISK_MEGABYTES) as root:
            yield root / "state", True
    except NotHere:
        yield home / "state", False


async def attacked(home: Path, minutes: float, seed: int, wrong: str = "") -> Attack:
    home.mkdir(parents=True, exist_ok=True)
    async with disk(home / "disk") as (state, may_fill), staged(home / "stage") as stage:
        state.mkdir(parents=True, exist_ok=True)
        attack = Attack(stage, state, seed, wrong, may_fill)
        attack.start()
        tasks = [asyncio.create_task(attack.attacks()), asyncio.create_task(attack.pit())]
        try:
            done, _ = await asyncio.wait(tasks, timeout=minutes * 60, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()  # neither ends but by an error of its own
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            assert attack.process is not None
            attack.process.send_signal(signal.SIGCONT)
            await attack.end(signal.SIGKILL)
        attack.problems += [f"two meanings: {text}" for text in attack.two_meanings()]
        return attack


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=int(time.time()))
    parser.add_argument("--wrong", choices=sorted(WRONG), default="")
    options = parser.parse_args(arguments)
    logging.disable()
    print(f"seed {options.seed}", flush=True)
    home = Path(tempfile.mkdtemp(prefix="attack-"))
    attack = asyncio.run(attacked(home, options.minutes, options.seed, options.wrong))
    ids = {m["id"] for m in attack.stage.told}
    print(
        f"{options.minutes:g} min, {FACTOR:g} times as fast as life: {sum(attack.done.values())} attacks {dict(attack.done)}"
    )
    print(
        f"{attack.needs} needs, slowest wake after {attack.slowest:.0f} s; {len(attack.stage.told)} messages, {len(ids)} ids"
    )
    print("\n".join(attack.problems) or "0 needs missed, 0 ids with two meanings, 0 starts failed")
    if not attack.problems:
        shutil.rmtree(home, ignore_errors=True)
    else:
        print(f"kept: {home}")
    return 1 if attack.problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
