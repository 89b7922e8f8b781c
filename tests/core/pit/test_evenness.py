"""Evenness: arithmetic checked by hand; the limit of 10 °C is common practice, no source. Probes are off by what their
class allows: IEC 60584-1, types K and N, class 2, ± 2.5 °C below 333 °C."""

from __future__ import annotations

import re
from datetime import UTC
from math import nan, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.events import Sample
from daemon.core.pieces.pieces import Pieces
from daemon.core.pit.evenness import EVEN_WITHIN, evenness
from daemon.core.readings.conditioning import Conditioner
from daemon.core.readings.trace import MINUTE, Trace
from daemon.core.readout import Readout
from daemon.core.settings import (
    AnnouncingSettings,
    Band,
    ChannelSettings,
    CookSettings,
    QuietHours,
    Role,
    WatchSettings,
)
from daemon.texts.composer import Composer
from daemon.texts.reader import Reader
from drivers.reading import Quality
from tests.texts.english import in_english

FLAT = [120.0] * 30


def test_spread_and_hot_spots_by_hand() -> None:
    seen = evenness({"left": [110.0] * 30, "middle": FLAT, "firebox-end": [133.0] * 30}, {})
    assert seen.spread == 23.0
    assert [(heat.place, heat.offset) for heat in seen.places] == [
        ("firebox-end", 12.0),
        ("middle", -1.0),
        ("left", -11.0),
    ]
    assert in_english(seen.advice) == "Keep meat away from firebox-end: it is 23 °C hotter than left."


def test_a_place_silent_while_the_fire_was_low_is_not_hotter() -> None:
    low_then_high = [100.0] * 30 + [130.0] * 30
    seen = evenness({"left": low_then_high, "right": [nan] * 29 + low_then_high[29:]}, {})
    assert seen.spread == pytest.approx(0.0)
    assert seen.advice == ""


def test_one_place_or_a_mute_one_or_too_short_a_look_gives_no_spread() -> None:
    assert evenness({"middle": FLAT}, {}).spread is None
    assert evenness({"middle": FLAT}, {}).places[0].offset == 0.0
    assert [heat.place for heat in evenness({"middle": FLAT, "left": [nan] * 30}, {}).places] == ["middle"]
    assert evenness({"a": [100.0] * 9, "b": [150.0] * 9}, {}).places == ()
    assert evenness({}, {}).places == ()


@pytest.mark.parametrize(
    ("cores", "advice"),
    [
        ({"Chuck roll": ("hot", [80.0]), "Lamb": ("cool", [70.0])}, "Swap Chuck roll and Lamb: hot is 20 °C hotter"),
        ({"Chuck roll": ("hot", [60.0]), "Lamb": ("cool", [70.0])}, "Leave Chuck roll in the hot place (hot)"),
        ({"Chuck roll": ("hot", [73.0]), "Lamb": ("cool", [70.0])}, "Turn Chuck roll: hot is 20 °C hotter than cool."),
        ({"Chuck roll": ("hot", [67.0]), "Lamb": ("cool", [70.0])}, "Turn Chuck roll: hot is 20 °C hotter than cool."),
        ({"Chuck roll": ("hot", [60.0]), "Lamb": (None, [70.0])}, "Turn Chuck roll: hot is 20 °C hotter than cool."),
        ({"Lamb": ("cool", [70.0])}, "Move Lamb towards hot: cool is 20 °C cooler."),
        ({"Lamb": ("cool", [nan])}, "Keep meat away from hot"),
    ],
)
def test_advice_starts_with_what_to_do(cores: dict[str, tuple[str | None, list[float]]], advice: str) -> None:
    assert in_english(evenness({"hot": [130.0] * 30, "cool": [110.0] * 30}, cores).advice).startswith(advice)


def test_what_the_probes_may_make_is_asked_and_not_sold_as_a_hot_spot() -> None:
    """Two class 2 probes make 2.5 * sqrt(2) = 3.5 °C between them: 13 °C may be 9.5."""
    places = {"hot": [128.0] * 30, "cool": [115.0] * 30}
    cores: dict[str, tuple[str | None, list[float]]] = {"Lamb": ("hot", [70.0])}
    unchecked = evenness(places, cores)
    assert unchecked.doubt == pytest.approx(2.5 * sqrt(2))
    assert not unchecked.certain
    assert in_english(unchecked.advice) == (
        "Let the probes of hot and cool change places for half an hour: of the 13 °C between them the probes themselves may "
        "make 4 °C. If cool then reads 7 °C or more above hot, turn or move the meat; else leave it. Then put them back."
    )
    checked = evenness(places, cores, {"hot": 0.5, "cool": 0.5})
    assert checked.certain
    assert in_english(checked.advice) == "Turn Lamb: hot is 13 °C hotter than cool."
    assert evenness({"hot": [124.0] * 30, "cool": [115.0] * 30}, cores).advice == ""


