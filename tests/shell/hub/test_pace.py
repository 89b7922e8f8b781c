"""How often a flickering number is told. The numbers asked here are the household's: at most one row a minute for a
temperature that flickers or drifts, and a lid that opens seen within seconds. Common practice, no source."""

from __future__ import annotations

import random
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from daemon.shell.hub.pace import SLOW, SOONEST, STEP, WORDS, Pace, Pacer


def told(values: list[str], pace: Pace | None = STEP, every: float = 1.0) -> list[tuple[float, str]]:
    """(s, text) of each change that is told."""
    pacer, changes = Pacer(), [(0.0, "?")]
    for number, value in enumerate(values):
        text = pacer.paced("x", value, pace, number * every)
        if text != changes[-1][1]:
            changes.append((number * every, text))
    return changes[1:]


def test_a_probe_that_flickers_is_told_a_few_times_an_hour() -> None:
    """Noise of 0.15 °C, as the simulated probes have, in steps of 0.25 °C, as the amplifiers (data sheet 19-5793)."""
    chance = random.Random(1)
    values = [f"{round(4 * chance.gauss(120, 0.15)) / 4:.1f}" for _ in range(4 * 3600)]
    assert len(set(values)) >= 4  # it does flicker
    assert len(told(values)) <= 4 * 15


def test_a_pit_that_drifts_is_told_once_a_minute() -> None:
    changes = told([f"{100 + t / 60:.1f}" for t in range(3600)])
    assert 50 <= len(changes) <= 61
    assert all(abs(float(text) - (100 + at / 60)) < 0.06 for at, text in changes)


def test_a_lid_that_opens_is_told_within_seconds() -> None:
    changes = told(["120.0"] * 100 + ["95.0"] * 30)
    assert [text for _, text in changes] == ["120.0", "95.0"] and changes[1][0] <= 100 + SOONEST


def test_what_becomes_known_or_unknown_is_told_at_once() -> None:
    assert told(["120.0", "", "120.1", ""]) == [(0, "120.0"), (1, ""), (2, "120.1"), (3, "")]
    assert told(["{}", '{"earliest":"a"}', "{}"], SLOW) == [(0, "{}"), (1, '{"earliest":"a"}'), (2, "{}")]


def test_an_instant_that_a_forecast_moves_about_is_told_every_five_minutes() -> None:
    values = [f"2026-11-28T03:{10 + t // 60 % 40:02d}:00Z" for t in range(1200)]
    assert len(told(values, SLOW)) <= 5


def test_figures_in_a_sentence_wait_its_words_do_not() -> None:
    values = [f"Relight fire: pit {98 - t // 10} °C" for t in range(400)] + ["Close lid: open for 9 min"]
    changes = told(values, WORDS)
    assert [int(at) for at, _ in changes] == [0, 300, 400]


def test_what_has_no_pace_is_told_at_once() -> None:
    assert len(told([str(n) for n in range(100)], None)) == 100


@given(st.lists(st.floats(-20, 400), max_size=200))
def test_what_is_told_is_what_was_said_then_and_never_too_often(values: list[float]) -> None:
    texts = [f"{v:.1f}" for v in values]
    changes = told(texts)
    assert all(texts[int(at)] == text for at, text in changes)
    assert all(later - earlier >= SOONEST for (earlier, _), (later, _) in pairwise(changes))
