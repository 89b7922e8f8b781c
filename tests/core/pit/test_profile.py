"""What the pit taught reaches the engine as an input, so that a replay knows it too, and can be emptied."""

from daemon.core.events import ForecastWanted
from daemon.core.inputs import UsePitProfile
from daemon.core.orders import Mark, MarkKind
from daemon.core.pit_profile import TRUSTED_MISSES, FireProfile, ForecastMiss, PitProfile, PlaceLesson
from tests.core.night import engine_at_night, restarted

TAUGHT = PitProfile(
    FireProfile(((40.0, 6.0, 15.0, 9.0, 0.36, 0.4, -999.0, *(123.0, 122.5, 125.0, 129.0, 131.5) * 3),), (38.0, 41.0)),
    (PlaceLesson("left", 4.0, 11.5),),
    lag=7.0,
    drift=-14.0,
    misses=tuple(ForecastMiss("night", piece, minutes) for piece, minutes in (("a", 3.0), ("b", 5.0), ("c", 40.0))),
    cooks=("night",),
)


def test_plain_form_and_back() -> None:
    assert PitProfile.from_plain(TAUGHT.to_plain()) == TAUGHT
    assert PitProfile.from_plain({"episodes": [], "log_intervals": []}) == PitProfile(), "as older versions kept it"


def test_a_bias_needs_several_pieces_and_one_wild_piece_does_not_rule_it() -> None:
    assert TAUGHT.forecast_bias == 5.0
    assert PitProfile(misses=TAUGHT.misses[: TRUSTED_MISSES - 1]).forecast_bias == 0.0


def test_the_engine_uses_it_keeps_it_over_a_restart_and_forgets_it_when_told() -> None:
    engine = engine_at_night()
    now = engine.next_deadline() or 0.0
    engine.handle(UsePitProfile(TAUGHT, by="journal"), now)
    twin = restarted(engine)
    assert twin.pit.learned() == TAUGHT
    shown = twin.snapshot(now).profile
    assert (shown.cooks, shown.lag, shown.fire.log_intervals) == (("night",), 7.0, (38.0, 41.0))
    assert shown.fire.episodes == (), "too many for every page to be sent"
    twin.handle(Mark(MarkKind.MEAT_ON), now)
    while not (asked := [e for e in twin.handle_timer(twin.next_deadline() or now) if isinstance(e, ForecastWanted)]):
        pass
    assert asked[0].request.bias_minutes == TAUGHT.forecast_bias
    twin.handle(UsePitProfile(PitProfile(), by="page"), now)
    assert twin.pit.learned() == PitProfile()
