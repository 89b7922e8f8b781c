"""The crew's page speaks as whoever looks reads."""

from __future__ import annotations

import dataclasses

from aiohttp.test_utils import TestClient, TestServer

from daemon.core.said import plain, say
from daemon.shell.fleet.crew_page import cooks_page, pits_page
from daemon.shell.fleet.crew_server import CrewServer
from daemon.shell.fleet.overview import CookRow, PitRow
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader
from tests.shell.web.page_curves import NIGHT

HOT = {
    "alarm": "pit-high/pit", "after": "unacknowledged", "priority": "high", "prompt": False, "since": 0.0,
    "text": plain(say("alarm.pit-high.text", name="Pit", value=150.0, limit=140.0)),
}  # fmt: skip


def test_alarms_and_times_are_in_the_units_the_zone_and_by_the_clock_of_who_looks() -> None:
    """150 °C = 302 °F and 140 °C = 284 °F by definition of the scale."""
    row = PitRow("hall", "crew", "brick", 5.0, "in-band", "lunch", (HOT,))
    assert "Close damper: Pit 150 °C, limit 140 °C" in pits_page([row], Composer()).decode()
    page = pits_page([row], Composer(Reader(fahrenheit=True))).decode()
    assert "Close damper: Pit 302 °F, limit 284 °F" in page and "in band, lunch" in page
    old = dataclasses.replace(row, alarms=({**HOT, "text": "as an earlier version wrote it"},))
    assert "as an earlier version wrote it" in pits_page([old], Composer()).decode()
    cook = CookRow("hall", "a", "Lunch", NIGHT, NIGHT + 3600.0, None)
    shown = cooks_page([cook], "", Composer(Reader(zone="America/Chicago", twelve=True))).decode()
    assert "Begun (America/Chicago)" in shown and " 9:14 PM" in shown


async def test_who_looks_chooses_and_is_led_nowhere_else() -> None:
    async with TestClient(TestServer(CrewServer("host=/nonexistent dbname=none").app())) as client:
        chosen = await client.get("/cooks?unit=F", allow_redirects=False)
        assert (chosen.status, chosen.headers["Location"]) == (303, "/cooks")
        assert chosen.cookies["unit"].value == "F"
        for strange in ("/?unit=K", "/?crew=unit"):
            assert "unit" not in (await client.get(strange, allow_redirects=False)).cookies
        assert (await client.get("/nowhere?unit=F", allow_redirects=False)).status == 404
