"""The report as a document: it asks nobody for anything, every number on it is one of the findings', and nothing a cook wrote
becomes markup. HTML by the standard library's parser.
"""

from __future__ import annotations

import re
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from itertools import pairwise
from math import nan
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import Event, FireSign
from daemon.core.orders import MarkKind
from daemon.core.outlook import Goal
from daemon.core.settings import Band
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.records import CookRecords
from daemon.shell.library.rows import CookNotes
from daemon.shell.report.findings import Findings, findings
from daemon.shell.report.of_kept import kept_report
from daemon.shell.report.page import reader_of, report_html
from daemon.shell.report.plane import Plane
from daemon.texts.reader import Reader, duration, percent
from tests.shell.kept_cooks import FIRST, make_journal
from tests.shell.report.report_cooks import BAND, START, at, kept, mark, quiet_night, said, seen, stage, stall, told
from tests.texts.english import in_english

VOID = {"meta", "br", "hr", "img", "link", "input"}
FETCHING = {
    "script",
    "link",
    "img",
    "iframe",
    "object",
    "embed",
    "video",
    "audio",
    "source",
    "use",
    "image",
    "a",
    "form",
}
NOTES = CookNotes(
    verdict="Tender <b>all</b> through & moist",
    weather="9 °C, \"still\" </style><script>alert('x')</script>",
    photos=("hall.jpg", "<img src=x>.jpg"),
    wood=21.5,
    weights={"chuck": (7.0, 4.6), "lamb": (2.4, 1.7)},
)


class Document(HTMLParser):
    """tags: every start tag with its attributes. text: all words outside <style>. tables: caption -> rows of cells."""

    def __init__(self, html: bytes) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.tables: dict[str, list[list[str]]] = {}
        self.terms: dict[str, str] = {}
        self._open: list[str] = []
        self._caption = self._cell = self._term = ""
        self.feed(html.decode())
        assert self._open == [], "every tag is closed, in order"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {k: v or "" for k, v in attrs}))
        if tag not in VOID:
            self._open.append(tag)
        if tag == "caption":
            self._caption = ""
        elif tag == "tr":
            self.tables.setdefault(self._caption, []).append([])
        elif tag in ("td", "th", "dt", "dd"):
            self._cell = ""

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag
        if tag in ("td", "th"):
            self.tables[self._caption][-1].append(self._cell)
        elif tag == "dt":
            self._term = self._cell
        elif tag == "dd":
            self.terms[self._term] = self._cell

    def handle_data(self, data: str) -> None:
        if "style" in self._open:
            return
        self.words.append(data)
        if "caption" in self._open:
            self._caption += data
        self._cell += data

    @property
    def text(self) -> str:
        return "".join(self.words).replace("\u00a0", " ")


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> CookRecords:
    made = CookRecords(make_journal(tmp_path_factory.mktemp("kept")))
    made.amend(FIRST, NOTES)
    return made


@pytest.fixture(scope="module")
def cook(records: CookRecords) -> KeptCook:
    return records.kept(FIRST)


@pytest.fixture(scope="module")
def found(cook: KeptCook) -> Findings:
    return findings(cook)


@pytest.fixture(scope="module")
def page(records: CookRecords) -> Document:
    return Document(kept_report(records, FIRST))


def test_it_asks_nobody_for_anything(records: CookRecords, page: Document) -> None:
    text = kept_report(records, FIRST).decode()
    assert not re.search(r"https?://|url\(|@import|\bsrc=|\bhref=", re.sub("&lt;img src=x&gt;", "", text))
    assert not {tag for tag, _ in page.tags} & FETCHING
    assert not any(name.startswith("on") for _, attributes in page.tags for name in attributes)
    (policy,) = [a["content"] for tag, a in page.tags if tag == "meta" and a.get("http-equiv")]
    assert policy.startswith("default-src 'none'")


def test_what_a_cook_wrote_is_text(page: Document) -> None:
    assert "Tender <b>all</b> through & moist" in page.text
    assert "<script>alert('x')</script>" in page.text and "<img src=x>.jpg" in page.text
    assert "script" not in {tag for tag, _ in page.tags}


def test_headings_captions_and_pictures_are_named(page: Document) -> None:
    headings = [int(tag[1]) for tag, _ in page.tags if re.fullmatch("h[1-6]", tag)]
    assert headings.count(1) == 1 and headings[0] == 1
    assert all(after <= before + 1 for before, after in pairwise(headings))
    assert sum(tag == "table" for tag, _ in page.tags) == sum(tag == "caption" for tag, _ in page.tags) > 5
    drawings = [a for tag, a in page.tags if tag == "svg"]
    assert all(a.get("aria-hidden") == "true" or (a["role"] == "img" and len(a["aria-label"]) > 20) for a in drawings)
    assert ("html", {"lang": "en"}) in page.tags


