"""The serving time against the forecast of a piece's own last goal, be it tenderness or a target."""

from __future__ import annotations

from dataclasses import replace
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core.alarms.conditions.process import ProcessSnapshot
from daemon.core.alarms.conditions.scan import conditions
from daemon.core.alarms.rule import Condition
from daemon.core.outlook import Goal, Interval
from daemon.core.settings import MeatKind, PieceSettings
from tests.core.alarms.quiet_fire import quiet_fire
from tests.core.alarms.test_goals import CHUCK, SETTINGS

HOUR = 3600.0
TURKEY = PieceSettings("turkey", "Turkey", "turkey", MeatKind.POULTRY, "meat", 7.0, 0.12, 1.5, target=74.0)
BOTH = replace(CHUCK, target=96.0)
SERVED = replace(SETTINGS, cook=replace(SETTINGS.cook, serve_at=6 * HOUR, rest=HOUR))
"""Off the fire by 5 h."""

Hours = dict[tuple[Goal, str], float]


def judged(piece: PieceSettings, hours: Hours) -> dict[str, Condition]:
    """hours: the middle of each outlook, half an hour to either end."""

    def outlook(goal: Goal, scenario: str = "planned") -> Interval | None:
        at = hours.get((goal, scenario))
        return None if at is None else Interval(*(HOUR * (at + part) for part in (-0.5, 0.0, 0.5)))

    watch: Any = SimpleNamespace(
        settings=piece, stage=SimpleNamespace(stage="cooking", wrapped_at=None, on_at=0.0, since=0.0),
        on_fire=True, needs_fire=True, rate=None,
        question="", outlook=outlook,
        told_before=lambda _: (0.0, {}), overdue=lambda _: False, foretold_core=lambda _: None, cabinet=None,
        safety=SimpleNamespace(view=None),
        read_last=lambda: None, unseen_since=None,
    )  # fmt: skip
    fire = quiet_fire()
    process = ProcessSnapshot(
        0.0, SERVED, SERVED.cook.band, nan, None, "in-band",
        fire, None, (watch,), {}, {}, {}, frozenset(),
    )  # fmt: skip
    return {c.rule: c for c in conditions(process)}


def plans(goal: Goal, planned: float, hotter: float) -> Hours:
    return {(goal, "planned"): planned, (goal, "pit-10-hotter"): hotter}


CASES: list[tuple[PieceSettings, Goal, Hours]] = [
    (CHUCK, Goal.TENDER, {}),
    (TURKEY, Goal.TARGET, {}),
    (BOTH, Goal.TARGET, plans(Goal.TENDER, 4.5, 4.4)),  # probed for in time, but not yet off
]


@pytest.mark.parametrize(("piece", "goal", "others"), CASES, ids=["tender", "target", "both"])
def test_the_service_is_at_risk_by_the_goal_a_piece_leaves_the_fire_at(
    piece: PieceSettings, goal: Goal, others: Hours
) -> None:
    late = judged(piece, others | plans(goal, 5.5, 5.2))["service-at-risk"]
    assert late.active and late.value == pytest.approx(0.75 * HOUR)
    assert not judged(piece, others | plans(goal, 5.5, 5.5))["service-at-risk"].active, "nothing helps any more"
    assert not judged(piece, others | plans(goal, 4.5, 4.2))["service-at-risk"].active
