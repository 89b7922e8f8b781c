"""The exam of the fire's calls in worlds that the judge never saw: the engine itself, a line, and an oracle, side by side.

    python -m tests.bench.fire.learn_fire && python -m tests.bench.fire.strangers --cooks 40

Each world of tests/worlds is examined with the model that was learned without it. The cooks do not come when called. The truth
of "minutes left" is the world run on from that minute with nobody coming, until what the probes stand at (without their noise)
leaves the band at the bottom for 10 min. The oracle knows it, but for the noise of the probe, and calls at 30 min; the line is
the least-squares line through the last 15 min and calls at 30 min too.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC
from functools import partial
from math import isnan, nan
from pathlib import Path

import numpy as np
import numpy.typing as npt

from daemon.core.alarms.rules import rule_by_id
from daemon.core.engine import Engine
from daemon.core.events import AlarmChanged, AlarmState, Event, Level, Notification
from daemon.core.inputs import Input, Readings, WallClock
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit.exit_model import ExitModel
from daemon.core.settings import (
    AnnouncingSettings,
    ChannelSettings,
    CookSettings,
    Learned,
    QuietHours,
    Role,
    WatchSettings,
)
from drivers.reading import Reading
from tests.bench.fire.fire_cooks import CHANNELS, FIRE_MARKS, FireCook, fire_cook, recording, truth_at
from tests.bench.fire.learn_fire import CACHE, model_without
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, STEP
from tests.worlds.marks import Marks

Floats = npt.NDArray[np.float64]
SEED = 20261127
NIGHT = 9.0
"""h of a night in "needless wakes a night": 22:00 to 07:00."""
DUE, NEARLY_OUT, LATE, FAR = 22.0, 11.0, 11.0, 52.0
"""min left: a call must stand; any call must; too late; for nothing."""
CALLS_AT, LETS_GO_AT = 30.0, 35.0
"""min left at which oracle and line begin and end a call."""
BY_HIMSELF = 10
"""min after a call within which a cook who does not come when called fed in time: he was up, and no call was needed."""
JUST_FED, SETTLED = 10.0, 15
"""min after a log in which nobody wants to be called; min in the band that make a call one from within it."""
CAP = 240.0
FEED = ("pit-falling", "log-not-caught")
AHEAD = 10
"""min within which a runaway that is foretold must come."""
TOLERANCE = 3.0
"""°C by which the true pit may miss a set point that an alarm names."""
AUDIENCES = (("phone", ("phone",)), ("sounder", ("sounder",)))


@dataclass
class Judged:
    """One contestant on one cook, minute by minute from the meat on: a call stands; and its calls (minute, said, min)."""

    stands: npt.NDArray[np.bool_]
    calls: list[tuple[int, float]] = field(default_factory=list)
    wakes: list[tuple[int, str]] = field(default_factory=list)
    """Messages that woke somebody who was not being called already: minute, and the rule that they name first."""


@dataclass(frozen=True)
class Truth:
    """One cook by minute: left, since the last log, the pit as its probes stand (°C), a lid open."""

    cook: FireCook
    left: Floats
    since: Floats
    stands_at: Floats
    reads: Floats
    lid: npt.NDArray[np.bool_]
    astray: npt.NDArray[np.bool_]
    """(minutes, channels): this probe no longer hangs where it did."""

    @property
    def from_minute(self) -> int:
        return int(self.cook.meat_on) + 1


def truth_of(cook: FireCook, seen: Floats, lid: Floats, astray: Floats) -> Truth:
    """seen: (channels, steps) what the probes stand at; lid: (steps,). astray: (channels,) minute from which a probe is not where
    it was, far off if never."""
    minutes = np.arange(1, cook.length + 1)
    left = np.array([truth_at(cook, float(m)) for m in minutes])
    logs = np.sort(cook.logs)
    last = np.searchsorted(logs, minutes, side="right") - 1
    since = np.where(last >= 0, minutes - logs[np.maximum(last, 0)], np.inf)
    parts = seen.mean(axis=0)[: cook.length * PER_MINUTE].reshape(-1, PER_MINUTE)
    shown = cook.shown[:, : cook.length * PER_MINUTE].reshape(len(cook.shown), -1, PER_MINUTE)
    opened = lid[: cook.length * PER_MINUTE].reshape(-1, PER_MINUTE).max(axis=1) > 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a minute in which nothing was read is NaN
        reads = np.nanmean(np.nanmedian(shown, axis=2), axis=0)
    return Truth(cook, left, since, parts.mean(axis=1), reads, opened, minutes[:, None] >= astray[None, :])


def settings_for(cook: FireCook, model: ExitModel | None) -> WatchSettings:
    """A rig with the cook's pit probes, and nobody up: all hours are quiet ones."""
    channels = [ChannelSettings(name, name, Role.PIT, stale_after=40.0) for name in CHANNELS[: len(cook.shown)]]
    if cook.ambient is not None:
        channels.append(ChannelSettings("outside", "outside", Role.AMBIENT, stale_after=40.0))
    return WatchSettings(
        "pit", "Pit", tuple(channels), CookSettings("strange", "", cook.band),
        AnnouncingSettings(QuietHours(0, 24 * 60 - 1, UTC), audiences=AUDIENCES), learned=Learned(fire=model),
    )  # fmt: skip


