"""Orders from the terminal name a pit of several, and none where nothing is said."""

from __future__ import annotations

import argparse
from typing import Any

import pytest

from daemon.commands import orders


class Asked:
    """In the place of the running watch: keeps what it is asked."""

    def __init__(self) -> None:
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
    subs = argparse.ArgumentParser().add_subparsers()
    made: dict[str, argparse.ArgumentParser] = {}

    def command(name: str, run: object, text: str) -> argparse.ArgumentParser:
        made[name] = subs.add_parser(name)
        return made[name]

    orders.add_commands(command)
    name, *rest = words.split()
    watch = Asked()
    options = made[name].parse_args([*rest, "--rig", "rig.toml"])
    act(options, watch)  # type: ignore[arg-type]
    ((asked, body),) = watch.bodies
    assert asked == path and body is not None and body["pit"] == pit
