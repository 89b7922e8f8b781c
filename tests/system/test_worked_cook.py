"""An afternoon and a night as they are worked, on a real tty and through the page's interface: a chuck roll at noon; a meat loaf,
half chickens and two lamb shanks at five, three of them without a probe; a probe moved twice, readings by hand, a log marked
late, a mark taken back, a restart; the chuck roll in the cabinet overnight and served next day.

Time stands still between two readings, so a loaded machine is slow and never wrong. The meat is the simulator's, which shares
nothing with the forecaster. What each prompt should say and when is our own judgement (common practice, no source)."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import pairwise
from math import nan
from pathlib import Path
from typing import Any

import aiohttp
import numpy as np
import pytest

from config.loader import load_both
from daemon.core.drive import replayed
from daemon.core.engine import Engine
from daemon.core.events import (
    EVENT_NAMES,
    AlarmChanged,
    AlarmState,
    Event,
    ForecastMade,
    ForecastWanted,
    Level,
    Notification,
)
from daemon.core.forecast.outlooks import forecast
from daemon.core.inputs import ForecastArrived, Input, WallClock
from daemon.core.orders import Order
from daemon.shell.clock import ManualClock
from daemon.shell.journal.journal import Journal
from daemon.shell.wording import event_to_dict
from daemon.wiring.settings_from_files import watch_settings
from daemon.wiring.watch import Files, Watch
from drivers.simulated.meat import MeatBodies, MeatParameters
from tests.system.scripted_board import ScriptedBoard, wait_for

NOON = 1_795_867_200.0  # 2026-11-28T12:00:00Z
HOUR, MINUTE = 3600.0, 60.0
STEP = 20.0
"""s between two lines of the board."""
SCALE = 300.0
"""Tells the watch that its clock may leap by a few minutes without having been frozen."""
ROOM, CABINET = 20.0, 68.0
LOG_EVERY = 40 * MINUTE

RIG = """
[pit]
id = "pit"
name = "The long pit"
band = {{ low = 107, high = 135 }}
[people]
zone = "UTC"
quiet_from = "22:00"
quiet_until = "07:00"
[[devices]]
kind = "serial-line"
id = "board"
port = "{port}"
line = {{ kind = "words", chip = "max31855", checksum = "crc16", thermocouple = "K" }}
[[delivery]]
kind = "command"
name = "bell"
audience = ["phone", "louder", "sounder", "second", "notice"]
command = ["true"]
[page]
port = 0
"""
CHANNEL = """
[[channels]]
id = "{id}"
role = "{role}"
device = "board"
source = "{source}"
stale_after = 200
"""
CHANNELS = (("pit-left", "pit"), ("pit-right", "pit"), ("chuck", "meat"), ("loose", "meat"), ("cabinet", "hold"),
            ("handheld", "spot"))  # fmt: skip
COOK = """
id = "village-hall"
name = "Village-hall lunch"
serve_at = 2026-11-29T13:00:00
hold = { channel = "cabinet" }
[[pieces]]
name = "Chuck roll"
id = "chuck"
cut = "beef-chuck-roll"
channel = "chuck"
weight = 5.0
thickness = 12.5
"""
PIECES: dict[str, dict[str, Any]] = {
    "loaf": {"name": "Meat loaf", "id": "loaf", "cut": "meat-loaf", "weight": 1.2},
    "chickens": {"name": "Half chickens", "id": "chickens", "cut": "chicken-pieces", "weight": 0.45, "thickness": 4.5},
    "big": {"name": "Big shank", "id": "big", "cut": "lamb-shank", "weight": 0.5, "wrap": False, "channel": "loose"},
    "small": {"name": "Small shank", "id": "small", "cut": "lamb-shank", "weight": 0.4},
}
NAMES = ("chuck", *PIECES)
AFTER = {
    "chuck": (40 * MINUTE, "hold"), "loaf": (10 * MINUTE, "serve"), "chickens": (10 * MINUTE, "serve"),
    "big": (15 * MINUTE, "serve"), "small": (15 * MINUTE, "serve"),
}  # fmt: skip
"""How long each rests, and what then becomes of it."""
PROMPTS = ("wrap-target", "spot-check", "tender-range", "target-reached", "plan-probe", "plan-chill", "reminder")
EXPECTED = {
    "wrap-target", "spot-check", "tender-range", "target-reached", "finish-early", "pit-falling", "reminder", "plan-probe",
    "plan-hold", "plan-chill",
}  # fmt: skip
"""Prompts that such a day may bring: finish-early, for who eats in the evening has told of tomorrow's guests only."""
WRAPS_AT = {"chuck": 77.0, "small": 74.0}
TENDER_AT = {"chuck": 92.0, "big": 90.0, "small": 90.0}
TARGET_AT = {"loaf": 71.1, "chickens": 74.0}
"""Core °C by config/cuts and the pieces above."""
DONE_AT = {"chuck": 93.0, "loaf": 72.5, "chickens": 75.0, "big": 91.0, "small": 91.0}
"""Core °C at which the cook takes a piece off; loaf and chickens by their targets, with a margin for the thermometer."""


