"""What each scene of the page must show, on a phone, a tablet and at a desk.

44 px: WCAG 2.5.5. What is on the first screen at 3 am, and that an answer covers no button, are our own bars."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Locator, Page, expect

from daemon.core import orders
from daemon.core.events import NapPlanned
from daemon.core.inputs import Health, Part
from daemon.core.outlook import Interval
from daemon.core.plan.duties import PlanView
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import StepKind
from daemon.core.snapshot import HandheldView
from tests.shell.web.page_curves import SERVE
from tests.shell.web.page_thread import ServedPage
from tests.system.page.page_browser import BROWSER, enter, phone, serious
from tests.system.page.scenes import SCENES, blind, calm, first_start, morning, planned, two_pits
from tests.system.page.take_set import NO_WORD, SIZES

pytestmark = pytest.mark.skipif(not BROWSER.exists(), reason=f"no browser at {BROWSER}")


def box_of(part: Locator) -> dict[str, float]:
    box = part.bounding_box()
    assert box is not None
    return {"left": box["x"], "right": box["x"] + box["width"], "top": box["y"], "foot": box["y"] + box["height"]}


@pytest.mark.parametrize("scene", SCENES)
def test_each_scene_holds_the_bars_at_each_width(page: Page, site: ServedPage, scene: str) -> None:
    """No sideways scrolling, and what is to be done now stands on the first screen above the navigation; on a phone in the
    longest words there are, of °F and a clock of twelve hours."""
    SCENES[scene](site.watch)
    site.watch.still = True  # what is measured below is not drawn anew in between
    page.evaluate("['F', '12'].forEach((value, n) => localStorage.setItem(['unit', 'clock'][n], value))")
    for width, height in SIZES.items():
        page.set_viewport_size({"width": width, "height": height})
        page.reload()
        first = page.locator(".glance .do:visible").first
        expect(first).to_be_visible()
        number = page.locator(".big").first
        expect(number).to_be_visible()
        if width >= 900:
            expect(page.locator(".wide-curve .chart > *").first).to_be_visible()
        assert page.evaluate("document.documentElement.scrollWidth") == width
        foot = box_of(page.locator(".rooms"))["top"] if width < 900 else height
        assert box_of(first)["foot"] <= foot and box_of(number)["foot"] <= foot
        wide = page.locator(".scroll:visible").evaluate_all(
            "boxes => boxes.filter((b) => b.scrollWidth > b.clientWidth).length"
        )
        assert wide == 0, "a table is wider than its card"


@pytest.mark.parametrize("scene", ["calm", "morning"])
def test_how_long_one_may_sleep_is_on_the_first_screen_by_night_and_by_day(
    page: Page, site: ServedPage, scene: str
) -> None:
    """Nothing is pressed for it."""
    SCENES[scene](site.watch)
    until = {"calm": "02:28", "morning": "06:39"}[scene]
    row = page.locator(".told > div", has_text="Sleep until")
    expect(row).to_contain_text(until)
    assert box_of(row.locator("dd").last)["foot"] <= box_of(page.locator(".rooms"))["top"]
    assert site.watch.commands == []


def test_beside_an_alarm_sleep_is_spoken_of_once_it_was_seen(page: Page, site: ServedPage) -> None:
    expect(page.locator("#alarms .do")).to_be_visible()
    expect(page.locator("#calm")).to_be_hidden()
    page.locator("#alarms").get_by_role("button", name="Seen").click()
    expect(page.locator("#calm")).to_contain_text("Sleep until")
    expect(page.locator("#calm")).not_to_contain_text("Next log")


def test_what_is_not_seen_is_not_shown_as_if_it_were(page: Page, site: ServedPage) -> None:
    """A pit and a core that are not read: no number, no trend, no time of a log or of the meat as if it held."""
    calm(site.watch)
    pit = page.get_by_label("Pit", exact=True)
    expect(pit).to_contain_text("°/h")
    expect(page.locator(".mini .due")).to_be_attached()
    blind(site.watch)
    expect(pit).to_contain_text("cannot be read")
    expect(pit).not_to_contain_text("°/h")
    expect(pit).not_to_contain_text("Next log")
    expect(pit).to_contain_text("Last log 01:34")
    expect(page.locator(".mini .now, .mini .due, .mini .ahead")).to_have_count(0)
    calm_card = page.locator("#calm")
    expect(calm_card).to_contain_text("The pit cannot be read: look at it")
    expect(calm_card.locator(".told > div")).to_have_text(["Next lognot known", "Sleepno promise", "Readynot known"])
    expect(page.locator(".line-of-piece").first).not_to_contain_text(
        "tender 0"
    )  # nor its forecast, as the answers above say
    expect(page.locator(".line-of-piece").last).to_have_text("Lamb shoulderno valueWrapped")
    enter(page, "care")
    probe = page.locator("#probes li", has_text="Grate, firebox end")
    expect(probe).to_contain_text("not usable")
    expect(probe).not_to_contain_text("°/h")


@pytest.mark.parametrize("scene", ["four-alarms", "six-alarms"])
def test_every_piece_is_on_the_first_screen_below_many_alarms(page: Page, site: ServedPage, scene: str) -> None:
    """In °F and by a clock of twelve hours, which have the longest words."""
    SCENES[scene](site.watch)
    page.evaluate("['F', '12'].forEach((value, n) => localStorage.setItem(['unit', 'clock'][n], value))")
    page.reload()
    lines = page.locator(".line-of-piece")
    expect(lines).to_have_count(2)
    expect(page.locator("#more-words")).to_contain_text("more")
    assert box_of(lines.last)["foot"] <= box_of(page.locator(".rooms"))["top"]


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
    expect(page.locator("#room")).to_contain_text("No cook kept yet")
    expect(page.get_by_role("searchbox")).to_be_hidden()
    expect(page.get_by_role("button", name="Compare")).to_be_hidden()


def test_a_lost_record_is_what_is_asked_first_until_somebody_says(page: Page, site: ServedPage) -> None:
    """Also once its alarm was answered: nobody is told to light a fire that may burn under meat."""
    first_start(site.watch)
    site.watch.changes = replace(site.watch.changes, health=(Health(Part.RECORD, "cook", ok=False),))
    page.reload()
    steps = page.locator("#calm")
    expect(steps).to_contain_text("Next: say what is on the fire")
    expect(steps.locator("ol .medium")).to_have_text("The record of the cook was lost: say what is on the fire")
    expect(steps.get_by_role("button", name="Fire is lit")).to_be_visible()
    expect(steps).not_to_contain_text("Light the fire")
    assert serious(page) == []
    steps.get_by_role("button", name="Nothing is on").click()
    with page.expect_response("**/api/end-cook"):
        steps.get_by_role("button", name="Press again if nothing is on").click()
    assert [c for c in site.watch.commands if isinstance(c, orders.EndCook)]
    site.watch.changes = replace(site.watch.changes, health=())
    expect(steps).to_contain_text("Next: set up a cook")
    expect(steps).not_to_contain_text("record")


def test_an_answer_of_the_watch_covers_no_button(page: Page, site: ServedPage) -> None:
    page.get_by_role("button", name="Lid opened", exact=True).click()
    answer = page.locator("#toast")
    expect(answer).to_contain_text("Marked: lid opened.")
    covered = page.locator("button:visible, a:not(.skip):visible, summary:visible").evaluate_all(
        """parts => {
            const foot = document.querySelector("#toast").getBoundingClientRect().bottom;
            return parts.filter((part) => part.getBoundingClientRect().top < foot).map((part) => part.textContent);
        }"""
    )
    assert covered == []


def test_a_dead_watch_gives_no_advice(page: Page, site: ServedPage) -> None:
    calm(site.watch)
    expect(page.locator("#calm")).to_contain_text("Nothing to do now")
    site.silent = True
    page.evaluate(NO_WORD)
    expect(page.locator("#stale")).to_contain_text("Look at the pit")
    expect(page.locator("#calm")).to_be_hidden()
    for light in ("night", "day", "ember"):
        page.evaluate("light => { localStorage.setItem('light', light); applyLight(); }", light)
        assert serious(page) == [], light


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
    expect(page.locator("#room [role=status]").first).to_contain_text("Fri 11:")
    page.keyboard.press("Home")
    expect(page.locator("#room [role=status]").first).to_have_text("Fri 19:32 to 02:14")


def test_the_curve_of_a_watch_that_read_nothing_says_so(page: Page, site: ServedPage) -> None:
    first_start(site.watch)
    site.watch.began = site.watch.now + 3600.0
    page.reload()
    enter(page, "curve")
    expect(page.locator("#room .chart")).to_contain_text("the curve begins with the first reading")
    site.watch.began = site.watch.now - 1800.0
    page.get_by_role("button", name="Whole cook").click()
    expect(page.locator("#room .chart canvas")).to_be_visible()


def test_what_was_done_about_a_safety_alarm_is_asked_and_shown_in_the_record(page: Page, site: ServedPage) -> None:
    morning(site.watch)
    asked = page.locator(".asks")
    asked.get_by_text("What was done with the lamb shoulder?").click()
    expect(asked).to_contain_text("was below its holding floor at 06:04")
    asked.get_by_role("button", name="Reheated").click()
    expect(page.locator("#toast")).to_contain_text("Kept: reheated")
    expect(asked).to_have_count(0)
    assert site.watch.commands == [orders.TellDeed("lamb-shoulder", orders.SafetyDeed.REHEATED, "page")]
    lamb = page.get_by_label("Lamb shoulder", exact=True)
    lamb.get_by_text("Food safety: what is known").click()
    expect(lamb).to_contain_text("06:29 Reheated.")


def test_the_watch_is_handed_over_with_a_sheet_and_a_link_for_the_next_phone(
    page: Page, site: ServedPage, browser: Browser
) -> None:
    morning(site.watch)
    enter(page, "night")
    expect(page.locator("#room")).to_contain_text("Ann has the watch since 05:47")
    page.get_by_role("link", name="Hand over the watch").click()
    sheet = page.get_by_label("Sheet", exact=True)
    for words in (
        "Brick pit: 121 °C",
        "Lamb shoulder: 66 °C, hold",
        "Next log: without it low 06:49 to 07:19",
        "11:59 Serve",
        "01:34 Log",
    ):
        expect(sheet).to_contain_text(words)
    page.get_by_label("Who takes over").fill("Ben")
    page.get_by_label("What must be known").fill("Chuck roll at eight")
    page.get_by_role("button", name="Hand over the watch").click()
    expect(page.get_by_label("The watch", exact=True)).to_contain_text("Ben has the watch since 06:29")
    assert site.watch.commands == [orders.HandOver("Ben", "Ann", "Chuck roll at eight")]
    page.get_by_role("button", name="Let another phone in").click()
    expect(page.get_by_role("img", name=re.compile("lets one more phone in"))).to_be_visible()
    link = page.locator(".link-text").inner_text()
    assert serious(page) == []
    context = phone(browser)
    other = context.new_page()
    other.goto(link)
    expect(other.get_by_label("Sheet", exact=True)).to_contain_text("Lamb shoulder")
    context.close()


def test_the_alarm_figures_go_by_the_names_of_the_standards(page: Page) -> None:
    """ISA-18.2 and OPC UA Part 9 (from memory): rate, longest standing and unacknowledged, most frequent, chattering, stale."""
    enter(page, "night")
    figures = page.get_by_label("Alarm figures", exact=True)
    for name, value in (
        ("Alarms", "2, of them 1 expected calls for action"),
        ("Alarm rate, in 10 min", "mean 0.02, highest 1"),
        ("From call to answer", "middle 1 min, longest 1 min, of 1"),
        ("Longest unacknowledged", "Meat probe lost, lamb"),
        ("Longest standing", "Meat probe lost, lamb"),
        ("Judged needed", "2 of 3 (67 %)"),
        ("Chattering", "none"),
        ("Stale", "none"),
    ):
        expect(figures.get_by_role("row", name=re.compile(f"^{name}"))).to_contain_text(value)
    figures.get_by_role("button", name="Season").click()
    expect(figures.get_by_role("row", name=re.compile("^Alarms"))).to_contain_text("3, of them 2")
    figures.get_by_text("Most frequent").click()
    expect(figures.locator("ol li").first).to_contain_text("Feed due")


def test_beside_fahrenheit_the_wind_of_a_plan_is_in_miles_an_hour(page: Page, site: ServedPage) -> None:
    """3 m/s are 6.7 mph, 4 °C 39.2 °F, by the definitions of the mile and the scales."""
    planned(site.watch)
    enter(page, "care")
    page.get_by_role("button", name="°F, lb").click()
    page.reload()
    enter(page, "plan")
    plan = page.get_by_label("Plan", exact=True)
    expect(plan).to_contain_text("Made for 39 °F outside and 6.7 mph of wind")
    plan.get_by_text("Plan it", exact=True).first.click()
    with page.expect_request("**/api/keep-plan") as asked:
        plan.get_by_label("Wind, mph (empty: none)").fill("10")
        plan.get_by_role("button", name="Plan it and keep the plan").click()
    assert (asked.value.post_data_json or {})["wind"] == 4.47


def test_the_plan_stands_with_its_times_wood_and_reminders(page: Page, site: ServedPage) -> None:
    planned(site.watch)
    enter(page, "plan")
    plan = page.get_by_label("Plan", exact=True)
    stands = site.watch.snapshot().standing
    assert stands is not None and stands.ahead is not None and stands.chance is not None and stands.ahead > 600
    assert stands.chance < 0.9, "less than a plan is made for"
    verdict = f"{round(100 * stands.chance)} % likely in time"
    expect(plan).to_contain_text(verdict)
    expect(plan).to_contain_text(f"{round(stands.ahead / 60)} min ahead if all goes as it most likely does")
    expect(page.locator("#calm")).to_contain_text(verdict)  # one answer, wherever it is asked
    expect(plan.get_by_role("row", name=re.compile("Light the fire"))).to_contain_text("20:14")
    chuck = plan.get_by_role("row", name=re.compile("Take off: Beef chuck roll"))
    expect(chuck).to_have_text(re.compile("08:02.*08:32.*07:20 to 10:13"))
    expect(plan).to_contain_text("Lamb shoulder waits about 5 h 51 min in the hold after its rest")
    expect(plan).to_contain_text("at least 57 °C (Food Code 3-501.16)")
    expect(plan).to_contain_text("enough for 34 of 40 guests")
    expect(plan).to_contain_text("For 40 it takes about 11.8 kg of raw meat in all.")
    expect(plan).to_contain_text("By the USDA Table of Cooking Yields")
    expect(plan).to_contain_text("Made for 4 °C outside and 3 m/s of wind")
    wood = page.get_by_label("Wood", exact=True)
    expect(wood).to_contain_text("9 splits left")
    expect(wood).to_contain_text("They last until 08:38")
    expect(page.get_by_label("Reminders", exact=True)).to_contain_text(
        "every 45 min, after it is on, until it is wrapped"
    )


def test_the_fires_forecast_says_its_age_and_when_it_is_too_old(page: Page, site: ServedPage) -> None:
    calm(site.watch)
    watch, pit = site.watch, page.get_by_label("Pit", exact=True)
    fresh = watch.changes.pit
    watch.changes = replace(watch.changes, pit=replace(fresh, forecast_made_at=watch.now - 30))
    expect(pit).to_contain_text("as of 02:1")
    expect(pit).not_to_contain_text("do not rely")
    expect(page.locator("#calm")).to_contain_text("Next log02:41")  # drawn while it was fresh: it must be drawn anew
    watch.changes = replace(watch.changes, pit=replace(fresh, forecast_made_at=watch.now - 720))
    expect(pit).to_contain_text("This forecast is 12 min old: do not rely on it.")
    expect(page.locator("#calm")).to_contain_text("do not rely on itforecast 12 min old")


def test_of_two_pits_an_old_forecast_is_said_once_as_what_it_is(page: Page, site: ServedPage) -> None:
    """Nowhere "next log" of a pit whose forecast is not to be relied on, and the other's stands."""
    two_pits(site.watch)
    first, drum = site.watch.changes.pits
    old = replace(drum, celsius=115.0, rate=0.0, forecast_made_at=site.watch.now - 400.0)
    site.watch.changes = replace(site.watch.changes, pits=(first, old))
    next_log = page.locator("#calm .told > div").first
    expect(next_log).to_contain_text("Next log02:41")
    expect(next_log).to_contain_text("Drum behind the hall: old forecast")
    lines = page.get_by_label("Pits", exact=True).get_by_role("button")
    expect(lines.first).to_contain_text("next log 02:41")
    expect(lines.last).to_contain_text("Drum behind the hall 115")
    expect(lines.last).not_to_contain_text("next log")
    stale = replace(first, forecast_made_at=site.watch.now - 400.0)
    site.watch.changes = replace(site.watch.changes, pit=stale, pits=(stale, old))
    expect(next_log).to_contain_text("do not rely on it")
    expect(lines.first).not_to_contain_text("next log")
    expect(page.locator(".mini .due")).to_have_count(0)


