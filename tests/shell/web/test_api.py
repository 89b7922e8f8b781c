"""What the page's API answers, and which command each request becomes."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import aiohttp
import pytest

from daemon.core import inputs, orders
from daemon.core.pit_profile import PitProfile
from daemon.core.planned import From, ReminderSettings
from daemon.core.settings import Band, MeatKind, PieceSettings
from daemon.core.snapshot import MarkView
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookRow
from daemon.shell.web.contract import NotAvailable
from daemon.shell.web.openapi import document
from daemon.shell.web.page import marks_before
from daemon.shell.web.pairing import login_url
from tests.shell.web.page_cooks import CHOIR
from tests.shell.web.page_curves import FEED, NIGHT, WALL_OFFSET
from tests.shell.web.page_scenario import FakeWatch


async def test_the_snapshot_is_what_the_watch_holds(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    body = await (await client.get("/api/snapshot")).json()
    assert body["cook_name"] == "Village-hall lunch"
    assert body["pit"]["celsius"] == pytest.approx(watch.snapshot().pit.celsius)
    assert [piece["stage"] for piece in body["pieces"]] == ["stall", "wrapped"]
    assert body["channels"][4] | {"celsius": 0, "rate": 0, "age": 0} == {
        "id": "air", "name": "Outside", "role": "ambient", "place": None, "celsius": 0, "quality": "suspect",
        "doubts": ["drift-against-pair"], "fault": None, "age": 0, "rate": 0, "pit": "",
    }  # fmt: skip


async def test_a_value_that_is_no_number_becomes_null(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    watch.changes = replace(watch.changes, pit=replace(watch.changes.pit, celsius=math.nan))
    assert (await (await client.get("/api/snapshot")).json())["pit"]["celsius"] is None


ORDERS: list[tuple[str, dict[str, Any], inputs.Command]] = [
    ("acknowledge", {"alarm": FEED}, orders.Acknowledge(FEED, "page")),
    ("acknowledge", {"alarm": "*", "by": "Ann"}, orders.Acknowledge("*", "Ann")),
    ("pause", {}, orders.PauseSound(900.0, "page")),
    ("shelve", {"alarm": FEED, "seconds": 7200, "reason": "known"}, orders.Shelve(FEED, 7200.0, "known", "page")),
    ("unshelve", {"alarm": FEED}, orders.Unshelve(FEED, "page")),
    ("mark", {"kind": "log"}, orders.Mark(orders.MarkKind.LOG, None, "page", "")),
    ("mark", {"kind": "wrapped", "piece": "chuck-roll"}, orders.Mark(orders.MarkKind.WRAPPED, "chuck-roll", "page")),
    ("sleep", {}, orders.GoToSleep("page")),
    ("morning", {}, orders.GoodMorning("page")),
    ("test-wake", {}, orders.TestWake("page")),
    ("judge-wake", {"notification": "n#1.0", "needed": False}, orders.JudgeWake("n#1.0", False, "page")),
    ("band", {"band": {"low": "230 F", "high": 130}}, orders.SetBand(Band(110.0, 130.0), "page")),
    (
        "mark",
        {"kind": "wrapped", "piece": "beef Chuck roll"},
        orders.Mark(orders.MarkKind.WRAPPED, "chuck-roll", "page"),
    ),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": 70}, orders.AskWrap("chuck-roll", 70.0, "page")),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": "212 F"}, orders.AskWrap("chuck-roll", 100.0, "page")),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": None}, orders.AskWrap("chuck-roll", None, "page")),
    ("hand-over", {"to": "Ben", "note": "lamb first"}, orders.HandOver("Ben", "page", "lamb first")),
    (
        "safety-deed",
        {"piece": "lamb-shoulder", "deed": "thrown-away"},
        orders.TellDeed("lamb-shoulder", orders.SafetyDeed.THROWN_AWAY, "page"),
    ),
    ("drop-plan", {}, orders.KeepPlan(None, "page")),
    (
        "add-reminder",
        {"reminder": {"text": "Spritz", "every_minutes": 45, "after": "on", "until": "wrapped"}},
        orders.AddReminder(ReminderSettings("spritz", "Spritz", 2700.0, From.ON, None, From.WRAPPED), "page"),
    ),
    (
        "add-reminder",
        {"reminder": {"text": "Turn", "at": "1970-01-01T00:00:00Z", "piece": "chuck-roll", "at_night": True}},
        orders.AddReminder(
            ReminderSettings("turn", "Turn", at=-WALL_OFFSET, piece="chuck-roll", at_night=True), "page"
        ),
    ),
    ("reminder-done", {"reminder": "grease-tray"}, orders.ReminderDone("grease-tray", "page")),
    ("count-wood", {"splits": 12}, orders.CountWood(12, "page")),
    ("band", {"band": {"low": 235, "high": 275}, "sure": True}, orders.SetBand(Band(235.0, 275.0), "page")),
    ("end-cook", {}, orders.EndCook("page")),
    ("profile/forget", {"sure": True, "by": "Ann"}, inputs.UsePitProfile(PitProfile(), "Ann")),
]


@pytest.mark.parametrize(("path", "body", "command"), ORDERS)
async def test_an_order_becomes_one_command(
    client: aiohttp.ClientSession, watch: FakeWatch, path: str, body: dict[str, Any], command: inputs.Command
) -> None:
    answer = await client.post(f"/api/{path}", json=body)
    assert (answer.status, (await answer.json())["taken"]) == (202, True)
    assert watch.commands == [command]


WRONG: list[tuple[str, dict[str, Any], str]] = [
    ("acknowledge", {}, "alarm"),
    ("acknowledge", {"alarm": FEED, "extra": 1}, "extra"),
    ("pause", {"seconds": 901}, "seconds"),
    ("shelve", {"alarm": FEED, "seconds": 7201, "reason": "x"}, "seconds"),
    ("shelve", {"alarm": FEED, "seconds": 60, "reason": ""}, "reason"),
    ("mark", {"kind": "sprayed"}, "kind"),
    ("mark", {"kind": "off", "piece": "goat"}, "piece"),
    ("band", {"band": {"low": 120, "high": 121}}, "band"),
    ("ask-wrap", {"piece": "goat", "celsius": 70}, "piece"),
    ("ask-wrap", {"celsius": 70}, "piece"),
    ("ask-wrap", {"piece": "chuck-roll"}, "celsius"),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": 29}, "celsius"),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": 101}, "celsius"),
    ("ask-wrap", {"piece": "chuck-roll", "celsius": "70"}, "celsius"),
    ("add-reminder", {"reminder": {"text": "Spritz"}}, "reminder"),
    ("add-reminder", {"reminder": {"text": "Spritz", "after": "on", "every_minutes": 1}}, "reminder.every_minutes"),
    ("add-reminder", {"reminder": {"text": "Spritz", "after": "on", "piece": "goat"}}, "reminder.piece"),
    ("remove-reminder", {"reminder": "spritz"}, "reminder"),
    ("reminder-done", {"reminder": "spritz"}, "reminder"),
    ("count-wood", {"splits": -1}, "splits"),
    ("keep-plan", {"wind": 100}, "wind"),
    ("profile/forget", {}, "sure"),
    ("hand-over", {"to": ""}, "to"),
    ("safety-deed", {"piece": "goat", "deed": "served"}, "piece"),
    ("safety-deed", {"piece": "lamb-shoulder", "deed": "eaten"}, "deed"),
    ("profile/forget", {"sure": False}, "sure"),
    ("cooks/amend", {"cook": CHOIR, "photos": ["/etc/passwd"]}, "photos.0"),
    ("cooks/amend", {"cook": CHOIR, "photos": ["a\\b.jpg"]}, "photos.0"),
    ("cooks/amend", {"cook": CHOIR, "wood": -1}, "wood"),
    ("cooks/amend", {"cook": CHOIR, "weights": {"goat": [1, 1]}}, "notes"),
    ("start-cook", {"cook": {"name": "x", "pieces": []}}, "cook.pieces"),
    ("start-cook", {"cook": {"name": "x", "pieces": [{"name": "a", "cut": "whale", "channel": "lamb", "weight": 1}]}},
     "cook.pieces.0.cut"),
    ("start-cook", {"cook": {"name": "x", "pieces": [{"name": "a", "cut": "lamb-leg", "channel": "no", "weight": 1}]}},
     "cook"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "body", "where"), WRONG)
async def test_a_wrong_order_is_422_and_names_the_field(
    client: aiohttp.ClientSession, watch: FakeWatch, path: str, body: dict[str, Any], where: str
) -> None:
    answer = await client.post(f"/api/{path}", json=body)
    problem = await answer.json()
    assert (answer.status, problem["where"]) == (422, where), problem
    assert watch.commands == []


async def test_a_cook_starts_from_the_cut_table(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    table = await (await client.get("/api/cuts")).json()
    assert table["cuts"]["lamb-shoulder"]["tender"] == [90.0, 95.0]
    assert {word: rule[-5:] for word, rule in table["hold_rules"].items()} == {
        "home-140": "60\u00a0°C", "food-code-135": "57\u00a0°C", "food-code-roast-130": "54\u00a0°C",
    }  # 140, 135 and 130 °F  # fmt: skip
    piece = {"name": "Lamb", "cut": "lamb-shoulder", "channel": "lamb", "weight": 2.4}
    cook = {"id": "fair", "name": "Fair", "serve_at": "2026-06-13T12:00:00Z", "pieces": [piece]}
    assert (await client.post("/api/start-cook", json={"cook": cook, "replace": True})).status == 202
    (command,) = watch.commands
    assert isinstance(command, orders.StartCook)
    assert command.cook.serve_at == pytest.approx(NIGHT + 9 * 3600 + 46 * 60 - WALL_OFFSET)
    assert command.cook.pieces[0].thickness == pytest.approx(0.085)


async def test_a_running_cook_is_not_thrown_away_by_a_second_start(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    cook = {"id": "fair", "name": "Fair", "pieces": [{"name": "A", "cut": "lamb-leg", "channel": "lamb", "weight": 2}]}
    answer = await client.post("/api/start-cook", json={"cook": cook})
    problem = (await answer.json())["problem"]
    assert answer.status == 409 and "Village-hall lunch" in problem and "Beef chuck roll (stall)" in problem
    late = {**cook, "serve_at": "2026-06-01T12:00:00Z"}
    answer = await client.post("/api/start-cook", json={"cook": late, "replace": True})
    assert answer.status == 422 and (await answer.json())["where"] == "cook.serve_at"
    assert watch.commands == []
    watch.changes = replace(watch.changes, pieces=())
    assert (await client.post("/api/start-cook", json={"cook": cook})).status == 202


async def test_a_plan_starts_nothing(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    piece = {"name": "Lamb", "cut": "lamb-shoulder", "channel": "lamb", "weight": 2.4}
    cook = {"name": "Fair", "serve_at": "2026-06-13T12:00:00Z", "pieces": [piece]}
    answer = await client.post("/api/plan", json={"cook": cook, "ambient": "14 F"})
    assert answer.status == 200
    lines = (await answer.json())["lines"]
    assert lines[:2] == ["serve Fair", "  outside -10.0 °C, wind 0 m/s"] and "about 15 kg raw" in lines[2]
    answer = await client.post("/api/plan", json={"cook": cook}, headers={"Cookie": "unit=F"})
    assert "about 33 lb raw" in (await answer.json())["lines"][2], "as this phone reads"
    del cook["serve_at"]
    answer = await client.post("/api/plan", json={"cook": cook})
    assert answer.status == 422 and "serving time" in (await answer.json())["problem"]
    assert watch.commands == []


async def test_a_kept_plan_is_that_of_the_running_cook(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    answer = await client.post("/api/keep-plan", json={"wake": False, "ambient": 5})
    made = await answer.json()
    assert answer.status == 202 and made["lines"][0] == "serve Village-hall lunch"
    (command,) = watch.commands
    assert isinstance(command, orders.KeepPlan) and command.plan is not None and not command.plan.wake
    assert made["plan"]["light"] == command.plan.light
    watch.changes = replace(watch.changes, pieces=())
    assert (await client.post("/api/keep-plan", json={})).status == 409


ASKED: list[tuple[str, dict[str, Any], str]] = [
    ("band", {"band": {"low": 235, "high": 275}}, "455 to 527 °F"),
    ("add-piece", {"piece": {"name": "A", "cut": "lamb-leg", "weight": 6}}, "If you meant pounds"),
    ("add-piece", {"piece": {"name": "A", "cut": "lamb-leg", "weight": 2.6, "thickness": 4}}, "inches"),
    ("start-cook", {"cook": {"name": "Fair", "serve_at": "2026-06-19T12:00:00Z", "pieces": [
        {"name": "A", "cut": "lamb-leg", "channel": "lamb", "weight": 2}]}, "replace": True}, "days away"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "body", "words"), ASKED)
async def test_what_can_hardly_be_meant_is_asked_about_and_taken_once_it_is(
    client: aiohttp.ClientSession, watch: FakeWatch, path: str, body: dict[str, Any], words: str
) -> None:
    answer = await client.post(f"/api/{path}", json=body)
    problem = await answer.json()
    assert (answer.status, problem["where"]) == (409, "sure") and words in problem["problem"]
    assert watch.commands == []
    assert (await client.post(f"/api/{path}", json={**body, "sure": True})).status == 202
    assert len(watch.commands) == 1


@pytest.mark.parametrize(
    ("channel", "words"),
    [("nosuch", "no meat channel of that id"), ("pit-left", "no meat channel of that id"), ("chuck", "move it first")],
)
async def test_a_piece_with_a_probe_that_it_cannot_have_is_refused_at_once(
    client: aiohttp.ClientSession, watch: FakeWatch, channel: str, words: str
) -> None:
    piece = {"name": "A", "cut": "lamb-leg", "channel": channel, "weight": 2}
    answer = await client.post("/api/add-piece", json={"piece": piece})
    problem = await answer.json()
    assert (answer.status, problem["where"]) == (422, "piece.channel") and words in problem["problem"]
    assert watch.commands == []


async def test_what_is_hardly_meant_is_asked_about_and_taken_once_it_is_meant(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    first, *others = watch.changes.pieces
    unlit = replace(watch.changes, pieces=(replace(first, stage="waiting", on_at=None), *others))
    mark, spot = {"kind": "wrapped", "piece": first.id}, {"piece": first.id, "celsius": "165 F"}
    for path, body in (("mark", mark), ("spot", spot)):
        watch.changes = unlit  # the fake does what it is told
        asked = await client.post(f"/api/{path}", json=body)
        told = await asked.json()
        assert (asked.status, told["where"]) == (409, "sure") and "has not gone on yet" in told["problem"]
        assert watch.commands == []
        assert (await client.post(f"/api/{path}", json={**body, "sure": True})).status == 202
        assert len(watch.commands) == 1
        watch.commands.clear()


async def test_what_is_not_available_says_so(client: aiohttp.ClientSession, watch: FakeWatch,
                                             monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    def refuse(words: str, limit: int) -> Sequence[CookRow]:
        raise NotAvailable("the cook log is on another card")

    monkeypatch.setattr(watch.cooks, "rows", refuse)
    answer = await client.get("/api/cooks")
    assert (answer.status, (await answer.json())["problem"]) == (503, "the cook log is on another card")


async def test_a_disk_that_refuses_is_503_and_no_fault_of_the_page(
    client: aiohttp.ClientSession, watch: FakeWatch, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The library on a file that is not there, as after a card has died."""
    monkeypatch.setattr(watch.cooks, "wakes", CookRecords(tmp_path / "gone" / "journal.sqlite").wakes)
    answer = await client.get("/api/wakes")
    assert answer.status == 503 and "the journal cannot be read" in (await answer.json())["problem"]
    assert marks_before(tmp_path / "gone" / "journal.sqlite") == []


