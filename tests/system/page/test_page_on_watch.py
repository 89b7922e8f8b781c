"""The page on the real engine: a watch in a process of its own, a scripted board on its wire, two kept nights in its journal,
and a phone's browser before it. Nothing here is a stand-in but the meat.

The watch runs up to 120 times faster than life, and slower while a hand must be quicker than the night. Its clock waits for the
board, so that a busy machine never makes a gap in the night. What the page shows comes over its own event stream.
"""

from __future__ import annotations

import contextlib
import re
import socket
import sqlite3
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from daemon.commands.demo.files import CHANNEL, CHANNELS, RIG
from daemon.shell.journal.journal import Journal
from tests.patience import PATIENCE
from tests.ports import free_port
from tests.shell.kept_cooks import FIRST, LATER_NAME, SECOND, make_journal
from tests.system.page.page_browser import BROWSER, alarm_card, enter, paired_phone, serious, unfold
from tests.system.scripted_board import ScriptedBoard, WatchApart

FACTOR = 120.0
"""How much faster than life the night may go; a busy machine makes it slower."""
LEAPING = 400.0
"""The same while nothing is looked at but the end: 20 s between lines of the board."""
UNHURRIED = 4.0
"""At this pace a hand on a busy machine is quicker than the night: a piece that waits does so until it is said that it is on."""
STANDING = 1.0
"""At this pace an alarm that came stays as it is until a slow browser has seen it and answered: it changes after some minutes."""
LINE_EVERY = 0.05
"""s of real time between lines of the board, at least: 6 s of the night."""
PIT, COLD = {"pit-left": 121.0, "pit-right": 119.0, "pit-firebox": 124.0}, {"outside": 8.0, "cabinet": 66.0}
MEAT = {"chuck": 41.0, "chuck-edge": 55.0, "lamb": 47.0}
CLIMB = 6.0 / 3600.0
"""°C/s: meat that stands still to the tenth is believed for an hour and forecast no more. So much a cook's does climb."""

pytestmark = pytest.mark.skipif(not BROWSER.exists(), reason=f"no browser at {BROWSER}")


class RealWatch:
    """values: what the board's next lines say, channel -> °C."""

    def __init__(self, home: Path, apart: WatchApart, port: int) -> None:
        self.home, self.port, self.values = home, port, {**PIT, **MEAT, **COLD}
        self._apart, self._pace, self._over = apart, UNHURRIED, threading.Event()
        self._until: tuple[str, str] | None = None
        self._talker = threading.Thread(target=self._talk)
        self.gone = 0.0
        """s of the night since the start."""

    @property
    def address(self) -> str:
        return f"http://localhost:{self.port}"

    @property
    def login(self) -> str:
        return f"{self.address}/login?token={(self.home / 'page-token').read_text().strip()}"

    def wait(self) -> None:
        """Until the page can be asked."""
        until = time.monotonic() + PATIENCE
        while True:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.5):
                return
            assert time.monotonic() < until, "the page does not listen"
            time.sleep(0.02)

    def _talk(self) -> None:
        """The board, and the night with it."""
        while not self._over.wait(LINE_EVERY):
            until, step = self._until, LINE_EVERY * self._pace
            climb = CLIMB * self.gone
            seen = self._apart.line({c: v + climb * (c in MEAT) for c, v in self.values.items()}, step)
            self.gone += step
            if until is not None and seen.get(until[0]) == until[1]:
                self._pace, self._until = STANDING, None

    def pace(self, factor: float, alarm: str = "", state: str = "") -> None:
        """From now on the night goes by so many times faster than life; if an alarm is given, until it is in that state."""
        self._until = (alarm, state) if alarm else None
        self._pace = factor

    def shows(self, part: Locator, words: str) -> None:
        """Waits until the page says so (a pattern), for two hours of the night: on a busy machine they take what they take."""
        begin, until = self.gone, time.monotonic() + 10 * PATIENCE
        while not (part.count() and re.search(words, part.first.text_content() or "")):
            assert self._talker.is_alive(), "the board fell silent"
            assert self.gone - begin < 2 * 3600.0 and time.monotonic() < until, f"never shown: {words}"
            part.page.wait_for_timeout(50)

    def begin(self) -> None:
        self._talker.start()

    def hush(self) -> None:
        self._over.set()
        self._talker.join()


