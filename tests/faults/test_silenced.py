"""The rows of `silenced`: quickly that their anchors and tests are there, whole in the soak."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.row import Fault, check
from tests.faults.silenced import FAULTS, ROOT, SILENCED, Silenced


@pytest.mark.parametrize("one", SILENCED, ids=lambda one: one.name)
def test_the_place_that_is_made_wrong_stands_once_and_the_tests_are_there(one: Silenced) -> None:
    assert (ROOT / one.file).read_text(encoding="utf-8").count(one.before) == 1
    for test in one.tests:
        file, _, name = test.partition("::")
        assert f"def {name}(" in (ROOT / file).read_text(encoding="utf-8") or not name


@pytest.mark.soak
@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.__name__)
async def test_a_silenced_watch(fault: Fault, tmp_path: Path) -> None:
    await check(fault, True, tmp_path)
