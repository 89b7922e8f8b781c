"""Which pit is the first is remembered: what is on it must not go to another because two tables of a file changed places."""

from __future__ import annotations

from pathlib import Path

import pytest

import config
from config.loader import load_rig
from config.rig import Rig
from daemon.wiring.pit_order import first_probes, in_known_order

EXAMPLE = Path(config.__file__).parent / "examples" / "two-pits.toml"


def rig(*ids: str) -> Rig:
    """The example's two pits under these ids, in this order."""
    loaded = load_rig(EXAMPLE)
    offset, drum = loaded.pits
    sections = tuple(one.model_copy(update={"id": id_}) for one, id_ in zip((offset, drum), ids, strict=True))
    return loaded.model_copy(update={"pit": sections[0], "other_pits": sections[1:]})


@pytest.mark.parametrize(
    ("known", "now", "order"),
    [
        (["offset", "drum"], ("offset", "drum"), ["offset", "drum"]),
        (["offset", "drum"], ("drum", "offset"), ["offset", "drum"]),
        (["offset", "drum"], ("drum", "smoker"), ["smoker", "drum"]),  # the first has a new id, and they changed places
        (["offset", "drum"], ("smoker", "drum"), ["smoker", "drum"]),
        (["offset", "drum"], ("offset", "kiln"), ["offset", "kiln"]),
        (["offset"], ("drum", "offset"), ["offset", "drum"]),  # it had one pit
        (None, ("drum", "offset"), ["drum", "offset"]),
        ("rubbish", ("drum", "offset"), ["drum", "offset"]),
        ([], ("drum", "offset"), ["drum", "offset"]),
    ],
)
def test_the_first_pit_stays_the_first(known: object, now: tuple[str, str], order: list[str]) -> None:
    assert [pit.id for pit in in_known_order(rig(*now), known).pits] == order


def test_a_first_pit_under_a_new_id_beside_a_new_pit_is_known_by_its_probes() -> None:
    """A rig of one pit that got a second one above it, and another name for the first, in the middle of a cook."""
    now = load_rig(EXAMPLE)
    drum = [one.id for one in now.channels if one.role == "pit" and one.pit == "drum"]
    assert [pit.id for pit in in_known_order(now, ["smoker"], drum).pits] == ["drum", "offset"]
    assert [pit.id for pit in in_known_order(now, ["smoker"], ["gone"]).pits] == ["offset", "drum"]
    assert [pit.id for pit in in_known_order(now, ["smoker"], "rubbish").pits] == ["offset", "drum"]
    assert first_probes(in_known_order(now, ["smoker"], drum)) == drum
