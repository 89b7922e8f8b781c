"""The kept cooks, the lessons of the pit, the remedies and the fingers on the curve, in a real browser on a phone's screen."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from playwright.sync_api import Browser, CDPSession, Locator, Page, expect

from daemon.core.inputs import UsePitProfile
from daemon.core.pit_profile import PitProfile
from daemon.shell.library.rows import CookNotes
from tests.shell.web.page_cooks import CHOIR, FAIR, TRIAL
from tests.shell.web.page_thread import ServedPage, served
from tests.system.page.page_browser import BROWSER, enter, paired_phone

pytestmark = pytest.mark.skipif(not BROWSER.exists(), reason=f"no browser at {BROWSER}")


def test_cooks_are_listed_found_and_opened(page: Page) -> None:
    enter(page, "cooks")
    expect(page.get_by_role("link", name=re.compile("^Open "))).to_have_count(3)
    page.get_by_role("searchbox").fill("choir")
    expect(page.get_by_role("link", name=re.compile("^Open "))).to_have_count(1)
    page.get_by_role("searchbox").fill("nothing of the kind")
    expect(page.locator("#room")).to_contain_text("No kept cook has these words.")
    page.get_by_role("searchbox").fill("choir")
    page.get_by_role("link", name="Open Choir supper").click()
    expect(page.get_by_role("heading", name="Choir supper")).to_be_visible()
    figures = page.locator(".tally")
    for figure, value in (
        ("Time in band", "86 %"),
        ("Swing", "12°"),
        ("Evenness", "15°"),
        ("Wood", "12.5 kg"),
        ("Yield", "63 %"),
    ):
        expect(figures.locator("div", has_text=figure)).to_contain_text(value)
    expect(page.locator(".chart canvas")).to_be_visible()
    page.get_by_text("What was done (13)").click()
    expect(page.locator("#room")).to_contain_text("Woke you: Add 1-2 splits now")
    report = page.get_by_role("link", name="Report")
    assert report.get_attribute("href") == f"/api/cooks/report?cook={CHOIR}"


def test_the_notes_are_kept(page: Page, site: ServedPage) -> None:
    enter(page, f"cook/{CHOIR}")
    page.get_by_label("Verdict").fill("Best so far")
    page.get_by_label("Weather").fill("Rain until four")
    page.get_by_label("Photos, one file name a line").fill("bark.jpg\n\n sliced.jpg ")
    page.get_by_label("Wood burnt, kg").fill("14.2")
    lamb = page.get_by_role("group", name="Lamb shoulder")
    lamb.get_by_label("Raw, kg").fill("2.5")
    lamb.get_by_label("Served, kg").fill("1.6")
    page.get_by_role("button", name="Keep the notes").click()
    expect(page.locator(".tally div", has_text="Wood")).to_contain_text("14.2 kg")
    notes = site.watch.cooks.notes[CHOIR]
    assert notes == CookNotes("Best so far", "Rain until four", ("bark.jpg", "sliced.jpg"), 14.2, notes.weights)
    assert notes.weights["lamb-shoulder"] == (2.5, 1.6)
    page.reload()
    expect(page.get_by_label("Verdict")).to_have_value("Best so far")


def test_notes_may_be_written_in_pounds(page: Page, site: ServedPage) -> None:
    """1 lb = 0.45359237 kg exactly (NIST SP 811, B.8)."""
    page.evaluate("localStorage.setItem('unit', 'F')")
    page.reload()
    enter(page, f"cook/{CHOIR}")
    expect(page.locator(".tally div", has_text="Swing")).to_contain_text("22°")  # 12 °C apart
    page.get_by_label("Wood burnt, lb").fill("10")
    page.get_by_role("button", name="Keep the notes").click()
    expect(page.locator(".tally div", has_text="Wood")).to_contain_text("10.0 lb")
    assert site.watch.cooks.notes[CHOIR].wood == pytest.approx(4.5359237)


@pytest.fixture
def refused(browser: Browser, site: ServedPage) -> Iterator[Page]:
    """A page that will be refused something: an answer, yet the browser's console calls it an error."""
    with paired_phone(browser, site.login, refusals=True) as opened:
        yield opened


