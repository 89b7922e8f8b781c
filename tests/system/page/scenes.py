"""What the page is looked at in: each scene makes the scripted watch of the tests what it is called."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.annunciator import SleepView
from daemon.core.annunciation.test_call import TestCallState
from daemon.core.events import AlarmState
from daemon.core.forecast.plan import Standing, standing
from daemon.core.inputs import Goal, Interval, Outlook
from daemon.core.pit.evenness import Evenness
from daemon.core.plan.duties import GreaseView, PlanView, ReminderView, WoodView
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import From, StepKind
from daemon.core.shift import DeedAsked, OnWatch
from daemon.core.snapshot import MarkView, SpotView
from tests.shell.web.page_curves import HOUR, LIT, SERVE
from tests.shell.web.page_scenario import FakeWatch, fan_from


def one_alarm(_watch: FakeWatch) -> None:
    """The night as it is: one call for wood."""


def on_course(watch: FakeWatch) -> Standing:
    """As the forecasts of the scenario have it with a rest of three hours, an hour less than its own."""
    now, pieces = watch.now, watch.changes.pieces
    cores = {p.id: p.celsius or 0.0 for p in pieces}
    return standing(SERVE, 3 * HOUR, now, watch.changes.pit.band, {p.id: p.outlooks for p in pieces}, cores)


def calm(watch: FakeWatch) -> None:
    now, old = watch.now, watch.changes
    due = Interval(now + 24 * 60, now + 37 * 60, now + 52 * 60)
    pit = replace(old.pit, stage="in-band", log_due=due)
    watch.changes = replace(old, alarms=(), pit=pit, standing=on_course(watch))


def six_alarms(watch: FakeWatch) -> None:
    """A lost fire and what comes with it; one of the six says nothing beside another, one is over."""
    old = watch.changes
    (feed,) = old.alarms

    def alarm(rule: str, state: AlarmState, priority: str, text: str, because: str, subject: str = "pit") -> AlarmView:
        return replace(
            feed, key=f"{rule}/{subject}", rule=rule, subject=subject, state=state, priority=priority, text=text,
            because=because, consequence_in=None, prompt=False,
        )  # fmt: skip

    watch.changes = replace(old, alarms=(
        feed,
        alarm("pit-falling", AlarmState.UNACKNOWLEDGED, "medium", "Add 1-2 splits", "105 °C and falling 26 °C/h"),
        alarm("fire-out", AlarmState.UNACKNOWLEDGED, "high", "Relight fire: pit 93 °C", "93 °C and falling 30 °C/h"),
        alarm("meat-probe-lost", AlarmState.UNACKNOWLEDGED, "low", "Check the lamb's probe", "open circuit", "lamb"),
        alarm("service-at-risk", AlarmState.ACKNOWLEDGED, "medium", "Raise the pit or wrap", "ready about 13:10"),
        alarm("lid-left-open", AlarmState.RETURNED_UNACKNOWLEDGED, "medium", "Close lid", "open for 12 min"),
    ))  # fmt: skip


def first_start(watch: FakeWatch) -> None:
    """A watch that was just installed: probes are heard, no cook was ever made."""
    old = watch.changes
    channels = tuple(replace(c, celsius=14.0, rate=0.0) for c in old.channels)
    pit = replace(
        old.pit, stage="unlit", celsius=14.0, rate=0.0, last_log=None, log_due=None, evenness=Evenness(None, (), ""),
        no_forecast="the fire is not lit",
    )  # fmt: skip
    watch.changes = replace(
        old, cook_id="", cook_name="", serve_at=None, serve_chance=None, pieces=(), alarms=(), fires=(),
        standing=None, pit=pit, channels=channels, links=(), sleep=SleepView(True, False, None, TestCallState.NEVER),
    )  # fmt: skip
    watch.marks.clear()
    watch.began, watch.still = watch.now - 90.0, True
    watch.cooks.listed = ()


def morning(watch: FakeWatch) -> None:
    """Half past six: the lamb is held and sank below its floor once, the chuck roll is wrapped; Ann has the watch."""
    calm(watch)
    watch.now += 4.25 * HOUR
    watch.still = True
    now, old = watch.now, watch.changes
    first, second = old.pieces
    tender = Interval(now + 0.9 * HOUR, now + 1.6 * HOUR, now + 2.6 * HOUR)
    chuck = replace(
        first, stage="wrapped", since=now - 3 * HOUR, celsius=86.0, rate=4.0, wrapped_at=now - 3 * HOUR,
        forecast_at=now - 300, fan=fan_from(now, 86.0, 95.0, 2.2),
        outlooks=(Outlook(Goal.TENDER, "planned", tender),),
    )  # fmt: skip
    limit = Interval(now + 3.1 * HOUR, now + 4.0 * HOUR, now + 5.2 * HOUR)
    lamb = replace(
        second, stage="hold", since=now - 1.2 * HOUR, celsius=66.0, rate=-3.0, off_at=now - 1.5 * HOUR, fan=(),
        forecast_at=now - 300, outlooks=(Outlook(Goal.HOLD_LIMIT, "planned", limit),),
    )  # fmt: skip
    shift = replace(
        old.shift,
        on_watch=OnWatch("Ann", now - 0.7 * HOUR, "The lamb is in the cabinet; the chuck roll needs a probe at eight."),
        asked=(DeedAsked("lamb-shoulder", "hold-unsafe/lamb-shoulder", now - 1500.0),),
    )
    due = Interval(now + 20 * 60, now + 33 * 60, now + 50 * 60)
    watch.changes = replace(
        old, time=now, pieces=(chuck, lamb), shift=shift, pit=replace(old.pit, celsius=121.0, log_due=due, last_log=now - 900),
        sleep=replace(old.sleep, night=False), standing=replace(old.standing, ahead=3600.0, chance=0.93)
        if old.standing else None,
    )  # fmt: skip


def planned(watch: FakeWatch) -> None:
    """The calm night under a kept plan, with wood that was counted, a reminder, marks, and a core read by hand."""
    calm(watch)
    now, old = watch.now, watch.changes
    first, second = old.pieces

    def step(kind: StepKind, piece: str | None, hours: float, late: float = 0.0, wide: float = 0.0) -> PlanStep:
        likely = now + (hours + late) * HOUR
        at = Interval(likely - wide * HOUR, likely, likely + 1.4 * wide * HOUR)
        return PlanStep(kind, piece, now + hours * HOUR, at, done=hours < 0)

    serve = SERVE - now
    steps = (
        step(StepKind.LIGHT, None, -6.0),
        step(StepKind.PUT_ON, "chuck-roll", -5.2, 0.1),
        step(StepKind.PUT_ON, "lamb-shoulder", -5.2, 0.1),
        step(StepKind.WRAP, "chuck-roll", 1.4, 0.5, 0.7),
        step(StepKind.OFF, "lamb-shoulder", 3.2, -0.3, 0.7),
        step(StepKind.OFF, "chuck-roll", 5.8, 0.5, 1.2),
        step(StepKind.SERVE, None, serve / HOUR),
    )
    stands = on_course(watch)
    plan = PlanView(SERVE, now - 6 * HOUR, True, now - 7 * HOUR, steps, stands.chance, stands.ahead, 16, 11.2)
    wood = WoodView(
        "oak", 9, 7, 2700.0, now + 6.4 * HOUR, Interval(now + 5.0 * HOUR, now + 6.3 * HOUR, now + 8.0 * HOUR), False
    )
    spritz = ReminderView(
        "spritz", "Spritz", "chuck-roll", 2700.0, From.ON, From.WRAPPED, False, now + 600.0, False, now - 2100.0
    )
    marks = (
        MarkView("wrapped", "lamb-shoulder", now - 1500.0, now - 1500.0, "page"),
        MarkView("spot", "chuck-roll", now - 1800.0, now - 1790.0, "page"),
        MarkView("log", None, now - 2400.0, now - 2400.0, "page"),
        MarkView("fire-lit", None, LIT, LIT, "page"),
    )
    spot = SpotView(64.5, now - 1800.0, now - 1790.0, "thick end", "", 1.0, "page")
    watch.changes = replace(
        old, plan=plan, standing=stands, wood=wood, reminders=(spritz,), grease=GreaseView(0.9, 0.6), marks=marks,
        pieces=(replace(first, channel=None, spots=(spot,)), second),
    )  # fmt: skip


SCENES: dict[str, Callable[[FakeWatch], None]] = {
    "calm": calm,
    "one-alarm": one_alarm,
    "six-alarms": six_alarms,
    "first-start": first_start,
    "morning": morning,
    "planned": planned,
}
