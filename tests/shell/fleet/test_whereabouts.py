"""Which pit an event is of: by what it names, and by where its piece was at the time."""

import json
from dataclasses import replace

import pytest

from daemon.core.orders import AddPiece, ChangeCook, ChangePiece, MovePiece, StartCook
from daemon.shell.fleet.now import Standing
from daemon.shell.fleet.past import EventRow
from daemon.shell.fleet.whereabouts import BoardPits, Placing, Whereabouts
from tests.core.night import CHUCK, COOK, LAMB

PITS = BoardPits({"": "Offset", "drum": "Drum"}, {"drum-left": "drum"})
BOTH = replace(COOK, pieces=(CHUCK, replace(LAMB, pit="drum")))


def told(*orders: tuple[float, object]) -> Whereabouts:
    return Whereabouts(PITS, [Placing(time, seq, what) for seq, (time, what) in enumerate(orders)][::-1])


@pytest.mark.parametrize(
    ("body", "pit"),
    [
        ({"subject": "drum"}, "drum"),
        ({"subject": "pit"}, ""),
        ({"pit": "drum"}, "drum"),
        ({"pit": "barn"}, ""),
        ({"piece": "lamb"}, "drum"),
        ({"subject": "lamb", "alarm": "target-reached/lamb"}, "drum"),
        ({"channel": "drum-left"}, "drum"),
        ({"channel": "pit-left"}, ""),
        ({"alarm": "fire-out/drum"}, "drum"),
        ({"alarm": "disk-full"}, ""),
        ({"notification": "pit-falling/drum#3.0"}, "drum"),
        ({"notification": "target-reached/chuck#1.0"}, ""),
        ({"subject": 5, "piece": None, "alarm": ["drum"]}, ""),
        ({}, ""),
    ],
)
def test_what_an_event_names_says_whose_it_is(body: dict[str, object], pit: str) -> None:
    assert told((0.0, StartCook(BOTH, "page"))).pit_of(body, 5.0) == pit


def test_a_piece_is_where_it_was_put_by_then() -> None:
    loaf = replace(LAMB, id="loaf", pit="drum")
    where = told(
        (0.0, {"chuck": "", "lamb": "drum"}),
        (10.0, MovePiece("lamb", "", "page")),
        (20.0, AddPiece(loaf, "page")),
        (25.0, AddPiece(replace(loaf, pit=""), "page")),  # refused: there is one
        (30.0, ChangePiece(replace(loaf, pit="gone"), "page")),
        (35.0, MovePiece("goat", "drum", "page")),  # refused: there is none
        (40.0, ChangeCook(replace(BOTH, pieces=(replace(CHUCK, pit="drum"),)), "page")),
    )
    at = (-1.0, 0.0, 9.9, 10.0, 19.0, 20.0, 26.0, 30.0, 36.0)
    assert [where.pit_of({"piece": "lamb"}, time) for time in at] == ["", "drum", "drum", *6 * [""]]
    assert [where.pit_of({"piece": "loaf"}, time) for time in at] == [*5 * [""], "drum", "drum", "", ""]
    assert where.pit_of({"piece": "goat"}, 50.0) == ""
    assert where.pit_of({"piece": "chuck"}, 50.0) == "drum"


def test_a_cook_is_on_every_pit_that_had_a_piece_of_it() -> None:
    where = told((0.0, {"lamb": "drum"}), (10.0, MovePiece("lamb", "", "page")), (50.0, {"chuck": ""}))
    assert where.in_use(5.0) == {"drum"} and where.in_use(15.0) == {""}
    assert where.used(0.0, 40.0) == {"", "drum"} and where.used(50.0, 90.0) == {""}
    assert where.were_on("drum", 0.0, 40.0) == {"lamb"} == where.were_on("", 0.0, 40.0)
    assert Whereabouts(PITS).used(0.0, 9.0) == {""}


@pytest.mark.parametrize("chuck", ["", "drum"])
def test_a_plan_is_for_the_pits_of_its_pieces(chuck: str) -> None:
    standing = Standing(told((0.0, {"chuck": chuck, "lamb": "drum"})))
    at = "2026-11-28T0{}:00:00.000Z"
    steps = [{"kind": kind, "piece": piece, "at": at.format(hour)} for hour, (kind, piece) in enumerate(
        (("light", None), ("put-on", "chuck"), ("put-on", "lamb")))]  # fmt: skip
    standing.take(EventRow(1, 5.0, 1.7e9, "plan", "hall", json.dumps({"steps": steps})))
    now = standing.told()
    shown = {pit: [(due["what"], due["piece"]) for due in now[pit]["due"]] for pit in now}
    lit = [("light", ""), ("put-on", "chuck")]
    assert shown == (
        {"": lit, "drum": [("put-on", "lamb")]} if chuck == "" else {"": [], "drum": [*lit, ("put-on", "lamb")]}
    )
    assert [now[pit]["cook"] for pit in now] == (["hall", "hall"] if chuck == "" else ["", "hall"])
    for seq, subject, after in ((2, "drum", "heating"), (3, "lamb", "on")):
        stage = json.dumps({"subject": subject, "after": after})
        standing.take(EventRow(seq, 6.0, 1.7e9, "stage", "hall", stage))
    left = [(due["what"], due["piece"]) for due in standing.told()["drum"]["due"]]
    assert left == ([] if chuck == "" else [("put-on", "chuck")]), "what is done falls due no more"
    assert [now[pit]["name"] for pit in now] == ["Offset", "Drum"]


def test_a_board_with_one_pit_tells_what_it_always_told() -> None:
    standing = Standing(Whereabouts(BoardPits()))
    assert standing.take(EventRow(1, 5.0, 1.7e9, "stage", "hall", '{"subject": "pit", "after": "heating"}')) == ""
    assert standing.told() == {"": {"stage": "heating", "cook": "hall", "alarms": [], "due": []}}