def test_a_photo_is_a_name_and_no_path(refused: Page, site: ServedPage) -> None:
    page = refused
    enter(page, f"cook/{CHOIR}")
    page.get_by_label("Photos, one file name a line").fill("../secret.jpg")
    with page.expect_response("**/api/cooks/amend") as answer:
        page.get_by_role("button", name="Keep the notes").click()
    assert answer.value.status == 422
    expect(page.locator("#toast")).to_contain_text("Not done. photos")
    assert site.watch.cooks.notes == {}


def test_a_cook_that_is_not_kept_is_said(refused: Page) -> None:
    refused.evaluate("location.hash = '#cook/midsummer'")
    expect(refused.locator("#room")).to_contain_text("no such cook is kept: midsummer")
    refused.get_by_role("link", name="Back to the cooks").click()
    expect(refused.get_by_role("link", name="Open May fair")).to_be_visible()


def test_cooks_of_two_pits_are_compared_on_one_axis(page: Page) -> None:
    page.set_viewport_size({"width": 320, "height": 640})
    enter(page, "cooks")
    expect(page.get_by_role("button", name="Compare")).to_be_disabled()
    page.get_by_role("checkbox", name=re.compile("Choir supper")).check()
    page.get_by_role("checkbox", name=re.compile("Trial in the drum")).check()
    page.get_by_role("button", name="Compare 2 cooks").click()
    table = page.get_by_role("region", name="Comparison in numbers")
    for row in ("Time in band", "Swing", "Wood", "Evenness", "Yield", "Length", "Verdict"):
        expect(table).to_contain_text(row)
    expect(table.get_by_role("row", name=re.compile("Wood"))).to_have_text("Wood12.5 kg13.5 kg")
    expect(table).to_contain_text("Drum pit")
    assert table.evaluate("box => box.scrollWidth <= box.clientWidth"), "two cooks stand side by side without scrolling"
    chart = page.locator("#room .chart")
    # Choir supper lasts 14 h, the trial 15 h: the shorter one ends, the axis goes on.
    comes_to(chart, "p => p.scales.x.max", 15 * 3600)
    comes_to(chart, "p => [p.data.length, p.data[1].at(-1), p.data[2].at(-1) !== null]", [3, None, True])
    for kind, lines in (("Cores", 2), ("Both", 4), ("Pits", 2)):
        page.get_by_role("button", name=kind, exact=True).click()
        expect(page.get_by_role("button", name=kind, exact=True)).to_have_attribute("aria-pressed", "true")
        comes_to(chart, "p => p.series.length - 1", lines)


def test_what_is_chosen_stays_chosen_between_views(page: Page) -> None:
    enter(page, f"cook/{FAIR}")
    page.get_by_role("button", name="Choose for comparing").click()
    enter(page, f"cook/{TRIAL}")
    page.get_by_role("button", name="Choose for comparing").click()
    enter(page, "cooks")
    page.get_by_role("button", name="Compare 2 cooks").click()
    expect(page.get_by_role("region", name="Comparison in numbers")).to_contain_text("May fair")


def test_what_the_pit_taught_is_shown_with_its_evidence_and_forgotten_only_when_sure(
    page: Page, site: ServedPage
) -> None:
    enter(page, "pit")
    page.get_by_role("link", name="What we learned about this pit").click()
    room = page.locator("#room")
    # The newest eight of nine intervals: 51 47 39 58 46 49 45 52, middle 48.
    expect(room).to_contain_text("A log lasts48 min")
    expect(room).to_contain_text("which lasted 39 min to 58 min; 9 seen in all")
    expect(room).to_contain_text("11 min")
    expect(room).to_contain_text("21° an hour")
    expect(room).to_contain_text("firebox end+8° hot")
    expect(room).to_contain_text("Over 27 h of cooking")
    expect(room).to_contain_text("the error of its own probe is in it")
    expect(room).to_contain_text("In use: each hour ahead is moved 4.0 min later, and never by more than 8 min")
    expect(page.get_by_role("link", name=re.compile("^Choir supper, "))).to_have_attribute("href", f"#cook/{CHOIR}")
    page.get_by_role("button", name="Forget all of it").click()
    page.get_by_role("button", name="No, keep it").click()
    assert site.watch.commands == []
    page.get_by_role("button", name="Forget all of it").click()
    page.get_by_role("button", name="Yes, forget it").click()
    expect(room).to_contain_text("Nothing yet.")
    assert site.watch.commands == [UsePitProfile(PitProfile(), "page")]


