"""The real hub, tried as a household uses it. By itself: deploy/hub/try_hub.sh, which prints the table."""

from __future__ import annotations

import subprocess

import pytest

from tests.system.hub.mqtt_broker import NEEDS_MOSQUITTO, ROOT

NO_PYTHON = 3
"""How the script says that a program it needs is not here."""


@pytest.mark.soak
@NEEDS_MOSQUITTO
def test_a_real_hub() -> None:
    done = subprocess.run(["sh", str(ROOT / "deploy/hub/try_hub.sh")], capture_output=True, text=True, check=False)
    if done.returncode == NO_PYTHON:
        pytest.skip(done.stderr.strip())
    assert done.returncode == 0, done.stdout + done.stderr
