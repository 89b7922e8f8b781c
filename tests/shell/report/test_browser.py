"""The report in a real browser: WCAG 2.2 AA by axe-core with nothing to complain of, on a phone and on paper, by day and by
night; no request but the file's own, and nothing wider than the screen (WCAG 1.4.10 asks for 320 CSS px).
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

import pytest
from playwright.sync_api import Browser, Page

from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookNotes
from daemon.shell.report.of_kept import kept_report
from daemon.shell.web.page import KeptCooks
from tests.shell.kept_cooks import FIRST, make_journal
from tests.shell.web.page_thread import served
from tests.system.page.page_browser import AXE, BROWSER, WCAG, chromium

pytestmark = pytest.mark.skipif(not BROWSER.exists(), reason=f"no browser at {BROWSER}")


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    home = tmp_path_factory.mktemp("report")
    file = home / "report.html"
    records = CookRecords(make_journal(home))
    records.amend(FIRST, CookNotes(verdict="Tender", photos=("x" * 120 + ".jpg",), wood=20.0))
    file.write_bytes(kept_report(records, FIRST))
    return file


@pytest.fixture(scope="module")
def browser(report: Path) -> Iterator[Browser]:
    """After the report: a loop runs while the driver does, and the cook is simulated in one of its own."""
    with chromium() as running:
        yield running


def opened(browser: Browser, report: Path, width: int, scheme: Literal["light", "dark"] = "light") -> Page:
    """bypass_csp: so that axe may be put in; the policy itself is looked at elsewhere."""
    context = browser.new_context(viewport={"width": width, "height": 740}, color_scheme=scheme, bypass_csp=True)
    page = context.new_page()
    page.goto(report.as_uri())
    return page


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [360, 1100])
def test_axe_has_nothing_to_complain_of(
    browser: Browser, report: Path, width: int, scheme: Literal["light", "dark"]
) -> None:
    page = opened(browser, report, width, scheme)
    page.add_script_tag(path=AXE)
    found = page.evaluate("tags => axe.run({runOnly: tags})", [*WCAG, "best-practice"])
    assert found["passes"]
    assert [(v["id"], v["nodes"][0]["html"]) for v in found["violations"]] == []
    page.context.close()


@pytest.mark.parametrize("width", [320, 360, 1100])
def test_it_fits_and_shows_one_form_of_each_drawing(browser: Browser, report: Path, width: int) -> None:
    page = opened(browser, report, width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("[...document.querySelectorAll('section')].every((s) => s.scrollWidth <= s.clientWidth)")
    shown = [page.locator(f".{form}").first.is_visible() for form in ("narrow", "wide")]
    assert shown == ([True, False] if width < 720 else [False, True])
    page.context.close()


def test_it_asks_for_nothing_and_says_nothing_in_the_console(browser: Browser, report: Path) -> None:
    context = browser.new_context()
    page, asked, said = context.new_page(), list[str](), list[str]()
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: said.append(message.text))
    page.goto(report.as_uri())
    page.wait_for_load_state("networkidle")
    assert asked == [report.as_uri()] and said == []
    context.close()


def test_on_paper_it_is_dark_on_white(browser: Browser, report: Path) -> None:
    page = opened(browser, report, 1100, "dark")
    page.emulate_media(media="print")
    colours = page.evaluate(
        "[getComputedStyle(document.documentElement).backgroundColor, getComputedStyle(document.body).color]"
    )
    assert colours == ["rgb(255, 255, 255)", "rgb(0, 0, 0)"]
    assert page.locator(".wide").first.is_visible()
    page.context.close()


def test_the_page_serves_it_under_its_own_policy(browser: Browser, report: Path) -> None:
    """As the phone gets it: from the journal, sandboxed, with its styles and drawings all the same."""
    with served() as site:
        site.watch.cooks.report = KeptCooks(report.parent / "journal.sqlite", lambda: (0.0, 0.0)).report  # type: ignore[method-assign]
        context = browser.new_context(viewport={"width": 360, "height": 740}, color_scheme="dark")
        page, said = context.new_page(), list[str]()
        page.goto(site.login)
        page.on("console", lambda message: said.append(message.text))
        answer = page.goto(f"{site.address}/api/cooks/report?cook={FIRST}")
        assert answer is not None and answer.status == 200
        assert answer.body() == report.read_bytes()
        assert "sandbox" in answer.headers["content-security-policy"]
        assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == "rgb(18, 16, 15)"
        assert page.locator("figure .narrow svg path").first.is_visible()
        assert said == []
        context.close()