def test_behind_time_the_remedies_stand_side_by_side(page: Page, site: ServedPage) -> None:
    serving = page.get_by_label("Serving", exact=True)
    standing = site.watch.snapshot().standing
    assert standing is not None and standing.ahead is not None and standing.chance is not None
    expect(serving).to_contain_text(f"{round(-standing.ahead / 60)} min behind")
    expect(serving).to_contain_text(f"{round(100 * standing.chance)} % likely in time")
    rows = serving.locator(".remedy")
    expect(rows).to_have_count(len(standing.remedies))
    for row, remedy in zip(rows.all(), standing.remedies, strict=True):
        chance = f"{round(100 * remedy.chance)} %"
        expect(row).to_contain_text("over 99 %" if remedy.chance > 0.995 else chance)
    expect(rows.nth(1)).to_contain_text("Wrap it now")
    expect(rows.nth(1)).to_contain_text("78 min sooner")  # 6.3 h against 5.0 h at the median


def test_falling_behind_opens_the_remedies_and_a_reader_may_close_them(page: Page, site: ServedPage) -> None:
    remedies = page.get_by_label("Serving", exact=True).locator("details")
    behind = site.watch.changes.standing
    assert behind is not None and behind.ahead is not None
    site.watch.changes = replace(site.watch.changes, standing=replace(behind, ahead=3600.0, chance=0.95))
    expect(page.get_by_label("Serving", exact=True)).to_contain_text("60 min ahead")
    expect(remedies).not_to_have_attribute("open", "")
    site.watch.changes = replace(site.watch.changes, standing=behind)
    expect(remedies).to_have_attribute("open", "")
    remedies.locator("summary").click()
    worse = replace(behind, ahead=behind.ahead - 600)
    site.watch.changes = replace(site.watch.changes, standing=worse)
    expect(page.get_by_label("Serving", exact=True)).to_contain_text(f"{round(-behind.ahead / 60) + 10} min behind")
    expect(remedies).not_to_have_attribute("open", "")


# --- fingers ----------------------------------------------------------------------------------------------


def plot(chart: Locator, question: str) -> Any:
    return chart.evaluate(f"box => ({question})(box.plot)")


def comes_to(chart: Locator, question: str, answer: Any) -> None:
    """Waits until the plot, once there is one, gives this answer."""
    chart.page.wait_for_function(
        """([box, answer]) => { const p = box.plot; return Boolean(p) && JSON.stringify((QUESTION)(p)) === answer; }""".replace(
            "QUESTION", question
        ),
        arg=[chart.element_handle(), json.dumps(answer, separators=(",", ":"))],
    )


class Fingers:
    """Touches as the glass reports them, through the browser's own input pipeline."""

    def __init__(self, page: Page) -> None:
        self._session: CDPSession = page.context.new_cdp_session(page)

    def _send(self, kind: str, points: list[tuple[float, float]]) -> None:
        touches = [{"x": x, "y": y, "id": n} for n, (x, y) in enumerate(points)]
        self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})

    def glide(self, start: list[tuple[float, float]], end: list[tuple[float, float]], steps: int = 8) -> None:
        self._send("touchStart", start)
        for step in range(1, steps + 1):
            share = step / steps
            self._send("touchMove", [(a + (c - a) * share, b + (d - b) * share)
                                     for (a, b), (c, d) in zip(start, end, strict=True)])  # fmt: skip
        self._send("touchEnd", [])


def glass(chart: Locator) -> tuple[float, float, float, float]:
    """Left, top, width and height of the curve's own area, px on the screen."""
    chart.scroll_into_view_if_needed()
    box = plot(chart, "p => { const r = p.over.getBoundingClientRect(); return [r.left, r.top, r.width, r.height]; }")
    return (box[0], box[1], box[2], box[3])


def span_shown(page: Page, wanted: tuple[float, float]) -> None:
    """Waits until the curve spans these hours of the day, to a pixel's worth of minutes."""
    page.wait_for_function(
        """([from, to]) => {
            const said = document.querySelector("#room [role=status]").textContent;
            const hours = (said.match(/\\d\\d:\\d\\d/g) ?? [])  // none while the history is on its way
                .map((text) => Number(text.slice(0, 2)) + Number(text.slice(3)) / 60);
            return Math.abs(hours[0] - from) < 0.05 && Math.abs(hours[1] - to) < 0.05;
        }""",
        arg=list(wanted),
    )


