"""Too hot and running away: two alarms of one hazard, and one call where the second would follow within minutes.

The pits are drawn by hand: a climb that fat keeps up, and the heat that evens out once a lid is shut on a hot fire.
"""

from __future__ import annotations

from copy import deepcopy
from dataclasses import replace
from datetime import UTC
from functools import cache
from itertools import pairwise
from math import exp, isnan, nan

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.alarms.conditions import pit as of_pit
from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.orders import Mark, MarkKind
from daemon.core.pieces.meat_witness import ColdMeat
from daemon.core.pit.feed_sense import FeedSense
from daemon.core.pit.fire import FireWatch
from daemon.core.pit.signs import LID_AT_MOST, LidSense, steady_climb
from daemon.core.readings.pit_witness import Contradiction
from daemon.core.settings import SPACING, AnnouncingSettings, Band, CookSettings, QuietHours, WatchSettings
from tests.core.alarms.quiet_fire import quiet_fire
from tests.core.annunciation.test_annunciator import Watch
from tests.texts.english import in_english

BAND = Band(107.0, 135.0)
TOO_HOT = 145.0
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", BAND), AnnouncingSettings(QuietHours(22 * 60, 7 * 60, UTC))
)
SCAN_CYCLE = 5.0
QUIET = 40 * 12
"""Beats in the band before anything happens."""


def process(now: float, pit: float, fire: FireWatch, stage: str = "in-band") -> ProcessSnapshot:
    return ProcessSnapshot(now, SETTINGS, BAND, pit, None, stage, fire, None, (), {}, {}, {}, frozenset())


