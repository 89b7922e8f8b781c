"""A probe that leaps beside one that stands still. The traces are drawn by hand (common practice, no source)."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from daemon.core.readings.conditioning import Conditioner
from daemon.core.settings import Role
from drivers.reading import Quality, Reading, on_grid
from tests.core.readings.probes_only import probes_only

SETTINGS = probes_only(left=Role.PIT, right=Role.PIT)
LEAPS_AT = 20 * 60.0


def believed(left: Callable[[float], float], right: Callable[[float], float], until: float, step: float) -> list[float]:
    """Seconds since the leap at which the left one is believed. Each °C by seconds since the leap; after a restart in between."""
    conditioner, seen = Conditioner(SETTINGS), []
    for beat in range(int((LEAPS_AT + until) / 5.0)):
        now = 5.0 * beat
        since = now - LEAPS_AT
        if now % step == 0.0:
            for name, of in (("left", left), ("right", right)):
                conditioner.judge(Reading(name, on_grid(of(since) + (beat // 2 * 7 % 5 - 2) / 4), now), now)
        conditioner.scan(now)
        if now % 60.0 == 0.0:
            conditioner.minute(now)
        if since == 90.0:
            twin = Conditioner(SETTINGS)
            twin.load(json.loads(json.dumps(conditioner.dump())))
            conditioner = twin
        newest = conditioner.current("left")
        if newest is not None and newest.quality is Quality.GOOD:
            seen.append(since)
    return seen


def calm(since: float) -> float:
    return 120.0 + max(0.0, since) / 100.0


@pytest.mark.parametrize("step", [5.0, 20.0])
def test_one_on_the_coals_is_doubted_at_once_and_until_it_is_put_back(step: float) -> None:
    def left(since: float) -> float:
        return calm(since) + (110.0 if 0.0 <= since < 900.0 else 0.0)

    seen = believed(left, calm, 1500.0, step)
    assert not [s for s in seen if 5.0 <= s <= 900.0]
    assert [s for s in seen if s < 0.0] and seen[-1] > 1400.0, "put back it is believed again"


def test_burning_fat_is_believed_as_soon_as_the_other_follows_or_it_climbs_on() -> None:
    def shown(share: float, on: float) -> list[float]:
        def left(since: float) -> float:
            return calm(since) + (90.0 + on * since / 60.0 if since >= 0.0 else 0.0)

        def right(since: float) -> float:
            return calm(since) + share * min(90.0, max(0.0, since))

        return [s for s in believed(left, right, 400.0, 5.0) if s >= 5.0]

    assert shown(share=0.3, on=0.0)[0] <= 120.0
    assert shown(share=0.0, on=12.0)[0] <= 300.0
    assert not shown(share=0.0, on=0.0)


def test_one_that_is_hung_into_the_pit_and_a_pit_that_heats_as_a_whole_are_no_leaps() -> None:
    def hung(since: float) -> float:
        return 20.0 if since < 0.0 else calm(since)

    def both(since: float) -> float:
        return calm(since) + (100.0 if since >= 0.0 else 0.0)

    assert believed(hung, calm, 300.0, 5.0)[-1] == 295.0
    assert believed(both, both, 300.0, 5.0)[-1] == 295.0
