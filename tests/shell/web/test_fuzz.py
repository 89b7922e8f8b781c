"""The API against its own OpenAPI document: `fuzzed_api`, in a run of its own."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

FUZZED = Path(__file__).with_name("fuzzed_api.py")
EXAMPLES = "PITVIGIL_FUZZ_EXAMPLES"
"""Names how many examples of each operation are made at random, and no longer the same ones each time."""


@pytest.mark.parametrize("more", [{}, pytest.param({EXAMPLES: "500"}, marks=pytest.mark.soak)], ids=["few", "many"])
def test_the_document_and_the_server_agree(more: dict[str, str]) -> None:
    inner = [sys.executable, "-m", "pytest", "-p", "schemathesis", str(FUZZED)]
    done = subprocess.run(inner, env=os.environ | more, stdout=subprocess.PIPE, text=True, check=False)
    assert done.returncode == 0, done.stdout
