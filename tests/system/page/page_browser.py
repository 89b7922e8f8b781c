"""A phone in Debian's Chromium, paired with a page; shared by the tests that look at it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Browser, BrowserContext, Locator, Page, expect, sync_playwright

from daemon.shell.web.assets import STATIC
from tests.patience import PATIENCE

SHELL, CHROMIUM = Path("/usr/bin/chromium-headless-shell"), Path("/usr/bin/chromium")
"""The shell is Chromium's page without its windows, tabs and profiles: a page costs the processor half as much in it."""
BROWSER = SHELL if SHELL.exists() else CHROMIUM
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--no-first-run",
]  # fmt: skip
AXE = STATIC.parent / "node_modules/axe-core/axe.min.js"
expect.set_options(timeout=1000 * PATIENCE)  # ms
LINE_LOST = re.compile(r"net::ERR_(CONNECTION|INCOMPLETE|EMPTY|NETWORK|TIMED)")
"""A connection that broke: the page asks again, and the browser says so."""
WCAG = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa")
SETTLED = {
    "curve": "#room .legend, #room .chart.note",
    "night": "#room .figures, #room section .stack > .quiet",
    "care": "#probes li",
    "cooks": "#room .kept, #room .quiet",
    "cook": "#room form",
    "compare": "#room table",
    "taught": "#room .list",
}
"""What is there once a view has fetched what it shows."""


@contextmanager
def chromium() -> Iterator[Browser]:
    with sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=BROWSER, args=ARGUMENTS)
        yield running
        running.close()


UNHURRIED = """{
    const later = window.setTimeout;
    window.setTimeout = (act, wait, ...more) => later(act, wait >= 5000 ? 60 * wait : wait, ...more);
}"""
"""An answer of the watch, and a button that waits for its second press, stay until a driver on a busy machine has seen them."""


def phone(browser: Browser, width: int = 360, zone: str = "UTC", **options: Any) -> BrowserContext:
    context = browser.new_context(
        viewport={"width": width, "height": 740}, has_touch=True, is_mobile=True, timezone_id=zone, **options
    )
    context.set_default_timeout(1000 * PATIENCE)  # ms
    context.add_init_script(UNHURRIED)
    return context


@contextmanager
def paired_phone(browser: Browser, login: str, refusals: bool = False) -> Iterator[Page]:
    """Any error or complaint in the browser's console fails the test; refusals: the browser complains of those too."""
    context = phone(browser)
    opened, complaints = context.new_page(), list[str]()
    opened.on("pageerror", lambda error: complaints.append(str(error)))
    opened.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    opened.goto(login)
    expect(opened.locator(".big").first).to_be_visible()
    yield opened
    context.close()
    said = [
        text
        for text in complaints
        if not LINE_LOST.search(text) and not (refusals and "the server responded with a status" in text)
    ]
    assert said == [], said


def enter(page: Page, view: str) -> None:
    """view: name of a room, or an address below one ("cook/ID")."""
    room = view.partition("/")[0]
    link = page.locator(f".rooms a[href='#{view}']")
    if link.count():
        link.click()
        expect(link).to_have_attribute("aria-current", "page")
    else:
        page.evaluate("view => { location.hash = view; }", f"#{view}")
        behind = "#night" if room == "shift" else "#cooks"
        expect(page.locator(".rooms a[aria-current=page]")).to_have_attribute("href", behind)
    expect(page.locator(f"#room[data-shown={room}] .plate:visible").first).to_be_visible()
    expect(page.locator(SETTLED.get(room, "#room .plate:visible")).first).to_be_visible()


def alarm_card(page: Page, key: str) -> Locator:
    """The card that speaks of this alarm, alone or with others of its cause: what it says follows what the watch sees."""
    return page.locator(f".alarm[data-alarms~='{key}']")


def unfold(page: Page) -> None:
    """Open everything that can be opened, so that it is judged too."""
    page.evaluate("document.querySelectorAll('#room details').forEach((part) => { part.open = true; })")
    if page.locator("#start").count():
        expect(page.get_by_label("Name of the cook")).to_be_visible()


def serious(page: Page, rules: tuple[str, ...] = WCAG) -> list[tuple[str, str, str]]:
    """What axe-core finds serious or critical in the page as it stands: rule, element, why.

    Evaluated by the driver, outside the page's policy, which rightly forbids such a script."""
    assert AXE.exists(), "axe-core is not there: run deploy/web-assets.sh --dev before the tests"
    page.evaluate(AXE.read_text())
    result = page.evaluate("only => axe.run(document, {runOnly: only})", list(rules))
    assert result["passes"], "axe looked at nothing"
    return [
        (v["id"], v["nodes"][0]["html"][:120], v["nodes"][0]["failureSummary"][:200])
        for v in result["violations"]
        if v["impact"] in ("serious", "critical")
    ]