class Kitchen:
    """The pit and five pieces of meat, each where it is."""

    def __init__(self) -> None:
        self.meat = MeatBodies(
            MeatParameters.uniform(
                5,
                thickness=np.array([0.125, 0.08, 0.045, 0.057, 0.052]),
                shape=np.array([1.25, 1.0, 0.6, 1.0, 1.0]),
                start=np.array([5.0, 8.0, 6.0, 6.0, 6.0]),
            )
        )
        self.place = dict.fromkeys(NAMES, "cold")
        self.lit_at = float("inf")
        self.logged_at = float("-inf")

    def pit(self, now: float) -> float:
        """Warms up in half an hour; then each log lifts it and it sinks until the next."""
        since = now - max(self.lit_at, self.logged_at)
        if now < self.lit_at:
            return ROOM
        if self.logged_at < self.lit_at + 30 * MINUTE:
            return min(122.0, ROOM + (now - self.lit_at) / MINUTE * 3.4)
        climbing = min(1.0, since / (12 * MINUTE))
        sinking = max(0.0, since - 15 * MINUTE) / MINUTE
        return max(ROOM, 116.0 + 11.0 * climbing - 0.44 * sinking)

    def step(self, now: float, seconds: float) -> None:
        air = {"cold": 5.0, "on": self.pit(now), "rest": ROOM, "hold": CABINET, "gone": 5.0}
        gas = np.array([air[self.place[name]] for name in NAMES])
        vapour = np.array([5000.0 if self.place[name] == "on" else 1200.0 for name in NAMES])
        waiting = np.array([self.place[name] == "cold" for name in NAMES])
        before = self.meat.temperature.copy()
        self.meat.step(seconds, gas, gas - 4.0, vapour, np.where(gas > 100.0, 1.0, 0.5))
        self.meat.temperature[:, waiting] = before[:, waiting]  # in the fridge until it goes on

    def core(self, name: str) -> float:
        return float(self.meat.core()[NAMES.index(name)])


