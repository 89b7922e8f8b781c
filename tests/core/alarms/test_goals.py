"""What the core says of a piece's goals, and that a probe on its way out of the meat says nothing of them."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core.alarms.conditions.process import FAR_OFF, ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmTable
from daemon.core.forecast.eligibility import SLID_OUT, SUSPECT
from daemon.core.inputs import ForecastArrived
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pieces.meat_witness import Course
from daemon.core.pieces.piece import PieceWatch
from daemon.core.pieces.stage import CLIMB_QUESTION, WRAP_QUESTION, PiecePhase
from daemon.core.said import Text, say
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    CookSettings,
    HoldSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    WatchSettings,
    Wrap,
)
from tests.core.alarms.quiet_fire import quiet_fire
from tests.texts.english import in_english

CHUCK = PieceSettings("chuck", "Chuck", "chuck roll", MeatKind.WHOLE_ROAST, "chuck", 6.0, 0.14, 0.5, tender_low=93.0)
WRAPPED_AT_75 = replace(CHUCK, wrap=Wrap("paper"), wrap_at=75.0, tender_low=None, target=93.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", Band(107.0, 135.0)), AnnouncingSettings(QuietHours(0, 0, UTC))
)

TENDER_SOON = Interval(0.0, 600.0, 1200.0)


def judged(
    core: float | None,
    settings: PieceSettings = CHUCK,
    now: float = 0.0,
    pit_stage: str = "in-band",
    standing: frozenset[str] = frozenset(),
    slid_out: bool = False,
    lost: dict[str, float] | None = None,
    too_warm: dict[str, float] | None = None,
    outlooks: dict[Goal, Interval] | None = None,
    question: Text = "",
) -> dict[str, Condition]:
    stage = SimpleNamespace(stage="past-stall", wrapped_at=None, on_at=None, since=0.0)
    at = TENDER_SOON if pit_stage == "out" else None
    piece: Any = SimpleNamespace(
        settings=settings, stage=stage, on_fire=True, needs_fire=True, rate=None, question=question,
        outlook=lambda goal, *_: at if outlooks is None else outlooks.get(goal), forecast_at=0.0, foretold_core=lambda _: None,
        safety=SimpleNamespace(view=None, floor=lambda: 57.2), cabinet=None,
        read_last=lambda: None, unseen_since=None, slid_out=slid_out,
        told_before=lambda _: (0.0, outlooks or {}), overdue=lambda _: False,
    )  # fmt: skip
    fire = quiet_fire()
    cores = {} if core is None else {"chuck": core}
    process = ProcessSnapshot(
        now, SETTINGS, SETTINGS.cook.band, nan, None, pit_stage, fire, None, (piece,), cores, lost or {}, {}, frozenset(),
        standing=standing, too_warm=too_warm or {},
    )  # fmt: skip
    return {c.rule: c for c in conditions(process)}


@pytest.mark.parametrize("core", [None, 104.0])
@pytest.mark.parametrize(
    ("rule", "settings"),
    [("tender-range", CHUCK), ("target-reached", WRAPPED_AT_75), ("wrap-target", WRAPPED_AT_75)],
)
def test_a_core_that_is_not_believed_neither_raises_nor_clears(
    rule: str, settings: PieceSettings, core: float | None
) -> None:
    found = judged(core, settings)[rule]
    assert (found.active, found.within) == (False, False)
    assert judged(80.0 if rule == "wrap-target" else 94.0, settings)[rule].active
    assert judged(70.0, settings)[rule].within


def test_one_good_reading_of_a_probe_that_slips_out_is_no_tender_meat() -> None:
    """79.5 °C, then 102 °C once on the way to the pit's 130 °C, then doubted: the on-delay of 2 min does not run on."""
    table = AlarmTable(ALARM_RULES, 7200.0)
    raised = []
    for now in range(0, 600, 5):
        core = 79.5 if now < 300 else 99.0 if now == 300 else None
        raised += table.judge(judged(core, now=float(now))["tender-range"], float(now))
        raised += table.handle_timer(float(now))
    assert raised == []


def test_a_probe_that_may_have_slid_out_is_to_be_looked_at_and_calls_no_meat_past_tender() -> None:
    """The call is made: whoever hears it seats the probe anew, or feels the meat. But nothing is said to be tender by it."""
    piece = replace(CHUCK, tender_high=97.0)
    called = judged(94.0, piece, slid_out=True)["tender-range"]
    assert called.active
    assert in_english(called.text) == "Look at Chuck's probe: it may have slid out"
    assert not judged(89.0, piece, slid_out=True)["tender-range"].active
    target = judged(94.0, WRAPPED_AT_75, slid_out=True)["target-reached"]
    assert target.active and in_english(target.text) == in_english(called.text)
    assert judged(99.0, piece)["past-tender"].active
    assert not judged(99.0, piece, slid_out=True)["past-tender"].active


