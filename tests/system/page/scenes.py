"""What the page is looked at in: each scene makes the scripted watch of the tests what it is called."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.annunciator import SleepView
from daemon.core.annunciation.test_call import TestCallState
from daemon.core.events import AlarmState
from daemon.core.forecast.standing import Standing, standing
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pit.evenness import Evenness
from daemon.core.plan.duties import GreaseView, HoldWait, PlanView, ReminderView, WoodView
from daemon.core.plan.steps import PlanStep
from daemon.core.planned import From, StepKind
from daemon.core.settings import HoldSettings, Role
from daemon.core.shift import DeedAsked, OnWatch
from daemon.core.snapshot import MarkView, SpotView
from drivers.reading import Quality
from tests.shell.web.page_curves import HOUR, LIT, SERVE
from tests.shell.web.page_scenario import COLD, FakeWatch, fan_from, nap_at, standing_as

WAKING = 600.0
"""s a sleeper needs until a log burns."""


def one_alarm(watch: FakeWatch) -> None:
    """The night as it is: one call for wood."""
    watch.changes = replace(watch.changes, pit=replace(watch.changes.pit, feed_called=True))


def on_course(watch: FakeWatch) -> Standing:
    """As the forecasts of the scenario have it with a rest of three hours, an hour less than its own."""
    now, pieces = watch.now, watch.changes.pieces
    cores = {p.id: p.celsius or 0.0 for p in pieces}
    return standing(SERVE, 3 * HOUR, now, watch.changes.pit.band, {p.id: p.outlooks for p in pieces}, cores)


def calm(watch: FakeWatch) -> None:
    now, old = watch.now, watch.changes
    due = Interval(now + 24 * 60, now + 37 * 60, now + 52 * 60)
    pit = replace(old.pit, stage="in-band", log_due=due, feed_at=due.p50 - WAKING)
    asked = replace(nap_at(now), until=due.p05 - WAKING, latest=due.p50 - WAKING, unmet=())
    watch.changes = replace(old, alarms=(), pit=pit, standing=on_course(watch), could_sleep=asked)


def six_alarms(watch: FakeWatch) -> None:
    """A lost fire and what comes with it; one of the six says nothing beside another, one is over."""
    pit = replace(
        watch.changes.pit, stage="out", celsius=93.0, rate=-30.0, log_due=None, feed_at=None, feed_called=True
    )
    old = replace(watch.changes, pit=replace(pit, no_forecast="the fire is out"))
    watch.still = True
    (feed,) = old.alarms

    def alarm(rule: str, state: AlarmState, priority: str, text: str, because: str, subject: str = "pit") -> AlarmView:
        return replace(
            standing_as(feed, state), key=f"{rule}/{subject}", rule=rule, subject=subject, priority=priority, text=text,
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
    channels = tuple(replace(c, celsius=COLD, rate=0.0) for c in old.channels)
    pit = replace(
        old.pit, stage="unlit", celsius=COLD, rate=0.0, last_log=None, log_due=None, evenness=Evenness(None, (), ""),
        no_forecast="the fire is not lit",
    )  # fmt: skip
    watch.changes = replace(
        old, cook_id="", cook_name="", serve_at=None, serve_chance=None, pieces=(), alarms=(), fires=(),
        standing=None, pit=pit, channels=channels, links=(), sleep=SleepView(True, False, None, TestCallState.NEVER),
    )  # fmt: skip
    watch.marks.clear()
    watch.began, watch.still, watch.cold = watch.now - 90.0, True, True
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
        old, time=now, pieces=(chuck, lamb), shift=shift, pit=replace(
            old.pit, celsius=121.0, rate=-14.0, log_due=due, feed_at=due.p50 - WAKING, forecast_made_at=now - 40,
            last_log=now - 900,
        ), could_sleep=replace(nap_at(now), until=due.p05 - WAKING, latest=due.p50 - WAKING),
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
    plan = PlanView(SERVE, now - 6 * HOUR, True, now - 7 * HOUR, steps, stands.chance, stands.ahead, 16, 11.2,
                    HoldSettings(channel="cabinet"), 4.0, 3.0, guests=40, feeds=34, raw=11.8,
                    waits=(HoldWait("lamb-shoulder", 21_060.0), HoldWait("chuck-roll", 0.0)))  # fmt: skip
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


def four_alarms(watch: FakeWatch) -> None:
    """Four causes at once, each new, with the longest message there may be (60 characters)."""
    one_alarm(watch)
    old = watch.changes
    (feed,) = old.alarms
    because = "119 °C, −26 °C/h, below the band in 16 to 63 min"
    first = replace(feed, text="Feed The long brick pit by th…: 119 °C, low in 16 to 63 min", because=because)

    def alarm(rule: str, priority: str, text: str, because: str, subject: str) -> AlarmView:
        return replace(
            feed, key=f"{rule}/{subject}", rule=rule, subject=subject, priority=priority, text=text, because=because,
            consequence_in=None, prompt=False,
        )  # fmt: skip

    watch.changes = replace(old, alarms=(
        first,
        alarm("meat-probe-lost", "low", "Check the lamb's probe", "open circuit", "lamb-shoulder"),
        alarm("service-at-risk", "medium", "Raise the pit or wrap: ready about 13:10", "an hour late", "chuck-roll"),
        alarm("grease-tray", "medium", "Empty the grease tray", "about 90 % full", "pit"),
    ))  # fmt: skip


def two_pits(watch: FakeWatch) -> None:
    """An offset with the chuck roll, and a drum with the lamb that nobody can see."""
    calm(watch)
    old = watch.changes
    first = replace(old.pit, name="Offset")
    drum = replace(old.pit, id="drum", name="Drum behind the hall", subject="drum", celsius=None, rate=None)
    pieces = tuple(replace(piece, pit=pit.id) for piece, pit in zip(old.pieces, (first, drum), strict=True))
    channels = tuple(replace(c, pit=first.id) if c.role is Role.PIT else c for c in old.channels)
    watch.changes = replace(old, pit=first, pits=(first, drum), pieces=pieces, channels=channels)
    watch.still = True


def blind(watch: FakeWatch) -> None:
    """Nothing of the pit is read any more, nor of the lamb; what was foretold is three minutes old."""
    calm(watch)
    old = watch.changes
    unseen = [c.id for c in old.channels if c.role is Role.PIT or c.id == "lamb"]
    channels = tuple(
        replace(c, celsius=None, rate=None, quality=Quality.BAD, fault="open-circuit", age=200.0)
        if c.id in unseen
        else c
        for c in old.channels
    )
    first, second = old.pieces
    watch.changes = replace(
        old, channels=channels, pieces=(first, replace(second, celsius=None)),
        pit=replace(old.pit, celsius=None, forecast_made_at=watch.now - 200.0),
        could_sleep=replace(nap_at(watch.now), until=None, latest=None, reason="the pit cannot be read"),
    )  # fmt: skip
    watch.still = True


def no_forecast(watch: FakeWatch) -> None:
    """The first hour: a fire, meat, and nothing that could be foretold yet."""
    calm(watch)
    old = watch.changes
    pieces = tuple(replace(p, stage="on", outlooks=(), forecast_at=None, fan=()) for p in old.pieces)
    pit = replace(old.pit, log_due=None, no_forecast="the first log has not burnt down yet", rate=None)
    asked = replace(nap_at(watch.now), until=None, latest=None, reason="the first log has not burnt down yet")
    watch.changes = replace(old, pieces=pieces, pit=pit, standing=None, could_sleep=asked)
    watch.still = True


def long_names(watch: FakeWatch) -> None:
    """As long as a name may be: 40 characters of a piece, 60 of a cook."""
    calm(watch)
    old = watch.changes
    first, second = old.pieces
    names = "Beef chuck roll from the farm by the mill", "Schweineschulterbratenstückausdemnacken"
    pit = replace(old.pit, name="The old brick pit behind the village hall, by the bowling green")
    watch.changes = replace(
        old, pit=pit, pieces=(replace(first, name=names[0][:40]), replace(second, name=names[1][:40])),
        cook_name="Lunch of the village hall's hundredth year, with the choir too",
    )  # fmt: skip


def eight_pieces(watch: FakeWatch) -> None:
    """A full grate."""
    calm(watch)
    old = watch.changes
    first, second = old.pieces
    more = ("Pork neck", "Brisket point", "Turkey breast", "Short ribs", "Lamb neck", "Pork belly")
    watch.changes = replace(
        old, pieces=(first, second, *(replace(first, id=f"more-{n}", name=name) for n, name in enumerate(more)))
    )


SCENES: dict[str, Callable[[FakeWatch], None]] = {
    "calm": calm,
    "one-alarm": one_alarm,
    "six-alarms": six_alarms,
    "first-start": first_start,
    "morning": morning,
    "planned": planned,
    "four-alarms": four_alarms,
    "two-pits": two_pits,
    "blind": blind,
    "no-forecast": no_forecast,
    "long-names": long_names,
    "eight-pieces": eight_pieces,
}
