"""The table of cooking yields against figures read outside the project."""

from __future__ import annotations

from config.cuts import CUTS
from config.yields import YIELDS


def test_every_cut_has_a_yield_that_leaves_something() -> None:
    assert set(YIELDS) == set(CUTS)
    assert all(0.3 < found.eaten <= found.cooked < 1.0 for found in YIELDS.values())


def test_rows_read_of_the_published_table() -> None:
    """USDA Table of Cooking Yields for Meat and Poultry (2012, 2014), rows as cited elsewhere: flat half of a brisket, braised,
    13806: 69 % (n = 20, SD 3.0, 65 to 76); rib-eye roast bone-in, 23191: 77; cured ham, 10883: 94; spareribs, 10940: 76."""
    rows = {"beef-brisket-flat": 0.69, "beef-rib-roast": 0.77, "ham-cooked": 0.94, "pork-ribs": 0.76}
    assert {cut: YIELDS[cut].cooked for cut in rows} == rows
