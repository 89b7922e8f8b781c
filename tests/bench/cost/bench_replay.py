"""How fast a recorded cook is judged: 12 h, 8 channels, 1 Hz, two pieces or four with their forecasts.

    python tests/bench/cost/bench_replay.py [--hours 12] [--pieces 4] [--profile]

Prints seconds, readings per second, and the ratio to merely reading the same file with the csv module.
"""

from __future__ import annotations

import argparse
import csv
import io
import tempfile
import time
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from statistics import median

from daemon.commands.demo.files import CHANNEL, CHANNELS, COOK, RIG, START
from daemon.commands.demo.virtual_cook import MARKS
from daemon.commands.replay import replay_log
from drivers.simulated.cook import Act, Scenario, SimulatedCook
from drivers.simulated.scenarios import demo_scenario

SKIP = 1.4 * 3600.0
"""s of the scenario before anything happens."""
TARGET = {2: 100, 4: 150}
"""Pieces: times the CPU of reading the file, at most."""
PASSES = 10
"""Readings of the file before the replay and after it; their median counts, for a busy machine makes single ones up to twice
as dear."""
GIVE_WAY = ("chuck-edge", "cabinet")
"""Channels whose places two more pieces take, so that it stays at eight."""
AGAIN = "-again"


def night_of(pieces: int) -> Scenario:
    """The demo's night; with four pieces each of its two is there twice."""
    night = demo_scenario()
    if pieces == len(night.pieces):
        return night
    kept = [c for c in night.channels if c.source not in GIVE_WAY]
    return replace(
        night,
        pieces=(*night.pieces, *(replace(p, id=p.id + AGAIN) for p in night.pieces)),
        channels=(*kept, *(replace(c, source=c.source + AGAIN, piece=c.piece + AGAIN) for c in kept if c.piece)),
        script=(
            *night.script,
            *(replace(s, subject=s.subject + AGAIN) for s in night.script if s.act is Act.PUT_ON),
        ),
    )


def files_of(pieces: int) -> tuple[list[tuple[str, str, str, str]], str]:
    """Rows of channels and the cook file of the same."""
    if pieces == 2:
        return list(CHANNELS), COOK
    kept = [row for row in CHANNELS if row[0] not in GIVE_WAY]
    channels = kept + [(i + AGAIN, f"{n}, again", r, p) for i, n, r, p in kept if r == "meat"]
    head, *stanzas = COOK.replace('channel = "cabinet"\n', "").split("[[pieces]]")
    again = [
        s.replace('"chuck"', f'"chuck{AGAIN}"')
        .replace('"lamb"', f'"lamb{AGAIN}"')
        .replace('name = "', 'name = "Other ')
        for s in stanzas
    ]
    return channels, "[[pieces]]".join([head, *stanzas, *again])


def write_cook(home: Path, hours: float, pieces: int) -> tuple[Path, Path, Path]:
    """A simulated night as CSV, with rig and cook files."""
    cook = SimulatedCook(night_of(pieces), seed=3)
    cook.advance(SKIP)
    rows, cook_text = files_of(pieces)
    ids = [row[0] for row in rows]
    told = 0
    log = home / "log.csv"
    with log.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time", *ids, "mark"])
        while cook.now < SKIP + hours * 3600:
            cook.advance(1.0)
            values = {m.source: "open" if m.celsius is None else m.celsius for m in cook.measure()}
            at = datetime.fromtimestamp(START + cook.now, UTC).isoformat()
            marks = [
                f"{MARKS[Act(e.kind)].value}{':' + e.subject if e.subject else ''}"
                for e in cook.truth[told:]
                if e.kind in set(Act) and Act(e.kind) in MARKS
            ]
            told = len(cook.truth)
            writer.writerow([at, *(values.get(i, "") for i in ids), marks[0] if marks else ""])
            for mark in marks[1:]:
                writer.writerow([at, *[""] * len(ids), mark])
    channels = "".join(CHANNEL.format(id=i, name=n, role=r, place=f'place = "{p}"' if p else "") for i, n, r, p in rows)
    rig, cook_file = home / "rig.toml", home / "cook.toml"
    rig.write_text(RIG.format(port="/dev/null", channels=channels, broker="", more=', "phone", "notice"'))
    cook_file.write_text(cook_text)
    return log, rig, cook_file


def read_alone(log: Path) -> tuple[int, float]:
    """Lines, and s of CPU that the csv module takes for them."""
    begin = time.process_time()
    with log.open(newline="") as file:
        lines = sum(1 for _ in csv.reader(file))
    return lines, time.process_time() - begin


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--pieces", type=int, default=2, choices=sorted(TARGET))
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as directory:
        log, rig, cook = write_cook(Path(directory), options.hours, options.pieces)
        lines, alone = zip(*(read_alone(log) for _ in range(PASSES)), strict=True)
        out = io.StringIO()
        if options.profile:
            import cProfile

            cProfile.runctx("replay_log(log, rig, cook, out)", globals(), locals(), sort="tottime")
            return
        wall, begin = time.perf_counter(), time.process_time()
        readings, _ = replay_log(log, rig, cook, out)
        used, wall = time.process_time() - begin, time.perf_counter() - wall
        bare = median([*alone, *(read_alone(log)[1] for _ in range(PASSES))])
    events = out.getvalue().count("\n")
    print(f"{lines[0]} lines, {readings} readings, {events} events")
    print(
        f"replay: {used:.1f} s of CPU ({wall:.1f} s on the clock), {readings / used:,.0f} readings a second; target 20 s"
    )
    print(f"ratio to reading the file alone ({bare:.2f} s): {used / bare:.0f}; target {TARGET[options.pieces]}")


if __name__ == "__main__":
    main()
