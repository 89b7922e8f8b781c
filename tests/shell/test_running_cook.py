"""A journal that lost its end does not lose the meat on the fire. No outside source: the promise is ours."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from daemon.core.orders import MarkKind
from daemon.core.settings import CookSettings
from daemon.shell.state.running_cook import BY, Progress, RunningCook
from tests.core.test_changing_cook import BAND, CHUCK, LAMB

COOK = CookSettings("hall", "Hall", BAND, (CHUCK, LAMB), serve_at=5000.0)
ON = (Progress("chuck", 1000.0, 3000.0, None), Progress("lamb", None, None, None))


def test_what_was_on_and_wrapped_comes_back_with_its_times(tmp_path: Path) -> None:
    RunningCook(tmp_path).keep(COOK, ON, 40, wall_offset=100.0)
    found = RunningCook(tmp_path).newer_than(
        39, lost=False, wall_offset=60.0
    )  # the next life's engine time begins elsewhere
    assert found is not None
    cook, progress = found
    assert cook == replace(COOK, serve_at=5040.0)
    assert progress == (Progress("chuck", 1040.0, 3040.0, None), Progress("lamb", None, None, None))
    assert [(m.kind, m.piece, m.at, m.by) for m in progress[0].marks()] == [
        (MarkKind.MEAT_ON, "chuck", 1040.0, BY),
        (MarkKind.WRAPPED, "chuck", 3040.0, BY),
    ]
    assert progress[1].marks() == []


def test_a_journal_that_reaches_as_far_is_believed(tmp_path: Path) -> None:
    RunningCook(tmp_path).keep(COOK, ON, 40, 0.0)
    assert RunningCook(tmp_path).newer_than(40, lost=False, wall_offset=0.0) is None
    assert RunningCook(tmp_path).newer_than(40, lost=True, wall_offset=0.0) is not None


def test_a_damaged_file_is_said_in_a_line_and_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "running-cook.json").write_bytes(b"\xff\xfe{")
    assert RunningCook(tmp_path).newer_than(1, lost=True, wall_offset=0.0) is None
