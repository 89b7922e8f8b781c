"""What each scene of the page must show, on a phone, a tablet and at a desk.

44 px: WCAG 2.5.5. What is on the first screen at 3 am, and that an answer covers no button, are our own bars."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from playwright.sync_api import Locator, Page, expect

from daemon.core.events import NapPlanned
from tests.shell.web.page_thread import ServedPage
from tests.system.page.page_browser import CHROMIUM, enter, serious
from tests.system.page.scenes import SCENES, calm, first_start
from tests.system.page.take_set import NO_WORD, SIZES

pytestmark = pytest.mark.skipif(not CHROMIUM.exists(), reason=f"no browser at {CHROMIUM}")


def box_of(part: Locator) -> dict[str, float]:
    box = part.bounding_box()
    assert box is not None
    return {"left": box["x"], "right": box["x"] + box["width"], "top": box["y"], "foot": box["y"] + box["height"]}


@pytest.mark.parametrize("width", SIZES)
@pytest.mark.parametrize("scene", SCENES)
def test_each_scene_holds_the_bars_at_each_width(page: Page, site: ServedPage, scene: str, width: int) -> None:
    """No sideways scrolling, and what is to be done now stands on the first screen above the navigation."""
    page.set_viewport_size({"width": width, "height": SIZES[width]})
    SCENES[scene](site.watch)
    page.reload()
    first = page.locator(".glance .do:visible").first
    expect(first).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth") == width
    number = page.locator(".big").first
    expect(number).to_be_visible()
    foot = box_of(page.locator(".rooms"))["top"] if width < 900 else SIZES[width]
    assert box_of(first)["foot"] <= foot and box_of(number)["foot"] <= foot


def test_a_first_start_says_what_to_do_next(page: Page, site: ServedPage) -> None:
    first_start(site.watch)
    page.reload()
    steps = page.locator("#calm")
    expect(steps).to_contain_text("Next: set up a cook")
    expect(steps.locator("ol .good")).to_have_text("5 of 5 probes are read")
    expect(steps).to_contain_text("Light the fire")
    assert serious(page) == []
    steps.get_by_role("link", name="Set up a cook").click()
    expect(page.get_by_label("Name of the cook")).to_be_visible()


def test_an_answer_of_the_watch_covers_no_button(page: Page, site: ServedPage) -> None:
    page.get_by_role("button", name="Lid opened", exact=True).click()
    answer = page.locator("#toast")
    expect(answer).to_contain_text("Marked: lid opened.")
    said = box_of(answer)
    for part in page.locator("button:visible, a:visible, summary:visible").all():
        assert box_of(part)["top"] >= said["foot"] or part.evaluate("node => node.classList.contains('skip')")


def test_a_dead_watch_gives_no_advice(page: Page, site: ServedPage) -> None:
    calm(site.watch)
    expect(page.locator("#calm")).to_contain_text("Nothing to do now")
    site.silent = True
    page.evaluate(NO_WORD)
    expect(page.locator("#stale")).to_contain_text("Look at the pit")
    expect(page.locator("#calm")).to_be_hidden()
    assert serious(page) == []


def test_nobody_is_called_asleep_without_a_promise(page: Page, site: ServedPage) -> None:
    old, now = site.watch.changes, site.watch.now
    nap = NapPlanned(now, None, None, (), ("test wake heard",), "a log is due soon")
    site.watch.changes = replace(old, nap=nap, sleep=replace(old.sleep, asleep=True))
    enter(page, "night")
    room = page.locator("#room")
    expect(room).to_contain_text("No sleep can be promised")
    expect(room).to_contain_text("no promise")
    expect(room).not_to_contain_text("asleep")


def test_a_tablet_shows_the_pieces_beside_the_pit(page: Page) -> None:
    page.set_viewport_size({"width": 768, "height": 1024})
    pit = box_of(page.get_by_label("Pit", exact=True))
    chuck = box_of(page.get_by_label("Beef chuck roll", exact=True))
    assert chuck["left"] >= pit["right"] and abs(chuck["top"] - pit["top"]) < 2
    assert chuck["right"] - chuck["left"] > 330


def test_the_curve_is_read_by_keyboard_and_by_thumb(page: Page) -> None:
    """From the beginning to the serving time, with units, and without a mouse."""
    enter(page, "curve")
    chart, legend = page.locator("#room .chart"), page.locator(".legend")
    expect(legend).to_contain_text("Grate, firebox end 130 °C")
    chart.focus()
    page.keyboard.press("ArrowLeft")
    expect(page.locator("#room")).to_contain_text("11:59")  # the last instant is the serving time
    for _ in range(20):
        page.keyboard.press("ArrowLeft")
    expect(legend).to_contain_text(
        re.compile(r"chuck roll \d+ °C \(\d+ to \d+\)")
    )  # inside the forecast, with its interval
    box = box_of(chart)
    page.touchscreen.tap((box["left"] + box["right"]) / 3, (box["top"] + box["foot"]) / 2)
    expect(legend).to_contain_text(re.compile(r"chimney end \d+ °C.*chuck roll \d+ °C(?! \()"))
    page.keyboard.press("PageUp")
    expect(page.locator("#room [role=status]").first).to_contain_text("Fri 10:")
    page.keyboard.press("Home")
    expect(page.locator("#room [role=status]").first).to_have_text("Fri 19:02 to 02:14")


def test_the_curve_of_a_watch_that_read_nothing_says_so(page: Page, site: ServedPage) -> None:
    first_start(site.watch)
    site.watch.began = site.watch.now + 3600.0
    page.reload()
    enter(page, "curve")
    expect(page.locator("#room .chart")).to_contain_text("the curve begins with the first reading")
    site.watch.began = site.watch.now - 1800.0
    page.get_by_role("button", name="Whole cook").click()
    expect(page.locator("#room .chart canvas")).to_be_visible()
