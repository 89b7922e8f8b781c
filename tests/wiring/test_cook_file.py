"""An edited cook file and the running cook. No outside source: that no running cook is thrown away is our promise."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

import config
from config.cook import Cook
from config.loader import load_both
from daemon.core.orders import ChangeCook, StartCook
from daemon.core.settings import CookSettings
from daemon.wiring.cook_file import FileOrder, order_of
from daemon.wiring.settings_from_files import cook_settings

EXAMPLES = Path(config.__file__).parent / "examples"
TEXT = (EXAMPLES / "cook.toml").read_text(encoding="utf-8")
ON = {"chuck": "cooking", "lamb": "waiting"}
WAITING = {"chuck": "waiting", "lamb": "waiting"}


def read(tmp_path: Path, text: str) -> tuple[Cook, CookSettings]:
    file = tmp_path / "cook.toml"
    file.write_text(text, encoding="utf-8")
    rig, cook = load_both(EXAMPLES / "rig.toml", file)
    assert cook is not None
    return cook, cook_settings(cook, rig, 0.0)


def asked(tmp_path: Path, text: str, stages: dict[str, str]) -> FileOrder:
    _, running = read(tmp_path, TEXT)
    return order_of(*read(tmp_path, text), TEXT, running, stages)


@pytest.mark.parametrize("stages", [ON, WAITING])
def test_a_comment_or_another_way_to_write_it_changes_nothing(tmp_path: Path, stages: dict[str, str]) -> None:
    assert (
        asked(tmp_path, "# a note to myself\n" + TEXT.replace("weight = 7.0", "weight = 7.00"), stages) == FileOrder()
    )


def test_an_edited_file_changes_the_running_cook_by_piece_and_says_so(tmp_path: Path) -> None:
    found = asked(tmp_path, TEXT.replace("weight = 7.0", "weight = 8.0"), ON)
    assert isinstance(found.order, ChangeCook)
    assert found.words == "the cook file changes Village-hall lunch: changed: chuck"


def test_a_file_for_another_cook_waits_until_the_running_one_has_ended(tmp_path: Path) -> None:
    other = TEXT.replace('id = "village-hall"', 'id = "harvest"').replace("Village-hall lunch", "Harvest supper")
    found = asked(tmp_path, other, ON)
    assert found.order is None and "Village-hall lunch goes on" in found.words
    assert isinstance(asked(tmp_path, other, WAITING).order, StartCook)
    assert isinstance(asked(tmp_path, other, {}).order, StartCook)


def test_what_was_done_on_the_page_is_not_undone_by_an_edit_of_the_file(tmp_path: Path) -> None:
    """On the page the probes were swapped, the lamb removed and a shank added; then the file's chuck roll became heavier."""
    _, running = read(tmp_path, TEXT)
    chuck, _lamb = running.pieces
    shank = replace(chuck, id="shank", name="Shank", channel="chuck")
    running = replace(running, pieces=(replace(chuck, channel="lamb"), shank))
    text = TEXT.replace("weight = 7.0", "weight = 8.0")
    found = order_of(*read(tmp_path, text), TEXT, running, {"chuck": "cooking", "shank": "on"})
    assert isinstance(found.order, ChangeCook)
    pieces = {piece.id: piece for piece in found.order.cook.pieces}
    assert set(pieces) == {"chuck", "shank"}
    assert (pieces["chuck"].weight, pieces["chuck"].channel, pieces["shank"]) == (8.0, "lamb", shank)
    assert found.words.endswith("changed: chuck")
