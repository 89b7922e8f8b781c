"""What is said of kept meat: the floor, the tolerance and the clock are those of the safety record."""

from __future__ import annotations

from dataclasses import replace
from math import exp, log, nan

import pytest

from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmTable
from daemon.core.food_safety.lethality import celsius
from daemon.core.orders import Mark, MarkKind
from daemon.core.pieces.piece import Circumstances, PieceWatch
from daemon.core.pieces.seat import slope_per_minute
from daemon.core.readings.trace import Trace
from daemon.core.settings import Band, HoldSettings, MeatKind, PieceSettings
from tests.core.alarms.quiet_fire import quiet_fire
from tests.core.alarms.test_goals import SETTINGS
from tests.texts.english import in_english

LAMB = PieceSettings("lamb", "Lamb", "lamb shoulder", MeatKind.WHOLE_ROAST, "meat", 2.4, 0.11, 1.0, target=90.0)
TURKEY = PieceSettings("turkey", "Turkey", "turkey", MeatKind.POULTRY, "meat", 7.0, 0.12, 1.5, target=85.0)
ROASTS = HoldSettings(floor=54.4, rule="Food Code 3-501.16, 130 °F for roasts")
HOUSEHOLD = HoldSettings()
BAND = Band(107.0, 135.0)


class Held:
    """A piece cooked to 93 °C and laid into the hold, minute by minute."""

    def __init__(self, piece: PieceSettings, hold: HoldSettings, tolerance: float) -> None:
        self.piece, self.hold = piece, hold
        self.watch = PieceWatch(piece, hold, tolerance)
        self.minute, self.core, self.cores = 0, nan, [nan] * 10
        self.watch.mark(Mark(MarkKind.MEAT_ON), 0.0)
        self.feed([93.0] * 10)
        self.watch.mark(Mark(MarkKind.OFF), self.now)
        self.watch.mark(Mark(MarkKind.HOLD), self.now)

    @property
    def now(self) -> float:
        return 60.0 * self.minute

    def feed(self, cores: list[float]) -> Held:
        for self.core in cores:
            self.minute += 1
            self.cores = [*self.cores[1:], self.core]
            slope = slope_per_minute(self.cores)
            self.watch.rate = None if slope != slope else slope * 60.0
            self.watch.safety.minute(self.now, self.core, self.watch.stage.stage)
        return self

    def said(self, core: float | None = None) -> dict[str, Condition]:
        """core: the newest reading, if it is not that of the last minute."""
        newest = self.core if core is None else core
        cores = {} if newest != newest else {self.piece.id: newest}
        fire = quiet_fire()
        settings = replace(SETTINGS, cook=replace(SETTINGS.cook, hold=self.hold))
        process = ProcessSnapshot(
            self.now, settings, BAND, nan, None, "in-band",
            fire, None, (self.watch,), cores, {}, {}, frozenset(),
        )  # fmt: skip
        return {c.rule: c for c in conditions(process)}


@pytest.mark.parametrize("tolerance", [0.0, 2.5])
@pytest.mark.parametrize("hold", [HOUSEHOLD, ROASTS], ids=["135", "130"])
@pytest.mark.parametrize("piece", [LAMB, TURKEY], ids=["roast", "poultry"])
def test_the_alarm_says_below_exactly_while_the_records_clock_runs(
    piece: PieceSettings, hold: HoldSettings, tolerance: float
) -> None:
    """Food Code 3-501.16: 135 °F, for roasts cooked by the roast rule 130 °F; poultry is no roast."""
    floor = celsius(130) if piece is LAMB and hold is ROASTS else celsius(135)
    for above in (-1.0, -0.3, 0.3, 1.0):
        held = Held(piece, hold, tolerance).feed([floor + tolerance + above] * 15)
        found = held.said()["hold-falling"]
        assert found.active is (above < 0) is (held.watch.safety.view.hold_left_seconds is not None)
        assert found.severity == int(above < 0 and tolerance == 0.0), "worse is only what reads below it"
    held.feed([held.core - 4.0] * 15)
    assert held.said()["hold-falling"].severity == 1
    told = in_english(held.said()["hold-falling"].text)
    assert f"below the safe {floor:.0f} °C" in told, "the rule's figure, whatever the probe's tolerance"