class Afternoon:
    """One watch after the other on one board and one state directory, and the hands of the cook."""

    def __init__(self, home: Path, board: ScriptedBoard) -> None:
        self.board, self.clock, self.kitchen = board, ManualClock(NOON), Kitchen()
        rig = RIG.format(port=board.port)
        rig += "".join(CHANNEL.format(id=id_, role=role, source=n) for n, (id_, role) in enumerate(CHANNELS, 1))
        self.files = Files(home / "rig.toml", home / "cook.toml", home / "state")
        self.files.rig.write_text(rig)
        assert self.files.cook is not None
        self.files.cook.write_text(COOK)
        self.loose: str | None = None
        self.handheld: str | None = None
        self.told: list[Event] = []
        self.prompts: list[tuple[str, str, float, float]] = []
        """(rule, subject, its true core then, h since noon) of each prompt that came up."""
        self.heard: dict[str, float] = {}
        self.read: list[tuple[str, float]] = []
        self.later: list[tuple[float, str, str]] = []
        self.left: dict[str, float] = {}
        self.wrapped_at = self.slept_from = self.slept_until = 0.0
        self.asleep = False
        self.lines = self.taken = 0
        self.watch: Watch
        self.session: aiohttp.ClientSession

    async def start(self) -> None:
        self.watch = Watch(self.files, self.clock, SCALE)
        self.watch.loop.listeners.append(lambda events, view, now: self.hear(events))
        drive = self.watch.loop.drive

        async def counted(now: float, item: Input | None = None) -> None:
            await drive(now, item)
            self.taken += isinstance(item, Order) and item.by == "page"

        setattr(self.watch.loop, "drive", counted)  # noqa: B010
        self.running = asyncio.create_task(self.watch.run())
        await wait_for(lambda: self.watch.page is not None and self.watch.page.server.port, 60.0)
        assert self.watch.page is not None and self.files.state is not None
        key = (self.files.state / "page-token").read_text().strip()
        self.session = aiohttp.ClientSession(
            f"http://127.0.0.1:{self.watch.page.server.port}", headers={"Authorization": f"Bearer {key}"}
        )
        self.lines = 0

    def hear(self, events: Sequence[Event]) -> None:
        self.told.extend(events)
        for event in events:
            if isinstance(event, AlarmChanged) and event.prompt and event.after is AlarmState.UNACKNOWLEDGED:
                core = self.kitchen.core(event.subject) if event.subject in NAMES else nan
                self.prompts.append((event.rule, event.subject, core, (event.time - NOON) / HOUR))

    async def stop(self) -> None:
        await self.session.close()
        self.running.cancel()
        with pytest.raises(asyncio.CancelledError):
            await self.running

    @property
    def now(self) -> float:
        """h since noon."""
        return (self.clock.time - NOON) / HOUR

    async def until(self, hour: float, stop: Callable[[], object] = lambda: False, step: float = STEP) -> None:
        """Reading by reading up to so many hours after noon, or until `stop`."""
        while self.now < hour - 1e-6 and not stop():
            self.clock.time = round(self.clock.time + step, 3)
            now, kitchen = self.clock.time, self.kitchen
            kitchen.step(now, step)
            if kitchen.logged_at + LOG_EVERY <= now and "on" in kitchen.place.values() and not self.asleep:
                kitchen.logged_at = now
                if not 3.3 < self.now < 3.7:  # one is forgotten
                    await self.say("mark", kind="log")
            await self.line()
            await self.answer()
            await self.go_on()

    async def answer(self) -> None:
        """Five minutes after a prompt about a piece somebody stands at the pit."""
        standing = self.watch.engine.alarms.standing()
        for key in [k for k in standing if k.partition("/")[0] in PROMPTS and k not in self.heard]:
            self.heard[key] = self.clock.time
        for key, at in list(self.heard.items()):
            if key not in standing:
                del self.heard[key]
            elif at + 5 * MINUTE <= self.clock.time and not self.asleep:
                self.heard[key] = self.clock.time + HOUR  # asked again in an hour, if it still stands
                await self.act(*key.split("/"))

    async def go_on(self) -> None:
        """What follows when a piece has rested: served, or into the cabinet."""
        for one in [one for one in self.later if one[0] <= self.clock.time]:
            self.later.remove(one)
            await self.take(one[1], "gone" if one[2] == "serve" else "hold", one[2])

    async def act(self, rule: str, name: str) -> None:
        if rule in ("plan-chill", "reminder"):  # nothing was left; it was spritzed
            await self.say("acknowledge", alarm=f"{rule}/{name}")
            return
        core = self.kitchen.core(name)
        if rule == "wrap-target":
            self.kitchen.meat.wrap(np.array([n == name for n in NAMES]), "paper")
            await self.say("mark", kind="wrapped", piece=name, note="paper")
            if name == "chuck":
                self.wrapped_at = self.now
        elif rule in ("spot-check", "plan-probe") or (rule == "target-reached" and name == "loaf"):
            await self.read_by_hand(name, where="the thick end", thermometer="thin tip")
        if rule != "wrap-target" and core >= DONE_AT[name]:
            await self.take(name, "rest", "off")
            self.left[name] = round(self.now, 2)
            self.later.append((self.clock.time + AFTER[name][0], name, AFTER[name][1]))

    async def line(self) -> None:
        """One line of the board, judged, and all that it led to."""
        self.lines += 1
        wobble, kitchen = 0.25 * (self.lines % 2), self.kitchen
        pit = kitchen.pit(self.clock.time)
        values: dict[str, Any] = {"1": pit + wobble, "2": pit - 2.0 + wobble, "5": CABINET + wobble}
        values["3"] = kitchen.core("chuck") + wobble
        values["4"] = ROOM + wobble if self.loose is None else kitchen.core(self.loose) + wobble
        if self.handheld is not None:
            values["6"] = kitchen.core(self.handheld) + wobble
        self.board.send(values)
        due = self.clock.time
        await self.settled(lambda: self.watch.engine.good_at.get("cabinet", 0.0) >= due)

    async def settled(self, arrived: Callable[[], bool] = lambda: True) -> None:
        until = time.monotonic() + 120.0
        loop = self.watch.loop
        while not arrived() or loop._forecasts or self.watch._planner._at_work or not loop._queue.empty():
            assert time.monotonic() < until, "the watch stands still"
            assert not self.running.done(), self.running.result()
            await asyncio.sleep(0.001)
        await asyncio.sleep(0)

    async def say(self, path: str, **order: Any) -> None:
        before = self.taken
        answer = await self.session.post(f"/api/{path}", json=order)
        assert answer.status == 202, (path, order, await answer.text())
        await self.settled(lambda: self.taken > before)

    async def see(self) -> dict[str, Any]:
        seen: dict[str, Any] = await (await self.session.get("/api/snapshot")).json()
        return seen

    async def put_on(self, *names: str) -> None:
        for name in names:
            self.kitchen.place[name] = "on"
            await self.say("mark", kind="meat-on", piece=name)

    async def take(self, name: str, place: str, kind: str) -> None:
        self.kitchen.place[name] = place
        await self.say("mark", kind=kind, piece=name)

    async def read_by_hand(self, name: str, **more: Any) -> None:
        self.read.append((name, round(self.now, 2)))
        await self.say("spot", piece=name, celsius=round(self.kitchen.core(name), 1), **more)

    def standing(self, rule: str, piece: str) -> bool:
        return f"{rule}/{piece}" in self.watch.engine.alarms.standing()

    def raised(self, rule: str) -> list[tuple[str, float]]:
        """(subject, h since noon) of each time that an alarm or prompt came up."""
        return [
            (e.subject, round((e.time - NOON) / HOUR, 2))
            for e in self.told
            if isinstance(e, AlarmChanged) and e.rule == rule and e.after is AlarmState.UNACKNOWLEDGED
            and e.before is not AlarmState.UNACKNOWLEDGED
        ]  # fmt: skip