def test_the_figures_at_the_top_are_those_of_the_cook(page: Document, found: Findings) -> None:
    pit = sorted(v for v, on in zip(found.pit, _cooking(found), strict=True) if on and v == v)
    assert page.terms["with meat on the fire"] == duration(60.0 * sum(_cooking(found)))
    assert page.terms["of it with the pit in its band"] == percent(found.figures.in_band)
    swing = next(v for k, v in page.terms.items() if k.startswith("swing"))
    assert abs(float(swing.split("\u00a0")[0]) - (pit[int(0.95 * len(pit))] - pit[int(0.05 * len(pit))])) <= 1.0
    assert page.terms["of wood"] == "21.5\u00a0kg"
    assert page.terms["of the raw weight served"] == f"{100 * (4.6 + 1.7) / (7.0 + 2.4):.0f}\u00a0%"
    woken = {
        (e["alarm"], e["occurrence"])
        for e in found.cook.events
        if e["event"] == "notification" and e["level"] == "wake" and e["alarm"] != "test-wake"
    }
    assert page.terms[f"times woken; {len(woken) - 1} of {len(woken)} judged needed"] == f"{len(woken)}"


def _cooking(found: Findings) -> list[bool]:
    """Minutes that end while at least one piece lies on the fire."""
    spells = [(p.on_at, p.off_at) for p in found.pieces]
    ends = [60.0 * (m + 1) for m in found.cook.minutes]
    return [any(on is not None and on <= end < (off or 9e99) for on, off in spells) for end in ends]


