"""For every test: a loaded machine may be slow and is never wrong."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

from tests.run_files import begin_run

settings.register_profile("few", deadline=None, max_examples=30, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("many", settings.get_profile("few"), max_examples=1000)
settings.load_profile("few")  # the long tests ask for the other: --hypothesis-profile=many

LONG = {
    "system", "faults", "bench", "worlds", "test_fuzz.py", "test_what_if.py", "test_report.py", "test_conditioning.py",
    "test_two_pits.py", "test_restart.py",
}  # fmt: skip
"""Rooms and files that take long, or wait much: begun first, so that no worker is left with one of them at the end."""


def pytest_configure(config: pytest.Config) -> None:
    config.add_cleanup(begin_run())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONG.isdisjoint(item.path.parts))
