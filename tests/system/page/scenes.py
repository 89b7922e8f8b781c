"""What the page is looked at in: each scene makes the scripted watch of the tests what it is called."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from daemon.core.alarms.table import AlarmView
from daemon.core.annunciation.annunciator import SleepView
from daemon.core.annunciation.test_call import TestCallState
from daemon.core.events import AlarmState
from daemon.core.inputs import Interval
from daemon.core.pit.evenness import Evenness
from tests.shell.web.page_scenario import FakeWatch


def one_alarm(_watch: FakeWatch) -> None:
    """The night as it is: one call for wood."""


def calm(watch: FakeWatch) -> None:
    now, old = watch.now, watch.changes
    due = Interval(now + 24 * 60, now + 37 * 60, now + 52 * 60)
    pit = replace(old.pit, stage="in-band", log_due=due)
    watch.changes = replace(old, alarms=(), pit=pit)


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


SCENES: dict[str, Callable[[FakeWatch], None]] = {
    "calm": calm,
    "one-alarm": one_alarm,
    "six-alarms": six_alarms,
    "first-start": first_start,
}
