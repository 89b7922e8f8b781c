"""What pits that are built alike have in common, against a published example and against pits that were drawn."""

from math import exp, log
from random import Random
from statistics import fmean

import pytest

from daemon.commands.fleet.pool import CannotPool, pool
from daemon.core.pit.habits import USUAL
from daemon.core.pit_profile import FireProfile
from daemon.shell.fleet.pooling import LEAST_PITS, Lesson, class_figures, lessons_of, pooled, widened

TRIALS = (
    (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
    (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
    (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
)  # fmt: skip
"""Thirteen trials of BCG vaccine: ill and well, vaccinated and not. Colditz et al. 1994, JAMA 271:698-702, the data set on which
handbooks of meta-analysis show the method; recalled from memory."""
MEAN, BETWEEN = -0.7141, 0.3088
"""Log risk ratio and variance between trials by DerSimonian and Laird, as published for these data; recalled from memory."""
SEED = 20261128


def test_the_published_example() -> None:
    means = [log((a / (a + b)) / (c / (c + d))) for a, b, c, d in TRIALS]
    variances = [1 / a - 1 / (a + b) + 1 / c - 1 / (c + d) for a, b, c, d in TRIALS]
    found = pooled(means, variances)
    assert found.mean == pytest.approx(MEAN, abs=5e-5)
    assert found.between == pytest.approx(BETWEEN, abs=5e-5)


def drawn(random: Random, middle: float, pits: int, *, apart: float = 0.1, spread: float = 0.2) -> list[list[Lesson]]:
    """Pits whose gap lies about `middle`, each with some fires."""
    found = []
    for _ in range(pits):
        own, fires = log(middle) + random.gauss(0, apart), random.randint(2, 8)
        logs = [own + random.gauss(0, spread) for _ in range(fires)]
        mean = fmean(logs)
        found.append([Lesson("gap", mean, sum((one - mean) ** 2 for one in logs) / (fires - 1), fires)])
    return found


def test_classes_that_differ_stay_apart_and_are_worth_what_their_pits_agree() -> None:
    random = Random(SEED)
    figures = class_figures({"steel": drawn(random, 30.0, 400), "brick": drawn(random, 75.0, 400)})
    (steel,), (brick,) = figures["steel"], figures["brick"]
    assert steel.middle == pytest.approx(30.0, rel=0.06)
    assert brick.middle == pytest.approx(75.0, rel=0.06)
    assert steel.fires == pytest.approx((0.2 / 0.1) ** 2, rel=0.35)


def test_a_class_of_few_pits_is_held_back_towards_the_others() -> None:
    random = Random(SEED)
    many = {f"kind {n}": drawn(random, 40.0, 30) for n in range(4)}
    few = [[Lesson("gap", log(60.0) + away, 0.2, 2)] for away in (-0.4, 0.0, 0.4)]
    (alone,) = class_figures({"odd": few})["odd"]
    (beside,) = class_figures({**many, "odd": few})["odd"]
    assert alone.middle == pytest.approx(60.0, rel=1e-6)
    assert 40.0 < beside.middle < 55.0


def test_too_few_pits_tell_nothing() -> None:
    told = drawn(Random(SEED), 40.0, LEAST_PITS)
    assert class_figures({"one": told[:-1]}) == {"one": ()}
    assert len(class_figures({"one": told})["one"]) == 1
    assert class_figures({}) == {}


@pytest.mark.parametrize(
    ("freedom", "t"),
    [(1, 6.314), (2, 2.920), (3, 2.353), (4, 2.132), (5, 2.015), (10, 1.812), (30, 1.697), (60, 1.671)],
)
def test_few_pits_are_trusted_by_students_law(freedom: int, t: float) -> None:
    """The 95 % points of Student's t as in Abramowitz and Stegun 1964, table 26.10; of the normal distribution 1.645."""
    assert widened(freedom + 2) == pytest.approx((t / 1.645) ** 2, rel=1e-3)


def test_three_pits_that_agree_by_chance_are_worth_little() -> None:
    """The same figures from thirty pits are worth more than ten times as much."""
    agreeing = [Lesson("gap", log(40.0), 0.04, 8)]
    few, many = (class_figures({"a": [agreeing] * pits})["a"][0].fires for pits in (3, 30))
    assert few < 3 and many > 10 * few


def test_pits_that_agree_exactly_are_no_division_by_nothing() -> None:
    same = [[Lesson("gap", log(40.0), 0.0, 1)] for _ in range(5)]
    (one,) = class_figures({"a": same, "b": same})["a"]
    assert one.middle == pytest.approx(40.0)
    assert one.fires > 0


def test_a_pit_sends_estimates_and_no_reading() -> None:
    fire = (40.0, 6.0, 15.0, 9.0, 0.36, -999.0, *(123.0, 122.5, 125.0, 129.0, 131.5) * 3)
    again = (50.0, -999.0, *fire[2:])
    lessons = {one.figure: one for one in lessons_of(FireProfile((fire, again), (38.0, 41.0)))}
    assert set(lessons) == set(USUAL) - {"fastest"}
    assert (lessons["turn"].fires, lessons["gap"].fires) == (1, 2)
    assert exp(lessons["gap"].mean) == pytest.approx((40.0 * 50.0) ** 0.5)
    assert lessons["gap"].spread == pytest.approx(log(50.0 / 40.0) ** 2 / 2)
    assert lessons_of(FireProfile(((1.0, 2.0),))) == []


@pytest.mark.parametrize(
    ("database", "words"),
    [
        ("host=/nowhere dbname=x", "start it"),
        ("host=127.0.0.1 port=1 dbname=x", "start it"),
        ("host=n.invalid", "the name"),
    ],
    ids=["no socket", "no port", "no host"],
)
def test_a_database_that_is_not_there_is_told_without_its_librarys_words(database: str, words: str) -> None:
    with pytest.raises(CannotPool) as told:
        pool(database)
    assert words in str(told.value) and "connection" not in str(told.value)