def test_one_finger_drags_the_history_and_two_pull_it_apart(page: Page) -> None:
    enter(page, "curve")
    start, end = 20 + 14 / 60, 24 + 14 / 60 - 24
    chart = page.locator(".chart")
    page.get_by_role("button", name="4 h", exact=True).click()
    page.get_by_role("button", name="Earlier").click()  # at once: it needs no curve to go by
    span_shown(page, (start, end))
    left, top, width, height = glass(chart)
    middle, centre = top + height / 2, left + width / 2
    tight, wide = width / 8, width / 4
    Fingers(page).glide([(left + 40, middle)], [(left + 40 + width / 4, middle)])
    span_shown(page, (start - 1, end + 23))  # a quarter of four hours earlier
    close, far = ([(centre - d, middle), (centre + d, middle)] for d in (tight, wide))
    Fingers(page).glide(close, far)
    span_shown(page, (start, end + 22))  # twice as close, about the middle
    Fingers(page).glide(far, close)
    span_shown(page, (start - 1, end + 23))


def test_up_and_down_still_scrolls(page: Page) -> None:
    enter(page, "curve")
    page.set_viewport_size({"width": 360, "height": 400})
    page.get_by_role("button", name="4 h", exact=True).click()
    expect(page.locator("#room [role=status]").first).to_have_text("Fri 22:14 to 02:14")
    chart = page.locator(".chart")
    left, top, width, height = glass(chart)
    before = page.evaluate("scrollY")
    Fingers(page).glide([(left + width / 2, top + height * 0.8)], [(left + width / 2, top + height * 0.1)])
    page.wait_for_function("before => scrollY !== before", arg=before)
    expect(page.locator("#room [role=status]").first).to_have_text("Fri 22:14 to 02:14")


def test_fingers_zoom_a_kept_cook_inside_its_own_span(page: Page) -> None:
    enter(page, f"cook/{CHOIR}")
    chart = page.locator("#room .chart")
    expect(chart.locator("canvas")).to_be_visible()
    left, top, width, height = glass(chart)
    middle, centre = top + height / 2, left + width / 2
    comes_to(chart, "p => p.scales.x.min < p.scales.x.max", True)
    whole = plot(chart, "p => [p.scales.x.min, p.scales.x.max]")
    Fingers(page).glide([(centre - 30, middle), (centre + 30, middle)], [(centre - 90, middle), (centre + 90, middle)])
    third = (whole[1] - whole[0]) / 3
    comes_to(chart, f"p => Math.abs((p.scales.x.max - p.scales.x.min) / {third} - 1) < 0.05", True)
    Fingers(page).glide([(left + 5, middle)], [(left + width - 5, middle)])
    Fingers(page).glide([(left + 5, middle)], [(left + width - 5, middle)])
    comes_to(chart, f"p => p.scales.x.min === {whole[0]}", True)
    page.get_by_role("button", name="The whole").click()
    page.wait_for_function("whole => document.querySelector('#room .chart').plot.scales.x.max === whole", arg=whole[1])


@given(
    st.floats(-1e5, 1e9), st.floats(600, 1e5), st.lists(st.floats(0, 340), min_size=1, max_size=2), st.floats(-60, 60),
    st.floats(0.5, 3.0),
)  # fmt: skip
def test_what_lies_under_a_finger_stays_under_it(
    still: Page, low: float, span: float, start: list[float], moved: float, apart: float
) -> None:
    """The whole promise of dragging and pinching, for any place of the fingers."""
    assume(len(start) == 1 or abs(start[0] - start[1]) * min(1.0, apart) > 25)
    end = [start[0] + moved] if len(start) == 1 else [170 + (x - 170) * apart + moved for x in start]
    fresh = still.evaluate(
        "([range, from, to]) => import('/js/touch.js').then((m) => m.underFingers(range, from, to, 10, 340))",
        [[low, low + span], start, end],
    )
    for a, b in zip(start, end, strict=True):
        before = low + (a - 10) / 340 * span
        after = fresh[0] + (b - 10) / 340 * (fresh[1] - fresh[0])
        assert after == pytest.approx(before, abs=span * 1e-4)


@pytest.fixture(scope="module")
def still(browser: Browser) -> Iterator[Page]:
    with served() as site, paired_phone(browser, site.login) as opened:
        yield opened