async def begun(day: Afternoon) -> None:
    """Noon to five: the fire, the chuck roll, a plan, marks late and taken back; then the other pieces."""
    kitchen = day.kitchen
    await day.until(0.1)
    kitchen.lit_at = day.clock.time
    await day.say("mark", kind="fire-lit")
    await day.until(0.7)
    kitchen.logged_at = day.clock.time
    await day.say("mark", kind="log")
    await day.put_on("chuck")
    await day.say("keep-plan", ambient=8, wind=2)
    await day.say("count-wood", splits=60)
    await day.say(
        "add-reminder",
        reminder={"text": "Spritz", "piece": "chuck", "every_minutes": 60, "after": "on", "until": "wrapped"},
    )
    await day.until(3.7)
    late = (day.clock.time - kitchen.logged_at) / MINUTE
    await day.say("mark", kind="log", minutes_ago=late)
    await day.until(4.5)
    await day.say("mark", kind="off", sure=True)
    await day.until(4.6)
    await day.say("take-back", what="off")
    assert (await day.see())["pieces"][0]["stage"] in ("cooking", "stall")
    await day.until(5.0)
    for name, piece in PIECES.items():
        await day.say("add-piece", piece=piece)
        if name == "big":
            day.loose = "big"
        await day.put_on(name)


