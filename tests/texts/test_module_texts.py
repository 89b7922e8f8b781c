"""Report, plan and commands say nothing that is not in the catalogue."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.texts.python_sources import sentences

ROOT = Path(__file__).parents[2]
ROOMS = (
    "cli.py", "commands", "shell/report", "wiring/planning.py",
    "shell/hub/commands.py", "shell/hub/orders.py", "shell/hub/feed.py",
    "shell/web/api.py", "shell/web/plan_api.py", "shell/web/server.py",
)  # fmt: skip
SOURCES = sorted(
    file
    for room in ROOMS
    for path in [ROOT / "daemon" / room]
    for file in ([path] if path.is_file() else path.rglob("*.py"))
)
NOT_SAID: dict[str, tuple[str, ...] | None] = {
    "demo/files.py": None,  # the demo's own rig and cook file, with the names of its probes and pieces
    "orders.py": ("one piece",),  # the name of a cook that nobody sees
    "api.py": ("default-src", "attachment; ", "(whole file)", "one piece"),
    "server.py": ("default-src", "said once"),
    "feed.py": ("feed failed", "hub plan"),  # a line of the log, the name of a task
    "plain_parser.py": ("argument", "arguments", "option"),  # what argparse says, to be put into other words
    "free_port.py": ("no free port",),  # of an OSError, which says so by its number
    "report/page.py": ("default-src", "width=device", "light dark", "line pit", "line piece", "line place"),
    "curves.py": ("wake test", "line pit", "line middle", "line piece", "line place", "look missed"),
    "picture/draw.py": ("lower left",),
    "picture/drawer.py": ("pip install",),
    "markup.py": ("DOCTYPE",),
}
"""By file: what is in strings that are for a machine (classes of the style sheet, commands); None: all of the file is."""
FOR_MACHINES = ("SELECT ", "INSERT INTO ", "DELETE FROM ", "UPDATE ", "PRAGMA ", "bold ", "listener ", "cook file")
"""SQL, styles of the terminal, a broker's settings, and the word for who asked, which is kept with what they asked."""


def said_in(file: Path) -> list[tuple[int, str]]:
    words = next((words for name, words in NOT_SAID.items() if file.as_posix().endswith(f"/{name}")), ())
    if words is None:
        return []
    return [
        (line, text)
        for line, text in sentences(file.read_text(encoding="utf-8"))
        if not text.startswith(FOR_MACHINES) and not any(word in text for word in words)
    ]


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
