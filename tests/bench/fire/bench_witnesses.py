"""What speaks against a pit probe: how often wrongly on healthy nights, and how soon when a fire dies beside one that stays warm.

    python -m tests.bench.fire.bench_witnesses --nights 12 --seed 660118      # 12 nights of each fire world; the table

Only the two rules themselves (`pit_witness`, `meat_witness`) on minute medians of the worlds, without whatever else the watch
knows: a probe that it found to have fallen, an alarm that stands already. A healthy night has an alarm clock every 45 min. A fire
that dies is left alone for hours; as it leaves the band the one probe keeps what it read, with its noise. The second probe reads
the world. A rule speaks once it has held for its alarm's on-delay, with meat on a pit that was in its band.
Most calls of a healthy night are of fires that do run low between two visits: there the watch has called for wood.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from math import nan

import numpy as np

from daemon.core.alarms.rules import rule_by_id
from daemon.core.pieces.meat_witness import FALLS_FOR, LEFT_ALONE, cold_meat
from daemon.core.readings.conditioning import HISTORY
from daemon.core.readings.pit_witness import AGREES, BELOW, contradiction
from tests.bench.nights.night_callers import AlarmClock, Nobody
from tests.bench.nights.night_meals import NightMeals, piece_settings
from tests.bench.nights.world_nights import HOURS, drawn
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, Flags, Floats
from tests.worlds.meats import MEAT_WORLDS
from tests.worlds.night import Night

SEED = 660118
MINUTES = int(HOURS * 60)
RULE = rule_by_id("pit-probes-contradict")
DEAD_FOR, BURNS = 60, 30
"""Minutes for which a fire is cold that has died, and the last minutes in the band, whose median the one probe keeps."""
TO_ACT = int(RULE.time_to_act // 60)
"""Minutes after a call for which a healthy pit keeps its air above the foot of its band, if nobody was needed."""
DELAY, GONE = int(RULE.on_delay // 60), int(RULE.off_delay // 60)
ALL = "all"
PROBES, MEAT, MEAT_BLIND = "two pit probes", "one probe and the meat", "the same, no lid seen or marked"


@dataclass(frozen=True)
class Heard:
    """What one rule said in one night. calls: minutes; well: how many of these while the air stayed in its band. cold: the first
    minute of the air's `DEAD_FOR` `BELOW` the band, None of a healthy night."""

    rule: str
    calls: tuple[int, ...]
    cold: int | None
    well: int = 0


def by_minute(values: Floats) -> Floats:
    """(steps,) -> (minutes,) medians."""
    found: Floats = np.median(values.reshape(-1, PER_MINUTE), axis=1)
    return found


def lived(world: str, meat: str, seed: int, pits: int, dies: bool) -> tuple[Night, NightMeals]:
    """Nights to their end: with an alarm clock, or left alone for hours."""
    night = drawn(world, seed, pits, "fire-dies" if dies else None)
    meals, who, minute = NightMeals(meat, night, seed), Nobody() if dies else AlarmClock(45), 0
    while night.minute():
        minute += 1
        meals.minute(minute)
        called, wood = who.minute(night, meals, minute)
        if called.any():
            night.call(called, wood)
    return night, meals


def calls(holds: list[tuple[bool, bool]]) -> tuple[int, ...]:
    """(begins, stands) minute by minute -> minutes at which an alarm with these delays is raised."""
    raised, on, gone, found = False, 0, 0, list[int]()
    for minute, (begins, stands) in enumerate(holds):
        on, gone = on + 1 if begins else 0, 0 if stands else gone + 1
        if raised and gone > GONE:
            raised = False
        elif not raised and on > DELAY:
            raised = True
            found.append(minute)
    return tuple(found)


def needed(night: Night, meals: NightMeals, pit: int) -> Flags:
    """(minutes,) meat lies on a pit that has been in its band, and the lid is shut."""
    lies = np.any([meals.on_fire(piece, MINUTES) for piece in meals.of(pit)], axis=0)
    warm = np.maximum.accumulate(by_minute(night.air[:, pit])) >= night.nature["low"][pit]
    shut: Flags = night.lid[:, pit].reshape(-1, PER_MINUTE).max(axis=1) == 0
    needs: Flags = lies & warm & shut
    return needs


def two_probes(probes: list[list[float]], low: float, counts: Flags) -> tuple[int, ...]:
    holds = [(False, False)] * LEFT_ALONE
    for minute in range(LEFT_ALONE, MINUTES):
        past = {str(i): probe[max(0, minute + 1 - HISTORY) : minute + 1] for i, probe in enumerate(probes)}
        told = contradiction(past, low) if counts[minute] else None
        holds.append((told is not None and told.surely, told is not None))
    return calls(holds)


