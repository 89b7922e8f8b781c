"""Nights of every fire world: reproducible, run on unfed as they would have run, cooks who come when called."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.worlds.at_every_run import FIRE, each
from tests.worlds.fire.checked_pits import some_pits
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.lanes import PER_MINUTE, copied
from tests.worlds.marks import Marks, draw_marking
from tests.worlds.night import BY_THE_FIRE, OF_TWO, STRESSES, UNMARKED, Night, draw_night
from tests.worlds.unfed import OUT_AFTER, unfed

NAMES = sorted(FIRE_WORLDS)


def night_in(name: str, seed: int = 5, **how: Any) -> Night:
    """Six pits that the checks of the fire have drawn already: weather, people and probes are of the seed."""
    world = FIRE_WORLDS[name]
    return draw_night(world, seed, 6, nature=some_pits(world), **how)


@pytest.mark.parametrize("name", each(NAMES, FIRE))
def test_the_same_seed_gives_the_same_night(name: str) -> None:
    one, other = (night_in(name, hours=4).run() for _ in range(2))
    np.testing.assert_array_equal(one.shown, other.shown)
    assert one.logs == other.logs
    assert not np.array_equal(one.air, night_in(name, 6, hours=4).run().air)


@pytest.mark.parametrize("name", each(NAMES, FIRE))
def test_unfed_is_the_night_itself_when_indeed_nobody_comes(name: str) -> None:
    """A cook who never comes from an hour on: what was told at that hour is what then happens."""
    night = night_in(name, hours=10)
    night.abandoned_from[:] = 4 * 60 * PER_MINUTE
    night.lids = replace(night.lids, start=np.full_like(night.lids.start, 1e9))
    night.people.habits = replace(night.people.habits, uses_damper=np.zeros(6, bool))
    night.run()
    truth = unfed(night)
    row = int(np.flatnonzero(truth.minute == 4 * 60)[0])
    for pit in range(6):
        below = night.air[4 * 60 * PER_MINUTE :, pit] < night.nature["low"][pit]
        run, happened = 0, None
        for i, is_below in enumerate(below):
            run = run + 1 if is_below else 0
            if run == OUT_AFTER * PER_MINUTE:
                happened = (i + 1) / PER_MINUTE - OUT_AFTER
                break
        assert happened is not None, "six hours without a log"
        assert truth.air[row, pit] == pytest.approx(happened, abs=0.3)


@pytest.mark.parametrize("name", each(NAMES, FIRE))
def test_minutes_left_shrink_by_the_clock_while_nobody_comes(name: str) -> None:
    night = night_in(name, hours=8, sleeps=True, save_every=1).run()
    truth = unfed(night)
    fed = np.zeros_like(night.air)
    for log in night.logs:
        fed[log.step, log.pit] = 1
    quiet = fed + np.abs(np.diff(night.lid, axis=0, prepend=0)) + np.abs(np.diff(night.damper, axis=0, prepend=1))
    a_minute = quiet[PER_MINUTE:].reshape(-1, PER_MINUTE, 6).sum(axis=1)
    before, after = truth.air[:-1], truth.air[1:]
    # the lid that opens when the meat goes on is known at the end of the minute before
    quiet_minutes = (a_minute[:-1] == 0) & (a_minute[1:] == 0)
    counted = quiet_minutes[: len(before) - 1] & (before > 2)[:-1] & (before < 290)[:-1]
    assert counted.sum() > 200
    assert np.abs(before - after - 1)[:-1][counted].max() < 0.3


def test_who_obeys_comes_when_called_and_feeds() -> None:
    # two nights that differ in the call alone
    called, left = (night_in("zones", hours=9, obeys=True, sleeps=True) for _ in range(2))
    asleep = called.people.habits.asleep
    for night in (called, left):
        while night.minute():
            low = night.state["air"] < night.nature["low"] + 6
            if night is called and night.step % (15 * PER_MINUTE) == 0:
                night.call(low & asleep[min(night.step, night.steps - 1)])
    assert called.called
    outside = [float((n.air < n.nature["low"])[3 * 60 * PER_MINUTE :].mean()) for n in (called, left)]
    assert outside[0] < 0.85 * outside[1]


def worlds_of(stress: str) -> list[str]:
    """Of the long tests. All for a probe that falls, which is held against that world's air. One for what is done to the
    cook's words or to a second probe, which no world knows of; two in turn for the others, which act on
    every world by the same lines."""
    if stress == "fell":
        return NAMES
    at = STRESSES.index(stress)
    alike = stress in UNMARKED or stress in OF_TWO or stress == BY_THE_FIRE
    return [NAMES[(at + k) % len(NAMES)] for k in range(1 if alike else 2)]


@pytest.mark.parametrize(
    "worlds", [lambda _: [FIRE], pytest.param(worlds_of, marks=pytest.mark.soak)], ids=["one", "several"]
)
@pytest.mark.parametrize("stress", STRESSES)
def test_each_stress_can_be_drawn(stress: str, worlds: Callable[[str], list[str]]) -> None:
    drawn_alike = stress in OF_TWO or stress == BY_THE_FIRE  # what befalls the first of two befalls an only one too
    for name in worlds(stress):
        night = night_in(name, hours=4, stress=stress).run()
        if drawn_alike:
            assert (night.probes.count == 2).all()
            beyond = night.probes.values["swing"][1] > 1.7 * night.probes.values["swing"][0]
            assert beyond.all() == (stress == BY_THE_FIRE)
        assert np.isfinite(night.air).all()
        if stress == "fell":
            values = night.probes.values
            at = int(values["from"][0].max()) + 20 * PER_MINUTE
            gap = (night.air - night.seen[0])[at : at + 40, :].mean(axis=0)
            assert (gap > 8).all() or (night.air[at] < night.nature["low"]).any()


def test_marks_follow_the_policy_and_do_not_change_later() -> None:
    night = night_in(FIRE, hours=6)
    marking = draw_marking(4, 6, Marks.ALL)
    for _ in range(200):
        night.minute()
    early = marking.of(night, 1)
    night.run()
    late = marking.of(night, 1)
    assert late[: len(early)] == early or set(early) <= set(late)
    logs = [log for log in night.logs if log.pit == 1]
    assert abs(sum(mark.text == "log" for mark in late) - len(logs)) <= 1
    assert draw_marking(4, 6, Marks.NONE).of(night, 1) == []
    assert {mark.text for mark in draw_marking(4, 6, Marks.MEAT_ON).of(night, 1)} == {"meat-on"}


def test_a_copy_of_a_state_is_independent() -> None:
    night = night_in(FIRE, hours=2)
    kept = copied(night.state)
    night.run()
    assert not np.array_equal(kept["air"], night.state["air"])
