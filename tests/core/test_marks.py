"""What people said, kept within bounds. No outside source: how much is kept is our own choice."""

from __future__ import annotations

from daemon.core.marks import KEPT, Marks
from daemon.core.orders import Mark, MarkKind, TakeBack


def test_a_button_that_marks_itself_pushes_out_nothing_but_its_own() -> None:
    marks = Marks()
    marks.add(Mark(MarkKind.LID_OPEN), 10.0)
    on = marks.add(Mark(MarkKind.MEAT_ON, "chuck"), 20.0)
    for second in range(2 * KEPT):
        marks.add(Mark(MarkKind.LID_OPEN), 30.0 + second)
    said = list(marks)
    assert len(said) == KEPT and said[0].done == 10.0, "since when it goes on stays known"
    assert marks.meant(TakeBack("meat-on", "chuck")) is on
    assert said[-1].done == 30.0 + 2 * KEPT - 1