async def worked(day: Afternoon) -> None:
    """From there to the next day's lunch."""
    kitchen = day.kitchen
    await day.until(6.0)
    await day.say("move-probe", piece="chickens", channel="loose")
    day.loose = "chickens"
    await day.until(6.6)
    await day.read_by_hand("big", where="by the bone", minutes_ago=2)
    await day.until(7.0)
    await day.say("choose-spot", piece="small")
    day.handheld = "small"
    await day.until(7.02, step=2.0)
    day.handheld = None
    await day.until(8.0)
    await day.stop()
    await day.start()
    await day.until(8.2, lambda: kitchen.place["chickens"] != "on")
    await day.say("move-probe", piece="small", channel="loose")
    day.loose = "small"
    await day.until(13.0, lambda: "on" not in kitchen.place.values())
    await day.until(day.now + 1.0)
    await day.say("acknowledge", alarm="*")
    await day.say("test-wake")
    await day.until(day.now + 0.05)
    await day.say("acknowledge", alarm="*")
    await day.say("sleep")
    day.asleep, day.slept_from = True, day.clock.time
    await day.until(19.5, step=60.0)
    await day.say("morning")
    day.asleep, day.slept_until = False, day.clock.time
    await day.until(25.0, step=60.0)
    await day.take("chuck", "gone", "serve")
    await day.until(25.1)


@pytest.fixture
def board() -> Any:
    made = ScriptedBoard()
    yield made
    made.close()


def lived_again(files: Files) -> tuple[list[Event], list[dict[str, Any]], float]:
    """The events of the journal's inputs, judged anew; those of the live run as they stand in it, of which a tidied journal keeps
    forecasts as inputs only; and UTC less engine time, s."""
    assert files.state is not None
    journal = Journal(files.state / "journal.sqlite")
    first = next((item for _, item in journal.inputs() if isinstance(item, WallClock)), WallClock(0.0, True))
    engine = Engine(watch_settings(*load_both(files.rig, files.cook), first.offset))
    events = list(replayed(engine, journal.inputs(), until=journal.newest_event_time()))
    live = [event for event in journal.events() if event["event"] != "forecast"]
    journal.close()
    return events, live, engine.wall.offset


def kept(events: Iterable[Event], offset: float) -> list[dict[str, Any]]:
    """Those that stay, forecasts too, as they are written down."""
    return [json.loads(json.dumps(event_to_dict(e, offset))) for e in events if type(e) in EVENT_NAMES]


def foretold_anew(events: list[Event]) -> Iterator[tuple[ForecastMade, ForecastArrived]]:
    """The first forecast of a piece and each eleventh after it, beside what the question gives that the replay asked at that
    moment: of one that carries nothing along from the questions before."""
    asked = {(e.request.piece.id, e.request.asked_at): e.request for e in events if isinstance(e, ForecastWanted)}
    made = [e for e in events if isinstance(e, ForecastMade)]
    for piece in NAMES:
        for one in [one for one in made if one.piece == piece][::11]:
            yield one, forecast(asked[piece, one.asked_at])


async def the_same_again(day: Afternoon) -> list[dict[str, Any]]:
    """The journal of both lives gives the same again, forecasts included. The events of the live run."""
    await wait_for(lambda: not {t.name for t in threading.enumerate()} & {"compact", "tend", "finished"}, 60.0)
    events, live, offset = lived_again(day.files)
    again = kept(events, offset)
    foretold = [event for event in again if event["event"] == "forecast"]
    again = [event for event in again if event["event"] != "forecast"]
    assert len(again) == len(live) and [pair for pair in zip(again, live, strict=True) if pair[0] != pair[1]] == []
    heard = [event for event in kept(day.told, offset) if event["event"] == "forecast"]
    assert [event for event in heard if event not in foretold] == []
    assert len(heard) <= len(foretold) <= len(heard) + 2, "a watch that is stopped may have told nobody of its last"
    compared = list(foretold_anew(events))
    assert [made.piece for made, anew in compared if (made.outlooks, made.fan) != (anew.outlooks, anew.fan)] == []
    assert {made.piece for made, _ in compared} == set(NAMES)
    return live


async def test_until_five_as_it_is_worked_over_a_restart(tmp_path: Path, board: ScriptedBoard) -> None:
    """What the long test begins with."""
    day = Afternoon(tmp_path, board)
    await day.start()
    try:
        await begun(day)
        await day.until(5.2)
        await day.stop()
        await day.start()
        await day.until(5.3)
        seen = await day.see()
    finally:
        await day.stop()
    assert {piece["id"]: piece["stage"] for piece in seen["pieces"]} == {
        name: "cooking" if name in ("chuck", "big") else "on" for name in NAMES
    }, "a core that nobody reads has not begun to climb"
    assert seen["plan"]["ambient"] == 8 and seen["wood"]["left"] == 60 - seen["wood"]["used"]
    assert {rule for rule, *_ in day.prompts} == {"reminder", "pit-falling", "finish-early"}
    assert [rule for rule in ("runaway", "fire-out", "pit-blind", "meat-probe-lost") if day.raised(rule)] == []
    assert {"taken-back", "cook-changed", "mark", "plan"} <= {event["event"] for event in await the_same_again(day)}


