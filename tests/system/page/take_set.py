"""Every face of the page as pictures, to be looked at: `python -m tests.system.page.take_set FOLDER [WORD ...]`.

Widths of a phone, a tablet and a desk; day and night; each scene of `scenes`, a dead watch, the morning, and every view.
WORD: only pictures whose name holds one of these. They age, so they stay out of the repository.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from tests.shell.web.page_cooks import CHOIR, FAIR
from tests.shell.web.page_thread import ServedPage, served
from tests.system.page.page_browser import chromium, enter, phone
from tests.system.page.scenes import SCENES, calm

SIZES = {360: 740, 768: 1024, 1280: 900}
"""px wide and high."""
LIGHTS = ("night", "day")
VIEWS = ("curve", "night", "cooks", "care", f"cook/{CHOIR}", f"compare/{CHOIR}/{FAIR}", "taught", "shift", "plan")
IMPERIAL = {
    "planned-12h": ("planned", "pit"),
    "morning-12h": ("morning", "pit"),
    "plan-12h": ("planned", "plan"),
    "four-alarms-12h": ("four-alarms", "pit"),
}
"""Scene and view of what is also looked at in °F and by a clock of twelve hours."""
HELD = {"night": "morning", "shift": "morning", "plan": "planned"}
"""Scenes of the views that show little of a calm night."""
NO_WORD = "() => { const now = performance.now.bind(performance); performance.now = () => now() + 90000; }"


def pictures() -> Iterator[tuple[str, str, str]]:
    """(name, scene, view) of each."""
    for scene in (*SCENES, "dead"):
        yield scene, scene, "pit"
    for view in VIEWS:
        yield view.partition("/")[0], HELD.get(view, "calm"), view
    for name, (scene, view) in IMPERIAL.items():
        yield name, scene, view


def stage(site: ServedPage, page: Page, scene: str) -> None:
    if scene == "dead":
        calm(site.watch)
        page.reload()
        expect(page.locator(".big").first).to_be_visible()
        site.silent = True
        page.evaluate(NO_WORD)
        expect(page.locator("#stale")).to_be_visible()
    else:
        SCENES[scene](site.watch)
        page.reload()
        expect(page.locator(".big").first).to_be_visible()


def take(browser: Browser, folder: Path, words: list[str]) -> None:
    for width, height in SIZES.items():
        for light in LIGHTS:
            for name, scene, view in pictures():
                file = f"{name}-{width}-{light}"
                if words and not any(word in file for word in words):
                    continue
                with served() as site:
                    context = phone(browser, width)
                    page = context.new_page()
                    page.set_viewport_size({"width": width, "height": height})
                    page.goto(site.login)
                    page.evaluate("light => localStorage.setItem('light', light)", light)
                    if name in IMPERIAL:
                        page.evaluate("['F', '12'].forEach((v, n) => localStorage.setItem(['unit', 'clock'][n], v))")
                    stage(site, page, scene)
                    enter(page, view)
                    page.wait_for_function(
                        "() => !document.querySelector('.chart') || document.querySelector('canvas')"
                    )
                    page.screenshot(path=folder / f"{file}.png")
                    page.screenshot(path=folder / f"{file}-whole.png", full_page=True)
                    context.close()
                    print(file, flush=True)


def main(arguments: list[str]) -> int:
    folder = Path(arguments[0])
    folder.mkdir(parents=True, exist_ok=True)
    with chromium() as browser:
        take(browser, folder, arguments[1:])
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
