"""Evenness: arithmetic checked by hand; the limit of 10 °C is common practice, no source."""

from __future__ import annotations

from math import nan

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.core.evenness import EVEN_WITHIN, evenness

FLAT = [120.0] * 30


def test_spread_and_hot_spots_by_hand() -> None:
    seen = evenness({"left": [110.0] * 30, "middle": FLAT, "firebox-end": [133.0] * 30}, {})
    assert seen.spread == 23.0
    assert [(heat.place, heat.offset) for heat in seen.places] == [
        ("firebox-end", 12.0),
        ("middle", -1.0),
        ("left", -11.0),
    ]
    assert seen.advice == "Keep meat away from firebox-end: it is 23 °C hotter than left."


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
        ({"Chuck roll": ("hot", [60.0]), "Lamb": (None, [70.0])}, "Turn Chuck roll: hot is 20 °C hotter than cool."),
        ({"Lamb": ("cool", [70.0])}, "Move Lamb towards hot: cool is 20 °C cooler."),
        ({"Lamb": ("cool", [nan])}, "Keep meat away from hot"),
    ],
)
def test_advice_starts_with_what_to_do(cores: dict[str, tuple[str | None, list[float]]], advice: str) -> None:
    assert evenness({"hot": [130.0] * 30, "cool": [110.0] * 30}, cores).advice.startswith(advice)


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