def test_a_core_read_by_hand_is_kept_and_taken_back(page: Page, site: ServedPage) -> None:
    """212 °F is 100 °C, 149 °F is 65 °C: the boiling point of water and the definition of the scale."""
    planned(site.watch)
    page.evaluate("localStorage.setItem('unit', 'F')")
    page.reload()
    chuck = page.get_by_label("Beef chuck roll", exact=True)
    expect(chuck).to_contain_text("No probe of its own; read by hand 148 °F at 01:44")
    chuck.get_by_label("Core, °F").fill("149")
    chuck.get_by_label("Where").fill("thick end")
    chuck.get_by_role("button", name="Keep the reading").click()
    expect(page.locator("#toast")).to_contain_text("Read: 149 °F")
    chuck.get_by_role("button", name="Take back").first.click()
    expect(page.locator("#toast")).to_contain_text("Taken back")
    spot, back = site.watch.commands
    assert isinstance(spot, orders.SpotReading) and spot.celsius == pytest.approx(65.0) and spot.where == "thick end"
    assert isinstance(back, orders.TakeBack) and (back.what, back.piece) == ("spot", "chuck-roll")


def test_a_mark_is_taken_back(page: Page, site: ServedPage) -> None:
    planned(site.watch)
    page.get_by_text("What you said, and take back").click()
    page.get_by_role("listitem").filter(has_text="Wrapped, Lamb shoulder").get_by_role("button").click()
    expect(page.locator("#toast")).to_contain_text("Taken back: wrapped")
    (back,) = site.watch.commands
    assert isinstance(back, orders.TakeBack)
    assert (back.what, back.piece, back.said_at) == ("wrapped", "lamb-shoulder", site.watch.now - 1500.0)


