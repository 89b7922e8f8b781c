"""A watch that its own memory kills begins anew after two lives. No outside source: the promise is ours."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from daemon.core.engine import Engine
from daemon.core.events import Event
from daemon.core.inputs import Input, Part
from daemon.core.orders import Mark, MarkKind, SetBand
from daemon.core.settings import Band
from daemon.shell import resume
from daemon.shell.state.failed_lives import SOUND_AFTER, FailedLives
from daemon.wiring.watch import Files, Watch
from tests.patience import PATIENCE

RIG = """
[pit]
band = { low = 107, high = 135 }
[[devices]]
kind = "serial-line"
id = "board"
port = "/dev/null/nothing"
line = { kind = "json" }
[[channels]]
id = "pit"
role = "pit"
device = "board"
source = "1"
[page]
port = 0
"""


def test_the_count_is_kept_and_a_sound_life_begins_it_anew(tmp_path: Path) -> None:
    FailedLives(tmp_path).failed(10.0)
    assert (FailedLives(tmp_path).count, FailedLives(tmp_path).too_many) == (1, False)
    FailedLives(tmp_path).failed(10.0)
    assert FailedLives(tmp_path).too_many
    FailedLives(tmp_path).failed(SOUND_AFTER)
    assert FailedLives(tmp_path).count == 1, "a long life before its failure was no crash loop"
    (tmp_path / "failed-lives").write_bytes(b"\xff\x00")
    assert FailedLives(tmp_path).count == 0


async def test_a_watch_that_fails_at_what_it_remembers_begins_anew_in_its_third_life(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = await first_life(tmp_path)
    right = Engine.handle

    def poisoned(engine: Engine, item: Input, now: float) -> list[Event]:
        if isinstance(item, Mark) and engine.pit.band.low == 111.0:  # what it remembers makes it fail at the next mark
            raise ZeroDivisionError
        return right(engine, item, now)

    monkeypatch.setattr(Engine, "handle", poisoned)
    for _ in range(2):
        failing = Watch(files)
        failing.loop.post(Mark(MarkKind.LOG))
        assert failing.engine.pit.band == Band(111.0, 131.0)
        with pytest.raises(ExceptionGroup):
            await lives(failing)
    third = Watch(files)
    third.loop.post(Mark(MarkKind.LOG))
    assert third.engine.pit.band == Band(107.0, 135.0), "it knows nothing of what killed the others"
    await lives(third, until=lambda: asks(third))
    assert asks(third), "a watch that forgot asks what is on the fire"


async def test_a_journal_that_cannot_be_heard_again_begins_a_life_that_asks_what_is_on_the_fire(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    files = await first_life(tmp_path)

    def unheard(*given: object, **named: object) -> Iterator[object]:
        raise ZeroDivisionError

    monkeypatch.setattr(resume, "replayed", unheard)
    second = Watch(files)
    assert second.engine.pit.band == Band(107.0, 135.0)
    await lives(second, until=lambda: asks(second))
    assert asks(second)


async def first_life(home: Path) -> Files:
    """Of a watch that remembers another band than its file's."""
    rig = home / "rig.toml"
    rig.write_text(RIG, encoding="utf-8")
    files = Files(rig, None, home / "state")
    first = Watch(files)
    first.loop.post(SetBand(Band(111.0, 131.0), "page"))
    await lives(first)
    assert not asks(first), "a first start has nothing to remember"
    return files


def asks(watch: Watch) -> bool:
    """What is on the fire, since the record of it is lost."""
    return not watch.engine.health.well(Part.RECORD)


async def lives(watch: Watch, until: Callable[[], bool] | None = None) -> None:
    """Until everything given to it is settled, or it fails; or until so."""
    running = asyncio.create_task(watch.run())
    seen = watch.journal.last_input
    settled = until or (lambda: watch.journal.last_input >= seen + 2)  # the start, and what was posted
    try:
        async with asyncio.timeout(PATIENCE):
            while not running.done() and not settled():
                await asyncio.sleep(0.05)
    finally:
        running.cancel()
        try:
            await running
        except asyncio.CancelledError:
            pass
        finally:
            watch.lock.release()
