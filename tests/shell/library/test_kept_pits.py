"""A kept cook of two pits: each pit has its curve, figures, deeds and lessons, and a piece counts where it was at the time."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from daemon.core.orders import MovePiece, SetBand
from daemon.core.readings.trace import MINUTE
from daemon.core.settings import Band
from daemon.shell.library.cook import KeptCook
from daemon.shell.library.kept_pits import KeptPit, UnknownPit
from daemon.shell.library.summary import cooking_minutes, figures, lessons, pit_minutes
from daemon.shell.library.worked import Change, worked
from daemon.shell.report.findings import findings
from daemon.shell.wording import rfc3339
from tests.core.night import CHUCK, LAMB
from tests.core.two_pits import BAND, COOK, TWO

START = 60 * MINUTE
LENGTH = 120
"""Minutes: the chuck roll moves to the drum after the first half."""
MEAT = TWO.ids_with(TWO.channels[4].role)
MOVED = START + 60 * MINUTE


def mark(minute: float, kind: str, pit: str = "") -> dict[str, Any]:
    return {"time": rfc3339(START + minute * MINUTE), "event": "mark", "kind": kind, "piece": None, "by": "cook"} | (
        {"pit": pit} if pit else {}
    )


def on(piece: str, minute: float = 0.0) -> dict[str, Any]:
    return {"time": rfc3339(START + minute * MINUTE), "event": "stage", "subject": piece, "before": "waiting",
            "after": "on", "because": "mark"}  # fmt: skip


@pytest.fixture(scope="module")
def kept() -> KeptCook:
    """The offset holds 120 °C; the drum 130, and 150 once its band has been set there. Only the chuck roll is on at first."""
    changes: list[tuple[float, Change]] = [
        (START + 30 * MINUTE, SetBand(Band(140.0, 160.0), "cook", "drum")),
        (MOVED, MovePiece("chuck", "drum", "cook")),
    ]
    became = worked(COOK, START, MEAT, changes, ("", "drum"))
    values = {
        "pit-left": 120.0,
        "pit-right": 121.0,
        "drum-left": 150.0,
        "drum-right": 151.0,
        "chuck": 60.0,
        "lamb": 50.0,
    }
    return KeptCook(
        "c", "Lunch", "Offset", START, START + LENGTH * MINUTE, 0.0, became.whole, TWO.channels,
        tuple(range(60, 60 + LENGTH)), {c: (v,) * LENGTH for c, v in values.items()},
        (on("chuck"), mark(1, "log"), mark(70, "log", "drum"), on("lamb", 100)),
        bands=became.bands, homes=became.homes,
        pits=(KeptPit("", "offset", "Offset", BAND), KeptPit("drum", "drum", "Drum", BAND, became.other_bands["drum"])),
    )  # fmt: skip


def test_where_a_piece_was_follows_from_the_orders(kept: KeptCook) -> None:
    assert kept.homes == {CHUCK.id: ((START, ""), (MOVED, "drum")), LAMB.id: ((START, "drum"),)}
    assert [kept.home("chuck", MOVED + s) for s in (-1.0, 0.0, 1.0)] == ["", "drum", "drum"]


def test_each_pit_has_its_own_curve_and_band(kept: KeptCook) -> None:
    offset, drum = kept.view("offset"), kept.view("Drum")
    assert (set(pit_minutes(offset)), set(pit_minutes(drum))) == ({120.5}, {150.5})
    assert (offset.pit, drum.pit) == ("Offset", "Drum")
    assert findings(offset).bands == ((START, BAND),)
    assert findings(drum).bands == ((START, BAND), (START + 30 * MINUTE, Band(140.0, 160.0)))


def test_meat_counts_for_the_pit_that_it_was_on_at_the_time(kept: KeptCook) -> None:
    minutes = [cooking_minutes(kept.view(pit)) for pit in ("offset", "drum")]
    assert [sum(on) for on in minutes] == [59, 61], "the chuck roll is on the drum from its last minute's end on"
    assert figures(kept.view("drum")).in_band == 1.0


def test_what_was_done_at_one_fire_is_not_told_of_the_other(kept: KeptCook) -> None:
    deeds = {pit: [(d.kind, d.time) for d in findings(kept.view(pit)).deeds] for pit in ("offset", "drum")}
    assert deeds == {"offset": [("log", START + MINUTE)], "drum": [("log", START + 70 * MINUTE)]}
    assert lessons(kept.view("offset")).cook == lessons(kept.view("drum")).cook == "c"
    shown = {pit: [piece.settings.id for piece in findings(kept.view(pit)).pieces] for pit in ("offset", "drum")}
    assert shown == {"offset": ["chuck"], "drum": ["chuck", "lamb"]}


def test_without_a_word_the_first_pit_with_meat_is_shown(kept: KeptCook) -> None:
    assert kept.view().viewed == "" and kept.pits_with_meat == ("", "drum")
    settings = replace(kept.settings, pieces=kept.settings.pieces[1:])
    assert replace(kept, settings=settings).view().viewed == "drum"


def test_a_pit_that_was_not_there_is_said(kept: KeptCook) -> None:
    with pytest.raises(UnknownPit, match="called kiln; there is: offset, drum"):
        kept.view("kiln")
    alone = replace(kept, pits=())
    assert alone.view("Offset") == alone.view() == alone
    with pytest.raises(UnknownPit, match="called drum; there is: Offset"):
        alone.view("drum")
