"""A demo that is played faster than the machine can goes slower, and says so. No outside source: the rules are ours."""

from __future__ import annotations

import tomllib

import pytest

from daemon.commands.demo.files import CHANNEL
from daemon.commands.demo.live import LINE_EVERY, WAITS_AFTER
from daemon.commands.demo.pace import LOOKS_BACK, SLOWEST, TOO_FAR_APART, Pace
from daemon.shell import clock
from daemon.shell.clock import SpedUpClock


def slowed(pace: Pace, lines: int, seconds_a_line: float) -> int:
    """A machine that needs so many real s for a line: the lines come as far apart as the clock runs meanwhile."""
    return sum(pace.line(max(5.0, seconds_a_line * pace.factor)) for _ in range(lines))


def test_a_machine_that_keeps_up_is_left_alone() -> None:
    pace = Pace(600.0, 5.0)
    assert slowed(pace, 500, 0.009) == 0 and pace.factor == 600.0
    assert not pace.line(300.0), "one forecast is no slow machine"


@pytest.mark.parametrize("seconds", [0.05, 0.2])
def test_a_slow_one_is_played_as_fast_as_it_can(seconds: float) -> None:
    pace = Pace(600.0, 5.0)
    assert slowed(pace, 10 * LOOKS_BACK, seconds) == 1
    assert pace.factor == pytest.approx(max(SLOWEST, 5.0 / seconds))


def test_one_that_can_hardly_do_anything_is_not_stopped() -> None:
    pace = Pace(600.0, 5.0)
    slowed(pace, 10 * LOOKS_BACK, 30.0)
    assert pace.factor == SLOWEST


def test_the_clock_goes_on_without_a_jump(monkeypatch: pytest.MonkeyPatch) -> None:
    boot = [100.0]
    monkeypatch.setattr(clock, "boot_seconds", lambda: boot[0])
    sped = SpedUpClock(1000.0, 600.0)
    boot[0] = 101.0
    assert sped.now() == 1600.0
    sped.go_on_at(60.0)
    assert sped.now() == 1600.0
    boot[0] = 103.0
    assert sped.now() == sped.wall() == 1720.0


def test_the_clock_waits_for_whoever_is_late(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine that is busy for two seconds at 600 times: 20 minutes would pass without a line of the board."""
    boot = [100.0]
    monkeypatch.setattr(clock, "boot_seconds", lambda: boot[0])
    sped = SpedUpClock(1000.0, 600.0)
    sped.wait_at(1060.0)
    boot[0] = 102.0
    assert sped.now() == sped.now() == 1060.0
    sped.wait_at(1120.0)
    assert sped.now() == 1060.0, "what went by is not made up for"
    boot[0] = 102.05
    assert sped.now() == pytest.approx(1090.0)
    sped.go_on_at(60.0)
    boot[0] = 103.0
    assert sped.now() == 1120.0


def test_no_probe_of_the_demo_goes_silent_while_it_waits() -> None:
    (channel,) = tomllib.loads(CHANNEL.format(id="pit", name="Pit", role="pit", place=""))["channels"]
    assert channel["stale_after"] >= 2 * WAITS_AFTER and WAITS_AFTER > TOO_FAR_APART * LINE_EVERY
