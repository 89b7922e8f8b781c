"""Every message of recorded cooks, as one text to be read through as the person would who gets them.

    python -m tests.bench.nights.read_messages FOLDER > messages.txt

Each folder in FOLDER holds `log.csv`, `rig.toml` and `cook.toml`, as `pitvigil replay` reads them, and perhaps a `truth.txt` of
what happened and what was wanted. Nobody answers in a replay, so every call is repeated for as long as it stands: repeats are
told by their number and last time. A call in capitals woke somebody; the audiences are those of the first message.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path
from typing import Any

from daemon.commands.replay import replay_log


@dataclass
class Told:
    """One call or notice, with what repeated it."""

    first: dict[str, Any]
    repeats: list[dict[str, Any]] = field(default_factory=list)

    @property
    def wakes(self) -> bool:
        return bool(self.first["level"] == "wake")


def told_in(events: list[dict[str, Any]]) -> list[Told]:
    """Messages in order of time, repeats with what they repeat; what was only noted before it woke somebody is another thing."""
    found: dict[tuple[str, Any, bool], Told] = {}
    for event in events:
        if event["event"] == "notification":
            key = event["alarm"], event["occurrence"], event["level"] == "wake"
            if key in found:
                found[key].repeats.append(event)
            else:
                found[key] = Told(event)
    return list(found.values())


def lines_of(told: list[Told]) -> Iterator[str]:
    for one in told:
        first = one.first
        word = "WAKE" if one.wakes else str(first["level"])
        yield f"{first['time'][11:16]}  {word:7} {'+'.join(first['audiences']):16} {first['text']}"
        if one.repeats:
            last = one.repeats[-1]
            whom = "+".join(dict.fromkeys(a for r in one.repeats for a in r["audiences"]))
            yield f"{'':7}  and {len(one.repeats)} more until {last['time'][11:16]}, to {whom}; the last: {last['text']}"


def events_of(cook: Path) -> list[dict[str, Any]]:
    out = StringIO()
    replay_log(cook / "log.csv", cook / "rig.toml", cook / "cook.toml", out)
    return [json.loads(line) for line in out.getvalue().splitlines()]


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", nargs="*", help="names of folders")
    asked = parser.parse_args(arguments)
    for cook in sorted(log.parent for log in asked.folder.glob("*/log.csv")):
        if asked.only and cook.name not in asked.only:
            continue
        told = told_in(events_of(cook))
        truth = cook / "truth.txt"
        print(f"\n== {cook.name}: {sum(t.wakes for t in told)} calls that wake, {len(told)} things told")
        if truth.exists():
            print("   " + truth.read_text(encoding="utf-8").strip().replace("\n", "\n   "))
        for line in lines_of(told):
            print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