async def test_a_failing_answer_is_500_in_words_and_the_server_lives(
    client: aiohttp.ClientSession, watch: FakeWatch, monkeypatch: pytest.MonkeyPatch
) -> None:
    def break_down() -> Sequence[Any]:
        raise RuntimeError("secret detail")

    monkeypatch.setattr(watch.cooks, "wakes", break_down)
    answer = await client.get("/api/wakes")
    assert answer.status == 500 and "secret" not in await answer.text()
    assert (await client.get("/api/snapshot")).status == 200


def test_the_document_names_every_model_it_refers_to() -> None:
    text = json.dumps(document())
    names = set(document()["components"]["schemas"])
    wanted = {part.split('"')[0] for part in text.split("#/components/schemas/")[1:]}
    assert wanted <= names and {"Snapshot", "Cook", "Problem"} <= names


async def test_the_document_is_served_as_it_is_made(client: aiohttp.ClientSession) -> None:
    assert await (await client.get("/api/openapi.json")).json() == document()


def test_the_link_carries_the_token_whole() -> None:
    assert login_url("pit.local", 8077, "a+b/c") == "http://pit.local:8077/login?token=a%2Bb%2Fc"


@pytest.mark.parametrize(
    ("path", "body", "words"),
    [
        ("mark", {"kind": "log"}, "log, done at"),
        ("mark", {"kind": "meat-on", "piece": "chuck-roll", "sure": True}, "meat on: Beef chuck roll, done at"),
        ("spot", {"piece": "chuck-roll", "celsius": "160 F"}, "Beef chuck roll: 71.1 °C at"),
        ("choose-spot", {"piece": "chuck-roll"}, "the handheld probe reads Beef chuck roll"),
        ("remove-piece", {"piece": "chuck-roll", "sure": True}, "Beef chuck roll leaves the cook"),
        ("move-probe", {"piece": "chuck-roll", "channel": None}, "Beef chuck roll is read by no probe"),
        ("band", {"band": {"low": 110, "high": 130}}, "the band is 110 to 130 °C"),
        ("count-wood", {"splits": 12}, "12 splits at hand"),
        ("drop-plan", {}, "no plan is kept any more"),
        ("end-cook", {}, " ends"),
        ("pause", {"seconds": 600}, "no sound is repeated until"),
        (
            "add-piece",
            {"piece": {"name": "Meat loaf", "cut": "meat-loaf", "weight": 1.2}},
            "joins as meat-loaf: Meat loaf",
        ),
        ("add-reminder", {"reminder": {"text": "Spritz", "after": "on"}}, "reminder spritz: Spritz"),
    ],
)
async def test_an_order_is_said_back_as_it_was_understood(
    client: aiohttp.ClientSession, path: str, body: dict[str, Any], words: str
) -> None:
    answer = await client.post(f"/api/{path}", json=body)
    assert answer.status == 202 and words in (await answer.json())["said"]


