"""The program says nothing that is not in the catalogue."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.texts.python_sources import sentences

ROOT = Path(__file__).parents[2]
NOTES = {
    "daemon/core": "what is kept with an order (who asked), names of figures a table was learned from",
    "daemon/shell/journal": "SQL; what SQLite would say of a damaged file, beside what the catalogue says",
    "drivers/codecs": "what is noted of a refused frame, and errors of whoever encodes one",
    "drivers/simulated": "names of scenarios, and errors of whoever simulates",
    "daemon/shell/fleet/class_file.py": "the log",
    "daemon/shell/log_lines.py": "the log",
    "daemon/shell/loop.py": "the log",
    "daemon/shell/web/access.py": "an error of whoever builds it",
    "daemon/shell/web/junk.py": "the log",
    "daemon/wiring/cook_file.py": "the log",
    "daemon/wiring/learned.py": "why a table is not used",
    "config/cuts.py": "the table of cuts: names and rules", "config/yields.py": "the table of yields: its sources",
}  # fmt: skip
"""Where words are left in the code, and what they are: notes in English for whoever looks after the machine, or a table."""
SOURCES = sorted(
    file
    for room in ("config", "daemon", "drivers")
    for file in (ROOT / room).rglob("*.py")
    if not str(file.relative_to(ROOT)).startswith(tuple(NOTES))
)
NOT_SAID: dict[str, tuple[str, ...] | None] = {
    "files.py": None,  # the demo's own rig and cook file, with the names of its probes and pieces
    "orders.py": ("one piece",),  # the name of a cook that nobody sees
    "api.py": ("default-src", "attachment; ", "one piece"),
    "server.py": ("default-src", "said once"),
    "feed.py": ("feed failed", "hub plan"),  # a line of the log, the name of a task
    "centre.py": (
        "No such file",
        "Connection refused",
        "timeout expired",
        "translate host",
        "resolve host",
        "does not exist",
        "certificate ",
        "authentication failed",
        "no pg_hba.conf entry",
        "not permitted",
    ),  # of OpenSSL, PostgreSQL
    "records.py": ("id, cook", " AND name IN"),  # SQL
    "regular_file.py": (
        "thing of another",
        "in place of a file",
        "link to itself",
    ),  # of an OSError, where a file should be
    "toml_file.py": ("at line",),  # of the library that reads it
    "composer.py": ("just now",),  # a duration, as its "min" and "h" are
    "running_cook.py": ("running cook",),  # the name of a file's content
    "watch.py": (
        "keep ",
        "count this life",
        "tidy the",
        "check the",
        "cook log",
    ),  # tasks
    "signs_of_life.py": ("the first judging", "dead man"),  # tasks
    "calibration.py": ("# in [[channels]]",),  # a line for the rig file
    "finder.py": ("{ source =",),
    "modbus.py": ("an answer to another", "no answer in", "unknown exception"),  # what is noted of a refused frame
    "scpi.py": ("no answer in",),
    "plain_parser.py": ("argument", "arguments", "option"),  # what argparse says, to be put into other words
    "free_port.py": ("no free port",),  # of an OSError, which says so by its number
    "page.py": ("default-src", "width=device", "light dark"),
    "crew_page.py": ("default-src", "width=device", "light dark"),
    "whole.py": ("line pit", "line piece"),
    "fire.py": ("line place",),
    "curves.py": ("wake test", "line pit", "line middle", "line piece", "line place", "look missed"),
    "draw.py": ("lower left",),
    "drawer.py": ("pip install",),
    "markup.py": ("DOCTYPE",),
    "cook.py": ("USDA home guidance", "Food Code 3-501.16"),  # names of rules
    "alarm_list.py": None,  # a table for the guide
    "settings_from_files.py": ("No cook",),  # the name of what is no cook
}
"""By file: what is in strings that are for a machine (classes of the style sheet, commands); None: all of the file is."""
FOR_MACHINES = (
    "SELECT ",
    "INSERT INTO ", "DELETE FROM ", "UPDATE ", "PRAGMA ", "BEGIN ", "INSERT OR ", "bold ", "listener ", "cook file",
    "{{", "'{}' if",
)  # fmt: skip
"""SQL, styles of the terminal, a broker's settings, the word for who asked, which is kept with what they asked, and templates
that the hub works out."""


def said_in(file: Path) -> list[tuple[int, str]]:
    words = next((words for name, words in NOT_SAID.items() if file.as_posix().endswith(f"/{name}")), ())
    if words is None:
        return []
    return [
        (line, text)
        for line, text in sentences(file.read_text(encoding="utf-8"))
        if not text.startswith(FOR_MACHINES) and not any(word in text for word in words)
    ]


def test_what_is_left_out_is_there_and_has_words() -> None:
    for room in NOTES:
        files = [ROOT / room] if room.endswith(".py") else (ROOT / room).rglob("*.py")
        assert any([*sentences(file.read_text(encoding="utf-8"))] for file in files), room


@pytest.mark.parametrize("file", SOURCES, ids=lambda f: f.name)
def test_no_sentence_stands_outside_the_catalogue(file: Path) -> None:
    assert said_in(file) == []


@pytest.mark.parametrize(
    ("source", "found"),
    [
        ('print("Nothing to do now")', ["Nothing to do now"]),
        ('say(f"{name} has the watch")', ["{} has the watch"]),
        ('x = "a" if y else "on the fire"', ["on the fire"]),
        ('"""Words about it."""\nlog.info("no probe heard")\nassert x, "never so"\nwords("pit.due-now")', []),
    ],
)
def test_a_sentence_in_the_code_would_be_found(source: str, found: list[str]) -> None:
    assert [text for _, text in sentences(source)] == found
