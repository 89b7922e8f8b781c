"""The demo tells its night in the order of its hours, however far the watch is behind on a busy machine."""

from __future__ import annotations

from math import inf

from hypothesis import given
from hypothesis import strategies as st
from rich.text import Text

from daemon.commands.demo.story import NEWEST, Story


@given(st.lists(st.tuples(st.floats(0.0, 7200.0), st.floats(0.0, 3600.0)), min_size=1, max_size=40))
def test_the_story_never_goes_back_and_loses_nothing(night: list[tuple[float, float]]) -> None:
    """night: hours of the cook's deeds, and how far the watch is behind when it comes to tell its own."""
    told: list[tuple[float, str]] = []
    hours: dict[str, float] = {}
    story = Story(lambda line: told.append((hours[line.plain], line.plain)))

    def add(time: float, line: str) -> None:
        hours[line] = time
        story.add(time, Text(line))

    watch = 0.0
    for number, (cook, behind) in enumerate(sorted(night)):
        add(cook, f"cook {number}")
        watch = max(watch, cook - behind)
        add(watch, f"watch {number}")
        story.tell_until(watch)
    story.tell_until(inf)
    assert {line for _, line in told} == hours.keys() and len(told) == 2 * len(night)
    assert [time for time, _ in told] == sorted(time for time, _ in told)
    assert [line.plain for line in story.newest] == [line for _, line in told][-NEWEST:]


def test_what_came_together_stays_in_its_order() -> None:
    told: list[str] = []
    story = Story(lambda line: told.append(line.plain))
    for word in ("b", "a", "c"):
        story.add(60.0, Text(word))
    story.tell_until(59.0)
    assert told == []
    story.tell_until(60.0)
    assert told == ["b", "a", "c"]
