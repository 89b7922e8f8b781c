"""A month on a virtual clock leaves nothing behind: the project's own bar is 1 MB of memory in ten days."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from tests.soak.month import Look, Month, slope

ROOT = Path(__file__).resolve().parents[2]
MEMORY_LIMIT = 1.0
"""MB in ten days"""
WARM = 3.0
"""days until everything has happened once: an outage, a kept cook, the first tidying"""
LOOK = Look(0.0, 0, 60.0, 14, 3, 8, 1.0, 1.0, 1.0, 0, 0)


def flat(looks: list[Look]) -> dict[str, bool]:
    """What must not grow, and whether it does not. The looks are taken at the same hour of each day."""
    late = [look for look in looks if look.days > WARM]
    return {
        "memory": slope(late) <= MEMORY_LIMIT,
        "files": len({look.files for look in late}) == 1,
        "threads": len({look.threads for look in late}) == 1,
        "tasks": max(look.tasks for look in late) - min(look.tasks for look in late) <= 3,  # a forecast, a delivery
    }


def test_a_leak_would_be_seen() -> None:
    sound = [replace(LOOK, days=float(day), memory=60.0 + 0.5 * (day % 2)) for day in range(1, 31)]
    assert all(flat(sound).values())
    assert not flat([replace(look, memory=60.0 + 0.12 * look.days) for look in sound])["memory"]
    assert not flat([replace(look, files=14 + int(look.days) // 10) for look in sound])["files"]
    assert not flat([replace(look, tasks=8 + int(look.days)) for look in sound])["tasks"]


async def test_an_hour_of_it_goes_through_loop_journal_and_outbox(tmp_path: Path) -> None:
    month = Month(tmp_path)
    looks = [look async for look in month.looks(1 / 24, every=1800.0)]
    assert [look.readings for look in looks] == [4 * 1800, 4 * 3600]
    assert looks[-1].events > 0 and looks[-1].sent > 0
    assert looks[0].files == looks[-1].files


@pytest.mark.soak
def test_thirty_days(tmp_path: Path) -> None:
    """Ten million readings; some 20 min of a processor."""
    command = [sys.executable, "-m", "tests.soak.month", "--days", "30", "--state", str(tmp_path)]
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "MALLOC_ARENA_MAX": "2"}
    done = subprocess.run(command, cwd=ROOT, env=environment, check=True, capture_output=True, text=True)
    looks = [Look(**json.loads(line)) for line in done.stdout.splitlines()]
    assert looks[-1].readings == 30 * 86400 * 4
    assert flat(looks) == dict.fromkeys(("memory", "files", "threads", "tasks"), True), done.stdout
