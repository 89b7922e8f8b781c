"""Scores the fire watch on simulated fires it has never seen, against its targets and against naive baselines.

    python -m tests.bench.bench_fire --seed 4711 --fires 200

Nothing is marked by hand unless the line says so: logs and lids must be found in the readings. Lines that miss say MISS.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from math import nan

import numpy as np

from daemon.core.events import FireNoticed, FireSign
from daemon.core.fire import FireWatch
from daemon.core.fire_signs import slope
from daemon.core.inputs import Mark, MarkKind
from daemon.core.settings import Band
from drivers.simulated.batch import simulate_fires
from drivers.simulated.pit import PitParameters, Pits, Stokers
from drivers.simulated.records import FireEpisode
from drivers.simulated.sensor import Probes
from tests.bench.make_fire_prior import burn

SCORED = 20
"""Minutes within which a found log must follow a laid one."""
ONE_FEEDING = 15
"""Logs laid closer than this many minutes are one feeding."""
QUERY_EVERY = 5
NAIVE_CAP = 180.0


@dataclass
class Score:
    """What the watch said of one episode. queries: rows of true, p05, p50, p95, naive minutes left."""

    noticed: list[FireNoticed]
    queries: list[tuple[float, float, float, float, float]]
    spent: float


def watch(episode: FireEpisode, marked: bool) -> Score:
    """Runs one episode through a fresh watch, minute by minute."""
    fire, band = FireWatch(), Band(episode.band_low, episode.band_high)
    result = Score([], [], 0.0)
    logs = set(episode.logs) if marked else set()
    for minute, pit in enumerate(episode.pit_read.tolist()):
        now = minute * 60.0
        if minute in logs:
            fire.mark(Mark(MarkKind.LOG), now)
        before = time.perf_counter()
        result.noticed += fire.beat(now, pit)
        result.noticed += fire.minute(now, pit, band, nan)
        result.spent += time.perf_counter() - before
        left = episode.exit_minute - minute
        abandoned = minute >= max(episode.left_alone, episode.last_log + 1)
        if not (abandoned and 2 <= left <= 180 and pit >= band.low and minute % QUERY_EVERY == 0):
            continue
        due = fire.log_due
        if due is None:
            result.queries.append((left, nan, nan, nan, nan))
            continue
        fall = slope(episode.pit_read[minute - 10 : minute].tolist())
        naive = min(NAIVE_CAP, (pit - band.low) / -fall) if fall < 0 else NAIVE_CAP
        result.queries.append((left, *((t - now) / 60.0 for t in (due.p05, due.p50, due.p95)), naive))
    return result


def feedings(logs: tuple[float, ...]) -> list[float]:
    """The logs, those laid close together as one."""
    first: list[float] = []
    last = -1e9
    for log in logs:
        if log - last >= ONE_FEEDING:
            first.append(log)
        last = log
    return first


def match(logs: tuple[float, ...], found: list[float]) -> tuple[int, list[float]]:
    """(found ones that follow a log within SCORED minutes, the delays of the feedings that were found)."""
    true = sum(any(-1 <= f - log <= SCORED for log in logs) for f in found)
    delays = []
    for log in feedings(logs):
        after = [f - log for f in found if -1 <= f - log <= SCORED]
        if after:
            delays.append(min(after))
    return true, delays


def line(name: str, value: float, target: str, met: bool | None, beside: str = "") -> None:
    verdict = "" if met is None else ("ok" if met else "MISS")
    print(f"  {name:<46} {value:8.2f}   target {target:<10} {verdict:<5} {beside}")


def report_exit(scores: list[Score], constant: float) -> None:
    rows = np.array([q for s in scores for q in s.queries])
    silent = np.isnan(rows[:, 1])
    print(f"Minutes until the pit leaves its band ({len(rows)} queries, {silent.mean():.1%} without an answer)")
    rows = rows[~silent]
    true, low, middle, high, naive = rows.T
    error, naive_error, constant_error = abs(middle - true), abs(naive - true), abs(constant - true)
    near = true <= 20
    line(
        "MAE, min",
        error.mean(),
        "<= 6",
        bool(error.mean() <= 6),
        f"slope {naive_error.mean():.1f}, constant {constant_error.mean():.1f}",
    )
    line(
        "MAE when within 20 min",
        error[near].mean(),
        "<= 3",
        bool(error[near].mean() <= 3),
        f"slope {naive_error[near].mean():.1f}, constant {constant_error[near].mean():.1f}",
    )
    warned, urgent = (middle[near] <= 25).mean(), (middle[true > 30] <= 15).mean()
    line(
        "warned in time (said <= 25 when <= 20)",
        warned,
        ">= .97",
        bool(warned >= 0.97),
        f"slope {(naive[near] <= 25).mean():.2f}",
    )
    line(
        "falsely urgent (said <= 15 when > 30)",
        urgent,
        "<= .25",
        bool(urgent <= 0.25),
        f"slope {(naive[true > 30] <= 15).mean():.2f}, n {(true > 30).sum()}",
    )
    inside = ((low <= true) & (true <= high)).mean()
    line(
        "90 % interval holds the truth",
        inside,
        ".85-.95",
        bool(0.85 <= inside <= 0.95),
        f"median width {np.median(high - low):.0f} min",
    )


def report_logs(episodes: list[FireEpisode], scores: list[Score], rng: np.random.Generator) -> None:
    true = found = fed = chance = 0
    delays: list[float] = []
    hours = 0.0
    for episode, score in zip(episodes, scores, strict=True):
        seen = [e.time / 60 for e in score.noticed if e.sign is FireSign.LOG_ADDED]
        right, late = match(episode.logs, seen)
        true, found, delays = true + right, found + len(seen), delays + late
        fed += len(feedings(episode.logs))
        hours += episode.pit_read.size / 60
        chance += match(episode.logs, rng.uniform(10, episode.pit_read.size, len(seen)).tolist())[0]
    print(f"Logs ({fed} feedings in {hours:.0f} h)")
    recall, precision, false = len(delays) / fed, true / max(found, 1), (found - true) * 10 / hours
    line("recall", recall, ">= .85", recall >= 0.85)
    line("precision", precision, ">= .90", precision >= 0.90, f"as many at random times {chance / max(found, 1):.2f}")
    line("false logs in 10 h", false, "<= 1", false <= 1)
    line("delay, median min", float(np.median(delays)), "<= 12", float(np.median(delays)) <= 12)


def other_fires(seed: int, n: int) -> list[FireEpisode]:
    """Fires of another structure: the model that made the prior, with other draws. The exit forecast knows its kind."""
    rng = np.random.default_rng(seed)
    episodes: list[FireEpisode] = []
    while len(episodes) < n:
        fire = burn(rng)
        if fire.left is None or not fire.logs or fire.left <= fire.logs[-1]:
            continue
        pit, nothing = np.array(fire.pit), ()
        episodes.append(
            FireEpisode(
                f"{seed}-{len(episodes)}", fire.band.middle, fire.band.low, fire.band.high, pit, pit,
                tuple(float(m) for m in fire.logs), tuple((float(m), 120.0) for m in fire.lids), nothing,
                fire.logs[-1] + 1, float(fire.logs[-1]), fire.left, nan,
            )
        )  # fmt: skip
    return episodes


def report_lids(seed: int, pits: int = 40, hours: int = 6) -> None:
    """Lids every 5 s: tended pits, a look of 20-150 s about every hour and a half. No minute values, only beats."""
    rng = np.random.default_rng(seed)
    pit, watches = Pits(PitParameters.uniform(pits)), [FireWatch() for _ in range(pits)]
    pit.settle(12.0)
    stokers = Stokers(pit, rng)
    probe = Probes(rng, pits, lag=rng.uniform(10, 60, pits), noise=0.4)
    probe.follow(5.0, pit.gas)
    opened = [np.sort(rng.choice(hours * 60, 4, replace=False)) * 60.0 for _ in range(pits)]
    lasts = [rng.uniform(20, 150, 4) for _ in range(pits)]
    found: list[list[float]] = [[] for _ in range(pits)]
    closed: list[list[float]] = [[] for _ in range(pits)]
    spent, beats = 0.0, 0
    for tick in range(hours * 720):
        now = tick * 5.0
        if tick % 12 == 0:
            stokers.act(now, probe.read(), np.full(pits, 12.0))
        pit.lid_open = np.array([bool(((a <= now) & (now < a + s)).any()) for a, s in zip(opened, lasts, strict=True)])
        pit.step(5.0, 12.0)
        probe.follow(5.0, pit.gas)
        values = probe.read().tolist()
        before = time.perf_counter()
        for i, value in enumerate(values):
            for sign in watches[i].beat(now, value):
                (found if sign.sign is FireSign.LID_OPENED else closed)[i].append(now)
        spent, beats = spent + time.perf_counter() - before, beats + pits
    looks = [(i, a, s) for i in range(pits) for a, s in zip(opened[i], lasts[i], strict=True) if a > 120]
    # a look while the pit still recovers from the last one is part of it
    looks = [(i, a, s) for i, a, s in looks if not any(0 < a - b <= 900 for b in opened[i])]
    delays = [min((f - a for f in found[i] if 0 <= f - a <= s + 60), default=nan) for i, a, s in looks]
    long = np.array([s >= 60 for _, _, s in looks])
    caught = ~np.isnan(delays)
    false = sum(not any(0 <= f - a <= 240 for a in opened[i]) for i in range(pits) for f in found[i])
    print(f"Lids, one value every 5 s ({len(looks)} looks of 20-150 s in {pits * hours} h)")
    line("found, of looks of 60 s or more", caught[long].mean(), ">= .95", bool(caught[long].mean() >= 0.95))
    line("found, of all", caught.mean(), "-", None)
    line("delay, median s", float(np.nanmedian(delays)), "<= 60", bool(np.nanmedian(delays) <= 60))
    line("false in 10 h", false * 10 / (pits * hours), "<= 0.1", false * 10 / (pits * hours) <= 0.1)
    line("told shut again / told open", sum(map(len, closed)) / max(1, sum(map(len, found))), "-", None)
    line("a beat, µs", 1e6 * spent / beats, "<= 20", 1e6 * spent / beats <= 20)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, required=True, help="one not used before")
    parser.add_argument("--fires", type=int, default=200)
    arguments = parser.parse_args()
    seed, count = arguments.seed, arguments.fires
    rng = np.random.default_rng(seed)
    for truth, make in (("drivers.simulated", simulate_fires), ("the other fire model", other_fires)):
        episodes = make(seed, count)
        constant = float(np.median([e.exit_minute - e.left_alone for e in make(seed + 1, 60)]))
        for marked in (False, True):
            print(f"== {truth}, seed {seed}, {len(episodes)} fires, logs {'marked' if marked else 'not marked'}")
            scores = [watch(e, marked) for e in episodes]
            report_exit(scores, constant)
            if not marked:
                report_logs(episodes, scores, rng)
            took = 1e3 * sum(s.spent for s in scores) / sum(e.pit_read.size for e in episodes)
            line("a minute, ms", took, "<= 1", took <= 1)
    print("== lids, drivers.simulated")
    report_lids(seed)


if __name__ == "__main__":
    main()
