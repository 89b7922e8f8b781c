"""Fixtures of the tests on a real mosquitto and in a real browser."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from config.rig import Rig
from daemon.core.snapshot import Snapshot
from daemon.shell.hub import link as broker
from tests.shell.hub.hub_scenario import night
from tests.shell.web.page_thread import ServedPage, served
from tests.system.hub.mqtt_broker import PrivateBroker, plain_broker
from tests.system.page.page_browser import chromium, paired_phone


@pytest.fixture(scope="module")
def evening() -> tuple[Rig, Snapshot]:
    rig, _, snapshot = night()
    return rig, snapshot


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Attempts come quickly; nothing else differs from the night."""
    monkeypatch.setattr(broker, "FIRST_PAUSE", 0.05)
    monkeypatch.setattr(broker, "LONGEST_PAUSE", 0.2)
    monkeypatch.setattr(broker, "TRIAL", 0.0)


@pytest.fixture
async def mosquitto(tmp_path: Path) -> AsyncIterator[PrivateBroker]:
    private = plain_broker(tmp_path)
    await private.start()
    yield private
    private.stop()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as running:
        yield running


@pytest.fixture
def site() -> Iterator[ServedPage]:
    """The page over a scripted watch."""
    with served() as running:
        yield running


@pytest.fixture
def page(browser: Browser, site: ServedPage) -> Iterator[Page]:
    """A paired phone on that page."""
    with paired_phone(browser, site.login) as opened:
        yield opened
