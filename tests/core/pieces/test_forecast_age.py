"""A forecast dies of its age: what a starved machine said hours ago is not shown as new, and prompts nobody. What it doubts of
its probe counts for nothing in the record of the piece's safety."""

import pytest

from daemon.core.forecast.eligibility import SLID_OUT
from daemon.core.inputs import ForecastArrived
from daemon.core.orders import Mark, MarkKind
from daemon.core.outlook import Goal, Interval, Outlook
from daemon.core.pieces.piece import FORECAST_LASTS, PieceWatch
from daemon.core.pieces.pieces import Pieces
from daemon.core.readings.trace import Trace
from daemon.core.said import say
from daemon.core.settings import Band, HoldSettings, MeatKind, PieceSettings

PORK = PieceSettings("pork", "Pork", "pork-shoulder", MeatKind.WHOLE_ROAST, "core", 4.0, 0.13, 1.1)
BAND = Band(110.0, 135.0)


def test_a_forecast_that_no_newer_one_replaces_is_forgotten() -> None:
    pieces = Pieces()
    watch = pieces["pork"] = PieceWatch(PORK, HoldSettings(), 0.0)
    told = (Outlook(Goal.TENDER, "planned", Interval(9000.0, 9600.0, 12_000.0)),)
    pieces.forecast(ForecastArrived("pork", 600.0, told), 660.0)
    for minute in range(11, 200):
        watch.minute(minute * 60.0, Trace(), minute - 1, 120.0, BAND)
        fresh = minute * 60.0 - 600.0 <= FORECAST_LASTS
        assert (watch.outlook(Goal.TENDER) is not None) == fresh == (watch.forecast_at is not None)


@pytest.mark.parametrize("slid", [False, True])
def test_what_a_probe_reads_that_has_slid_out_makes_nothing_lethal(slid: bool) -> None:
    pieces, trace = Pieces(), Trace()
    watch = pieces["pork"] = PieceWatch(PORK, HoldSettings(), 0.0)
    watch.mark(Mark(MarkKind.MEAT_ON, "pork"), 0.0)
    if slid:
        told = (Outlook(Goal.TENDER, "planned", None, say(SLID_OUT)),)
        pieces.forecast(ForecastArrived("pork", 0.0, told), 0.0)
    for minute in range(1, 25):
        trace.put("core", minute - 1, 75.0)
        watch.minute(minute * 60.0, trace, minute - 1, 120.0, BAND)
    assert (watch.safety.view.lethality_fraction > 0.0) is not slid
