"""The page says nothing that is not in the catalogue, and the catalogue has nothing that the page does not say."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path

import pytest

from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.events import AlarmState, FireSign, Priority, ProbeFault
from daemon.core.inputs import Part
from daemon.core.orders import MarkKind, SafetyDeed
from daemon.core.outlook import Goal
from daemon.core.pieces.stage import PiecePhase
from daemon.core.pit.stage import PitPhase
from daemon.core.planned import StepKind
from daemon.core.settings import Wrap
from daemon.shell.web.assets import STATIC, load_assets
from daemon.texts.catalogue import Catalogue, catalogue
from drivers.reading import Fault
from tests.texts.page_sources import SOURCES, Literal, calls, read, tokens

PAGE = catalogue().under("page.")
ROOMS = {key for key in PAGE if "." in key and not key.startswith(("frame.", "code."))}
CODES: tuple[type[StrEnum], ...] = (
    PitPhase, PiecePhase, MarkKind, FireSign, Part, SafetyDeed, Goal, ProbeFault, Fault, AlarmState, Priority, StepKind,
    Wrap,
)  # fmt: skip
HEAT = {"hot", "cool", "even"}
"""What the page itself calls a place of the grate."""
NOT_SHOWN = {"class", "className", "font", "viewBox", "points", "d", "cookie", "transform"}
"""Properties whose strings are for the browser."""
BROWSER = re.compile(
    r"Arrow\w+|Page(Up|Down)|Home|POST|NFKD|Content-Type|px |^rgba?\(|^\(min-|^M[\d ]|^https?:|^/api/|^pitvigil$"
)
CLASSES = {
    name for file in STATIC.glob("*.css") for name in re.findall(r"\.([a-z][\w-]*)", file.read_text(encoding="utf-8"))
}


def is_words(literal: Literal) -> bool:
    """Somebody would read it: two words, or one with a capital; and it is no name for the browser."""
    if NOT_SHOWN & set(literal.before[-2:]) or BROWSER.search(literal.text) or set(literal.text.split()) <= CLASSES:
        return False
    text = literal.text.replace("{}", " ")
    return bool(re.search(r"[A-Za-z]{2,}[,.:;]*\s+\S*[A-Za-z]{2,}|^\W*[A-Z][a-z]", text))


@pytest.mark.parametrize("file", SOURCES, ids=lambda f: f.name)
def test_no_sentence_stands_outside_the_catalogue(file: Path) -> None:
    shown = [token.literal for token in read(file) if token.literal is not None and is_words(token.literal)]
    assert [(one.line, one.text) for one in shown] == []


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('make("p", {}, "Nothing to do now")', ["Nothing to do now"]),
        ("say(node, `${name} has the watch`)", ["{} has the watch"]),
        ('button("Seen", act, { class: "main wide" })', ["Seen"]),
        ("toast(`a${x ? `, at the latest ${y}` : ''}`)", [", at the latest {}"]),
        ('// A remark with words\nfind("more-words"); a = b / c; d = /two words/g; t("pit.due-now")', []),
    ],
)
def test_a_sentence_in_the_code_would_be_found(source: str, found: list[str]) -> None:
    assert [one.literal.text for one in tokens(source) if one.literal and is_words(one.literal)] == found


@pytest.mark.parametrize("file", SOURCES, ids=lambda f: f.name)
def test_what_the_page_says_has_a_text_with_just_these_values(file: Path) -> None:
    for line, key, given in calls(read(file)):
        assert key in ROOMS, f"{file.name}:{line}: no text {key}"
        assert set(re.findall(r"\{(\w+)\}", PAGE[key])) == given, f"{file.name}:{line}: {key}"


def test_no_text_of_the_page_lies_about_unused() -> None:
    literals = {token.literal.text for file in SOURCES for token in read(file) if token.literal is not None}
    html = (STATIC / "index.html").read_text(encoding="utf-8")
    assert literals >= ROOMS
    assert {f"frame.{key}" for key in re.findall(r"\{\{frame\.([\w-]+)\}\}", html)} == {
        key for key in PAGE if key.startswith("frame.")
    }


def test_every_code_of_the_watch_has_its_word() -> None:
    values = {member.value for codes in CODES for member in codes} | HEAT
    values |= {guard for rule in ALARM_RULES for guard in rule.guards}  # what holds an alarm back
    assert {key.removeprefix("code.") for key in PAGE if key.startswith("code.")} == values


def test_the_frame_of_the_page_has_no_words_of_its_own() -> None:
    html = (STATIC / "index.html").read_text(encoding="utf-8")
    words = re.sub(r"<(script|style).*?</\1>|<[^>]*>|\{\{[^}]*\}\}", " ", html, flags=re.DOTALL).split()
    assert set(words) == {"pitvigil"}
    assert re.findall(r'aria-label="([^{][^"]*)"', html) == []


def test_a_page_that_stays_open_over_an_upgrade_never_mixes_two_catalogues() -> None:
    """Sentences go by number, so the module that has them is named by what it has."""
    old = load_assets()
    new = load_assets(texts=Catalogue({**catalogue().texts, "page.pit.due-now": "to be fed now"}))
    says = {address for address in old if address.startswith("/js/texts-")}
    assert len(says) == 1 and says.isdisjoint(new)
    (address,) = says
    assert address.removeprefix("/js").encode() in old["/js/pit.js"].body
    assert address.encode() in old["/"].body
