"""Every message of the demo's night in the words in which people get it: `night.md`, for reading in one go.

Written anew by `python -m tests.golden.rewrite`. The night is that of `pitvigil demo`: an overnight chuck roll and a lamb
shoulder, a fire that wants feeding while the cook sleeps, and a probe that fails and comes back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from zoneinfo import ZoneInfo

from config.loader import load_both
from daemon.commands.demo.files import START, write_demo_files
from daemon.commands.demo.night import DemoNight
from daemon.shell.journal.journal import Journal
from daemon.shell.library.records import CookRecords
from daemon.shell.wording import with_texts
from daemon.texts.composer import Composer
from daemon.wiring.composers import composer_of
from tests.golden.play import FOLDER

FILE = FOLDER / "night.md"
HOURS = 15.5
"""From lighting the fire at 17:00 until both pieces are tender: twelve hours and more of cooking."""
HEAD = """# What the watch says in one night

Every message of the demo's night, from lighting the fire until both pieces are tender. A wake makes a noise at night, a notice
does not, and what is logged stands on the page only. (2): said for the second time.

| at | how | what |
|---|---|---|
"""


def page_of(home: Path, journal: Path) -> str:
    """What was said in the night in that journal, by the rig file in `home`."""
    records, (rig, _) = CookRecords(journal), load_both(home / "rig.toml", None)
    (row,) = records.rows("", 1)
    zone, composer = ZoneInfo(rig.people.zone), composer_of(rig).at(0.0)
    lines = _lines(records.kept(row.id).events, composer, zone)
    return HEAD + "".join(f"| {at} | {how} | {what} |\n" for at, how, what in lines)


def _lines(events: Sequence[Mapping[str, Any]], composer: Composer, zone: ZoneInfo) -> Iterator[tuple[str, str, str]]:
    for event in (composer.spoken(with_texts(dict(event))) for event in events):
        at = _clock(event["time"], zone)
        match event["event"]:
            case "notification":
                again = f" ({event['step'] + 1})" if event["step"] else ""
                held = f"; held back: {event['held_back']}" if event["held_back"] else ""
                yield at, event["level"] + again, event["text"] + held
            case "nap" if event["until"] is not None:
                missing = "; ".join(event["unmet"]) or "nothing"
                until, latest = (_clock(event[part], zone) for part in ("until", "latest"))
                yield (
                    at,
                    "sleep",
                    f"until {until}, at the latest {latest}; in order: {'; '.join(event['green'])}; missing: {missing}",
                )
            case "nap":
                yield at, "sleep", f"no promise: {event['reason']}"
            case _:
                pass


def _clock(utc: str, zone: ZoneInfo) -> str:
    return f"{datetime.fromisoformat(utc).astimezone(zone):%a %H:%M}"


def whole_page() -> str:
    with TemporaryDirectory() as made:
        home, file = Path(made), Path(made) / "journal.sqlite"
        with closing(Journal(file)) as journal:
            DemoNight(journal, *write_demo_files(home), START).run(HOURS)
        return page_of(home, file)
