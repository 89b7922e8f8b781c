"""A piece is heated by the air where it lies: its place on the grate counts in what is foretold of it. No outside source: which
probe lies beside it is what the cook says."""

from __future__ import annotations

from dataclasses import replace
from math import isnan

from daemon.core.engine import Engine
from daemon.core.events import ForecastWanted
from daemon.core.forecast.outlooks import forecast
from daemon.core.forecast_request import ForecastRequest
from daemon.core.orders import AddPiece, ChangePiece, Mark, MarkKind, SpotReading
from daemon.core.outlook import Goal
from daemon.core.settings import MeatKind, PieceSettings
from tests.core.night import NIGHT, cooking, engine_at_night, read, restarted, step

SHANK = PieceSettings(
    "shank", "Shank", "lamb-shank", MeatKind.WHOLE_ROAST, None, 0.45, 0.055, 1.0, tender_low=90.0, fat_percent=13.0
)  # fmt: skip
UNEVEN = {"pit_left": 131.0, "pit_right": 112.0, "chuck": 40.0}
MINUTE = 60.0


def two_shanks() -> Engine:
    """One beside either probe, an hour on an uneven grate, neither with a probe of its own."""
    engine = engine_at_night()
    cooking(engine, 60.0)
    for place in ("left", "right"):
        step(engine, AddPiece(replace(SHANK, id=place, name=place, place=place), "page"), NIGHT + 3600.0)
        step(engine, Mark(MarkKind.MEAT_ON, place), NIGHT + 3600.0)
    read(engine, 3600.0, 7200.0, **UNEVEN)
    return engine


def asked(engine: Engine, piece: str, now: float) -> ForecastRequest:
    """The question that a reading by hand leads to."""
    told = step(engine, SpotReading(piece, 55.0), now)
    return [e.request for e in told if isinstance(e, ForecastWanted) and e.request.piece.id == piece][-1]


def test_the_piece_on_the_hot_side_is_heated_by_the_hot_side_and_is_ready_sooner() -> None:
    engine = two_shanks()
    left, right = (asked(engine, place, NIGHT + 7200.0) for place in ("left", "right"))
    assert min(left.pit[5:]) > 130.0 and max(right.pit[5:]) < 114.0
    assert left.band.low > right.band.low + 5.0, "what the hot side is kept at is hotter too"
    ready = [next(o.at for o in forecast(q).outlooks if o.goal is Goal.TENDER) for q in (left, right)]
    assert ready[0] is not None and ready[1] is not None and ready[0].p50 < ready[1].p50 - 10 * MINUTE


def test_where_its_probe_is_silent_the_pit_as_a_whole_counts() -> None:
    engine = two_shanks()
    read(engine, 7200.0, 8400.0, pit_right=112.0, chuck=41.0)
    q = asked(engine, "left", NIGHT + 8400.0)
    assert min(q.pit[5:55]) > 130.0 and not any(map(isnan, q.pit[65:]))
    assert max(q.pit[-5:]) < 125.0, "not what the silent probe said last"


def test_a_piece_that_is_laid_elsewhere_keeps_the_air_that_it_had_also_through_a_restart() -> None:
    engine = two_shanks()
    step(engine, ChangePiece(replace(SHANK, id="left", name="left", place="right"), "page"), NIGHT + 7200.0)
    read(engine, 7200.0, 9000.0, **UNEVEN)
    again = restarted(engine)
    pit = asked(engine, "left", NIGHT + 9000.0).pit
    assert min(pit[5:58]) > 130.0 and max(pit[62:]) < 114.0
    assert asked(again, "left", NIGHT + 9000.0).pit == pit
