"""How fast a recorded cook is judged: 12 h, 8 channels, 1 Hz, two pieces with their forecasts.

    python tests/bench/cost/bench_replay.py [--hours 12] [--profile]

Prints seconds, readings per second, and the ratio to merely reading the same file with the csv module.
"""

from __future__ import annotations

import argparse
import csv
import io
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from daemon.commands.demo.files import CHANNEL, CHANNELS, COOK, RIG, START
from daemon.commands.demo.virtual_cook import MARKS
from daemon.commands.replay import replay_log
from drivers.simulated.cook import Act, SimulatedCook
from drivers.simulated.scenarios import demo_scenario

SKIP = 1.4 * 3600.0
"""s of the scenario before anything happens."""


def write_cook(home: Path, hours: float) -> tuple[Path, Path, Path]:
    """A simulated night as CSV, with rig and cook files."""
    cook = SimulatedCook(demo_scenario(), seed=3)
    cook.advance(SKIP)
    ids = [row[0] for row in CHANNELS]
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
    channels = "".join(
        CHANNEL.format(id=i, name=n, role=r, place=f'place = "{p}"' if p else "") for i, n, r, p in CHANNELS
    )
    rig, cook_file = home / "rig.toml", home / "cook.toml"
    rig.write_text(RIG.format(port="/dev/null", channels=channels, broker="", more=', "phone", "notice"'))
    cook_file.write_text(COOK)
    return log, rig, cook_file


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--hours", type=float, default=12.0)
    parser.add_argument("--profile", action="store_true")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as directory:
        log, rig, cook = write_cook(Path(directory), options.hours)
        begin = time.process_time()
        with log.open(newline="") as file:
            rows = sum(1 for _ in csv.reader(file))
        bare = time.process_time() - begin
        out = io.StringIO()
        if options.profile:
            import cProfile

            cProfile.runctx("replay_log(log, rig, cook, out)", globals(), locals(), sort="tottime")
            return
        wall, begin = time.perf_counter(), time.process_time()
        readings, _ = replay_log(log, rig, cook, out)
        used, wall = time.process_time() - begin, time.perf_counter() - wall
    events = out.getvalue().count("\n")
    print(f"{rows} lines, {readings} readings, {events} events")
    print(
        f"replay: {used:.1f} s of CPU ({wall:.1f} s on the clock), {readings / used:,.0f} readings a second; target 20 s"
    )
    print(f"ratio to reading the file alone ({bare:.2f} s): {used / bare:.0f}")


if __name__ == "__main__":
    main()
