"""A second language is put in, and no English is left on the page.

The language is made of the English one by an accent on every letter, as pseudo-localisation does (common practice, no source).
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Response, expect

from daemon.shell.web.contract import PageSettings
from daemon.texts import catalogue as texts
from daemon.texts.reader import Reader
from tests.shell.web.page_cooks import CHOIR, TRIAL
from tests.shell.web.page_thread import ServedPage, served
from tests.system.page.page_browser import BROWSER, enter, phone
from tests.system.page.scenes import SCENES

pytestmark = pytest.mark.skipif(not BROWSER.exists(), reason=f"no browser at {BROWSER}")

LANGUAGE = "accented"
VIEWS = (
    "pit",
    "plan",
    "curve",
    "night",
    "cooks",
    "care",
    "shift",
    f"cook/{CHOIR}",
    f"compare/{CHOIR}/{TRIAL}",
    "taught",
)
ACCENTS = str.maketrans("aceinosuyzACEINOSUYZ", "áčéíñóšúýžÁČÉÍÑÓŠÚÝŽ")
PLAIN = re.compile(r"[A-Za-z]*[aceinosuyz][A-Za-z]*")
"""A word, or the rest of one, with a letter that would have its accent."""
OWN_WORDS = {"place", "verdict", "device"}
"""Fields in which people write small words of their own."""
OF_UNITS = {"pitvigil", "min", "in", "cm", "h", "s"}
DATES = {"mon", "tue", "wed", "thu", "fri", "sat", "sun", "may", "jun"}
"""The browser writes those, in its own language."""
NO_RULE = {"feed", "due"}
"""The scripted watch has an alarm of no rule, so without a title."""
SHOWN = """() => [document.title, document.body.innerText, ...[...document.querySelectorAll('[aria-label]')]
    .map((part) => part.getAttribute('aria-label'))].join('\\n')"""


def accented(toml: str) -> str:
    """Every value of the file with accents, but for its placeholders."""
    lines = []
    for line in toml.splitlines():
        key, sign, value = line.partition(" = ")
        if sign and not line.startswith("#"):
            parts = re.split(r"(\{[^}]*\}|\\.)", value)
            value = "".join(part if n % 2 else part.translate(ACCENTS) for n, part in enumerate(parts))
        lines.append(key + sign + value)
    return "\n".join(lines)


@pytest.fixture
def second_language(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    for part in texts.FILES:
        english = files("daemon.texts").joinpath(f"{texts.ENGLISH}{part}.toml").read_text(encoding="utf-8")
        (tmp_path / f"{LANGUAGE}{part}.toml").write_text(accented(english), encoding="utf-8")
    monkeypatch.setattr(texts, "files", lambda _package: tmp_path)
    yield
    texts.catalogue.cache_clear()


def strings(value: Any) -> Iterator[str]:
    """What is told by name or in words already: a name has a capital, words a space, a code neither, but for OWN_WORDS."""
    if isinstance(value, dict):
        for key, one in value.items():
            yield from [one] if key in OWN_WORDS and isinstance(one, str) else strings(one)
    elif isinstance(value, list):
        for one in value:
            yield from strings(one)
    elif isinstance(value, str) and re.search(r"[A-Z ]", value):
        yield value


def words_of(text: str) -> set[str]:
    """In small letters: the page begins a sentence with what it was told in the middle of one."""
    return {word.lower() for word in PLAIN.findall(text)}


def english_on(browser: Browser, site: ServedPage, views: tuple[str, ...]) -> set[tuple[str, str]]:
    """Words without an accent that nobody told the page, each with the view it stands in."""
    context, told, found = phone(browser), list[Response](), set[tuple[str, str]]()
    page = context.new_page()

    def note(response: Response) -> None:
        told.append(response)

    page.on("response", note)
    page.goto(site.login)
    expect(page.locator(".big").first).to_be_visible()
    for view in views:
        enter(page, view)
        page.evaluate("document.querySelectorAll('details').forEach((part) => { part.open = true; })")
        data = json.dumps([list(strings(r.json())) for r in told if "json" in r.headers.get("content-type", "")])
        data += json.dumps(list(strings(page.evaluate("fetch('/api/snapshot').then((r) => r.json())"))))
        left = words_of(page.evaluate(SHOWN)) - words_of(data) - OF_UNITS - DATES - NO_RULE
        found |= {(word, view) for word in left}
    context.close()
    return found


def test_a_second_language_leaves_no_english_on_the_page(browser: Browser, second_language: None) -> None:
    settings = PageSettings(host="127.0.0.1", port=0, reader=Reader(language=LANGUAGE))
    found = set[tuple[str, str]]()
    for scene in ("night", "planned", "first-start"):
        with served(settings) as site:
            if scene in SCENES:
                SCENES[scene](site.watch)
            found |= english_on(browser, site, VIEWS if scene == "night" else ("pit", "plan"))
    assert not found, sorted(found)
