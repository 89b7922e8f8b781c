"""Scores the fire watch on simulated fires it has never seen, against its targets and against naive baselines.

    python -m tests.bench.figures --only fire lid marked-logs --seed 4711

Nothing is marked by hand unless the line says so: logs and lids must be found in the readings. Lines that miss say MISSED.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from math import nan
from typing import Any

import numpy as np
import numpy.typing as npt

from daemon.core.events import FireNoticed, FireSign
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.signs import slope
from daemon.core.settings import Band
from daemon.wiring.learned import learned
from drivers.simulated.batch import simulate_fires
from drivers.simulated.pit import PitParameters, Pits, Stokers
from drivers.simulated.records import FireEpisode
from drivers.simulated.sensor import Probes
from tests.bench.figure import NO_TARGET, Figure
from tests.bench.fire.other_fires import burn

Mask = npt.NDArray[np.bool_]

SCORED = 20
"""Minutes within which a found log must follow a laid one."""
ONE_FEEDING = 15
"""Logs laid closer than this many minutes are one feeding."""
QUERY_EVERY = 5
NAIVE_CAP = 180.0
LEAD, LONG_NAP = 22.0, 60.0
"""Minutes a sleeper needs by default, and minutes of fire ahead that are surely worth lying down for."""
UNSEEN_FOR = 6.0
"""Minutes after a log in which the pit still falls as if nobody had fed it: only a mark can tell."""
LEAST_NAPS = 10
"""Queries that far from the end below which nothing is said of naps."""


@dataclass
class Score:
    """What the watch said of one episode. queries: rows of true, p05, p50, p95, naive minutes left, and of minutes
    since the last log."""

    noticed: list[FireNoticed]
    queries: list[tuple[float, float, float, float, float, float]]
    spent: float


def watch(episode: FireEpisode, marked: bool) -> Score:
    """Runs one episode through a fresh watch, minute by minute."""
    fire, band = FireWatch(learned().fire), Band(episode.band_low, episode.band_high)
    result = Score([], [], 0.0)
    logs = set(episode.logs) if marked else set()
    for minute, pit in enumerate(episode.pit_read.tolist()):
        now = minute * 60.0
        if minute in logs:
            fire.mark(Mark(MarkKind.LOG), now)
        before = time.process_time()
        result.noticed += fire.scan(now, pit)
        result.noticed += fire.minute(now, pit, band, nan)
        result.spent += time.process_time() - before
        left = episode.exit_minute - minute
        abandoned = minute >= max(episode.left_alone, episode.last_log + 1)
        if not (abandoned and 2 <= left <= 180 and pit >= band.low and minute % QUERY_EVERY == 0):
            continue
        due = fire.log_due
        if due is None:
            result.queries.append((left, nan, nan, nan, nan, nan))
            continue
        fall = slope(episode.pit_read[minute - 10 : minute].tolist())
        naive = min(NAIVE_CAP, (pit - band.low) / -fall) if fall < 0 else NAIVE_CAP
        low, middle, high = ((t - now) / 60.0 for t in (due.p05, due.p50, due.p95))
        result.queries.append((left, low, middle, high, naive, minute - episode.last_log))
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


def exit_figures(name: str, scores: list[Score], constant: float) -> list[Figure]:
    """Minutes until the pit leaves its band, said against true. constant: what a fixed answer would be, min."""
    rows = np.array([q for s in scores for q in s.queries]).reshape(-1, 6)
    silent = np.isnan(rows[:, 1])
    true, low, middle, high, naive, since = rows[~silent].T
    near, far = true <= 20, true > 30
    off, naive_off, constant_off = abs(middle - true), abs(naive - true), abs(constant - true)
    warned, urgent = _mean(middle[near] <= 25), _mean(middle[far] <= 15)
    unseen = _mean((middle[far] <= 15) & (since[far] <= UNSEEN_FOR))
    inside = _mean((low <= true) & (true <= high))
    long = true >= LONG_NAP
    given, overslept = _mean(low[long] > LEAD), _mean(low > true)

    def beside(which: Mask) -> str:
        return f"slope {_mean(naive_off[which]):.1f}, constant {_mean(constant_off[which]):.1f}"

    told = [
        Figure(f"{name}: MAE of the exit, min", _mean(off), "<= 6", _mean(off) <= 6,
               f"{beside(true > 0)}; n {true.size}, {silent.mean():.1%} unanswered"),
        Figure(f"{name}: MAE when within 20 min", _mean(off[near]), "<= 3", _mean(off[near]) <= 3, beside(near)),
        Figure(f"{name}: warned in time (said <= 25 when <= 20)", warned, ">= .97", warned >= 0.97,
               f"slope {_mean(naive[near] <= 25):.2f}, constant {float(constant <= 25):.2f}"),
        Figure(f"{name}: falsely urgent (said <= 15 when > 30)", urgent, "<= .25", urgent <= 0.25,
               f"slope {_mean(naive[far] <= 15):.2f}, constant {float(constant <= 15):.2f}; n {far.sum()}; "
               f"{unseen:.2f} within {UNSEEN_FOR:.0f} min of a log, which no trace shows yet"),
        Figure(f"{name}: 90 % interval holds the truth", inside, ".85-.95", 0.85 <= inside <= 0.95,
               f"median width {np.median(high - low) if high.size else nan:.0f} min"),
        Figure(f"{name}: a nap longer than the fire", overslept, "<= .05", overslept <= 0.05),
    ]  # fmt: skip
    if long.sum() >= LEAST_NAPS:  # quick pits hardly ever last so long
        told.append(Figure(f"{name}: a nap given when {LONG_NAP:.0f} min are left", given, ">= .50", given >= 0.5,
                           f"common practice, no source; n {long.sum()}"))  # fmt: skip
    return told


def log_figures(name: str, episodes: list[FireEpisode], scores: list[Score], rng: np.random.Generator) -> list[Figure]:
    """Logs found in the readings against logs laid on."""
    true = found = fed = chance = 0
    delays: list[float] = []
    hours = 0.0
    for episode, score in zip(episodes, scores, strict=True):
        seen = [e.time / 60 for e in score.noticed if e.sign is FireSign.LOG_ADDED]
        right, after = match(episode.logs, seen)
        true, found, delays = true + right, found + len(seen), delays + after
        fed += len(feedings(episode.logs))
        hours += episode.pit_read.size / 60
        chance += match(episode.logs, rng.uniform(10, episode.pit_read.size, len(seen)).tolist())[0]
    recall, precision, false = len(delays) / max(1, fed), true / max(found, 1), (found - true) * 10 / hours
    late = float(np.median(delays)) if delays else nan
    return [
        Figure(f"{name}: logs found", recall, ">= .85", recall >= 0.85, f"{fed} feedings in {hours:.0f} h"),
        Figure(f"{name}: logs found that are true", precision, ">= .90", precision >= 0.90,
               f"as many at random times {chance / max(found, 1):.2f}"),
        Figure(f"{name}: false logs in 10 h", false, "<= 1", false <= 1),
        Figure(f"{name}: delay of a found log, median min", late, "<= 12", late <= 12),
    ]  # fmt: skip


def _mean(values: npt.NDArray[Any]) -> float:
    return float(values.mean()) if values.size else nan


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


def lid_figures(seed: int, pits: int = 40, hours: int = 6) -> list[Figure]:
    """Lids every 5 s: tended pits, a look of 20-150 s about every hour and a half. No minute values, only beats."""
    rng = np.random.default_rng(seed)
    pit, watches = Pits(PitParameters.uniform(pits)), [FireWatch(learned().fire) for _ in range(pits)]
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
        before = time.process_time()
        for i, value in enumerate(values):
            for sign in watches[i].scan(now, value):
                (found if sign.sign is FireSign.LID_OPENED else closed)[i].append(now)
        spent, beats = spent + time.process_time() - before, beats + pits
    looks = [(i, a, s) for i in range(pits) for a, s in zip(opened[i], lasts[i], strict=True) if a > 120]
    # a look while the pit still recovers from the last one is part of it
    looks = [(i, a, s) for i, a, s in looks if not any(0 < a - b <= 900 for b in opened[i])]
    delays = [min((f - a for f in found[i] if 0 <= f - a <= s + 60), default=nan) for i, a, s in looks]
    long = np.array([s >= 60 for _, _, s in looks])
    caught = ~np.isnan(delays)
    false = sum(not any(0 <= f - a <= 240 for a in opened[i]) for i in range(pits) for f in found[i])
    long_found, late = _mean(caught[long]), float(np.nanmedian(delays)) if caught.any() else nan
    often, cost = false * 10 / (pits * hours), 1e6 * spent / beats
    return [
        Figure("lid: found, of looks of 60 s or more", long_found, ">= .95", long_found >= 0.95,
               f"{len(looks)} looks in {pits * hours} h; of all {_mean(caught):.2f}"),
        Figure("lid: delay, median s", late, "<= 60", late <= 60),
        Figure("lid: false in 10 h", often, "<= 0.1", often <= 0.1),
        Figure("lid: told shut again, of those told open", sum(map(len, closed)) / max(1, sum(map(len, found))), NO_TARGET,
               True),
        Figure("lid: a beat, µs of CPU", cost, "<= 20", cost <= 20),
    ]  # fmt: skip


def slow_fires(seed: int, n: int) -> list[FireEpisode]:
    """Fires of heavy, well insulated pits: three times the steel, two fifths of the losses."""
    return simulate_fires(seed, n, mass=3.0, losses=0.4)


TRUTHS: dict[str, Callable[[int, int], list[FireEpisode]]] = {
    "simulated pits": simulate_fires,
    "other fire model": other_fires,
    "slow, insulated pits": slow_fires,
}


def figures(fires: int, seed: int, marked: bool = False) -> list[Figure]:
    """Every figure of the fire watch, on `fires` fires of each truth."""
    rng = np.random.default_rng(seed)
    told: list[Figure] = []
    for truth, make in TRUTHS.items():
        episodes = make(seed, fires)
        constant = float(np.median([e.exit_minute - e.left_alone for e in make(seed + 1, max(10, fires // 3))]))
        scores = [watch(e, marked) for e in episodes]
        told += exit_figures(truth, scores, constant)
        if not marked:
            told += log_figures(truth, episodes, scores, rng)
        took = 1e3 * sum(s.spent for s in scores) / sum(e.pit_read.size for e in episodes)
        told.append(Figure(f"{truth}: a minute, ms of CPU", took, "<= 1", took <= 1))
    return told
