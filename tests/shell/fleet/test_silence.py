"""The crew is told of a pit that falls silent in use, once, and of its return, once; by a real web hook."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from aiohttp import web
from aiohttp.test_utils import TestServer

import config
from config.config_error import ConfigError
from config.crew import Crew
from config.loader import load_crew
from daemon.commands.fleet.page import Crier
from daemon.shell.fleet.overview import SILENT_AFTER, PitRow
from daemon.shell.fleet.silence import NAMED, SETTLED
from daemon.texts.reader import CELSIUS
from tests.texts.english import problem_in_english

PATIENCE = 60.0
LONG_UP = SETTLED + 1
NOW = 1_800_000_000.0
BURNS = PitRow("pit-17", "hall", "brick", SILENT_AFTER + 60, "in-band", "hall", (), None, NOW - SILENT_AFTER - 60)
HEARD = replace(BURNS, silent=5.0, heard=NOW - 5)


class Hook:
    """Where messages arrive. status: what it answers."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.status = 200

    async def take(self, request: web.Request) -> web.Response:
        self.got.append(await request.json())
        return web.Response(status=self.status)

    @property
    def said(self) -> list[tuple[str, str]]:
        return [(one["level"], one["text"]) for one in self.got]


@pytest.fixture
async def hook() -> AsyncIterator[tuple[Hook, str]]:
    one, app = Hook(), web.Application()
    app.router.add_post("/", one.take)
    async with TestServer(app) as server:
        yield one, str(server.make_url("/"))


@asynccontextmanager
async def crier(url: str, state: Path) -> AsyncIterator[Crier]:
    """One life of the service."""
    crew = Crew.model_validate({
        "state_directory": str(state),
        "delivery": [{"name": "hook", "audience": ["phone"], "kind": "webhook", "url": url}],
    })  # fmt: skip
    one = Crier(crew, CELSIUS)
    task = asyncio.create_task(one.outbox.run())
    try:
        yield one
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        await one.outbox.close()


async def until(true: Callable[[], bool]) -> None:
    async with asyncio.timeout(PATIENCE):
        while not true():
            await asyncio.sleep(0.01)


async def test_a_silence_is_told_once_and_its_return_once(hook: tuple[Hook, str], tmp_path: Path) -> None:
    got, url = hook
    notes = tmp_path / "told.json"
    async with crier(url, tmp_path) as one:
        one.looked([HEARD], LONG_UP)
        one.looked([BURNS], SETTLED - 1)  # the database has just started: others may still be waiting to try again
        for _ in range(3):
            one.looked([BURNS], LONG_UP)
        await until(notes.exists)
    async with crier(url, tmp_path) as one:  # the service starts again
        one.looked([BURNS], LONG_UP)
        one.looked([HEARD], LONG_UP)
        one.looked([HEARD], LONG_UP)
        await until(lambda: notes.read_text() == "{}")
        again = replace(BURNS, heard=NOW + 500)
        one.looked([again], LONG_UP)
        await until(lambda: len(got.got) == 3)
    assert got.said == [
        ("wake", "Look after pit-17: no word for 6 min, it was: in band"),
        ("notice", "Heard again: pit-17"),
        ("wake", "Look after pit-17: no word for 6 min, it was: in band"),
    ]
    assert len({one["id"] for one in got.got}) == 3


async def test_what_nobody_took_is_told_after_the_next_start(hook: tuple[Hook, str], tmp_path: Path) -> None:
    got, url = hook
    got.status = 400  # for good
    async with crier(url, tmp_path) as one:
        one.looked([BURNS], LONG_UP)
        await until(lambda: len(got.got) == 1)
    got.status = 200
    async with crier(url, tmp_path) as one:
        one.looked([BURNS], LONG_UP)
        await until((tmp_path / "told.json").exists)
    assert len(got.got) == 2


async def test_many_at_once_are_one_message_and_a_cold_pit_is_none(hook: tuple[Hook, str], tmp_path: Path) -> None:
    got, url = hook
    many = [replace(BURNS, pit=f"pit-{n}") for n in range(NAMED + 3)]
    cold = [replace(BURNS, pit=f"cold-{stage}", stage=stage, cook="") for stage in ("unlit", "cooling", "")]
    never = replace(BURNS, pit="never", silent=None, heard=None)
    async with crier(url, tmp_path) as one:
        one.looked([*many, *cold, never], LONG_UP)
        one.looked([*many, *cold, never], LONG_UP)
        one.looked([replace(HEARD, pit="pit-0"), *many[1:]], LONG_UP)
        await until(lambda: len(got.got) == 2)
        one.looked([replace(HEARD, pit="pit-0"), *many[1:-1]], LONG_UP)  # the last was revoked: it has not come back
    assert (
        got.said[0][1] == "Look after pit-0, pit-1, pit-2, pit-3 and 3 more: no word for 6 min, in use when heard last"
    )
    assert got.said[1] == ("notice", "Heard again: pit-0")
    assert f"pit-{NAMED + 2}" not in (tmp_path / "told.json").read_text()


@pytest.mark.parametrize("damage", [b"", b"[1]", b'{"pit-17": "soon"}', b"\xff", b"[" * 100_000])
async def test_damaged_notes_tell_it_again(hook: tuple[Hook, str], tmp_path: Path, damage: bytes) -> None:
    got, url = hook
    (tmp_path / "told.json").write_bytes(damage)
    async with crier(url, tmp_path) as one:
        one.looked([BURNS], LONG_UP)
        await until(lambda: len(got.got) == 1)


def test_the_example_loads_and_mistakes_are_named(tmp_path: Path) -> None:
    example = Path(config.__file__).parent / "examples" / "crew.toml"
    assert load_crew(example).delivery[0].name == "crew-mail"
    stanza = example.read_text().partition("\n[[delivery]]")[2]
    file = tmp_path / "crew.toml"
    for text, word in (
        ("", "delivery"),
        ('[[delivery]]\nname = "hub"\naudience = ["phone"]\nkind = "mqtt"\n', "kind"),
        (f"[[delivery]]{stanza}[[delivery]]{stanza}", "name"),
    ):
        file.write_text(text)
        with pytest.raises(ConfigError) as wrong:
            load_crew(file)
        said = "\n".join(map(problem_in_english, wrong.value.problems))
        assert word in said and str(file) in said
