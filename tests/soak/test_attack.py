"""Ten minutes of attacks on the real process, and a wrong build that they find out; the hour is `python -m tests.soak.attack`."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.attack import attacked

MINUTES, SEED = 10.0, 20261127


@pytest.mark.soak
async def test_ten_minutes_of_attacks_miss_no_need_and_give_no_id_twice(tmp_path: Path) -> None:
    attack = await attacked(tmp_path, MINUTES, SEED)
    assert attack.needs >= 5 and sum(attack.done.values()) >= 50
    assert attack.problems == [], (SEED, attack.done)


@pytest.mark.soak
async def test_the_attack_finds_a_watch_that_believes_a_damaged_journal(tmp_path: Path) -> None:
    attack = await attacked(tmp_path, 4.0, SEED, "believes")
    assert attack.problems