@contextmanager
def running(home: Path, board: ScriptedBoard) -> Iterator[RealWatch]:
    with ThreadPoolExecutor(1) as apart:  # the browser's driver has this thread's event loop
        journal = Journal(apart.submit(make_journal, home).result())
    newest = journal.newest_time()
    journal.close()
    assert newest is not None
    with closing(sqlite3.connect(home / "journal.sqlite")) as db, db:
        db.execute("UPDATE kept_cooks SET figures = NULL")  # so that this watch itself learns from both nights
    channels = "".join(
        CHANNEL.format(id=i, name=n, role=r, place=f'place = "{p}"' if p else "") for i, n, r, p in CHANNELS
    )
    rig, port = home / "rig.toml", free_port()
    rig.write_text(RIG.format(port=board.port, channels=channels, broker=f"[page]\nport = {port}", more=', "phone"'))
    process = WatchApart(board, (rig, None), home, newest + 60.0, LEAPING)
    watch = RealWatch(home, process, port)
    watch.begin()
    try:
        watch.wait()
        yield watch
    finally:
        watch.hush()
        process.stop()


@pytest.fixture(scope="module")
def watch(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealWatch]:
    board = ScriptedBoard()
    try:
        with running(tmp_path_factory.mktemp("state"), board) as made:
            yield made
    finally:
        board.close()


@pytest.fixture
def asked() -> list[str]:
    """Every address the browser asked for."""
    return []


@pytest.fixture
def page(browser: Browser, watch: RealWatch, asked: list[str]) -> Iterator[Page]:
    with paired_phone(browser, watch.login) as opened:
        opened.on("request", lambda request: asked.append(request.url))
        yield opened


def test_a_night_from_start_to_acknowledged_alarm(page: Page, watch: RealWatch) -> None:
    """Start a cook from the cut table, see it live, mark, be called by an alarm and answer it."""
    enter(page, "cooks")
    page.get_by_text("Start a cook").click()
    page.get_by_label("Name of the cook").fill("Harvest supper")
    page.get_by_role("button", name="One more piece").click()
    second = page.get_by_role("group", name="Piece 2")
    second.get_by_label("Cut").select_option("lamb-shoulder")
    second.get_by_label("Probe").select_option("lamb")
    now = page.evaluate("import('/js/live.js').then(({ live: { snapshot: s } }) => (s.time + s.wall_offset) * 1000)")
    page.get_by_label("Serve at").fill(datetime.fromtimestamp(now / 1000 + 11 * 3600, UTC).strftime("%Y-%m-%dT%H:%M"))
    page.get_by_role("button", name="Start the cook").click()
    expect(page.locator("#title")).to_have_text("Harvest supper")
    pit = page.get_by_label("Pit", exact=True)
    expect(pit.locator(".big")).to_have_text("121°C")
    lamb = page.get_by_label("Lamb shoulder", exact=True)
    expect(lamb.locator(".big")).to_have_text("47°C")
    watch.values["lamb"] = 52.0
    expect(lamb.locator(".big")).to_have_text("52°C")

    page.get_by_text("More marks").click()
    page.get_by_role("button", name="Fire lit").click()
    page.get_by_role("button", name="Log put on", exact=True).click()
    lamb.get_by_role("button", name="Meat on").first.click()
    expect(lamb).to_contain_text("On since")
    enter(page, "curve")
    expect(page.locator(".chart canvas")).to_be_visible()
    page.get_by_role("button", name="12 h").click()
    page.get_by_role("button", name="Wider").click()
    page.get_by_text("Marks in this span").click()
    expect(page.locator("#room")).to_contain_text("meat on, chuck")  # of the kept night, before this watch was started
    expect(page.locator("#room")).to_contain_text("log")
    expect(page.locator("#room")).to_contain_text("meat on, Lamb shoulder")

    enter(page, "pit")
    watch.pace(FACTOR)
    watch.shows(pit, "in the band")
    for channel in PIT:
        watch.values[channel] += 60.0
    watch.pace(FACTOR, "runaway/pit", "unacknowledged")
    alarm = alarm_card(page, "runaway/pit")
    watch.shows(alarm, "New")
    page.evaluate("document.getElementById('more').open = true")  # another alarm may have come before it
    alarm.get_by_role("button", name="Seen").click()
    expect(alarm).to_contain_text("Seen, still so")
    watch.values.update(PIT)
    watch.pace(FACTOR, "runaway/pit", "latched-acknowledged")
    watch.shows(alarm, "Happened, seen")  # a runaway stays on the list until somebody has put it right
    alarm.get_by_role("button", name="It is put right").click()
    expect(alarm).to_have_count(0)


