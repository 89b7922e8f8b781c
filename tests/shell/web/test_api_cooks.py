"""What the API tells of kept cooks, of their readings and of what the pit taught."""

from __future__ import annotations

import gzip
import json

import aiohttp
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.shell.library.rows import CookNotes
from daemon.shell.web.contract import bucketed
from tests.shell.web.page_cooks import CHOIR, FAIR
from tests.shell.web.page_curves import NIGHT
from tests.shell.web.page_scenario import FakeWatch


async def test_cooks_are_found_compared_and_reported(client: aiohttp.ClientSession) -> None:
    found = (await (await client.get("/api/cooks?words=choir")).json())["cooks"]
    assert [cook["id"] for cook in found] == ["2026-05-23-choir"]
    answer = await client.get("/api/cooks/compare?cook=2026-05-23-choir&cook=2026-06-06-trial&points=50")
    curves = (await answer.json())["curves"]
    assert [curve["cook"]["pit"] for curve in curves] == ["Brick pit", "Drum pit"]
    assert all(len(curve["time"]) == len(curve["pit"]) == 50 for curve in curves)
    assert (await client.get("/api/cooks/compare?cook=one")).status == 422
    assert (await client.get("/api/cooks/compare?cook=one&cook=two")).status == 404
    report = await client.get("/api/cooks/report?cook=2026-05-23-choir")
    assert report.content_type == "text/html" and "sandbox" in report.headers["Content-Security-Policy"]
    assert (await client.get("/api/cooks/report?cook=none")).status == 404


async def test_one_kept_cook_is_opened_with_its_notes(client: aiohttp.ClientSession) -> None:
    page = await (await client.get(f"/api/cooks/kept?cook={CHOIR}&points=50")).json()
    assert page["curve"]["cook"]["name"] == "Choir supper" and len(page["curve"]["time"]) == 50
    assert page["notes"]["photos"] == ["rub.jpg"]
    assert [piece["id"] for piece in page["pieces"]] == ["chuck-roll", "lamb-shoulder"]
    assert page["moments"][0] == {"at": pytest.approx(1800.0), "kind": "log", "piece": None, "text": ""}
    assert [m["text"] for m in page["moments"] if m["kind"] == "woken"] == ["Add 1-2 splits now"]
    assert (await client.get("/api/cooks/kept?cook=none")).status == 404
    assert (await client.get("/api/cooks/kept")).status == 422


async def test_notes_are_written_beside_a_cook(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    notes = {"cook": CHOIR, "verdict": "dry", "photos": ["a b.jpg"], "wood": 9.5, "weights": {"chuck-roll": [7, 4.2]}}
    assert (await client.post("/api/cooks/amend", json=notes)).status == 202
    assert watch.cooks.notes == {CHOIR: CookNotes("dry", "", ("a b.jpg",), 9.5, {"chuck-roll": (7.0, 4.2)})}
    assert watch.commands == [], "the core has no part in it"
    assert (await client.post("/api/cooks/amend", json={"cook": "none"})).status == 404


async def test_the_readings_of_a_cook_are_a_table_to_keep(client: aiohttp.ClientSession) -> None:
    answer = await client.get(f"/api/cooks/csv?cook={CHOIR}")
    assert answer.headers["Content-Type"] == "text/csv; charset=utf-8"
    assert answer.headers["Content-Disposition"] == f'attachment; filename="{CHOIR}.csv"'
    lines = (await answer.text()).splitlines()
    assert lines[0] == "time,pit-left,mark"
    assert sum(line.endswith(",log") for line in lines) == 11
    assert any(line.endswith(",,wrapped:chuck-roll") for line in lines)
    assert (await client.get("/api/cooks/csv?cook=none")).status == 404


async def test_what_the_pit_taught_has_a_route_of_its_own(client: aiohttp.ClientSession) -> None:
    """The snapshot goes out every few seconds; hundreds of rows of old fires do not belong in it."""
    assert "profile" not in await (await client.get("/api/snapshot")).json()
    told = await (await client.get("/api/profile")).json()
    # Newest eight of 44 51 47 39 58 46 49 45 52 minutes, in order 39 45 46 47 49 51 52 58.
    assert (told["log_interval"], told["shortest"], told["longest"], told["logs"]) == (48.0, 39.0, 58.0, 9)
    # Middle of 6.0, 3.5 and 4.0 minutes an hour; three misses are enough to be used.
    assert (told["bias"], told["trusted"]) == (4.0, True)
    assert told["cooks"] == [FAIR, CHOIR] and told["places"][0]["place"] == "firebox end"
    assert "episodes" not in json.dumps(told)
    assert "fires" not in told, "the picture the page is made from does not hold them: it could only say 0"


async def test_a_kept_cook_is_asked_by_one_of_its_pits(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    row = watch.cooks.listed[0]
    page = await (await client.get("/api/cooks/kept", params={"cook": row.id, "pit": row.pit})).json()
    assert (page["pits"], page["pit"], page["curve"]["cook"]["pit"]) == ([], "", row.pit)
    refused = await client.get("/api/cooks/kept", params={"cook": row.id, "pit": "kiln"})
    assert refused.status == 422 and "no pit of this cook is called kiln" in (await refused.json())["problem"]


async def test_a_day_of_four_channels_fits_in_60_kb(client: aiohttp.ClientSession) -> None:
    """Our own bar: 24 h thinned to 2,000 values (4 channels x 250 buckets x lowest and highest), gzip."""
    answer = await client.get(f"/api/history?start={NIGHT - 86400}&end={NIGHT}&points=250")
    body = await answer.read()
    assert len(json.loads(body)["time"]) == 250
    assert len(gzip.compress(body)) <= 60_000


@pytest.mark.parametrize("query", ["", "start=1", "start=2&end=1", "start=nan&end=1", "start=0&end=1e13",
                                   "start=0&end=9&points=1", "start=0&end=9&points=2001",
                                   "start=0&end=9&points=2.5"])  # fmt: skip
async def test_a_wrong_span_is_422(client: aiohttp.ClientSession, query: str) -> None:
    assert (await client.get(f"/api/history?{query}")).status == 422


@given(
    st.lists(st.tuples(st.floats(0, 1000), st.floats(-50, 900)), max_size=300),
    st.integers(2, 50),
)
def test_thinning_keeps_every_extreme(points: list[tuple[float, float]], count: int) -> None:
    """Compared with the plain minimum and maximum of all points, and with each point's own bucket."""
    history = bucketed({"pit": points}, 0.0, 1000.0, count)
    (trace,) = history.channels
    assert len(history.time) == len(trace.low) == len(trace.high) <= count
    lows, highs = ([v for v in side if v is not None] for side in (trace.low, trace.high))
    assert min(lows, default=None) == min((v for _, v in points), default=None)
    assert max(highs, default=None) == max((v for _, v in points), default=None)
    for time, value in points:
        at = min(len(history.time) - 1, int(time / history.bucket))
        low, high = trace.low[at], trace.high[at]
        assert low is not None and high is not None and low <= value <= high
