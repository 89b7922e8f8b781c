"""Drawn cooks: reproducible, truthful about themselves, and readable as recorded cooks by the program's own loader."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from config.loader import load_both
from tests.worlds.at_every_run import FIRE, MEAT
from tests.worlds.cooks import Cook, draw
from tests.worlds.files import write
from tests.worlds.fire.checked_pits import some_pits
from tests.worlds.fires import FIRE_WORLDS
from tests.worlds.marks import Marks
from tests.worlds.meats import MEAT_WORLDS

PAIRS = [(fire, sorted(MEAT_WORLDS)[i % 3]) for i, fire in enumerate(sorted(FIRE_WORLDS))]
OF_ONE = (FIRE, MEAT[0])
"""The pair that is tried at every run."""


def drawn(fire: str, meat: str, hours: float = 10) -> list[Cook]:
    """On pits that the checks of the fire have drawn already."""
    pits = some_pits(FIRE_WORLDS[fire])
    return draw(fire, meat, 5, 6, hours=hours, sleeps=False, marks=Marks.ALL, every=10, nature=pits)


@pytest.fixture(scope="module", params=[pytest.param(PAIRS, marks=pytest.mark.soak), [OF_ONE]], ids=["all", "one"])
def cooks(request: pytest.FixtureRequest) -> list[Cook]:
    return [cook for fire, meat in request.param for cook in drawn(fire, meat)]


def test_the_same_arguments_give_the_same_cook() -> None:
    """Everything that is drawn is drawn or begun within the first hours."""
    for one, other in zip(drawn(*OF_ONE, hours=3), drawn(*OF_ONE, hours=3), strict=True):
        assert one.deeds == other.deeds and one.marks == other.marks
        np.testing.assert_array_equal(one.pieces[0].shown, other.pieces[0].shown)


@pytest.mark.soak
def test_minutes_left_are_those_of_the_trace_when_no_log_follows() -> None:
    """Rarely does nobody come for so long: it needs the cooks of all worlds."""
    checked = 0
    for cook in (cook for fire, meat in PAIRS for cook in drawn(fire, meat)):
        logs = [d.minute for d in cook.deeds if d.word == "log"]
        touched = [d.minute for d in cook.deeds if d.word in ("log", "damper", "lid-open")]
        for minute, left in zip(cook.truth_minutes, cook.truth_air, strict=True):
            after = [at for at in touched if at >= minute]
            if 5 < left < 120 and minute + left + 12 < min(after, default=cook.minutes) and logs:
                stretch = cook.air[int((minute + left) * 4) + 2 : int((minute + left + 10) * 4) - 2]
                assert (stretch < cook.low).all()
                checked += 1
    assert checked > 10


def test_pieces_come_off_after_their_probe_says_so_and_cook_in_between(cooks: list[Cook]) -> None:
    done = 0
    for piece in (piece for cook in cooks for piece in cook.pieces):
        if piece.on is None:
            continue
        assert piece.core[int(piece.on * 4) : int(piece.on * 4) + 40].max() < 30
        if piece.off is not None:
            assert piece.shown[int(piece.off * 4) - 8 : int(piece.off * 4) + 8].max() > piece.tender[0] - 3
            done += 1
        if piece.tender_at is not None:
            assert piece.core[int(piece.tender_at * 4)] == pytest.approx(piece.tender[0], abs=1)
    assert done >= 5 * len(cooks) // 30


def test_every_log_is_marked_where_all_is_marked(cooks: list[Cook]) -> None:
    for cook in cooks:
        logs = sum(d.word == "log" for d in cook.deeds)
        assert abs(sum(m.text == "log" for m in cook.marks) - logs) <= 1
        assert sum(m.text == "meat-on" for m in cook.marks) == 1


def test_files_are_read_by_the_programs_own_loader(cooks: list[Cook], tmp_path: Path) -> None:
    for cook in cooks[::6]:
        where = tmp_path / cook.fire
        write(cook, where)
        rig, told = load_both(where / "rig.toml", where / "cook.toml")
        assert rig.pit.band is not None and rig.pit.band.low == cook.low and told is not None
        assert [piece.weight for piece in told.pieces] == [piece.weight for piece in cook.pieces]
        lines = (where / "log.csv").read_text().splitlines()
        assert len(lines) >= len(cook.air)
        assert all(line.count(",") == lines[0].count(",") for line in lines)
        assert tomllib.loads((where / "rig.toml").read_text())["people"]["lead_minutes"] == 22