@pytest.mark.soak
async def test_an_afternoon_and_a_night_as_they_are_worked(tmp_path: Path, board: ScriptedBoard) -> None:
    day = Afternoon(tmp_path, board)
    await day.start()
    try:
        await begun(day)
        await worked(day)
        seen = await day.see()
    finally:
        await day.stop()

    # the afternoon: what asked, and what was right to ask
    assert day.raised("meat-probe-lost") == [], "no piece without a probe misses one"
    assert day.raised("device-lost") == [], "the handheld probe is away most of the time"
    for piece in ("loaf", "small"):
        checks = [hour for subject, hour in day.raised("spot-check") if subject == piece]
        off = day.left[piece]
        assert 1 <= len(checks) <= 4 and all(off - 2.5 <= hour <= off for hour in checks), (piece, checks, off)
    assert {subject for subject, _ in day.raised("spot-check")} <= {"loaf", "small", "big"}, "none where a probe tells"
    assert len(day.read) >= 3
    ((_, wrapped),) = [one for one in day.raised("wrap-target") if one[0] == "chuck"]
    assert abs(wrapped - day.wrapped_at) < 0.2
    tender = dict(day.raised("tender-range"))
    assert all(day.left[piece] - 2.5 < tender[piece] <= day.left[piece] for piece in ("chuck", "big", "small"))
    assert {subject for subject, _ in day.raised("target-reached")} <= {"loaf", "chickens"}
    assert day.raised("runaway") == day.raised("fire-out") == day.raised("pit-blind") == []

    # each prompt of meat was right when it came: by the true core, and never of a piece whose next act was hours away
    for rule, piece, core, at in day.prompts:
        goal = {"wrap-target": WRAPS_AT, "tender-range": TENDER_AT, "target-reached": TARGET_AT}.get(rule, {}).get(
            piece
        )
        if goal is not None:
            assert core >= goal - 4.0, (rule, piece, core, at)
        if rule in ("spot-check", "plan-probe"):
            assert day.left[piece] - 3.0 < at < day.left[piece], (rule, piece, at)
        if rule == "plan-hold":
            assert piece == "chuck"
    assert {rule for rule, *_ in day.prompts} <= EXPECTED, {rule for rule, *_ in day.prompts} - EXPECTED
    assert len(day.raised("spot-check")) <= 9, "three pieces without a probe in five hours"
    spritz = [hour for _, hour in day.raised("reminder")]
    assert len(spritz) == 6 and all(0.95 < b - a < 1.2 for a, b in pairwise(spritz)) and spritz[-1] < day.wrapped_at
    assert {piece for piece, _ in day.raised("plan-chill")} == set(PIECES), "what was served, an hour and a half later"
    assert seen["plan"]["ambient"] == 8 and seen["plan"]["wind"] == 2
    assert seen["wood"]["left"] is not None and seen["wood"]["left"] == 60 - seen["wood"]["used"]

    # the night: nobody is called while the chuck roll lies in the cabinet
    slept = [e for e in day.told if isinstance(e, Notification) and day.slept_from < e.time < day.slept_until]
    assert [n.text for n in slept if n.level is Level.WAKE] == []
    pieces = {piece["id"]: piece for piece in seen["pieces"]}
    assert {name: piece["stage"] for name, piece in pieces.items()} == dict.fromkeys(NAMES, "done")
    assert any("No probe followed this piece" in note for note in pieces["loaf"]["safety"]["notes"])
    assert pieces["loaf"]["safety"]["safe_minimum_reached_at"] is not None, "read by hand, so it counts"
    assert pieces["chuck"]["safety"]["below_floor_seconds"] == 0.0

    live = await the_same_again(day)
    assert {"taken-back", "spot", "cook-changed", "mark", "plan"} <= {event["event"] for event in live}
    assert len([event for event in day.told if isinstance(event, ForecastMade)]) > 100
