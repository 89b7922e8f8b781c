"""Meat on a pit that heats it no more: who is told, and by which rule. The rules' figures are those of test_record."""

from __future__ import annotations

from datetime import UTC
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.food_safety.record import SafetyRecord
from daemon.core.pieces.meat_witness import Course
from daemon.core.readings.pit_witness import Contradiction
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    WatchSettings,
)
from tests.core.alarms.quiet_fire import quiet_fire
from tests.texts.english import in_english

CHUCK = PieceSettings("chuck", "Chuck", "chuck roll", MeatKind.WHOLE_ROAST, "chuck", 6.0, 0.14, 0.5, tender_low=93.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", Band(107.0, 135.0)), AnnouncingSettings(QuietHours(0, 0, UTC))
)


def record(cores: list[float]) -> SafetyRecord:
    """One core a minute, on the fire."""
    safety = SafetyRecord(CHUCK, HoldSettings(), 1.0)
    for minute, core in enumerate(cores):
        safety.minute(60.0 * minute, core, "cooking")
    return safety


def judged(
    safety: SafetyRecord, core: float, rate: float, pit: float, stage: str = "out", seen: Course | None = None,
    apart: Contradiction | None = None, standing: frozenset[str] = frozenset(),
) -> Condition:  # fmt: skip
    """rate: °C per hour of the core."""
    piece: Any = SimpleNamespace(
        settings=CHUCK, stage=SimpleNamespace(stage="cooking", wrapped_at=None, on_at=0.0, since=0.0),
        on_fire=True, needs_fire=True, rate=rate,
        question="", outlook=lambda *_: None,
        told_before=lambda _: (0.0, {}), overdue=lambda _: False, foretold_core=lambda _: None, safety=safety, cabinet=None,
        read_last=lambda: None, unseen_since=None, slid_out=False,
    )  # fmt: skip
    fire: Any = quiet_fire(slope=-0.2)
    process = ProcessSnapshot(
        0.0, SETTINGS, SETTINGS.cook.band, pit, None, stage, fire, None, (piece,), {"chuck": core}, {}, {}, frozenset(),
        meat={} if seen is None else {"chuck": seen}, contradiction=apart, standing=standing,
    )  # fmt: skip
    return {c.rule: c for c in conditions(process)}["meat-cooling"]


COOKED = [60.0] * 60 + [86.0] * 60


def test_hot_meat_on_a_dead_pit_is_told_before_it_reaches_the_floor() -> None:
    """86 °C falling at 5 °C/h is hours away; at 60 °C and 5 °C/h it is half an hour and some: the lead of a sleeper."""
    safety = record(COOKED)
    assert not judged(safety, 86.0, -5.0, 70.0).active
    near = judged(safety, 60.0, -5.0, 50.0)
    assert near.active and "Food Code 3-501.16" in in_english(near.because)
    assert near.consequence_in == pytest.approx((60.0 - 1.0 - safety.floor()) / 5.0 * 3600.0)
    assert in_english(near.text).startswith("Relight or finish Chuck: 60 °C, time up in ")


def test_below_the_floor_it_is_told_at_once_and_by_both_rules() -> None:
    found = judged(record([*COOKED, 56.0]), 56.0, -2.0, 40.0)
    assert found.active and found.severity == 1 and found.consequence_in == 0.0
    assert "3-501.16" in in_english(found.because) and "3-501.19" in in_english(found.because)


def test_raw_meat_is_told_by_the_come_up_rule() -> None:
    safety = record([30.0] * 330)
    found = judged(safety, 30.0, -1.0, 25.0)
    assert found.active and "FSIS" in in_english(found.because) and "6 h" in in_english(found.because)
    assert not judged(record([30.0] * 60), 30.0, -1.0, 25.0).active


def test_meat_that_falls_in_a_pit_that_nobody_sees_is_told_from_the_meat_alone() -> None:
    near = judged(record(COOKED), 60.0, -5.0, nan, "in-band", Course(60.0, 2.5, surely=True))
    assert near.active and "pit not seen" in in_english(near.because)
    assert not judged(record(COOKED), 60.0, 1.0, nan, "in-band", Course(60.0, -0.5, surely=False)).active


def test_meat_that_falls_in_a_pit_that_is_said_to_be_hot_is_told_from_the_meat_alone() -> None:
    """A probe that stuck in its band: the fire under it is out, and nothing else tells."""
    near = judged(record(COOKED), 60.0, -5.0, 118.0, "in-band", Course(60.0, 2.5, surely=True, in_heat=True))
    assert near.active and "though the pit is said to have 118 °C" in in_english(near.because)
    heats = judged(record(COOKED), 60.0, -5.0, 118.0, "in-band", Course(60.0, 2.5, surely=True))
    assert not heats.active and heats.within, "a fire that was lit again an hour ago has yet to reach the core"
    dips = judged(record(COOKED), 60.0, -5.0, 118.0, "in-band", Course(60.0, 2.5, surely=False, in_heat=True))
    assert not dips.active and dips.within
    called = frozenset({"meat-cooling/chuck"})
    stands = judged(
        record([*COOKED, 50.0]), 50.0, -1.0, 118.0, "in-band", Course(50.0, 0.5, False, in_heat=True), None, called
    )
    assert stands.active, "as it nears the air outside it falls more slowly, and is no safer"
    rises = judged(
        record([*COOKED, 50.0]), 50.0, 1.0, 118.0, "in-band", Course(50.0, -0.5, False, in_heat=True), None, called
    )
    assert not rises.active and rises.within


def test_meat_under_two_probes_that_contradict_each_other_is_judged_by_the_colder() -> None:
    falls, apart = Course(60.0, 2.5, surely=False), Contradiction(121.0, 44.0, surely=True)
    near = judged(record(COOKED), 60.0, -5.0, 112.0, "in-band", falls, apart)
    assert near.active and "pit 44 °C" in in_english(near.because)
    rises = judged(record(COOKED), 60.0, 2.0, 112.0, "in-band", Course(60.0, -1.0, surely=False), apart)
    assert not rises.active, "what rises is heated: the probe fell"
    cold_place = Contradiction(121.0, 44.0, surely=False)
    assert not judged(record(COOKED), 60.0, -5.0, 112.0, "in-band", falls, cold_place).active, "it always read so"
    called = frozenset({"pit-probes-contradict/pit"})
    assert judged(record(COOKED), 60.0, -5.0, 112.0, "in-band", falls, cold_place, called).active, (
        "it was told, and stands"
    )


@pytest.mark.parametrize(("pit", "stage"), [(121.0, "in-band"), (100.0, "low")])
def test_a_pit_that_heats_its_meat_raises_nothing(pit: float, stage: str) -> None:
    found = judged(record(COOKED), 58.0, -3.0, pit, stage)
    assert (found.active, found.within) == (False, True)