def inputs_of(cook: FireCook) -> Iterator[tuple[float, Input]]:
    """What the watch hears: readings every 15 s, and the marks."""
    yield 0.0, WallClock(0.0, trusted=True)
    marks = sorted((m.minute * 60.0, MarkKind(m.text)) for m in cook.marks if m.text in FIRE_MARKS)
    for step in range(cook.shown.shape[1]):
        now = STEP * (step + 1)
        while marks and marks[0][0] <= now:
            at, kind = marks.pop(0)
            yield max(at, now - STEP), Mark(kind)
        readings = [
            Reading(name, float(v), now) for name, v in zip(CHANNELS, cook.shown[:, step], strict=False) if not isnan(v)
        ]
        if cook.ambient is not None:
            readings.append(Reading("outside", round(float(cook.ambient[step]) * 4) / 4, now))
        yield now, Readings(tuple(readings))


def examined(truth: Truth, model: ExitModel | None) -> Judged:
    """The engine on one cook; nobody answers."""
    cook = truth.cook
    engine = Engine(settings_for(cook, model))
    stands = np.zeros(cook.length + 1, bool)
    result = Judged(stands)
    up: dict[str, bool] = {}

    def take(events: list[Event], now: float) -> None:
        minute = min(int(now // 60), cook.length)
        for event in events:
            if isinstance(event, AlarmChanged) and event.rule in FEED:
                is_up = event.after in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
                if is_up and not any(up.values()):
                    due = engine.pit.fire.log_due
                    result.calls.append((minute, 0.0 if due is None else (due.p50 - now) / 60.0))
                up[event.alarm] = is_up
            elif isinstance(event, Notification) and event.level is Level.WAKE and event.step == 0:
                rule = event.alarm.partition("/")[0]
                result.wakes.append((minute, rule))
        stands[minute] |= any(up.values())

    for now, item in inputs_of(cook):
        while (due := engine.next_deadline()) is not None and due <= now:
            take(engine.handle_timer(due), due)
        take(engine.handle(item, now), now)
    return replace(result, stands=stands[1:])


def needless(truth: Truth, rule: str, minute: int) -> bool:
    """Nobody need have come, or for something else than what was called.

    A call for wood: more than FAR min left; or just after a log, unless even with that log the pit will not stay in its band for
    the half hour at which the oracle calls. Any other: it is not as the alarm says, nor was it in the quarter of an hour before,
    nor will a runaway be one within AHEAD min, for that alarm says that it comes."""
    if rule in FEED:
        left = truth.left[minute - 1]
        return bool(left > FAR or (truth.since[minute - 1] < JUST_FED and left > CALLS_AT))
    part = slice(max(0, minute - 15), minute)
    pit, band = truth.stands_at[part], truth.cook.band
    high, away = rule_by_id("pit-high").margin, rule_by_id("runaway").margin
    blind = np.asarray(np.isnan(truth.cook.shown).all(axis=0))
    ahead = truth.stands_at[part.start : minute + AHEAD]
    holds = {
        "pit-high": pit.max() > band.high + high - TOLERANCE,
        "runaway": ahead.max() > band.high + away - 3 * TOLERANCE,
        "fire-out": pit[-5:].min() < band.low - TOLERANCE and truth.left[minute - 1] < NEARLY_OUT,
        "lid-left-open": truth.lid[part].any(),
        "pit-blind": truth.astray[part].all(axis=1).any()
        or blind[part.start * PER_MINUTE : part.stop * PER_MINUTE].any(),
    }
    return not bool(holds.get(rule, True))


def caller(said: Floats) -> Judged:
    """A contestant that says minutes left and calls by CALLS_AT and LETS_GO_AT."""
    result = Judged(np.zeros(len(said), bool))
    on = False
    for i, minutes in enumerate(said.tolist()):
        if not on and minutes <= CALLS_AT:
            result.calls.append((i + 1, minutes))
            result.wakes.append((i + 1, FEED[0]))
        on = minutes <= (LETS_GO_AT if on else CALLS_AT)
        result.stands[i] = on
    return result


def oracle(truth: Truth) -> Judged:
    """Knows the world; what the noise of the probes hides of the height over the edge it does not see."""
    height = np.maximum(truth.stands_at - truth.cook.band.low, 1.0)
    return caller(np.maximum(0.0, truth.left * (1 + np.nan_to_num(truth.reads - truth.stands_at) / height)))


def line(truth: Truth) -> Judged:
    """A straight line through the last 15 min."""
    said = np.full(len(truth.reads), CAP)
    at = np.arange(15) - 7.0
    for i in range(14, len(said)):
        part = truth.reads[i - 14 : i + 1]
        if not np.isnan(part).any():
            fall = -float((at * part).sum() / (at**2).sum())
            height = part.mean() - 7 * fall - truth.cook.band.low
            said[i] = 0.0 if height <= 0 else min(CAP, height / fall) if fall > 0 else CAP
    return caller(said)


def table_row(truths: list[Truth], judged: list[Judged]) -> dict[str, float]:
    """The rows of the exam, over some cooks."""
    due = [0, 0, 0, 0, 0, 0]
    standing = minutes = logs = after = 0
    left: list[float] = []
    said: list[float] = []
    for_nothing = was_up = 0
    for truth, one in zip(truths, judged, strict=True):
        start = truth.from_minute
        in_band = truth.stands_at >= truth.cook.band.low
        begun = {minute for minute, _ in one.calls}
        last, settled = -1e9, 0
        lasting = dict(one.calls)
        for i in range(len(truth.left)):
            minute = i + 1
            last = minute if minute in begun else last
            settled = settled + 1 if in_band[i] else 0
            if minute < start:
                continue
            minutes += 1
            standing += one.stands[i]
            logs += truth.since[i] < 1
            falls = i and in_band[i] and 0 <= truth.left[i - 1] - truth.left[i] < 5
            for k, level in ((0, DUE), (2, NEARLY_OUT), (4, NEARLY_OUT)):
                if falls and truth.left[i - 1] > level >= truth.left[i]:
                    due[k + 1] += 1
                    fresh = last >= minute - truth.since[i]
                    # of the fires to which nobody came: had it begun half a lead earlier
                    early = k != 4 or last <= minute - (DUE - NEARLY_OUT)
                    due[k] += bool(one.stands[i]) and (k == 2 or fresh) and early
            if minute in begun:
                just = truth.since[i] < JUST_FED
                after += just
                if not just and settled >= SETTLED:
                    left.append(truth.left[i])
                    said.append(lasting[minute])
        for minute, rule in one.wakes:
            fed = truth.since[minute : minute + BY_HIMSELF] < 1
            in_time = in_band[minute - 1 : minute + BY_HIMSELF].all()
            was_up += minute >= start and rule in FEED and bool(fed.any()) and bool(in_time)
        for_nothing += sum(minute >= start and needless(truth, rule, minute) for minute, rule in one.wakes)
    at, told = np.array(left), np.array(said)
    return {
        "begun since the last log at 22": due[0] / max(1, due[1]),
        "begun by 22 where nobody came by 11": due[4] / max(1, due[5]),
        "any call at 11": due[2] / max(1, due[3]),
        "share of the time": standing / max(1, minutes),
        "in 22 to 52": float(((at >= DUE) & (at <= FAR)).mean()) if at.size else nan,
        "less than 11": float((at < LATE).mean()) if at.size else nan,
        "more than 52": float((at > FAR).mean()) if at.size else nan,
        "after a log, per log": after / max(1, logs),
        "said less true, mean size": float(np.abs(np.minimum(told, CAP) - np.minimum(at, CAP)).mean())
        if at.size
        else nan,
        "said less true, mean": float((np.minimum(told, CAP) - np.minimum(at, CAP)).mean()) if at.size else nan,
        "needless a night": for_nothing / max(1, minutes) * 60 * NIGHT,
        "for wood to one who was up a night": was_up / max(1, minutes) * 60 * NIGHT,
        "calls": float(at.size),
    }


def nights(cache: Path, world: str, seed: int, n: int, marks: Marks, stress: str | None = None) -> list[Truth]:
    """n cooks with their truth every minute."""
    night = recording(cache, world, seed, n, every=1, stress=stress)
    rng = np.random.default_rng([seed, 5])
    found = []
    for number in range(n):
        cook = fire_cook(night, world, number, marks, 1.0, rng)
        seen = night["seen"][: len(cook.shown), :, number].astype(float)
        astray = night["astray"][: len(cook.shown), number] if "astray" in night else np.full(len(cook.shown), np.inf)
        found.append(truth_of(cook, seen, night["lid"][:, number], astray))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cooks", type=int, default=40, help="of each world")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--cache", type=Path, default=CACHE)
    parser.add_argument("--worlds", nargs="*", default=list(FIRE_WORLDS), choices=list(FIRE_WORLDS))
    parser.add_argument("--marks", nargs="*", default=["all", "meat-on"], choices=[str(m) for m in Marks])
    parser.add_argument("--stress", default=None)
    arguments = parser.parse_args()
    for marks in map(Marks, arguments.marks):
        contestants: dict[str, Callable[[Truth], Judged]] = {"oracle": oracle, "line": line}
        rows: dict[tuple[str, str], dict[str, float]] = {}
        pooled: dict[str, tuple[list[Truth], list[Judged]]] = {}
        for world in arguments.worlds:
            model = model_without(arguments.cache, world)
            truths = nights(arguments.cache, world, arguments.seed, arguments.cooks, marks, arguments.stress)
            judges: dict[str, Callable[[Truth], Judged]] = {"engine": partial(examined, model=model), **contestants}
            for name, judge in judges.items():
                judged = [judge(truth) for truth in truths]
                rows[name, world] = table_row(truths, judged)
                so_far = pooled.setdefault(name, ([], []))
                so_far[0].extend(truths)
                so_far[1].extend(judged)
        print(f"\nmarked: {marks}; {arguments.cooks} cooks a world; worst world first, then all pooled")
        for name, (truths, judged) in pooled.items():
            own = {world: row for (who, world), row in rows.items() if who == name}
            for world in sorted(own, key=lambda w: own[w]["in 22 to 52"]):
                _show(f"{name}, {world}", own[world])
            _show(f"{name}, pooled", table_row(truths, judged))


def _show(name: str, row: dict[str, float]) -> None:
    print(f"  {name:<18}" + "  ".join(f"{key} {value:.2f}" for key, value in row.items()), flush=True)


if __name__ == "__main__":
    main()
