"""Inputs survive the journal's JSON exactly."""

from __future__ import annotations

import pytest

from daemon.core.inputs import Input, UsePitClass, UsePitProfile
from daemon.core.orders import AskWrap
from daemon.core.pit_profile import ClassFigure, FireProfile, PitProfile, PlaceLesson
from daemon.shell.wording import input_from_json, input_to_json

TAUGHT = PitProfile(FireProfile(((5.0, -0.2, 25.0),), (38.0, 41.0)), (PlaceLesson("left", 4.0, 11.5),), lag=7.0)


@pytest.mark.parametrize(
    "item",
    [
        AskWrap("chuck", None, "Ann"),
        AskWrap("chuck", 70.0, "Ann"),
        AskWrap("chuck", (170.0 - 32.0) / 1.8, "Ann"),
        UsePitProfile(TAUGHT, by="journal"),
        UsePitClass((ClassFigure("gap", 52.25, 3.5),), by="fleet"),
    ],
)
def test_it_comes_back_as_it_was(item: Input) -> None:
    assert input_from_json(*input_to_json(item)) == item
