"""Fixtures of the tests on a real mosquitto."""

from __future__ import annotations

from collections.abc import AsyncIterator
from pathlib import Path

import pytest

from config.rig import Rig
from daemon.core.snapshot import Snapshot
from daemon.shell import broker
from tests.shell.hub_scenario import night
from tests.system.mqtt_broker import PrivateBroker, plain_broker


@pytest.fixture(scope="module")
def evening() -> tuple[Rig, Snapshot]:
    rig, _, snapshot = night()
    return rig, snapshot


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts come quickly; nothing else differs from the night."""
    monkeypatch.setattr(broker, "FIRST_PAUSE", 0.05)
    monkeypatch.setattr(broker, "LONGEST_PAUSE", 0.2)


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[PrivateBroker]:
    private = plain_broker(tmp_path)
    await private.start()
    yield private
    private.stop()