def test_a_handheld_probe_asks_for_its_piece(page: Page, site: ServedPage) -> None:
    site.watch.changes = replace(site.watch.changes, handheld=HandheldView("pen", 63.0, site.watch.now, None))
    asks = page.get_by_label("Handheld probe", exact=True)
    expect(asks).to_contain_text("reads 63 °C: of which piece?")
    asks.get_by_role("button", name="Lamb shoulder").click()
    expect(page.locator("#toast")).to_contain_text("Kept for Lamb shoulder")
    assert site.watch.commands == [orders.ChooseSpot("lamb-shoulder", "page")]


def test_a_probe_is_taken_out_and_its_piece_read_by_hand(page: Page, site: ServedPage) -> None:
    lamb = page.get_by_label("Lamb shoulder", exact=True)
    lamb.get_by_text("Serving time, probe, remove").click()
    lamb.get_by_label("Probe in this piece").select_option("none: it is read by hand")
    lamb.get_by_role("button", name="Read by this probe").click()
    expect(lamb).to_contain_text("No probe of its own: read it by hand")
    assert site.watch.commands == [orders.MoveProbe("lamb-shoulder", None, "page")]


def test_the_longest_message_leaves_the_pieces_on_the_first_screen(page: Page, site: ServedPage) -> None:
    """60 characters is the bar of a message (ours); the fire's own tells the name of the pit, its temperature and a range."""
    text = "Add 1-2 splits: The long brick pit 119 °C, low in 16 to 63 mi"[:60]
    (feed,) = site.watch.changes.alarms
    because = "119 °C, below the band in 34 min"
    site.watch.changes = replace(site.watch.changes, alarms=(replace(feed, text=text, because=because),))
    page.reload()
    expect(page.locator("#alarms .do")).to_have_text(text)
    expect(page.locator("#alarms .why")).to_have_text(because)  # what is left is said once
    assert box_of(page.locator(".line-of-piece").last)["foot"] <= box_of(page.locator(".rooms"))["top"]


