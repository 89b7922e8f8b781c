"""For every test: a loaded machine may be slow and is never wrong."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

from tests.run_files import begin_run

settings.register_profile("unhurried", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("unhurried")

LONG = {"system", "faults", "bench", "worlds"}
"""Rooms whose files take long, or wait much: begun first, so that no worker is left with one of them at the end."""


def pytest_configure(config: pytest.Config) -> None:
    config.add_cleanup(begin_run())


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: LONG.isdisjoint(item.path.parts))