class Night:
    """Fire watch, judges, alarm table and annunciator over one pit trace, one value a beat; who is called answers after
    `answers_after` s. log_at: when a log is marked, s. raised: (s, alarm) of every occurrence."""

    def __init__(self, answers_after: float = 75.0, log_at: float | None = None) -> None:
        self.answers_after, self.log_at = answers_after, log_at
        self.watch, self.fire = Watch(), FireWatch()
        self.raised: list[tuple[float, str]] = []
        self._counted: dict[str, int] = {}
        self._pit: list[float] = []

    def live(self, pit: list[float]) -> None:
        for celsius in pit:
            self._beat(celsius)

    def _beat(self, celsius: float) -> None:
        now = len(self._pit) * SCAN_CYCLE
        self._pit.append(celsius)
        self.watch.until(now)
        if now == self.log_at:
            self.fire.mark(Mark(MarkKind.LOG), now)
        self.fire.scan(now, celsius)
        if now % 60.0 == 0.0:
            minute = self._pit[-12:]
            self.fire.minute(now, sorted(minute)[(len(minute) - 1) // 2], BAND, 10.0)
        pit_now = replace(process(now, celsius, self.fire), seen=self.watch.table.seen())
        for condition in of_pit.pit_conditions(pit_now):
            if isinstance(condition, Condition) and condition.rule in ("pit-high", "runaway"):
                self.watch.hear(self.watch.table.judge(condition, now))
        for view in self.watch.table.views():
            if view.occurrence > self._counted.get(view.rule, 0):
                self._counted[view.rule] = view.occurrence
                self.raised.append((view.raised_at, view.rule))
        if any(now - SCAN_CYCLE < n.time + self.answers_after <= now for n in self.watch.wakes()):
            self.watch.acknowledge()

    @property
    def calls(self) -> list[tuple[float, str]]:
        """(s, the alarm that gave it its words) of every call that was opened."""
        return [(n.time, n.alarm.partition("/")[0]) for n in self.watch.wakes() if "phone" in n.audiences]

    def first(self, rule: str) -> float:
        return next((at for at, name in self.raised if name == rule), float("inf"))

    @property
    def closest(self) -> float:
        """s between the two calls that followed each other most closely."""
        return min((b - a for (a, _), (b, _) in pairwise(self.calls)), default=float("inf"))


@cache
def quiet_night(celsius: float) -> Night:
    """What comes before every trace, lived once; nothing happens in it, not in the wrong build either."""
    night = Night()
    night.live([celsius] * QUIET)
    assert night.raised == [] and night.calls == []
    return night


def lived(pit: list[float], answers_after: float = 75.0, log_at: float | None = None) -> Night:
    assert pit[:QUIET] == [pit[0]] * QUIET
    if log_at is not None:
        night = Night(answers_after, log_at)
        night.live(pit)
        return night
    night = deepcopy(quiet_night(pit[0]))
    night.answers_after = answers_after
    night.live(pit[QUIET:])
    return night


def flare(rate: float, minutes: float = 25.0) -> list[float]:
    """Fat burns: from 128 °C upwards at this rate, °C per minute."""
    return [128.0] * QUIET + [128.0 + rate * beat / 12 for beat in range(int(minutes * 12))]


def lid_shut(peak: float, minutes: float = 25.0) -> list[float]:
    """The lid has been open for a quarter of an hour over a hot fire and is shut: the heat evens out within minutes (time
    constant 2.5 min) and then sinks at 2 °C a minute."""
    opened = [118.0 + 12.0 * exp(-beat / 6) for beat in range(15 * 12)]
    evens = [118.0 + (peak + 8.0 - 118.0) * (1 - exp(-beat / 30)) for beat in range(int(minutes * 12))]
    top = next(beat for beat, celsius in enumerate(evens) if celsius >= peak)
    sinks = [peak - 2.0 * beat / 12 for beat in range(len(evens) - top)]
    return [130.0] * QUIET + opened + evens[:top] + sinks


def deaf(monkeypatch: pytest.MonkeyPatch) -> None:
    """The wrong build: looks at nothing but the limit itself."""
    monkeypatch.setattr(of_pit, "_runs_away_at", lambda *_: 0.0)


@settings(max_examples=25, deadline=None)
@given(rate=st.floats(2.6, 5.8), answers_after=st.floats(45.0, 400.0))
def test_burning_fat_is_one_call_with_the_words_of_the_worse_alarm(rate: float, answers_after: float) -> None:
    night = lived(flare(rate), answers_after)
    at, alarm = night.calls[0]
    crossed = QUIET * SCAN_CYCLE + (TOO_HOT - 128.0) / rate * 60.0
    assert alarm == "runaway" and at <= crossed + 120.0, "not later than the lesser alarm would have called"
    assert night.closest >= SPACING
    assert [name for _, name in night.raised].count("runaway") == 1, "it stands until the pit settles"


@pytest.mark.parametrize("peak", [178.0, 182.0, 190.0])
def test_a_lid_shut_on_a_hot_fire_is_one_call(peak: float) -> None:
    night = lived(lid_shut(peak))
    assert night.calls[0][1] == "runaway" and night.closest >= SPACING


@pytest.mark.parametrize("pit", [flare(3.2), lid_shut(190.0)], ids=["flare", "lid"])
def test_without_a_look_ahead_the_same_pits_call_twice_within_ten_minutes(
    pit: list[float], monkeypatch: pytest.MonkeyPatch
) -> None:
    deaf(monkeypatch)
    night = lived(pit)
    assert [alarm for _, alarm in night.calls][:2] == ["pit-high", "runaway"] and night.closest < SPACING


@pytest.mark.parametrize(
    "pit",
    [
        flare(1.2),
        [*flare(2.0, 14.0), *[156.0] * 120],
        lid_shut(152.0),
        lid_shut(160.0),
        [134.0] * QUIET + [150.0] * 180,
        [134.0] * QUIET + [147.0] * 180,
        [121.0] * QUIET + [165.0] * 180,
    ],
    ids=["slow", "slow, then steady", "lid, little", "lid, more", "jump", "small jump", "large jump"],
)
def test_what_is_merely_too_hot_is_not_called_a_runaway(pit: list[float]) -> None:
    night = lived(pit[: QUIET + 30 * 12])
    assert [alarm for _, alarm in night.raised] == [alarm for _, alarm in night.calls] == ["pit-high"]


def test_a_log_that_catches_well_is_followed_only_as_far_as_its_own_slackening_takes_it() -> None:
    """The same climb with and without a marked log: 5 °C a minute, which slackens, to a peak 20 °C below the limit."""
    caught = [128.0 + 37.0 * (1 - exp(-beat / 60)) for beat in range(20 * 12)]
    steep = [128.0] * QUIET + [128.0 + 9.0 * beat / 12 for beat in range(14)] + [138.0 + c - 128.0 for c in caught]
    for pit in ([128.0] * QUIET + caught, steep):
        told = lived(pit, log_at=(QUIET - 36) * SCAN_CYCLE)
        assert [alarm for _, alarm in told.raised] == ["pit-high"]


def test_fat_that_burns_on_after_a_log_is_called_at_the_limit_at_the_latest() -> None:
    night = lived(flare(4.0), log_at=(QUIET - 36) * SCAN_CYCLE)
    crossed = QUIET * SCAN_CYCLE + (BAND.high + 40.0 - 128.0) / 4.0 * 60.0
    assert night.first("runaway") <= crossed + 60.0


def test_a_runaway_that_was_foretold_is_not_said_to_come_down_while_it_climbs() -> None:
    fire = quiet_fire(slope=2.0, climb=3.0)
    seen = replace(process(36_000.0, 160.0, fire), standing=frozenset({"runaway/pit"}))
    said = next(c for c in conditions(seen) if c.rule == "runaway")
    assert said.active and "comes down" not in in_english(said.text)


@settings(max_examples=40, deadline=None)
@given(steps=st.lists(st.tuples(st.floats(-8.0, 16.0), st.integers(6, 60)), min_size=1, max_size=8))
def test_a_runaway_is_never_told_later_for_looking_ahead(steps: list[tuple[float, int]]) -> None:
    pit = [130.0] * QUIET
    for rate, beats in steps:
        for _ in range(beats):
            pit.append(max(60.0, pit[-1] + rate / 12))
    ahead = lived(pit).first("runaway")
    with pytest.MonkeyPatch.context() as patch:
        deaf(patch)
        assert ahead <= lived(pit).first("runaway")


def runaway(pit: float, stage: str, lid_open: bool = False, slope: float = 0.0, climb: float = nan) -> Condition:
    fire = quiet_fire(slope=slope, climb=climb, steady_climb=climb, lid_open=lid_open)
    seen = process(36_000.0, pit, fire, stage)
    return next(c for c in conditions(seen) if c.rule == "runaway")


def test_nothing_is_foretold_where_too_hot_itself_is_held_back_but_the_limit_always_speaks() -> None:
    assert runaway(151.0, "in-band", climb=4.0).active
    assert not runaway(151.0, "in-band", lid_open=True, climb=4.0).active
    assert not runaway(151.0, "heating", climb=4.0).active
    for held in (runaway(176.0, "heating", slope=4.0), runaway(176.0, "in-band", lid_open=True, slope=4.0)):
        assert held.active and held.suppressed_by == ()


def test_a_runaway_is_foretold_in_the_second_half_of_the_on_delay_of_too_hot_and_not_after_it() -> None:
    told = [runaway(TOO_HOT + 4.0 * minute, "in-band", climb=4.0).active for minute in (0.5, 0.9, 1.1, 1.9, 2.1, 5.0)]
    assert told == [False, False, True, True, False, False]


def test_a_steep_climb_is_believed_for_minutes_only_and_a_moved_probe_not_at_all() -> None:
    assert runaway(160.0, "in-band", climb=8.0).active and not runaway(154.0, "in-band", climb=8.0).active
    assert not runaway(165.0, "in-band", climb=20.0).active


def test_a_runaway_that_was_foretold_stands_until_the_pit_turns_or_is_back() -> None:
    for pit, slope, settles in ((158.0, 2.0, False), (158.0, -0.3, True), (139.0, 2.0, True), (166.0, -0.3, False)):
        assert runaway(pit, "high", slope=slope).within is settles


@pytest.mark.parametrize(
    ("peak", "ends", "marked", "left_open"),
    [
        (240.0, 120.0, False, False),
        (240.0, 120.0, True, True),
        (240.0, 100.0, False, True),
        (150.0, 110.0, False, True),
    ],
    ids=["burnt down", "said to be open", "below the band", "no flare"],
)
def test_a_flare_that_has_burnt_down_left_no_lid_open(peak: float, ends: float, marked: bool, left_open: bool) -> None:
    fire, beats = FireWatch(), 14 * 12
    for beat in range(beats):
        now = beat * SCAN_CYCLE
        if marked and beat == 24:
            fire.mark(Mark(MarkKind.LID_OPEN), now)
        fire.scan(now, ends + (peak - ends) * exp(-max(0, beat - 12) / 36))
    assert fire.lid_open
    seen = replace(process(now, ends, fire, "high"), lid_since=0.0)
    assert next(c for c in conditions(seen) if c.rule == "lid-left-open").active is left_open


def test_a_steady_climb_is_a_line_and_what_slackens_is_none() -> None:
    assert steady_climb([3.0 * minute for minute in range(7)]) == pytest.approx(3.0)
    assert steady_climb([float(minute**2) for minute in range(7)]) == pytest.approx(9.0), "the last three minutes"
    slackens = [160.0 - 40.0 * exp(-minute / 3) for minute in range(7)]
    assert isnan(steady_climb(slackens))
    assert isnan(steady_climb([130.0 - minute for minute in range(7)]))
    assert isnan(steady_climb([1.0, 2.0, 3.0])) and isnan(steady_climb([nan] * 7))


@pytest.mark.parametrize("every", [5.0, 10.0])
def test_the_climb_of_the_last_minute_is_per_minute_however_often_the_pit_is_read(every: float) -> None:
    lid = LidSense()
    assert isnan(lid.climb)
    for read in range(30):
        lid.scan(read * every, 130.0 + 6.0 * read * every / 60.0)
    assert lid.climb == pytest.approx(6.0)


def test_a_lid_marked_open_again_and_again_is_no_excuse_for_ever() -> None:
    """A hub's contact that chatters, with nobody there: the pit falls all the while."""
    lid, pit, excused = LidSense(), 121.0, 0
    for tick in range(60 * 12):
        now = tick * 5.0
        if tick % 24 == 0:
            lid.mark(True, now)
        pit -= 0.1
        lid.scan(now, pit)
        excused += lid.open
    assert excused * 5.0 <= LID_AT_MOST + 5.0 and not lid.open
    again = LidSense()
    again.load(lid.dump())
    again.mark(True, now)
    assert not again.open, "what is remembered says so after a restart, too"
    for more in range(1, 40):
        again.scan(now + more * 5.0, pit + more)
    again.mark(True, now + 200.0)
    assert again.open, "the pit has come back meanwhile"


@pytest.mark.parametrize("standing", [False, True])
def test_no_damper_is_ordered_shut_by_one_of_two_probes_that_contradict_each_other(standing: bool) -> None:
    """One hangs by the coals, and the fire dies: whoever shuts the damper puts it out."""

    def judged(pit: float, apart: Contradiction | None, standing: bool = standing) -> dict[str, Condition]:
        stands = frozenset({"pit-probes-contradict/pit"} if standing else ())
        found = replace(process(36_000.0, pit, quiet_fire(slope=0.2), "high"), contradiction=apart, standing=stands)
        return {c.rule: c for c in conditions(found)}

    apart = Contradiction(warm=150.0, cold=70.0, surely=not standing)
    assert judged(150.0, apart)["pit-high"].suppressed_by == ("pit-probes-contradict",)
    assert not judged(180.0, apart)["runaway"].suppressed_by, "beyond its own limit it is called all the same"
    cold_place = Contradiction(warm=150.0, cold=70.0, surely=False)
    assert not judged(150.0, cold_place, standing=False)["pit-high"].suppressed_by, "it always read so"


def test_one_of_two_that_tells_of_a_fire_too_hot_is_looked_at_and_worse_when_it_runs_away() -> None:
    def judged(pit: float, warm: float, *stands: str) -> dict[str, Condition]:
        apart = Contradiction(warm=warm, cold=119.0, surely=True, hot=True)
        keys = frozenset(f"{rule}/pit" for rule in stands)
        found = replace(process(36_000.0, pit, quiet_fire(slope=0.2), "in-band"), contradiction=apart, standing=keys)
        return {c.rule: c for c in conditions(found)}

    asks = judged(119.0, 152.0)[CONTRADICT]
    assert asks.active and not asks.suppressed_by and asks.severity == 0
    assert in_english(asks.text) == "Look at the fire: Pit reads 152 °C and 119 °C"
    assert judged(119.0, 180.0)[CONTRADICT].severity == 1
    assert judged(150.0, 180.0)["pit-high"].suppressed_by == (CONTRADICT,), "a question, no order"
    both = judged(150.0, 180.0, "pit-high")
    assert both[CONTRADICT].suppressed_by == ("pit-high",) and not both["pit-high"].suppressed_by, (
        "he is called already"
    )


CONTRADICT, FEED = "pit-probes-contradict", "pit-falling"


def beside_a_dying_fire(
    apart: Contradiction | None,
    meat: ColdMeat | None = None,
    standing: frozenset[str] = frozenset(),
    waiting: frozenset[str] = frozenset(),
) -> dict[str, Condition]:
    """The pit is said to have 112 °C and is about to leave its band."""
    sense = FeedSense(chance=0.99, left=600.0)
    found = replace(
        process(36_000.0, 112.0, quiet_fire(sense)),
        contradiction=apart,
        cold_meat=meat,
        asleep=True,
        standing=standing,
        waiting=waiting,
    )
    return {c.rule: c for c in conditions(found) if isinstance(c, Condition)}


def test_nobody_is_asked_for_wood_by_a_probe_in_doubt_until_he_has_looked() -> None:
    apart, called = Contradiction(warm=121.0, cold=60.0, surely=True, lasts=40), frozenset({f"{CONTRADICT}/pit"})
    waits = beside_a_dying_fire(apart, standing=called, waiting=called)
    assert waits[FEED].active and waits[FEED].suppressed_by == (CONTRADICT,)
    assert waits[CONTRADICT].active and not waits[CONTRADICT].suppressed_by
    assert not beside_a_dying_fire(apart, standing=called)[FEED].suppressed_by, "he has answered, and the fire goes on"


@pytest.mark.parametrize(
    ("lasts", "meat", "silent"),
    [(12, None, True), (30, None, False), (12, ColdMeat(112.0, 66.0, 2.5, surely=True), False)],
)
def test_a_call_for_wood_holds_a_contradiction_back_for_as_long_as_one_probe_may_sink_faster(
    lasts: int, meat: ColdMeat | None, silent: bool
) -> None:
    apart, fed = Contradiction(warm=112.0, cold=80.0, surely=True, lasts=lasts), frozenset({f"{FEED}/pit"})
    assert bool(beside_a_dying_fire(apart, meat, standing=fed)[CONTRADICT].suppressed_by) is silent
    both = fed | {f"{CONTRADICT}/pit"}
    assert not beside_a_dying_fire(apart, meat, standing=both)[CONTRADICT].suppressed_by, "it has been called already"