def test_times_are_the_rigs_wherever_the_phone_is(browser: Browser, site: ServedPage) -> None:
    """The phone's clock is half an hour off the hour (Asia/Kolkata, UTC+05:30 in the tz database); the rig's zone is UTC."""
    planned(site.watch)
    context = phone(browser, zone="Asia/Kolkata")
    page = context.new_page()
    page.goto(site.login)
    expect(page.locator("#link")).to_have_text("live · 02:14 UTC")
    expect(page.get_by_label("Beef chuck roll", exact=True)).to_contain_text("since 01:34")
    expect(page.get_by_label("Beef chuck roll", exact=True).get_by_role("row", name="Tender").first).to_contain_text(
        "08:32"
    )
    enter(page, "cooks")
    page.get_by_text("Start a cook").click()
    expect(page.get_by_label("Serve at UTC")).to_be_visible()
    context.close()


def test_at_home_no_zone_is_named(page: Page) -> None:
    expect(page.locator("#link")).to_have_text(re.compile(r"^live · \d\d:\d\d$"))


def test_what_is_shown_follows_every_choice_of_the_reader(page: Page, site: ServedPage) -> None:
    """What a part shows is compared before it is drawn anew: so a clock of twelve hours reaches what nothing else changes."""
    morning(site.watch)
    enter(page, "care")
    page.get_by_role("button", name="12 h").click()
    enter(page, "night")
    expect(page.locator("#room")).to_contain_text(re.compile(r"\d:\d\d.[AP]M"))
    expect(page.locator("#room")).not_to_contain_text(re.compile(r"\b\d\d:\d\d\b(?!.[AP]M)"))


