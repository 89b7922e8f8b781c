"""The demo as a newcomer meets it: it shows progress at once and Ctrl-C ends it, leaving nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

from tests.patience import PATIENCE


def test_ctrl_c_ends_the_demo(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli", "demo", "--plain", "--speed", "600"],
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=environment,
    )  # fmt: skip
    assert process.stdout is not None
    seen = ""
    while "the cook: log" not in seen:
        line = process.stdout.readline()
        assert line, f"the demo ended by itself:\n{seen}"
        seen += line
    process.send_signal(signal.SIGINT)
    rest = process.stdout.read()
    assert process.wait(PATIENCE) == 0, rest
    process.stdout.close()
    assert "The cook was woken" in rest
    assert not list(tmp_path.iterdir())


def test_the_demo_ends_quietly_when_nobody_reads_it_any_more(tmp_path: Path) -> None:
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli", "demo", "--plain", "--speed", "600"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
    )  # fmt: skip
    assert process.stdout is not None and process.stderr is not None
    assert process.stdout.readline()
    process.stdout.close()
    complaints = process.stderr.read()
    assert process.wait(PATIENCE) == 0, complaints
    process.stderr.close()
    assert "Traceback" not in complaints and "ERROR" not in complaints, complaints
    assert not list(tmp_path.iterdir())
