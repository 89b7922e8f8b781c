"""Orders and questions that name one of several pits."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import aiohttp
import pytest

from daemon.core import inputs, orders
from daemon.core.settings import Band
from daemon.core.snapshot import MarkView
from tests.shell.web.page_scenario import FakeWatch


def with_two_pits(watch: FakeWatch) -> None:
    """A drum beside the pit that is there."""
    old = watch.snapshot()
    drum = replace(old.pit, id="drum", name="Drum", subject="drum", celsius=88.0, stage="low")
    log = MarkView("log", None, old.time - 60.0, old.time - 60.0, "page", pit="drum")
    watch.changes = replace(old, pits=(old.pit, drum), marks=(log, *old.marks))


@pytest.mark.parametrize(
    ("path", "body", "command", "words"),
    [
        ("mark", {"kind": "log", "pit": "drum"}, orders.Mark(orders.MarkKind.LOG, None, "page", pit="drum"), "Drum: log, done"),
        ("take-back", {"what": "log", "pit": "drum"}, orders.TakeBack("log", None, None, "page", "drum"), "taken back: log"),
        ("band", {"band": {"low": 110, "high": 130}, "pit": "drum"}, orders.SetBand(Band(110, 130), "page", "drum"),
         "Drum: the band is 110 to 130"),
        ("move-piece", {"piece": "chuck-roll", "pit": "drum"}, orders.MovePiece("chuck-roll", "drum", "page"),
         "Beef chuck roll is cooked on Drum"),
    ],
)  # fmt: skip
async def test_an_order_may_name_one_of_several_pits(
    client: aiohttp.ClientSession, watch: FakeWatch, path: str, body: dict[str, Any], command: inputs.Input, words: str
) -> None:
    with_two_pits(watch)
    answer = await client.post(f"/api/{path}", json=body)
    assert answer.status == 202 and words in (await answer.json())["said"]
    assert watch.commands == [command]
    first = await client.post(f"/api/{path}", json=body | {"pit": "kiln"})
    assert first.status == 422 and "no pit is called kiln; there are: " in (await first.json())["problem"]


async def test_the_tray_of_one_of_several_pits_is_emptied(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    with_two_pits(watch)
    assert (await client.post("/api/reminder-done", json={"reminder": "grease-tray/kiln"})).status == 422
    assert (await client.post("/api/reminder-done", json={"reminder": "grease-tray/drum"})).status == 202
    assert watch.commands == [orders.ReminderDone("grease-tray/drum", "page")]


async def test_what_one_of_several_pits_taught_is_asked_by_its_id(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    with_two_pits(watch)
    old = watch.snapshot()
    taught = replace(old.profile, cooks=("of-the-drum",))
    watch.changes = replace(old, profiles=(old.profile, taught))
    assert (await (await client.get("/api/profile?pit=drum")).json())["cooks"] == ["of-the-drum"]
    for first in ("", f"?pit={old.pit.id}"):
        assert (await (await client.get(f"/api/profile{first}")).json())["cooks"] == list(old.profile.cooks)
    assert (await client.get("/api/profile?pit=kiln")).status == 422
    assert "profiles" not in await (await client.get("/api/snapshot")).json()


async def test_the_first_pit_is_meant_by_its_id_and_by_no_word(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    for body in ({"kind": "log"}, {"kind": "log", "pit": watch.snapshot().pit.id}):
        assert (await client.post("/api/mark", json=body)).status == 202
    assert [c.pit for c in watch.commands if isinstance(c, orders.Mark)] == ["", ""]