@pytest.mark.parametrize(("piece", "floor"), [(LAMB, 54.4), (TURKEY, celsius(135))], ids=["roast", "poultry"])
def test_the_forecaster_is_asked_for_the_same_floor(piece: PieceSettings, floor: float) -> None:
    cooking = PieceWatch(piece, ROASTS, 2.5)
    cooking.mark(Mark(MarkKind.MEAT_ON), 0.0)
    for watch, now in ((cooking, 600.0), ((held := Held(piece, ROASTS, 2.5)).watch, held.now)):
        asked = watch.question_for_forecaster(now, Trace(), Circumstances(0, 9, (nan,) * 10, BAND, 100.0))
        assert asked is not None and asked.hold_floor == pytest.approx(floor)


def test_a_steady_hold_a_few_degrees_over_the_floor_is_left_alone() -> None:
    """140 °F by a probe of ±2.5 °C that shows quarter degrees: 0.3 °C over what is surely above 135 °F."""
    held, table = Held(LAMB, HOUSEHOLD, 2.5).feed([60.0] * 10), AlarmTable(ALARM_RULES, 7200.0)
    for minute in range(480):
        held.feed([60.0 + 0.25 * (minute % 17 // 9)])
        now = held.now
        for beat in range(12):
            assert not table.judge(held.said()["hold-falling"], now + 5.0 * beat)
            assert not table.handle_timer(now + 5.0 * beat)


@pytest.mark.parametrize(("rate", "before_clock", "before_floor"), [(2.0, 0, 75), (5.0, 3, 33), (8.0, 14, 33)])
def test_a_hold_that_goes_cold_is_told_when_the_records_clock_starts_or_a_lead_before_the_floor_is_read(
    rate: float, before_clock: int, before_floor: int
) -> None:
    """°C per hour; minutes. A sleeper's lead is 22 min; the rule's own time to act, 30 min, is longer, with 3 min of margin
    and on-delay. 2.5 °C of tolerance at 2 °C/h are 75 min."""
    held = Held(LAMB, HOUSEHOLD, 2.5).feed([68.0] * 10)
    told = clock = None
    while held.core > HOUSEHOLD.floor:
        held.feed([held.core - rate / 60.0])
        told = held.minute if told is None and held.said()["hold-falling"].active else told
        clock = held.minute if clock is None and held.watch.safety.view.hold_left_seconds is not None else clock
    assert told is not None and clock is not None
    assert clock - told == pytest.approx(before_clock, abs=1.5)
    assert held.minute - told == pytest.approx(before_floor, abs=1.5)


def test_minutes_below_the_floor_and_minutes_unseen_are_told_apart() -> None:
    cold = Held(LAMB, HOUSEHOLD, 0.0).feed([50.0] * 225).said()["hold-unsafe"]
    assert cold.active and in_english(cold.because).endswith("3 h 45 min below it")
    assert in_english(cold.text).startswith("Serve or chill Lamb: 50 °C")
    unseen = Held(LAMB, HOUSEHOLD, 0.0).feed([93.0] * 5 + [50.0] * 30 + [nan] * 195)
    found = unseen.said(core=93.0)["hold-unsafe"]
    assert found.active and in_english(found.because).endswith("3 h 45 min below it or unseen (30 min and 3 h 15 min)")
    assert "93" not in in_english(found.text)
    assert in_english(found.text).startswith("Serve or chill Lamb: time up in")
    assert any(
        "below it or unseen (30 min and 3 h 15 min) of 4 h" in in_english(n) for n in unseen.watch.safety.view.notes
    )


def chilled(e_fold: float, minutes: int) -> list[bool]:
    """Whether `cooling-slow` is active, minute by minute, of meat from the hold in air of 3 °C. e_fold: min."""
    held = Held(LAMB, HOUSEHOLD, 0.0).feed([93.0] * 10)
    held.watch.mark(Mark(MarkKind.CHILL), held.now)
    told = []
    for minute in range(minutes):
        held.feed([3.0 + 90.0 * exp(-minute / e_fold)])
        told.append(held.said()["cooling-slow"].active)
    return told


def test_a_chill_that_keeps_both_stages_of_the_cooling_rule_alarms_nobody() -> None:
    """Food Code 3-501.14: 135 to 70 °F within 2 h, to 41 °F within 6 h in all. By Newton's law with an e-fold of 70 min the
    first takes 77 min and both 206: the last half hour before a limit is no reason to call."""
    assert not any(chilled(70.0, 360))


def test_a_chill_too_slow_for_its_first_stage_is_told_while_ice_still_helps() -> None:
    """An e-fold of 150 min takes 165 from 135 to 70 °F, three quarters of an hour too long."""
    leaves_57 = round(150.0 * log(90.0 / (celsius(135) - 3.0)))
    first = chilled(150.0, 360).index(True)
    assert leaves_57 <= first <= leaves_57 + 60, "an hour or more before the limit"
