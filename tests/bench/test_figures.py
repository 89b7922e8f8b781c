"""The one command for all figures: it runs on a handful, prints every part, and says plainly what misses."""

from __future__ import annotations

from math import nan

import numpy as np
import pytest

from tests.bench import figures
from tests.bench.figure import NO_TARGET, Figure, show
from tests.bench.fire import bench_evenness

QUICK = {"lid", "stall", "plan", "safety"}
"""Parts tried at every run; with the long tests, all."""


@pytest.mark.parametrize(
    "part", [pytest.param(p.name, marks=() if p.name in QUICK else pytest.mark.soak) for p in figures.PARTS]
)
def test_every_part_runs_on_a_handful(part: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert figures.main(["--only", part, "--size", "3", "--seed", "5"]) == 0
    printed = capsys.readouterr().out
    assert f"== {part}: 3" in printed
    assert "figures meet their target" in printed
    assert printed.count("   target ") >= 2


def test_a_miss_is_said_to_miss_and_a_figure_without_a_target_has_no_verdict(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    found = [
        Figure("good", 1.0, "<= 2", True, "naive 3.0"),
        Figure("bad", 9.0, "<= 2", False),
        Figure("nothing to measure", nan, ">= .5", False),
        Figure("told only", 4.0, NO_TARGET, True),
    ]
    monkeypatch.setattr(figures, "PARTS", (figures.Part("made up", lambda _size, _seed: found, 1, 1, "things"),))
    figures.main([])
    printed = capsys.readouterr().out
    assert "1 of 3 figures meet their target; missed:\n  made up: bad\n  made up: nothing to measure\n" in printed
    by_name = {f.name: line for f, line in zip(found, printed.splitlines()[1:], strict=False)}
    assert "met " in by_name["good"]
    assert "naive 3.0" in by_name["good"]
    assert "MISSED" in by_name["bad"]
    assert "met" not in by_name["told only"].replace("told only", "")


def test_the_advice_on_a_grate_is_right_more_often_than_that_of_the_moment() -> None:
    """And a question is never counted as an advice: on seed 5 the plain threshold is right in four cases of five."""
    rng = np.random.default_rng(5)
    (night,) = bench_evenness.nights(rng, 20, bench_evenness.UNEVEN["hot plates"], 1)
    watch = bench_evenness.score(night, bench_evenness.watch(bench_evenness.CLASS_2))
    moment = bench_evenness.score(night, bench_evenness.momentary)
    assert watch.right / watch.firm > 0.9 > moment.right / moment.firm
    assert watch.given < watch.answered


def test_the_same_seed_gives_the_same_figures() -> None:
    (lid,) = [part for part in figures.PARTS if part.name == "lid"]
    one, other = (lid.run(2, 7) for _ in range(2))
    timeless = [[f for f in told if "CPU" not in f.name] for told in (one, other)]
    assert timeless[0] == timeless[1]
    show("shown", one)