@pytest.mark.parametrize(
    ("core", "asked"), [(74.0, False), (75.0, True), (87.0, True), (88.5, False), (90.0, False), (102.0, False)]
)
def test_a_wrap_is_asked_for_only_where_it_still_helps(core: float, asked: bool) -> None:
    """Planned at 75 °C, tender from 93 °C: at 90 °C, or at the 102 °C of a probe in the air, nobody is asked to wrap."""
    piece = replace(CHUCK, wrap=Wrap("paper"), wrap_at=75.0)
    assert judged(core, piece)["wrap-target"].active is asked


@pytest.mark.parametrize("key", [WRAP_QUESTION, CLIMB_QUESTION])
def test_who_is_called_to_wrap_is_not_asked_beside_it_whether_it_is_wrapped(key: str) -> None:
    """They came within a minute, as two messages and two cards; a mark answers both."""
    piece, asks = replace(CHUCK, wrap=Wrap("paper"), wrap_at=75.0), say(key, name="Chuck")
    assert judged(74.0, piece, question=asks)["stage-question"].active
    called = judged(75.0, piece, question=asks)
    assert called["wrap-target"].active and not called["stage-question"].active
    assert "if it is wrapped already, say so" in in_english(called["wrap-target"].because)
    assert not judged(74.5, piece, question=asks, standing=frozenset({"wrap-target/chuck"}))["stage-question"].active
    assert judged(75.0, piece, question=asks, pit_stage="out")["stage-question"].active, (
        "nobody is called to wrap there"
    )
    other = say("question.spot", name="Chuck", spot=70.0, probe=75.0)
    assert judged(75.0, piece, question=other)["stage-question"].active


@pytest.mark.parametrize("stage", ["out", "cooling", "unlit"])
def test_nobody_wraps_on_a_pit_that_is_out(stage: str) -> None:
    piece = replace(CHUCK, wrap=Wrap("paper"), wrap_at=75.0)
    assert judged(80.0, piece, pit_stage=stage)["wrap-target"].suppressed_by == ("fire-out",)
    assert judged(80.0, piece)["wrap-target"].suppressed_by == ()


def test_a_forecast_calls_nobody_to_probe_meat_on_a_dead_fire() -> None:
    """Seen live: eight times "tender in 10 min" for a core of 66 °C."""
    assert not judged(66.0, pit_stage="out")["tender-range"].active
    assert judged(94.0, pit_stage="out")["tender-range"].active, "what is tender is tender"


@pytest.mark.parametrize(
    ("too_warm", "words"),
    [(None, "Check probe in Chuck: lost for 6 min"), (64.0, "Check probe in Chuck: reads too warm")],
    ids=["silent", "too warm"],
)
def test_a_probe_that_reads_but_too_warm_is_not_called_lost(too_warm: float | None, words: str) -> None:
    """Eight hours of "lost for 8 h", of a probe that lay by the bone and read all night, sent nobody to push it deeper."""
    warm = None if too_warm is None else {"chuck": too_warm}
    found = judged(None, now=360.0, lost={"chuck": 0.0}, too_warm=warm)["meat-probe-lost"]
    assert found.active and in_english(found.text) == words
    assert ("push the probe deeper" in in_english(found.because)) is (too_warm is not None)


def test_a_probe_that_is_lost_while_its_piece_is_called_past_tender_is_no_second_alarm() -> None:
    piece = replace(CHUCK, tender_high=96.0)
    called = judged(None, piece, now=360.0, lost={"chuck": 0.0}, standing=frozenset({"past-tender/chuck"}))
    assert called["past-tender"].text and called["meat-probe-lost"].suppressed_by == ("past-tender",)
    assert judged(None, piece, now=360.0, lost={"chuck": 0.0})["meat-probe-lost"].suppressed_by == ()


@pytest.mark.parametrize(("wrap", "left"), [(0.0, 6 * 3600.0), (1800.0, 1440.0)], ids=["due", "to come"])
def test_a_probe_that_is_lost_after_its_wrap_was_called_for_waits_for_the_next_goal(wrap: float, left: float) -> None:
    """A wrap that nobody marked stood as due for hours, and a probe that failed then woke the cook as if it were needed now."""
    later = Interval(6 * 3600.0 + 360.0, 8 * 3600.0, 10 * 3600.0)
    outlooks = {Goal.WRAP: Interval(wrap, wrap, wrap), Goal.TENDER: later}
    found = judged(None, WRAPPED_AT_75, now=360.0, lost={"chuck": 0.0}, outlooks=outlooks)["meat-probe-lost"]
    assert found.active and found.consequence_in == left


