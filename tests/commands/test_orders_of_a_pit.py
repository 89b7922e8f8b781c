"""Orders from the terminal name a pit of several, and none where nothing is said; a number of °C or °F is asked about."""

from __future__ import annotations

import argparse
from typing import Any

import pytest

from daemon.commands import orders


class Asked:
    """In the place of the running watch: keeps what it is asked."""

    def __init__(self) -> None:
        self.fahrenheit = False
        self.bodies: list[tuple[str, dict[str, Any] | None]] = []

    def minutes_ago(self, text: str | None) -> float:
        return 0.0

    def ask(self, path: str, body: dict[str, Any] | None = None) -> Any:
        self.bodies.append((path, body))
        return {}


@pytest.mark.parametrize(
    ("words", "act", "path", "pit"),
    [
        ("mark log --pit drum", orders._mark, "mark", "drum"),
        ("mark log", orders._mark, "mark", ""),
        ("take-back log --pit drum", orders._take_back, "take-back", "drum"),
        ("band 107 135 --pit drum", orders._band, "band", "drum"),
        ("move-piece lamb drum", orders._move_piece, "move-piece", "drum"),
    ],
)
def test_an_order_names_its_pit(words: str, act: orders.Act, path: str, pit: str) -> None:
    watch = Asked()
    act(options_of(words), watch)  # type: ignore[arg-type]
    ((asked, body),) = watch.bodies
    assert asked == path and body is not None and body["pit"] == pit


def options_of(words: str) -> argparse.Namespace:
    subs = argparse.ArgumentParser().add_subparsers()
    made: dict[str, argparse.ArgumentParser] = {}

    def command(name: str, run: object) -> argparse.ArgumentParser:
        made[name] = subs.add_parser(name)
        return made[name]

    orders.add_commands(command)
    name, *rest = words.split()
    return made[name].parse_args([*rest, "--rig", "rig.toml"])


@pytest.mark.parametrize(
    ("words", "act"),
    [
        ("spot pork 150", orders._spot),
        ("band 225 275", orders._band),
        ("change-piece pork --target 145", orders._change_piece),
        ("keep-plan --ambient 30", orders._keep_plan),
    ],
)
def test_who_reads_fahrenheit_is_asked_which_unit_a_number_has(words: str, act: orders.Act) -> None:
    watch = Asked()
    watch.fahrenheit = True
    with pytest.raises(orders.NotSaid, match=r"which unit\? Write \d+F, or \d+C"):
        act(options_of(words), watch)  # type: ignore[arg-type]
    assert watch.bodies == []


def test_amounts_go_to_the_watch_as_they_were_written() -> None:
    watch = Asked()
    watch.fahrenheit = True
    orders._spot(options_of("spot pork 150F --tolerance 2F"), watch)  # type: ignore[arg-type]
    orders._change_piece(options_of("change-piece pork --weight 8lb --thickness 9 --serve-at none"), watch)  # type: ignore[arg-type]
    (_, spot), (_, change) = watch.bodies
    assert spot is not None and change is not None
    assert change["serve_at"] is False, "served with the rest again"
    assert spot["tolerance"] == "2F"
    assert (spot["celsius"], change["weight"], change["thickness"]) == ("150F", "8lb", 9.0)


def test_a_mark_of_a_piece_called_by_its_name_is_found_by_its_hour() -> None:
    class Seen(Asked):
        def ask(self, path: str, body: dict[str, Any] | None = None, patience: float = 0.0) -> Any:
            if body is not None:
                return super().ask(path, body)
            mark = {"what": "off", "piece": "chuck", "pit": "", "at": 600.0, "said_at": 700.0}
            return {
                "wall_offset": 0.0,
                "pit": {"id": "pit"},
                "marks": [mark],
                "pieces": [{"id": "chuck", "name": "Roll"}],
            }

        def engine_time(self, text: str, wall_offset: float) -> float:
            return 600.0

    watch = Seen()
    orders._take_back(options_of("take-back off roll --at 00:10"), watch)  # type: ignore[arg-type]
    ((_, body),) = watch.bodies
    assert body is not None and (body["said_at"], body["piece"]) == (700.0, "roll")