@given(st.floats(0.0, 25.0), st.floats(-2.5, 2.5), st.floats(-2.5, 2.5))
def test_probes_that_change_places_answer_the_question(apart: float, one: float, other: float) -> None:
    """Before: apart + one - other; afterwards the cool place's probe reads apart - (one - other) above the hot one's. The rule
    is exact but for the degree it is rounded to."""
    asked = evenness({"hot": [100.0 + apart + one] * 30, "cool": [100.0 + other] * 30}, {})
    if asked.places[0].place == "cool" or not in_english(asked.advice).startswith("Let the probes"):
        return
    (enough,) = re.findall(r"reads (\d+) °C", in_english(asked.advice))
    moves = apart - (one - other) >= float(enough)
    assert moves == (apart >= EVEN_WITHIN) or abs(apart - EVEN_WITHIN) <= 0.25


def test_the_text_follows_the_unit_of_the_reader() -> None:
    reader = Composer(Reader(fahrenheit=True))
    apart = reader.say(evenness({"hot": [130.0] * 30, "cool": [110.0] * 30}, {}).advice)
    assert apart == "Keep meat away from hot: it is 36 °F hotter than cool."
    asked = reader.say(evenness({"hot": [128.0] * 30, "cool": [115.0] * 30}, {}).advice)
    assert "of the 23 °F between them the probes themselves may make 6 °F" in asked
    assert "reads 13 °F or more" in asked


@pytest.mark.parametrize(("tolerance", "says"), [(2.5, "Let the probes"), (0.5, "13 °C")])
def test_the_watch_maps_the_last_hour_with_the_tolerances_of_its_own_probes(tolerance: float, says: str) -> None:
    places = {"hot": 128.0, "cool": 115.0}
    channels = tuple(ChannelSettings(c, c, Role.PIT, place=c, tolerance=tolerance) for c in places)
    announcing = AnnouncingSettings(QuietHours(0, 1, UTC))
    settings = WatchSettings("pit", "Pit", channels, CookSettings("lunch", "Lunch", Band(107.0, 135.0)), announcing)
    trace = Trace()
    for minute in range(120):
        swing = 5.0 if minute < 90 else -5.0  # evens out over an hour, not over half of one
        for channel, celsius in places.items():
            read = celsius + (swing if channel == "cool" else 0.0)
            trace.add(Sample(channel, read, Quality.GOOD, minute * MINUTE))
        trace.close_minute(minute)
    seen = Readout(settings, Conditioner(settings), trace).evenness(119, Pieces())
    assert seen.spread == pytest.approx(13.0)
    assert says in in_english(seen.advice)


def test_pieces_lie_apart_and_rise_at_their_own_rate() -> None:
    rising = [60.0 + 0.1 * minute for minute in range(30)]
    seen = evenness({"a": FLAT}, {"Lamb": ("a", rising), "Chuck roll": (None, [55.0, nan, 55.5])})
    assert seen.core_spread == pytest.approx(62.9 - 55.5)
    assert [piece.piece for piece in seen.pieces] == ["Lamb", "Chuck roll"]
    assert seen.pieces[0].rate == pytest.approx(6.0)
    assert seen.pieces[1].rate is None


@given(
    st.dictionaries(
        st.sampled_from("abcd"),
        st.lists(st.one_of(st.just(nan), st.floats(-50.0, 600.0)), min_size=40, max_size=40),
    )
)
def test_any_trace_gives_offsets_that_sum_to_nothing(places: dict[str, list[float]]) -> None:
    seen = evenness(places, {"piece": ("a", places.get("a", []))})
    assert sum(heat.offset for heat in seen.places) == pytest.approx(0.0, abs=1e-6)
    assert (seen.advice != "") == (seen.spread is not None and seen.spread >= EVEN_WITHIN)
    assert seen.certain == (seen.spread is not None and seen.spread - seen.doubt >= EVEN_WITHIN)