def meat(night: Night, meals: NightMeals, pit: int, probe: list[float], counts: Flags, lids: bool) -> tuple[int, ...]:
    """lids: openings are seen or marked."""
    low = float(night.nature["low"][pit]) - AGREES
    opened = night.lid[:, pit].reshape(-1, PER_MINUTE).max(axis=1) > 0
    cores = {k: [meals.shown(k, (m + 1) * PER_MINUTE - 1) for m in range(MINUTES)] for k in meals.of(pit)}
    on = {k: meals.on_fire(k, MINUTES) for k in cores}
    tender = {k: piece_settings(meals, k).tender_low or 100.0 for k in cores}
    holds = [(False, False)] * LEFT_ALONE
    for minute in range(LEFT_ALONE, MINUTES):
        past = slice(minute + 1 - LEFT_ALONE, minute + 1)
        alone = [
            core[past]
            for k, core in cores.items()
            if on[k][past].all()
            and not past.start <= meals.wrapped_minute(k) <= minute
            and np.nanmax(core[: minute + 1]) < tender[k]
        ]
        left = counts[minute] and not (lids and opened[past].any())
        told = cold_meat(probe[minute + 1 - FALLS_FOR : minute + 1], low, alone) if left else None
        holds.append((told is not None and told.surely, told is not None))
    return calls(holds)


def heard(night: Night, meals: NightMeals, pit: int, dies: bool, seed: int) -> Iterator[Heard]:
    """Both rules on one pit's night."""
    low, counts = float(night.nature["low"][pit]), needed(night, meals, pit)
    probes = [by_minute(night.shown[c, :, pit]) for c in range(2)]
    cold: int | None = None
    if dies:
        below = by_minute(night.air[:, pit]) < low - BELOW
        dead = [m for m in range(LEFT_ALONE, MINUTES - DEAD_FOR) if counts[m] and below[m : m + DEAD_FOR].all()]
        if not dead:
            return
        cold = dead[0]
        left = max((m for m in range(BURNS, cold) if probes[0][m] >= low), default=BURNS)
        stuck = left - BURNS // 2
        noise = np.random.default_rng([seed, pit]).normal(0.0, 0.3, MINUTES)
        stays = np.nanmedian(probes[0][left - BURNS : left])
        probes[0][stuck:] = np.round((stays + noise[stuck:]) * 4) / 4
    lists = [[nan if np.isnan(v) else float(v) for v in probe] for probe in probes]
    for rule, found in (
        (PROBES, two_probes(lists, low, counts)),
        (MEAT, meat(night, meals, pit, lists[0], counts, lids=True)),
        (MEAT_BLIND, meat(night, meals, pit, lists[0], counts, lids=False)),
    ):
        air = by_minute(night.air[:, pit])
        well = sum(bool((air[call : call + TO_ACT] >= low).all()) for call in found)
        yield Heard(rule, found, cold, well)


def first_call(one: Heard) -> int | None:
    """The minute of the first call for a fire that dies; what was said more than two hours before it is cold was of another."""
    return next((c for c in one.calls if one.cold is not None and c >= one.cold - LEFT_ALONE), None)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--nights", type=int, default=12)
    parser.add_argument("--seed", type=int, default=SEED)
    asked = parser.parse_args()
    rows: list[tuple[str, bool, Heard]] = []
    for number, world in enumerate(FIRE_WORLDS):
        kind = list(MEAT_WORLDS)[number % len(MEAT_WORLDS)]
        for dies in (False, True):
            night, meals = lived(world, kind, asked.seed, asked.nights, dies)
            rows += [
                (world, dies, one) for pit in range(night.pits) for one in heard(night, meals, pit, dies, asked.seed)
            ]
    print(f"seed {asked.seed}; {asked.nights} nights of each of {len(FIRE_WORLDS)} fire worlds")
    for place in (*FIRE_WORLDS, ALL):
        for rule in (PROBES, MEAT, MEAT_BLIND):
            mine = [(dies, h) for w, dies, h in rows if h.rule == rule and place in (ALL, w)]
            well = [h for dies, h in mine if not dies]
            dead = [h for dies, h in mine if dies and h.cold is not None]
            after = sorted(
                soonest - h.cold for h in dead if h.cold is not None and (soonest := first_call(h)) is not None
            )
            late = f"{after[len(after) // 2]} and {after[-1]} min" if after else "-"
            print(
                f"{place:9} {rule:32} {len(well)} healthy nights: {sum(len(h.calls) for h in well)} calls, "
                f"{sum(h.well for h in well)} of them with the air in its band for {TO_ACT} min; "
                f"dead fires {len(after)} of {len(dead)}, after the air was {BELOW:.0f} °C under the band: {late} (middle, last)"
            )


if __name__ == "__main__":
    main()