async def test_a_log_for_a_fire_that_nobody_lit_is_taken_and_asked_about(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    seen = watch.snapshot()
    watch.changes = replace(seen, pit=replace(seen.pit, stage="unlit"))
    answer = await client.post("/api/mark", json={"kind": "log"})
    assert answer.status == 202 and "mark it as lit when it burns" in (await answer.json())["said"]
    assert [type(command) for command in watch.commands] == [orders.Mark]


async def test_a_probe_taken_from_another_piece_is_said_for_both(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    chuck, lamb = watch.snapshot().pieces
    answer = await client.post("/api/move-probe", json={"piece": chuck.id, "channel": lamb.channel})
    said = (await answer.json())["said"]
    assert said.startswith(f"{chuck.name} is read by ")
    assert f"{lamb.name}, which had it, is now read by " in said
    assert watch.commands == [orders.MoveProbe(chuck.id, lamb.channel, "page")]


async def test_marks_and_readings_may_come_late(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    now = watch.snapshot().time
    assert (await client.post("/api/mark", json={"kind": "log", "minutes_ago": 20})).status == 202
    spot = {"piece": "chuck-roll", "celsius": 63.4, "where": "thick end", "thermometer": "thin tip", "minutes_ago": 5}
    assert (await client.post("/api/spot", json=spot)).status == 202
    assert watch.commands == [
        orders.Mark(orders.MarkKind.LOG, None, "page", "", now - 1200.0),
        orders.SpotReading("chuck-roll", 63.4, "thick end", "thin tip", 1.0, "page", now - 300.0),
    ]


async def test_nothing_comes_off_before_it_went_on(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    snapshot = watch.snapshot()
    chuck = snapshot.pieces[0]
    assert chuck.on_at is not None
    ago = (snapshot.time - chuck.on_at) / 60.0
    body = {"kind": "off", "piece": chuck.id, "minutes_ago": ago + 1.0}
    refused = await client.post("/api/mark", json=body)
    assert refused.status == 422 and "the meat went on only at" in (await refused.json())["problem"]
    assert watch.commands == []
    assert (await client.post("/api/mark", json={**body, "minutes_ago": ago - 1.0})).status == 202


async def test_only_what_stands_can_be_taken_back(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    body = {"what": "wrapped", "piece": "chuck-roll"}
    watch.changes = replace(watch.changes, marks=())
    refused = await client.post("/api/take-back", json=body)
    assert refused.status == 422 and "no wrapped of chuck-roll stands" in (await refused.json())["problem"]
    mark = MarkView("wrapped", "chuck-roll", 480.0, 500.0, "page")
    watch.changes = replace(watch.changes, marks=(mark,))
    taken = await client.post("/api/take-back", json={**body, "piece": "Beef chuck roll", "said_at": 500.0})
    assert taken.status == 202 and "taken back: wrapped of Beef chuck roll" in (await taken.json())["said"]
    assert (await client.post("/api/take-back", json={**body, "said_at": 501.0})).status == 422
    assert watch.commands == [orders.TakeBack("wrapped", "chuck-roll", 500.0, "page")]


PLAINLY: list[tuple[str, dict[str, Any], str]] = [
    ("mark", {"kind": "log", "minutes_ago": 721}, "how long ago (721): must be at most 720 min"),
    ("mark", {"kind": "sprayed"}, "what was done (\"sprayed\"): choose one of"),
    ("take-back", {"what": "sprayed"}, "the mark (\"sprayed\"): choose one of"),
    ("mark", {"kind": "off", "piece": "goat"}, "no piece is called goat; there are: chuck-roll"),
    ("spot", {"piece": "chuck-roll", "celsius": 150}, "the temperature (150): must be at most 120 °C; if °F is meant"),
    ("spot", {"piece": "chuck-roll", "celsius": "hot"}, "write a temperature as a number of °C"),
    ("band", {"band": {"low": 130, "high": 110}}, "a band goes from low to high: low = 110, high = 130"),
    ("count-wood", {"splits": 1.5}, "the number of splits"),
    ("add-piece", {"piece": {"name": "A", "cut": "lamb-leg", "weight": 2, "place": "nowhere"}},
     "no place on the grate is called nowhere; there are: firebox end"),
    ("change-piece", {"piece": "chuck-roll", "place": "nowhere"}, "no place on the grate is called nowhere"),
    ("move-probe", {"piece": "chuck-roll", "channel": "nosuch"}, "no meat channel of that id (nosuch)"),
    ("remove-reminder", {"reminder": "spritz"}, "no reminder is called spritz; there are"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "body", "words"), PLAINLY)
async def test_what_is_wrong_is_said_in_plain_words(
    client: aiohttp.ClientSession, watch: FakeWatch, path: str, body: dict[str, Any], words: str
) -> None:
    answer = await client.post(f"/api/{path}", json=body)
    problem = (await answer.json())["problem"]
    assert answer.status == 422 and words in problem, problem
    assert "nput should" not in problem and "minutes_ago" not in problem
    assert watch.commands == []


LOAF = PieceSettings("chuck-roll", "Meat loaf", "meat-loaf", MeatKind.GROUND, None, 1.2, 0.08, 1.0, target=71.1)


async def test_a_piece_is_changed_by_what_is_named(client: aiohttp.ClientSession, watch: FakeWatch) -> None:
    """145 is what a cook would write of °F, and 40 °C is no loaf that anybody eats."""
    old = watch.snapshot()
    watch.changes = replace(old, pieces=tuple(replace(p, ordered=LOAF) for p in old.pieces))
    hot = await client.post("/api/change-piece", json={"piece": "chuck-roll", "target": 145})
    assert hot.status == 422 and 'if °F is meant, write "145 F"' in (await hot.json())["problem"]
    cold = await client.post("/api/change-piece", json={"piece": "chuck-roll", "target": 40})
    assert cold.status == 409 and "usually done at 71 °C" in (await cold.json())["problem"]
    assert watch.commands == []
    taken = await client.post("/api/change-piece", json={"piece": "chuck-roll", "target": "160 F", "weight": 1.4})
    assert taken.status == 202 and "from now on: Meat loaf, meat loaf, 1.40 kg" in (await taken.json())["said"]
    (command,) = watch.commands
    assert isinstance(command, orders.ChangePiece)
    assert (command.piece.weight, command.piece.channel) == (1.4, None)
    assert command.piece.target == pytest.approx(71.1, abs=0.01)


async def test_a_serving_time_of_its_own_is_changed_and_taken_away(
    client: aiohttp.ClientSession, watch: FakeWatch
) -> None:
    old, lunch = watch.snapshot(), 3600.0 * 9
    own = replace(LOAF, serve_at=lunch)
    watch.changes = replace(old, pieces=tuple(replace(p, ordered=own) for p in old.pieces))
    bodies: list[dict[str, Any]] = [{"weight": 1.3}, {"serve_at": "2026-06-13T12:00:00Z"}, {"serve_at": False}]
    for order in bodies:
        assert (await client.post("/api/change-piece", json={"piece": "chuck-roll", **order})).status == 202
    wrong = await client.post("/api/change-piece", json={"piece": "chuck-roll", "serve_at": True})
    assert wrong.status == 422
    kept, later, none = (c.piece for c in watch.commands if isinstance(c, orders.ChangePiece))
    assert kept.serve_at == lunch and later.serve_at not in (None, lunch)
    assert none == replace(own, serve_at=None), "and nothing else"