def test_remedies_come_with_the_engines_own_forecast(page: Page, watch: RealWatch) -> None:
    """The cook of the test before: served eleven hours after its start, with a chuck roll that takes longer."""
    serving = page.get_by_label("Serving", exact=True)
    expect(serving).to_contain_text("Harvest supper")
    watch.pace(LEAPING)
    figures = r"\d+ %.*Done \d\d:\d\d"
    watch.shows(serving.locator(".remedy", has_text="Go on as now"), figures)
    other = serving.locator(".remedy", has_text=re.compile("Pit 10° hotter|Wrap it now|Wrapped, into the oven"))
    watch.shows(other, figures)
    watch.pace(UNHURRIED)


def test_the_sleep_list_is_the_engines_own(page: Page) -> None:
    enter(page, "night")
    page.get_by_role("button", name="I am going to sleep").click()
    expect(page.locator("#green-list li").first).to_be_visible()
    for line in ("every probe in use is fresh and believed", "the record of the night can be written"):
        expect(page.locator("#green-list")).to_contain_text(line)
    page.get_by_role("button", name="Good morning").click()
    expect(page.locator("#green-list")).to_have_count(0)


def test_kept_nights_are_opened_noted_and_compared(page: Page, watch: RealWatch) -> None:
    enter(page, "cooks")
    page.get_by_role("searchbox").fill("lunch")
    page.get_by_role("link", name="Open Village-hall lunch").click()
    figures = page.locator(".tally")
    expect(figures.locator("div", has_text="Time in band")).to_contain_text(re.compile(r"\d+\s%"))
    expect(figures.locator("div", has_text="Yield")).to_contain_text("not known")
    page.get_by_label("Verdict").fill("The best bark so far")
    page.get_by_label("Wood burnt").fill("13.5")
    for piece, served in (("Chuck roll", "4.2"), ("Lamb shoulder", "1.5")):
        page.get_by_role("group", name=piece).get_by_label("Served").fill(served)
    page.get_by_role("button", name="Keep the notes").click()
    # 4.2 + 1.5 kg of 7.0 + 2.4 kg.
    expect(figures.locator("div", has_text="Yield")).to_contain_text("61 %")
    expect(figures.locator("div", has_text="Wood")).to_contain_text("13.5 kg")
    page.get_by_role("button", name="Choose for comparing").click()
    page.get_by_role("link", name="Back to the cooks").click()
    page.get_by_role("checkbox", name=re.compile(LATER_NAME)).check()
    page.get_by_role("button", name="Compare 2 cooks").click()
    table = page.get_by_role("region", name="Comparison in numbers")
    expect(table.get_by_role("row", name=re.compile("Verdict"))).to_contain_text("The best bark so far")
    expect(table.get_by_role("row", name=re.compile("Wood"))).to_have_text("Wood13.5 kg–")
    expect(page.locator("#room .chart canvas")).to_be_visible()
    for cook in (FIRST, SECOND):
        report = page.request.get(f"{watch.address}/api/cooks/report?cook={cook}")
        assert report.status == 200 and "<svg" in report.text()


def test_what_two_nights_taught_is_shown_and_forgotten(page: Page) -> None:
    enter(page, "taught")
    room = page.locator("#room")
    expect(room).to_contain_text("From 2 finished cooks")
    expect(room).to_contain_text(re.compile(r"A log lasts\d+ min"))
    expect(room.locator("svg.grate")).to_be_visible()
    expect(room).to_contain_text("h of cooking")
    page.get_by_role("button", name="Forget all of it").click()
    page.get_by_role("button", name="Yes, forget it").click()
    expect(room).to_contain_text("Nothing yet.")
    page.reload()
    expect(room).to_contain_text("Nothing yet.")


def test_no_view_has_a_serious_fault_or_asks_anybody_else(page: Page, watch: RealWatch, asked: list[str]) -> None:
    for view in ("pit", "curve", "night", "cooks", "care", f"cook/{FIRST}", f"compare/{FIRST}/{SECOND}", "taught"):
        enter(page, view)
        unfold(page)
        assert serious(page) == [], view
    assert {url.split("/")[2] for url in asked if not url.startswith("blob:")} == {f"localhost:{watch.port}"}
