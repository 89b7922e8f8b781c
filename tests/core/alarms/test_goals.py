"""What the core says of a piece's goals, and that a probe on its way out of the meat says nothing of them."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from math import nan
from types import SimpleNamespace
from typing import Any

import pytest

from daemon.core.alarms.conditions import conditions
from daemon.core.alarms.process import ProcessSnapshot
from daemon.core.alarms.rule import Condition
from daemon.core.alarms.rules import ALARM_RULES
from daemon.core.alarms.table import AlarmTable
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    CookSettings,
    MeatKind,
    PieceSettings,
    QuietHours,
    WatchSettings,
    Wrap,
)

CHUCK = PieceSettings("chuck", "Chuck", "chuck roll", MeatKind.WHOLE_ROAST, "chuck", 6.0, 0.14, 0.5, tender_low=93.0)
WRAPPED_AT_75 = replace(CHUCK, wrap=Wrap("paper"), wrap_at=75.0, tender_low=None, target=93.0)
SETTINGS = WatchSettings(
    "pit", "Pit", (), CookSettings("night", "", Band(107.0, 135.0)), AnnouncingSettings(QuietHours(0, 0, UTC))
)


def judged(core: float | None, settings: PieceSettings = CHUCK, now: float = 0.0) -> dict[str, Condition]:
    stage = SimpleNamespace(stage="past-stall", wrapped_at=None)
    piece: Any = SimpleNamespace(
        settings=settings, stage=stage, on_fire=True, rate=None, question="", outlook=lambda *_: None,
        safety=SimpleNamespace(view=None),
    )  # fmt: skip
    fire: Any = SimpleNamespace(slope=0.0, lasting_slope=0.0, climb=0.0, steady_climb=0.0, log_due=None, lid_open=False)
    cores = {} if core is None else {"chuck": core}
    process = ProcessSnapshot(
        now, SETTINGS, SETTINGS.cook.band, nan, None, "in-band", fire, None, (piece,), cores, {}, {}, frozenset()
    )
    return {c.rule: c for c in conditions(process)}


@pytest.mark.parametrize("core", [None, 104.0])
@pytest.mark.parametrize(
    ("rule", "settings"),
    [("tender-range", CHUCK), ("target-reached", WRAPPED_AT_75), ("wrap-target", WRAPPED_AT_75)],
)
def test_a_core_that_is_not_believed_neither_raises_nor_clears(
    rule: str, settings: PieceSettings, core: float | None
) -> None:
    found = judged(core, settings)[rule]
    assert (found.active, found.within) == (False, False)
    assert judged(94.0, settings)[rule].active
    assert judged(70.0, settings)[rule].within


def test_one_good_reading_of_a_probe_that_slips_out_is_no_tender_meat() -> None:
    """79.5 °C, then 102 °C once on the way to the pit's 130 °C, then doubted: the on-delay of 2 min does not run on."""
    table = AlarmTable(ALARM_RULES, 7200.0)
    raised = []
    for now in range(0, 600, 5):
        core = 79.5 if now < 300 else 99.0 if now == 300 else None
        raised += table.judge(judged(core, now=float(now))["tender-range"], float(now))
        raised += table.handle_timer(float(now))
    assert raised == []
