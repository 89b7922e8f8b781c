"""A key that is spelt wrong is answered with the one that is meant."""

from __future__ import annotations

import pytest
from pydantic import BaseModel

from config.cook import Cook
from config.problems import Problem, remedy
from config.rig import Rig
from config.spelling import UNKNOWN, spelt_right


@pytest.mark.parametrize(
    ("model", "key", "meant"),
    [
        (Rig, "people.lead_mins", "lead_minutes"),
        (Rig, "channels.1.Tolerence", "tolerance"),
        (Rig, "channels.0.stale-after", "stale_after"),
        (Rig, "pit.band.hi", "high"),
        (Rig, "devices.0.baudrate", "baud"),
        (Cook, "pieces.0.wieght", "weight"),
        (Cook, "serve", "serve_at"),
        (Cook, "colour", ""),
        (Cook, "weigth", ""),  # a key of another table
    ],
)
def test_the_key_of_this_table_that_is_most_alike_is_named(model: type[BaseModel], key: str, meant: str) -> None:
    found = spelt_right(Problem("file.toml", key, "3", UNKNOWN), model)
    assert found.remedy == (remedy("file.key-meant", meant=meant) if meant else UNKNOWN)


def test_nothing_else_is_taken_for_a_wrong_spelling() -> None:
    problem = Problem("rig.toml", "people.lead_mins", "3", remedy("file.missing"))
    assert spelt_right(problem, Rig) is problem
