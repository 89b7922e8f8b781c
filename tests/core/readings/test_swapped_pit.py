"""A pit probe that is exchanged with a piece's is no measure for the one that hangs in the pit."""

from __future__ import annotations

from daemon.core.readings.conditioning import Conditioner
from daemon.core.settings import Band, Role
from drivers.reading import Quality, Reading, on_grid
from tests.core.readings.probes_only import probes_only

SETTINGS = probes_only(left=Role.PIT, right=Role.PIT, chuck=Role.MEAT)


def test_the_one_left_is_believed_in_a_runaway_and_both_once_put_right() -> None:
    conditioner, refused = Conditioner(SETTINGS), dict[str, list[int]]()
    conditioner.in_use("chuck", True)
    for minute in range(220):
        pit = 125.0 + 4.0 * (minute // 20 % 2) + (max(0, min(20, minute - 100)) * 4.0 if minute < 140 else 0.0)
        core, swapped = 5.0 + 0.05 * minute, minute < 160
        values = {"left": pit, "right": core if swapped else pit + 6.0, "chuck": pit + 6.0 if swapped else core}
        for beat in range(4):
            now = minute * 60.0 + beat * 15.0
            for name, celsius in values.items():
                conditioner.judge(Reading(name, on_grid(celsius + (beat % 3 - 1) / 4), now), now)
            conditioner.scan(now)
        conditioner.minute(minute * 60.0 + 60.0)
        if 30 <= minute < 100:
            assert conditioner.contradiction(("left", "right"), Band(107.0, 135.0)) is None
        for name in values:
            sample = conditioner.current(name)
            if sample is not None and sample.quality is not Quality.GOOD:
                refused.setdefault(name, []).append(minute)
    assert "left" not in refused
    assert set(range(30, 160)) <= set(refused["right"]) and max(refused["right"]) < 180
    assert set(range(30, 160)) <= set(refused["chuck"]) and max(refused["chuck"]) < 180
