"""Bodies carried from one question to the next give, to the bit, what a run from the start gives; and cost no more late in a
cook than early in it."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.core.forecast.body import MeatEnsemble
from daemon.core.forecast.outlooks import Forecaster, forecast
from daemon.core.forecast_request import ForecastRequest, WrapDone
from daemon.core.settings import Band, MeatKind, PieceSettings, Wrap

ON = 1000
"""Engine minute of meat on."""
MINUTES = np.arange(16 * 60)
PIT = 122.0 + 6.0 * np.sin(MINUTES / 17.0)
CORE = 5.0 + 62.0 * (1.0 - np.exp(-((MINUTES / 210.0) ** 1.5))) + 0.02 * MINUTES
PIECE = PieceSettings(
    "pork", "Pork", "pork-shoulder", MeatKind.WHOLE_ROAST, "core", 4.0, 0.13, 1.25, Wrap.FOIL, 74.0, 92.0, None
)


def at(minute: float, **changed: Any) -> ForecastRequest:
    """What the watch asks so many minutes after meat on."""
    known = int(minute)
    request = ForecastRequest(
        piece=PIECE, asked_at=(ON + minute) * 60.0, on_at=ON * 60.0, phase="cook", band=Band(110.0, 135.0),
        boiling_point=100.0, minutes=tuple(range(ON, ON + known)), pit=tuple(map(float, PIT[:known])),
        core=tuple(map(float, CORE[:known])), ambient=12.0,
    )  # fmt: skip
    return replace(request, **changed)


WRAPPED = WrapDone((ON + 331.4) * 60.0, "paper")
OFF = {"phase": "rest", "off_at": (ON + 700.2) * 60.0, "wrapped": WRAPPED}


def with_history(minute: float) -> ForecastRequest:
    """Bare, then wrapped, then at rest."""
    if minute > 700.2:
        return at(minute, **OFF)
    return at(minute, wrapped=WRAPPED if minute >= 331.4 else None)


@settings(max_examples=6, deadline=None)
@given(minutes=st.lists(st.floats(46.0, 900.0), min_size=2, max_size=5))
def test_an_answer_follows_from_its_question_alone(minutes: list[float]) -> None:
    carried = Forecaster()
    for minute in minutes:  # in any order: an older question than the last starts anew
        assert carried(with_history(minute)) == forecast(with_history(minute))


def _otherwise(values: np.ndarray, minute: int) -> tuple[float, ...]:
    changed = values.copy()
    changed[minute - 5 : minute] += 2.0
    return tuple(map(float, changed))


@pytest.mark.parametrize(
    "change",
    [
        lambda r: replace(r, wrapped=WrapDone((ON + 200) * 60.0, "foil")),
        lambda r: replace(r, on_at=r.on_at + 720.0),
        lambda r: replace(r, core=_otherwise(np.array(r.core), 150)),
        lambda r: replace(r, pit=_otherwise(np.array(r.pit), 150)),
        lambda r: replace(r, core=tuple(float("nan") if 100 < i < 140 else v for i, v in enumerate(r.core))),
        lambda r: replace(r, piece=replace(r.piece, thickness=0.1)),
        lambda r: replace(r, boiling_point=97.0),
        lambda r: replace(r, phase="rest", off_at=(ON + 250) * 60.0),
    ],
    ids=["back-dated wrap", "back-dated meat on", "core", "pit", "core doubted", "piece edited", "altitude", "off"],
)
def test_what_changes_the_past_is_heard(change: Callable[[ForecastRequest], ForecastRequest]) -> None:
    carried = Forecaster()
    plain = carried(at(300.0))
    changed = change(at(305.0))
    assert carried(changed) == forecast(changed) != plain


def test_a_gap_in_the_pit_that_closes_is_bridged_as_from_the_start() -> None:
    pit = PIT.copy()
    pit[180:240] = np.nan
    carried = Forecaster()
    for minute in (190, 230, 260, 270):
        request = at(minute, pit=tuple(map(float, pit[:minute])))
        assert carried(request) == forecast(request)


def test_pieces_do_not_mix() -> None:
    carried = Forecaster()
    other = replace(PIECE, id="beef", thickness=0.09)
    for minute in (200, 210):
        for piece in (PIECE, other):
            assert carried(at(minute, piece=piece)) == forecast(at(minute, piece=piece))


def test_a_question_at_hour_14_costs_no_more_than_one_at_hour_2(monkeypatch: pytest.MonkeyPatch) -> None:
    """Counted in bodies stepped, which is nearly all of the work and the same on every machine. The limit is 1.3."""
    bodies = 0
    plain = MeatEnsemble.step

    def counted(self: MeatEnsemble, *args: Any) -> None:
        nonlocal bodies
        bodies += self.traits.start.size
        plain(self, *args)

    monkeypatch.setattr(MeatEnsemble, "step", counted)
    carried, cost = Forecaster(), {}
    for minute in (110, 120, 830, 840):
        bodies = 0
        carried(at(minute))
        cost[minute] = bodies
    assert cost[840] <= 1.3 * cost[120]
    assert cost[830] > 1.3 * cost[840]  # 710 minutes were caught up with: the count does see a replay
