"""The loop: journal before effect, arrival times kept through a hold-up, a refusing disk survived."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

import pytest

import config
from config.loader import load_both
from daemon.core.engine import SCAN_CYCLE, Engine
from daemon.core.events import (
    AlarmChanged,
    AlarmState,
    Event,
    ForecastMade,
    Marked,
    Notification,
    QualityChanged,
    SamplesJudged,
)
from daemon.core.forecast_request import ForecastRequest
from daemon.core.inputs import ForecastArrived, Health, Input, Part, Readings, Resumed
from daemon.core.orders import Acknowledge, Mark, MarkKind
from daemon.core.snapshot import Snapshot
from daemon.shell import loop as loop_module
from daemon.shell.clock import ManualClock
from daemon.shell.input_queue import READINGS_WAITING
from daemon.shell.journal.journal import HURRIED_FLUSH, Journal, JournalUnavailable
from daemon.shell.journal.queue import INSERT_EVENT, INSERT_INPUT, PACKS_WAITING, WriteQueue
from daemon.shell.loop import WatchLoop
from daemon.shell.view import View
from daemon.wiring.settings_from_files import watch_settings
from drivers.reading import Reading, on_grid
from tests.patience import PATIENCE

EXAMPLES = Path(config.__file__).parent / "examples"
NOW = 1_795_867_200.0


class Bench:
    def __init__(self, tmp_path: Path, forecaster: Callable[[ForecastRequest], ForecastArrived] | None = None) -> None:
        self.clock = ManualClock(NOW)
        self.journal = Journal(tmp_path / "j.sqlite")
        rig, cook = load_both(EXAMPLES / "rig.toml", EXAMPLES / "cook.toml")
        engine = Engine(watch_settings(rig, cook))
        self.loop = WatchLoop(engine, self.clock, self.journal, forecaster=forecaster, time_scale=1e9)
        self.seen: list[Event] = []
        self.loop.listeners.append(self.hear)

    def hear(self, events: Sequence[Event], view: View, now: float) -> None:
        self.seen += events

    def idle(self) -> bool:
        """Nothing waits, is being written or is being foretold."""
        writer = self.loop.writer
        return self.loop._queue.empty() and not self.loop._forecasts and (writer is None or writer._write is None)

    async def rest(self) -> None:
        """Until all that was posted is judged and written."""
        until, turns = time.monotonic() + PATIENCE, 0
        while turns < 20:  # what was written may bring more to be judged
            assert time.monotonic() < until, "it does not come to rest"
            await asyncio.sleep(0.001)
            turns = turns + 1 if self.idle() else 0

    async def settle(self) -> None:
        task = asyncio.create_task(self.loop.run())
        await self.rest()
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


def reading(now: float) -> Readings:
    return Readings((Reading("pit-left", 121.0, now),))


async def test_a_hold_up_is_not_taken_for_silence(tmp_path: Path) -> None:
    """Readings that waited in the queue for a minute were not silent: nothing is called stale."""
    bench = Bench(tmp_path)
    for _ in range(60):
        bench.loop.post(reading(bench.loop.stamp()))
        bench.clock.time += 1.0
    await bench.settle()
    stale = [e for e in bench.seen if isinstance(e, QualityChanged) and e.channel == "pit-left"]
    assert stale == []


async def test_an_effect_is_seen_only_after_the_journal_has_it(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    on_disk: list[int] = []
    bench.loop.listeners.append(lambda events, view, now: on_disk.append(len(list(bench.journal.inputs()))))
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    await bench.settle()
    assert on_disk and on_disk[0] == 1


async def test_what_a_person_is_told_is_taken_is_on_disk(tmp_path: Path) -> None:
    """An answer that was on the way to the disk was lost with a kill, and its call went on."""
    bench = Bench(tmp_path)
    task = asyncio.create_task(bench.loop.run())
    async with asyncio.timeout(PATIENCE):
        await bench.loop.taken(Acknowledge("*", "Ada"))
    assert [i for _, i in Journal(tmp_path / "j.sqlite").inputs()] == [Acknowledge("*", "Ada")]
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_an_order_does_not_wait_for_a_disk_that_hangs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bench = Bench(tmp_path)
    hangs = threading.Event()
    monkeypatch.setattr(bench.journal, "commit", lambda now: hangs.wait())
    monkeypatch.setattr(loop_module, "ANSWERED_WITHIN", 0.01)
    task = asyncio.create_task(bench.loop.run())
    async with asyncio.timeout(PATIENCE):
        await bench.loop.taken(Acknowledge("*", "Ada"))
    assert not bench.loop._awaited
    hangs.set()
    await bench.rest()
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task


async def test_a_refusing_disk_stops_no_judging_and_is_said_once_each_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = Bench(tmp_path)
    commit, refusing = bench.journal.commit, [True]

    def sometimes(now: float) -> None:
        if refusing[0]:
            raise JournalUnavailable("database or disk is full")
        commit(now)

    monkeypatch.setattr(bench.journal, "commit", sometimes)
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    await bench.settle()
    bench.loop.post(Mark(MarkKind.LOG))
    await bench.settle()
    key = (Part.DISK, "journal")
    assert bench.loop.engine.health[key][0] == Health(Part.DISK, "journal", False, "database or disk is full")
    assert bench.loop.engine.pit.stage.stage == "lighting"
    refusing[0] = False
    bench.clock.time += 11.0
    bench.loop.post(Mark(MarkKind.LOG))
    await bench.settle()
    assert bench.loop.engine.health[key][0].ok
    assert len([i for _, i in bench.journal.inputs() if isinstance(i, Mark)]) == 3


async def test_the_watch_judges_on_while_a_forecast_is_computed(tmp_path: Path) -> None:
    """The forecaster here answers only once a reading that came after its question has been judged."""
    thinking, judged, waited = threading.Event(), threading.Event(), list[bool]()

    def forecaster(request: ForecastRequest) -> ForecastArrived:
        judged.clear()
        thinking.set()
        waited.append(judged.wait(PATIENCE))
        thinking.clear()
        return ForecastArrived(request.piece.id, request.asked_at, ())

    def hear(events: Sequence[Event], view: View, now: float) -> None:
        if thinking.is_set() and any(isinstance(e, SamplesJudged) for e in events):
            judged.set()

    bench = Bench(tmp_path, forecaster)
    bench.loop.listeners.append(hear)
    bench.loop.post(Mark(MarkKind.MEAT_ON, "chuck"))
    task = asyncio.create_task(bench.loop.run())
    until = time.monotonic() + PATIENCE
    while time.monotonic() < until:
        bench.clock.time += 60.0
        bench.loop.post(reading(bench.loop.stamp()))
        await asyncio.sleep(0.002)
        if any(isinstance(e, ForecastMade) for e in bench.seen):
            break
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert waited and all(waited)
    assert any(isinstance(e, ForecastMade) for e in bench.seen), "the answer comes back as an input"


async def test_a_listener_that_fails_is_cut_off_and_the_watch_goes_on(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench(tmp_path)

    def broken(events: Sequence[Event], view: View, now: float) -> None:
        raise RuntimeError("a page with a fault")

    bench.loop.listeners.insert(0, broken)
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    bench.loop.post(Mark(MarkKind.LOG))
    await bench.settle()
    marked = [e.kind for e in bench.seen if isinstance(e, Marked)]
    assert marked == [MarkKind.FIRE_LIT, MarkKind.LOG], "the others hear everything"
    assert broken not in bench.loop.listeners
    assert len([r for r in caplog.records if "listener failed" in r.message]) == 1


async def test_listeners_are_shown_values_and_not_the_engine(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    shown: list[tuple[View, Snapshot]] = []
    bench.loop.listeners.append(lambda events, view, now: shown.append((view, view.snapshot(now))))
    bench.loop.listeners.append(lambda events, view, now: shown.append((view, view.snapshot(now))))
    bench.loop.post(Mark(MarkKind.FIRE_LIT))
    await bench.settle()
    (view, first), (_, second) = shown[:2]
    assert not isinstance(view, Engine) and first is second, "one snapshot for all who ask at a moment"
    assert first.pit.stage == "lighting"


@pytest.mark.parametrize("word", [Acknowledge("*", "cook"), Mark(MarkKind.LOG), Health(Part.CHANNEL, "phone", False)])
async def test_a_swamped_loop_loses_readings_and_never_a_word(tmp_path: Path, word: Input) -> None:
    bench = Bench(tmp_path)
    bench.loop.post(word)
    for _ in range(READINGS_WAITING + 5):
        bench.loop.post(reading(NOW))
    bench.loop.post(word)
    waiting = [bench.loop._queue.get_nowait()[1] for _ in range(bench.loop._queue.qsize())]
    assert waiting.count(word) == 2
    assert sum(isinstance(item, Readings) for item in waiting) == READINGS_WAITING
    assert bench.loop._queue.dropped == 5


def test_a_disk_that_refuses_for_long_costs_readings_and_never_an_event(tmp_path: Path) -> None:
    queue = WriteQueue(0, 0)
    queue.add_event(NOW, 0.0, "alarm", "cook", "{}")
    for number in range(PACKS_WAITING + 3):
        queue.add_readings(NOW + number, reading(NOW + number))
        queue.close_pack()
    batch = queue.take_all()
    queue.put_back(batch)
    kinds = [statement for statement, _ in queue.take_all()]
    assert kinds.count(INSERT_EVENT) == 1
    assert kinds.count(INSERT_INPUT) == PACKS_WAITING and queue.dropped == 3


class Frozen(Bench):
    """Time that passes for the machine and not for the process. Meat is on, and every probe is read each second."""

    def __init__(self, tmp_path: Path) -> None:
        super().__init__(tmp_path)
        self.loop._scale = 1.0

    async def live(self, seconds: int) -> None:
        for _ in range(seconds):
            self.clock.time += 1.0
            now = self.loop.stamp()
            shown = {"pit-left": 121.0, "pit-right": 122.0, "chuck": 60.0, "lamb": 60.0}
            self.loop.post(Readings(tuple(Reading(c, on_grid(v + now % 2 / 8), now) for c, v in shown.items())))
            while not self.loop._queue.empty():
                await asyncio.sleep(0)
        await self.rest()

    async def night(self, first_to_run: str) -> float:
        """Returns engine time when the process froze, for ten minutes."""
        task = asyncio.create_task(self.loop.run())
        self.loop.post(Mark(MarkKind.FIRE_LIT))
        self.loop.post(Mark(MarkKind.MEAT_ON))
        await self.live(400)
        before = self.loop.stamp()
        self.clock.time += 600.0
        if first_to_run == "the pulse":
            self.loop.stamp()
            await asyncio.sleep(0.01)
        await self.live(400)
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task
        return before

    @property
    def raised(self) -> list[str]:
        return [e.alarm for e in self.seen if isinstance(e, AlarmChanged) and e.after is AlarmState.UNACKNOWLEDGED]


@pytest.mark.parametrize("first_to_run", ["a reading", "the pulse"])
async def test_a_process_that_stood_still_takes_the_gap_for_a_gap(tmp_path: Path, first_to_run: str) -> None:
    """Ten minutes frozen, the pit fine: nothing is called blind, and the journal says when nobody watched."""
    bench = Frozen(tmp_path)
    before = await bench.night(first_to_run)
    gaps = [(now, i.watched_until) for now, i in bench.journal.inputs() if isinstance(i, Resumed)]
    assert len(gaps) == 1 and gaps[0][0] >= before + 600.0 and gaps[0][1] == before
    assert bench.raised == [] and not any(isinstance(e, Notification) for e in bench.seen)


async def test_a_loop_that_does_not_notice_the_gap_calls_the_pit_blind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The wrong build, which shows that the test above can fail."""
    monkeypatch.setattr(loop_module, "GAP", 1e9)
    bench = Frozen(tmp_path)
    await bench.night("a reading")
    assert "pit-blind/pit" in bench.raised


@pytest.mark.parametrize("settled", [False, True])
async def test_what_a_young_life_hears_is_soon_on_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, settled: bool
) -> None:
    """Killed every 45 s, a watch must know in its next life what it heard in this one; a settled one spares the card."""
    bench = Frozen(tmp_path)
    task = asyncio.create_task(bench.loop.run())
    bench.loop.post(Resumed())
    await bench.live(400 if settled else 30)
    commit, commits = bench.journal.commit, list[float]()

    def counted(now: float) -> None:
        commits.append(now)
        commit(now)

    monkeypatch.setattr(bench.journal, "commit", counted)
    for _ in range(60):
        await bench.live(1)
    task.cancel()
    with suppress(asyncio.CancelledError):
        await task
    assert len(commits) >= 60 / (HURRIED_FLUSH + SCAN_CYCLE) if not settled else len(commits) <= 2
