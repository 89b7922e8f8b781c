"""Whether a probe that slides out of its meat is doubted before its false tenderness is called, and healthy ones never are.

    python -m tests.bench.meat.bench_slid --seed 4711 --pits 3

Cooks of the meat worlds, asked about every ten minutes as the watch asks. Healthy: as they were, with every wrap marked and
again with none. Sliding: from 66 °C on the probe reads ever more of the air at the grate, all of it after 45, 120 or 240
minutes. Scored when it has read the tender range for three minutes: what the core then is, and who doubts it: the judge
of probes (it follows the pit's swings), or the forecaster's bodies (it runs away from all of them).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from math import exp, nan

import numpy as np

from daemon.core.forecast.assimilation import Course, bodies_at_start, course_of
from daemon.core.forecast.eligibility import slid_out
from daemon.core.forecast.unmarked import Stories, carry_stories, told_by
from daemon.core.forecast_request import ForecastRequest
from daemon.core.pieces.seat import seats, settled
from daemon.core.pieces.stage import TENDER_FOR
from daemon.core.readings.findings import Finding, ProbeMinutes
from daemon.core.readings.probe_faults import ProbeFaults
from daemon.core.settings import ChannelSettings, Role
from drivers.simulated.records import Array, CookRecord
from tests.bench.meat.forecast_cases import FIRST_MINUTE, question
from tests.bench.meat.world_cooks import world_cooks
from tests.worlds.meats import MEAT_WORLDS

SLIDES_FROM = 66.0
"""°C of the core at which a probe begins to slide: the meat has shrunk by then."""
SLIDES_OVER = (45, 120, 240)
"""Minutes."""
PROBE_LAG = 1.5
"""Minutes that a probe in the air is behind it."""
AMPLIFIER_STEP = 0.25
"""°C."""
EVERY = 10
"""Minutes between two questions."""
FIRST_ASKED = 45
FALSE_BY = 3.0
"""°C under the tender range from which a call is false."""
JUDGED = 90
"""Minutes that the judge of probes looks back on, at least."""
BOILING = 100.0


def asked(cook: CookRecord, minute: int) -> ForecastRequest:
    """As the watch asks: without the minutes in which the probe was on its way to another place."""
    request = question(cook, minute)
    moved = tuple((FIRST_MINUTE + place) * 60.0 for place in seats(request.core))
    return replace(request, core=tuple(settled(request.core)), seated=moved)


def doubted_by_bodies(cook: CookRecord, until: int) -> Iterator[tuple[int, bool]]:
    """(minute, doubted) of every question up to `until`, which is one of them."""
    stories: Stories | None = None
    known: Course | None = None
    for minute in (*range(FIRST_ASKED, until, EVERY), until):
        request = asked(cook, minute)
        course = course_of(request, cook.ambient)
        if stories is None or known is None or not known.begins(course, stories.blocks):
            stories = Stories(bodies_at_start(request, course))
        known = course
        with np.errstate(all="ignore"):
            carry_stories(stories, request, course, course.on_fire_blocks)
            bodies, _ = told_by(stories, request, course)
        residual = course.last - float(bodies.ensemble.core.mean())
        yield minute, bool(slid_out(bodies, residual if np.isfinite(residual) else 0.0, course))


def doubted_by_judge(cook: CookRecord, until: int) -> bool:
    """What the judge of probes says at minute `until`."""
    judge = ProbeFaults()
    pit, meat = ChannelSettings("pit", "Pit", Role.PIT), ChannelSettings("core", "Core", Role.MEAT)
    pits, cores = cook.pit_read.tolist(), cook.core_read.tolist()
    found: tuple[Finding, ...] = ()
    for minute in range(until + 1):
        back = slice(max(0, minute + 1 - JUDGED), minute + 1)
        channels = {
            "pit": ProbeMinutes(pit, pits[back], (), in_use=True, handled=False, thickness=None),
            "core": ProbeMinutes(meat, cores[back], (), in_use=True, handled=False, thickness=cook.thickness),
        }
        found = judge.minute(channels, BOILING)["core"]
    return any(one.suspect for one in found)


def sliding(cook: CookRecord, over: int) -> CookRecord:
    """The same cook with a probe that slides out within `over` minutes."""
    air: Array = cook.pit_true[: cook.core_true.size].copy()
    for minute in range(1, air.size):
        air[minute] = air[minute - 1] + (air[minute] - air[minute - 1]) * (1.0 - exp(-1.0 / PROBE_LAG))
    begin = int(np.argmax(cook.core_true >= SLIDES_FROM))
    out = np.clip((np.arange(air.size) - begin) / over, 0.0, 1.0)
    read = cook.core_true + out * (air - cook.core_true) + (cook.core_read - cook.core_true)
    return replace(cook, core_read=np.round(read / AMPLIFIER_STEP) * AMPLIFIER_STEP)


def called(read: Sequence[float], low: float) -> int | None:
    """First minute at which it has read the tender range for TENDER_FOR minutes."""
    run = 0
    for minute, celsius in enumerate(read):
        run = run + 1 if celsius >= low else 0
        if run >= TENDER_FOR:
            return minute
    return None


@dataclass
class Score:
    """Of false calls of tenderness: how many, and who doubted them. off: °C that the core was short of the range."""

    calls: int = 0
    judge: int = 0
    bodies: int = 0
    either: int = 0
    off: float = nan


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=5101)
    parser.add_argument("--pits", type=int, default=3, help="of each fire world")
    parser.add_argument("--healthy-only", action="store_true")
    options = parser.parse_args()
    for world in MEAT_WORLDS:
        cooks = world_cooks(world, options.seed, options.pits)
        told: list[str] = []
        kinds = 0
        for cook in cooks:
            assert cook.tender_minute is not None  # world_cooks takes no other
            bare = [] if cook.wrapped is None else [replace(cook, wrapped=None, wrapped_minute=None)]
            for one in (cook, *bare):
                kinds += 1
                until = min(cook.tender_minute, cook.core_read.size - 1)
                first = next((m for m, doubted in doubted_by_bodies(one, until) if doubted), None)
                if first is not None:
                    told.append(
                        f"{cook.name} at {first} of {until} min, wrap {'marked' if one is cook else 'unmarked'}"
                    )
        print(
            f"{world}: healthy, {len(cooks)} cooks, {kinds} with wraps marked and not: doubted {len(told)}",
            *told,
            sep="\n  ",
        )
        for over in () if options.healthy_only else SLIDES_OVER:
            score, short = Score(), []
            for cook in cooks:
                slid = sliding(cook, over)
                at = called(slid.core_read.tolist(), cook.tender_low)
                if at is None or cook.core_true[at] > cook.tender_low - FALSE_BY:
                    continue
                judge, bodies = doubted_by_judge(slid, at), list(doubted_by_bodies(slid, at))[-1][1]
                short.append(cook.tender_low - float(cook.core_true[at]))
                score.calls += 1
                score.judge += judge
                score.bodies += bodies
                score.either += judge or bodies
            score.off = float(np.median(short)) if short else nan
            print(
                f"  out within {over} min: {score.calls} false calls, {score.off:.0f} °C too soon in the middle; doubted by the "
                f"judge {score.judge}, by the bodies {score.bodies}, by either {score.either}", flush=True
            )  # fmt: skip


if __name__ == "__main__":
    main()