def test_every_stage_of_a_piece_stands_in_its_table_with_its_core(page: Document, cook: KeptCook) -> None:
    rows = page.tables["Stages of Chuck roll"][1:]
    told = [e for e in cook.events if e["event"] == "stage" and e["subject"] == "chuck"]
    changes = [e for e in told if e["after"] != e["before"]]  # else it only asks something
    assert [row[1] for row in rows] == [e["time"][11:16] for e in changes if e["after"] != "waiting"]
    core = dict(zip(cook.minutes, cook.series["chuck"], strict=True))
    for row, event in zip(rows, changes, strict=True):
        minute = int((START + _seconds_since_start(event["time"])) // 60)
        assert row[3] in (f"{core[minute]:.0f}\u00a0°C", "–")


def _seconds_since_start(text: str) -> float:
    day, hour, minute, second = int(text[8:10]), int(text[11:13]), int(text[14:16]), float(text[17:-1])
    return (day - 27) * 86400 + (hour - 17) * 3600 + minute * 60 + second


def test_forecasts_wakes_and_held_back_stand_in_their_tables(page: Document, found: Findings) -> None:
    check = next(c for c in found.pieces[0].checks if c.goal is Goal.TENDER)
    rows = next(rows for caption, rows in page.tables.items() if caption.endswith("Chuck roll: tender at 92\u00a0°C"))[
        1:
    ]
    assert [row[5] for row in rows] == ["yes" if look.held else "no" for look in check.looks]
    assert [row[2] for row in rows] == [Reader().clock(look.said.p50) for look in check.looks if look.said]
    wakes = page.tables["Wakes"][1:]
    assert [row[4] for row in wakes] == ["no"] + ["yes"] * (len(found.woken) - 1)
    held = next(rows for caption, rows in page.tables.items() if caption.startswith("Told without a noise"))[1:]
    told_back = [e for e in found.cook.events if e["event"] == "notification" and e["held_back"]]
    assert [(row[1], row[2]) for row in held] == [
        (in_english(e["text"]), in_english(e["held_back"])) for e in told_back
    ]


def test_the_safety_record_names_its_rules_and_certifies_nothing(page: Document, found: Findings) -> None:
    assert "This informs; it does not certify." in page.text
    for piece in found.pieces:
        rules = [note for note in map(in_english, piece.safety.end.notes) if "certify" not in note]
        assert len(rules) >= 3 and all(note in page.text for note in rules)
    assert "carbon monoxide" in page.text


def test_in_fahrenheit_every_temperature_is(cook: KeptCook, found: Findings) -> None:
    page = Document(report_html(replace(cook, verdict="", weather=""), Reader(fahrenheit=True)))
    assert "°C" not in page.text
    hot = found.places[0]
    place = next(rows for caption, rows in page.tables.items() if caption.startswith("Places"))[1]
    assert place == [hot.place, f"{hot.celsius * 1.8 + 32:.0f}\u00a0°F", f"+{hot.offset * 1.8:.1f}\u00a0°F"]
    swing = next(v for k, v in page.terms.items() if k.startswith("swing"))
    assert swing == f"{(found.figures.swing or 0) * 1.8:.0f}\u00a0°F"


def test_words_for_numbers() -> None:
    assert [duration(s) for s in (0, 59 * 60, 3600, 3 * 3600 + 299)] == [
        t.replace(" ", "\u00a0") for t in ("0 min", "59 min", "1 h 00 min", "3 h 05 min")
    ]
    assert Reader().difference(-7.84, 1, sign=True) == "−7.8\u00a0°C"
    assert Reader().difference(-0.01, 1, sign=True) == "0.0\u00a0°C"
    assert Reader(fahrenheit=True).temperature(100.0) == "212\u00a0°F"
    assert Reader(fahrenheit=True).difference(10.0) == "18\u00a0°F"


def test_the_unit_and_zone_are_the_rigs(records: CookRecords, tmp_path: Path) -> None:
    assert reader_of('[people]\nunit = "F"\nzone = "Europe/London"') == Reader(True, "Europe/London")
    assert reader_of("[people]\nclock = 12") == Reader(twelve=True)
    assert reader_of("[pit]") == Reader()
    for nonsense in (None, "not toml [", '[people]\nzone = "Nowhere/At-all"', "people = 3", "[people]\nzone = 5"):
        assert reader_of(nonsense) == Reader()
    journal = make_journal(tmp_path)
    import sqlite3

    with sqlite3.connect(journal) as db:
        db.execute('UPDATE starts SET rig = replace(rig, \'zone = "UTC"\', \'zone = "Asia/Tokyo"\nunit = "F"\')')
    db.close()
    words = Document(kept_report(CookRecords(journal), FIRST)).text
    assert "Saturday 28 November 2026" in words and "Asia/Tokyo time" in words and "Band 225 °F" in words


def test_a_band_that_is_only_said_again_is_told_once() -> None:
    night, hour = quiet_night(), 3600.0
    bands = ((START + hour, BAND), (START + 2 * hour, Band(100.0, 125.0)), (START + 3 * hour, Band(100.0, 125.0)))
    words = Document(report_html(kept(**night, bands=bands))).text
    assert words.count("Band 107 °C to 135 °C from") == 1 and words.count("Band 100 °C to 125 °C from") == 1


def test_places_that_were_never_read_together_have_no_empty_table() -> None:
    night = quiet_night()
    count = len(night["core"])
    night["pit"] = [
        [121.0] * (count // 2) + [nan] * (count - count // 2),
        [nan] * (count // 2) + [121.0] * (count - count // 2),
    ]
    words = Document(report_html(kept(**night))).text
    assert "The places cannot be compared" in words and "Against the mean of all" not in words


def test_the_hours_of_the_axis_survive_the_night_the_clocks_change() -> None:
    """Europe/London, 25 October 2026: 02:00 BST becomes 01:00 GMT (tz database)."""
    evening = datetime(2026, 10, 24, 18, tzinfo=UTC).timestamp()
    plane = Plane(0, 0, 900, 100, evening, evening + 14 * 3600, 0, 1)
    labels = [label for _, label in plane.hours(Reader(zone="Europe/London"))]
    assert labels == ["19:00", "20:00", "21:00", "22:00", "23:00", "00:00", "01:00", "01:00", "02:00", "03:00", "04:00",
                      "05:00", "06:00", "07:00", "08:00"]  # fmt: skip


def test_a_cook_longer_than_a_day_names_the_day() -> None:
    night = quiet_night(30)
    assert "Sat 12:00" in Document(report_html(kept(**{**night, "events": [stage(0, "on"), stage(1140, "off")]}))).text


@pytest.mark.parametrize(
    "cook",
    [
        kept([nan] * 3, [nan] * 3),
        kept([121.0], [5.0]),
        kept([121.0] * 40, [5.0] * 40, [stage(2, "on")]),
        replace(kept([121.0] * 40, [5.0] * 40), ended=None),
        replace(kept([121.0] * 40, [5.0] * 40), series={}, channels=()),
    ],
)
def test_a_cook_of_which_little_is_known_is_reported_all_the_same(cook: KeptCook) -> None:
    page = Document(report_html(cook))
    assert "Nothing in this cook calls for a change." in page.text
    assert "Nothing woke you." in page.text


EVENTS = st.lists(
    st.one_of(
        st.builds(
            stage, st.integers(0, 90), st.sampled_from(["on", "cooking", "stall", "wrapped", "off", "hold", "done"])
        ),
        st.builds(mark, st.integers(0, 90), st.sampled_from(MarkKind)),
        st.builds(seen, st.integers(0, 90), st.sampled_from(FireSign)),
        st.builds(stall, st.integers(0, 90), st.booleans()),
        st.builds(said, st.integers(0, 90), st.sampled_from(Goal), st.just(50), st.just(60), st.just(70)),
        st.builds(told, st.integers(0, 90), st.just("fire-out/pit"), st.integers(1, 3)),
    ),
    max_size=12,
)
QUARTERS = st.lists(st.one_of(st.just(nan), st.floats(-40, 400)), min_size=6, max_size=6)
"""°C of six quarters of an hour."""


@given(pit=QUARTERS, core=QUARTERS, events=EVENTS)
def test_whatever_happened_is_reported(pit: list[float], core: list[float], events: list[Event]) -> None:
    minutes = [[v for v in quarters for _ in range(15)] for quarters in (pit, core)]
    text = report_html(kept(minutes[0], minutes[1], events, serve_at=at(80)))
    assert b"nan" not in text.lower()
    Document(text)


def test_the_report_needs_no_drawing_library() -> None:
    code = (
        "import sys\n"
        "sys.modules['matplotlib'] = None\n"
        "from tests.shell.report.report_cooks import kept, quiet_night\n"
        "from daemon.shell.report.page import report_html\n"
        "print(len(report_html(kept(**quiet_night()))))"
    )
    root = Path(__file__).parents[3]
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert int(done.stdout) > 20_000