def test_of_several_pits_the_one_to_light_first_is_named(page: Page, site: ServedPage) -> None:
    """Until one of those that have meat burns; then the page is theirs."""
    old = site.watch.snapshot()
    first_start(site.watch)
    cold = site.watch.changes.pit
    pits = (replace(cold, name="Offset"), replace(cold, id="drum", name="Drum", subject="drum"))
    pieces = tuple(
        replace(piece, pit=pit.id, stage="waiting", on_at=None, outlooks=(), fan=())
        for piece, pit in zip(old.pieces, pits, strict=True)
    )
    now = site.watch.now
    steps = tuple(
        PlanStep(StepKind.LIGHT, None, now + wait, Interval(now + wait, now + wait, now + wait), pit=pit)
        for pit, wait in (("drum", 3600.0), (cold.id, 7200.0))
    )
    plan = PlanView(SERVE, now + 3600.0, True, now, steps, 0.9, 0.0, 16, 11.2)
    cook = replace(
        site.watch.changes, pit=pits[0], pits=pits, pieces=pieces, cook_id="hall", cook_name="Hall", plan=plan
    )
    site.watch.changes = cook
    expect(page.locator("#calm .do")).to_contain_text("light the fire of the Drum by")
    site.watch.changes = replace(cook, pits=(pits[0], replace(pits[1], stage="in-band", celsius=120.0)))
    expect(page.locator("#calm")).not_to_contain_text("light the fire")
