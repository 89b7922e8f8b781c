"""The night bench itself: a night that needs feeding is answered by the right build, and each wrong build is caught."""

from __future__ import annotations

import io
from contextlib import redirect_stdout
from pathlib import Path

import numpy as np
import pytest

from tests.bench.nights.bench_nights import bars, live_one, main, numbered, worst_in
from tests.bench.nights.night_oracle import Place
from tests.bench.nights.night_record import from_line, place_of, to_line
from tests.bench.nights.night_script import KINDS, draw
from tests.bench.nights.wrong_builds import WRONG_BUILDS

FED_LATE = 400001
"""Seed of a night whose wood is burnt down at about 03:40."""


def test_the_right_build_calls_in_time_for_a_fire_fed_late() -> None:
    night = live_one("fed-late", FED_LATE)
    assert night.verdict.missed == ()
    assert any(need.kind == "fire" for need in night.verdict.needs) and night.calls


SILENT = ["--nights", "1", "--seed", "4", "--kind", "fed-late", "--wrong-build", "silent", "--out"]
"""One night under judges that say nothing, written to a file."""


@pytest.fixture(scope="module")
def silent(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int, str]:
    """What that run wrote, its exit code, and what it said."""
    out, said = tmp_path_factory.mktemp("silent") / "nights.jsonl", io.StringIO()
    with redirect_stdout(said):
        code = main([*SILENT, str(out)])
    return out, code, said.getvalue()


def test_judges_that_say_nothing_let_the_fire_go_and_the_bench_fails(silent: tuple[Path, int, str]) -> None:
    _, code, said = silent
    assert code == 1
    assert "MISS must-wake missed" in said


@pytest.mark.soak
def test_a_prompt_an_hour_late_is_a_missed_wake() -> None:
    night = live_one("fed-late", FED_LATE, WRONG_BUILDS["late"])
    assert [need.kind for need in night.verdict.missed] == ["fire"]


@pytest.mark.soak
@pytest.mark.parametrize("name", WRONG_BUILDS)
def test_each_wrong_build_misses_its_bar_and_the_right_one_meets_it(name: str) -> None:
    build = WRONG_BUILDS[name]
    for wrong, met in ((name, False), (None, True)):
        nights = [numbered(number, build.seed, build.kind, wrong) for number in range(build.nights)]
        assert [bar.met for bar in bars(nights) if bar.name == build.bar] == [met]


def test_each_bar_has_a_wrong_build_that_misses_it(silent: tuple[Path, int, str]) -> None:
    """All but two: healthy nights' wakes are bounded by the false ones already, and the deal of nights is the bench's."""
    named = {bar.name for bar in bars([from_line(silent[0].read_text())])}
    left = {name for name in named if not name.startswith(("abnormal wakes", "uneventful nights"))}
    assert left == {build.bar for build in WRONG_BUILDS.values()}


def test_a_night_is_the_same_as_a_line_and_a_killed_run_goes_on(silent: tuple[Path, int, str], tmp_path: Path) -> None:
    out, first = tmp_path / "nights.jsonl", silent[0].read_text()
    night = from_line(first)
    assert to_line(night) + "\n" == first and night.verdict.missed
    out.write_text(first + first[:200])  # killed while it wrote the second night
    main([*SILENT, str(out), "--resume"])
    assert out.read_text() == first


def test_at_least_a_third_of_the_nights_is_uneventful_and_a_seed_gives_one_night() -> None:
    assert KINDS.count("uneventful") * 3 >= len(KINDS)
    for kind in KINDS:
        assert draw(kind, np.random.default_rng(5)) == draw(kind, np.random.default_rng(5))


def test_an_alarm_sends_to_its_place() -> None:
    places = [place_of(a) for a in ("fire-out/pit", "hold-falling/lamb", "tender-range/chuck", "watch-broker/broker")]
    assert places == [Place.PIT, Place.HOLD, Place.MEAT, Place.WATCH]


def test_the_fullest_window() -> None:
    assert (worst_in([], 600.0), worst_in([0.0, 599.0, 600.0], 600.0), worst_in([0.0, 1.0, 2.0], 600.0)) == (0, 2, 3)
