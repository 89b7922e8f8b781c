"""The pictures of the README, taken from the demo so that they never age: `python -m tests.system.page.take_pictures`.

Runs the real demo, opens its page on a phone's screen in Debian's Chromium, and takes one picture of a calm night and one
of a wake. It takes half an hour; Chromium and the page's assets must be there (deploy/test.sh installs both).
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
from pathlib import Path

from playwright.sync_api import Page

from tests.system.page.page_browser import chromium, phone

TARGET = Path(__file__).parents[3] / "deploy" / "guide"
SPEED = 20
"""Times faster than life: slow enough that a call stands for some seconds before the demo's cook answers it."""
LONGEST = 2700.0
"""s for the whole night at that speed, and some room."""
CALM = (
    "() => !document.querySelector('#alarms .alarm') && document.querySelectorAll('.line-of-piece .quiet').length === 2"
)
CALM_FORECAST = (
    "() => [...document.querySelectorAll('.line-of-piece')].every((line) => /\\d\\d:\\d\\d/.test(line.textContent))"
)
PROMISED = """() => {
  const minutes = (words) => Number(words.slice(0, 2)) * 60 + Number(words.slice(3, 5));
  const until = [...document.querySelectorAll("#calm .told > div")].find((row) => row.textContent.includes("promised"));
  const now = document.querySelector("#link").textContent.slice(7, 12);
  const left = until ? (minutes(until.querySelector("dd").textContent) - minutes(now) + 1440) % 1440 : 0;
  return left < 720 ? left : 0;
}"""
"""min of promised sleep still to come: the calm picture is of the longest."""
NOTHING_OVER = "() => !document.querySelector('#more-words')?.checkVisibility()"
AT_NIGHT = """() => {
  const hour = Number(document.querySelector('#link').textContent.slice(7, 9));
  return hour >= 23 || hour < 5;
}"""
OVER = "() => [5, 6].includes(Number(document.querySelector('#link').textContent.slice(7, 9)))"
CALLED = "() => document.querySelector('#alarms .alarm.new')?.textContent.includes('splits') ?? false"
WANTED = {"calm": (CALM, CALM_FORECAST, NOTHING_OVER, AT_NIGHT), "alarm": (CALLED, AT_NIGHT)}


def main() -> int:
    """Exit code 1 when a picture could not be had."""
    command = [sys.executable, "-m", "daemon.cli", "demo", "--plain", "--speed", str(SPEED)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=TARGET.parents[1]) as demo:
        assert demo.stdout is not None
        try:
            link = next(m[0] for line in demo.stdout if (m := re.search(r"http://\S+", line)))
            with chromium() as browser:
                context = phone(browser, color_scheme="dark")
                page = context.new_page()
                page.goto(link)
                left = take(page, WANTED)
        finally:
            demo.terminate()
    print(f"not taken: {', '.join(left)}" if left else f"taken: {', '.join(WANTED)}")
    return 1 if left else 0


def take(page: Page, wanted: dict[str, tuple[str, ...]]) -> list[str]:
    """Watches the page until the night is over, or LONGEST. Returns the names of what is missing."""
    checks = {name: " && ".join(f"({condition})()" for condition in conditions) for name, conditions in wanted.items()}
    asked = ", ".join(f"{name}: {check}" for name, check in {**checks, "over": f"({OVER})()"}.items())
    look = f"() => ({{{asked}, promised: ({PROMISED})()}})"  # in one question: a call stands for a second or two
    ends, promised, taken = time.monotonic() + LONGEST, 0, set[str]()
    while not (seen := page.evaluate(look))["over"] and time.monotonic() < ends:
        for name in wanted:
            if seen[name] and (seen["promised"] > promised if name == "calm" else name not in taken):
                page.screenshot(path=TARGET / f"{name}.png")
                taken.add(name)
        promised = max(promised, seen["promised"] if seen["calm"] else 0)
        page.wait_for_timeout(100)
    return sorted(set(wanted) - taken)


if __name__ == "__main__":
    sys.exit(main())