def test_a_forecast_that_fell_silent_with_its_probe_still_says_when_to_look() -> None:
    """Asked anew while the probe was already open it said nothing, and the piece overcooked with nobody called. What it had said
    before stands until the probe is believed again, over a restart too."""
    piece = PieceWatch(CHUCK, HoldSettings(), 1.0)
    at = Interval(1500.0, 1800.0, 2400.0)
    piece.take_forecast(ForecastArrived("chuck", 600.0, (Outlook(Goal.TENDER, "planned", at),)))
    silent = Outlook(Goal.TENDER, "planned", None, say(SUSPECT, why="open"))
    piece.take_forecast(ForecastArrived("chuck", 1200.0, (silent,)))
    again = PieceWatch(CHUCK, HoldSettings(), 1.0)
    again.load(json.loads(json.dumps(piece.dump())))
    assert again.outlook(Goal.TENDER) is None and again.told_before(1800.0) == (600.0, {Goal.TENDER: at})
    piece.take_forecast(ForecastArrived("chuck", 1800.0, (replace(silent, reason=say(SLID_OUT)),)))
    assert piece.told_before(1800.0) == (1800.0, {}) and piece.told_before(1700.0) == (600.0, {Goal.TENDER: at})


@pytest.mark.parametrize(("rises", "hot", "called"), [(0.0, True, True), (1.5, True, False), (0.0, False, False)])
def test_a_core_that_stands_still_just_short_of_its_goal_wakes_as_a_lost_probe(
    rises: float, hot: bool, called: bool
) -> None:
    """A probe that stuck with some noise eight minutes before the target was taken for a stall, and nobody was called."""
    piece = PieceWatch(WRAPPED_AT_75, HoldSettings(), 1.0)
    piece.stage.stage = PiecePhase.COOKING
    piece.take_forecast(
        ForecastArrived("chuck", 0.0, (Outlook(Goal.TARGET, "planned", Interval(600.0, 1500.0, 9000.0)),))
    )
    meat = {"chuck": Course(91.0, -rises, False, in_heat=hot)}
    process = ProcessSnapshot(
        2400.0, SETTINGS, SETTINGS.cook.band, 120.0, None, "in-band", quiet_fire(), None, (piece,), {"chuck": 91.0}, {}, {},
        frozenset(), meat=meat,
    )  # fmt: skip
    found = {c.rule: c for c in conditions(process)}["meat-probe-lost"]
    assert found.active is called
    assert not called or (found.consequence_in == 0.0 and "91 °C for half an hour" in in_english(found.text))


def test_tender_that_is_called_and_read_no_more_is_told_as_last_read() -> None:
    """A core of two hours ago stood as if it were read now, and its lost probe was a second alarm of the same errand."""
    standing = frozenset({"tender-range/chuck"})
    called = judged(None, now=360.0, lost={"chuck": 0.0}, standing=standing, outlooks={Goal.TENDER: TENDER_SOON})
    assert in_english(called["tender-range"].text) == "Probe Chuck by hand: near tender when last read"
    assert called["meat-probe-lost"].consequence_in == FAR_OFF


def test_a_piece_past_its_tender_range_is_told_as_such() -> None:
    piece = replace(CHUCK, tender_high=96.0)
    assert not judged(95.0, piece)["past-tender"].active
    past = judged(97.5, piece)["past-tender"]
    assert past.active and in_english(past.text) == "Take Chuck off: core 98 °C, past tender 96 °C"


@pytest.mark.parametrize(
    ("rule", "settings", "core", "words"),
    [
        (
            "past-tender",
            replace(CHUCK, tender_high=97.0),
            99.0,
            "Probe Chuck by hand: past tender when last read",
        ),
        (
            "target-reached",
            replace(CHUCK, tender_low=None, target=93.0),
            94.0,
            "Take Chuck off: at its target when last read",
        ),
    ],
)
def test_a_call_whose_core_is_read_no_more_tells_no_core_of_long_ago(
    rule: str, settings: PieceSettings, core: float, words: str
) -> None:
    table, key = AlarmTable(ALARM_RULES, 7200.0), f"{rule}/chuck"
    for now in (0.0, 600.0):
        table.judge(judged(core, settings, now)[rule], now)
        table.handle_timer(now)
    before = table.view(key)
    assert before is not None and before.state == "unacknowledged" and f"core {core:.0f} °C" in in_english(before.text)
    table.judge(judged(None, settings, 700.0, standing=frozenset({key}))[rule], 700.0)
    unread = table.view(key)
    assert unread is not None and unread.state == "unacknowledged" and unread.value is None
    assert in_english(unread.text) == words and "not read" in in_english(unread.because)
    table.judge(judged(core, settings, 800.0, standing=frozenset({key}))[rule], 800.0)
    again = table.view(key)
    assert again is not None and again.text == before.text, "read again, it says what is read"
