"""The anchors of the mutations stand in the code, each once. The run itself takes long: `python -m tests.mutations.run`."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.mutations.mutations import MUTATIONS, Mutation

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("mutation", MUTATIONS, ids=lambda m: f"{m.file}: {m.before[:40]}")
def test_its_anchor_stands_once_and_what_it_makes_is_a_program(mutation: Mutation) -> None:
    text = (ROOT / "daemon" / "core" / mutation.file).read_text(encoding="utf-8")
    assert text.count(mutation.before) == 1
    ast.parse(text.replace(mutation.before, mutation.after))


def test_the_tests_of_every_part_are_there() -> None:
    assert all((ROOT / tests).exists() for mutation in MUTATIONS for tests in mutation.part.tests)
