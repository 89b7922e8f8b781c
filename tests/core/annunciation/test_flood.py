"""Floods: whatever the alarms do, a person is not called more than a person can bear, and nothing urgent is lost.

The bar, 1 (at most 2) alarms per 10 min and operator, is that of ANSI/ISA-18.2, read only in tables that cite it.
A wake here is a wake call; its louder repeats are the same wake.
"""

from __future__ import annotations

import random
from itertools import pairwise

import pytest

from daemon.core.alarms.rules import ALARM_RULES, WakePolicy
from daemon.core.annunciation import annunciator as annunciation
from daemon.core.annunciation import spacing
from daemon.core.events import AlarmState, Level
from daemon.core.orders import PauseSound
from tests.core.annunciation.test_annunciator import MIDNIGHT, NOON, Watch
from tests.texts.english import in_english

TEN_MINUTES = 600.0


def most_in_ten_minutes(times: list[float]) -> int:
    return max((sum(t <= u < t + TEN_MINUTES for u in times) for t in times), default=0)


def flooded(seed: int, without: str = "runaway") -> Watch:
    """Four hours in which everything goes wrong at random and a cook answers at random."""
    dice = random.Random(seed)
    watch = Watch(wall=dice.choice((MIDNIGHT, NOON, MIDNIGHT + 4 * 3600.0)))
    rules = [r.id for r in ALARM_RULES if r.id != without]
    beat = 0.0
    while beat < 4 * 3600.0:
        beat += dice.choice((5.0, 5.0, 20.0, 60.0))
        watch.until(beat)
        for _ in range(dice.randrange(4)):
            watch.judge(
                dice.choice(rules),
                active=dice.random() < 0.7,
                subject=dice.choice(("pit", "chuck", "lamb")),
                severity=dice.choice((0, 0, 0, 1)),
                consequence_in=dice.choice((None, 60.0, 1200.0, 7200.0)),
            )
        if dice.random() < 0.04:
            watch.acknowledge()
        if dice.random() < 0.02:
            watch.command(PauseSound(dice.choice((60.0, 900.0)), "cook"))
        if dice.random() < 0.02:
            watch.annunciator.sleep(dice.random() < 0.5, beat)
            watch.until(beat)
        if dice.random() < 0.05:
            watch.crash()
    return watch


def bearable(watch: Watch, most: int = 2) -> None:
    """most: calls in any ten minutes; the second only where time to act would have run out."""
    assert most_in_ten_minutes(watch.calls()) <= most
    assert most_in_ten_minutes([n.time for n in watch.sent if n.level is Level.NOTICE]) <= 2
    assert len({n.id for n in watch.sent}) == len(watch.sent)
    assert all(len(in_english(n.text)) <= 60 for n in watch.sent)
    wakes = [n.time for n in watch.wakes()]
    assert all(b - a >= annunciation.JOIN_GAP or b == a for a, b in pairwise(wakes) if b not in watch.calls())


FEW = 2
"""Floods tried at every run; the long tests try a thousand others."""


def test_a_flood_is_bearable() -> None:
    for seed in range(FEW):
        watch = flooded(seed)
        bearable(watch)
        assert len(watch.calls()) > 3, "the flood must be one"


@pytest.mark.soak
def test_a_thousand_floods_are_bearable() -> None:
    for seed in range(1_000, 2_000):
        bearable(flooded(seed))


def test_with_time_enough_to_act_no_flood_calls_twice_in_ten_minutes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spacing, "act_before", lambda *args: float("inf"))
    for seed in range(FEW):
        bearable(flooded(seed), most=1)


@pytest.mark.parametrize("wrong", ["SPACING", "NOTICES_IN_SPACING", "JOIN_GAP"])
def test_an_unbearable_build_is_found(wrong: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The injectors: without one of the brakes some flood is unbearable."""
    gap = annunciation.JOIN_GAP
    if wrong == "JOIN_GAP":
        monkeypatch.setattr(annunciation, "JOIN_GAP", 1.0)
        with pytest.raises(AssertionError):
            for seed in range(20):
                wakes = [n.time for n in flooded(seed).wakes()]
                assert all(b - a >= gap or b == a for a, b in pairwise(wakes))
        return
    monkeypatch.setattr(spacing, wrong, 60.0 if wrong == "SPACING" else 4)
    with pytest.raises(AssertionError):
        for seed in range(20):
            bearable(flooded(seed))


def test_a_runaway_pit_adds_at_most_one_wake_to_the_flood() -> None:
    for seed in range(FEW // 2):
        assert most_in_ten_minutes(flooded(seed, without="").calls()) <= 3


def test_nothing_urgent_waits_beyond_ten_minutes_at_night() -> None:
    """Whatever must wake now and still stands unacknowledged after 10 min has been told in a wake."""
    now_rules = {r.id for r in ALARM_RULES if r.wake is WakePolicy.NOW}
    for seed in range(2 * FEW):
        dice = random.Random(seed)
        watch = Watch()
        for beat in range(5, 3 * 3600, 5):
            watch.until(float(beat))
            if dice.random() < 0.05:
                watch.judge(dice.choice(sorted(now_rules)), active=dice.random() < 0.6)
            if dice.random() < 0.02:
                watch.acknowledge()
            if dice.random() < 0.01:
                watch.command(PauseSound(900.0, "cook"))
            told = {k: n.time for n in watch.wakes() for k in (n.alarm, *n.merged)}
            standing = {v.key: v.changed_at for v in watch.table.views() if v.state is AlarmState.UNACKNOWLEDGED}
            for key, since in standing.items():
                assert told.get(key, -1.0) >= since or beat - since <= TEN_MINUTES


def test_pause_never_mutes_what_is_new_or_worse() -> None:
    """Any alarm that joins or grows worse during a pause is told within the join gap."""
    for seed in range(30):
        dice = random.Random(seed)
        watch = Watch()
        watch.raised("pit-blind", 1000.0)
        watch.command(PauseSound(900.0, "cook"))
        at = 1000.0 + dice.choice((100.0, 400.0, 700.0))
        if dice.random() < 0.5:
            watch.raised(dice.choice(("pit-high", "fire-out", "lid-left-open")), at)
        else:
            watch.until(at)
            watch.judge("pit-blind", severity=1)
        watch.until(at + annunciation.JOIN_GAP)
        assert any(at <= n.time <= at + annunciation.JOIN_GAP for n in watch.wakes()[1:])
