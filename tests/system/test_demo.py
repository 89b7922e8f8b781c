"""The demo as a newcomer meets it: it shows progress at once and Ctrl-C ends it within 2 s, leaving nothing behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path


def test_ctrl_c_ends_the_demo_within_2_s(tmp_path: Path) -> None:
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
    begin = time.monotonic()
    process.send_signal(signal.SIGINT)
    rest = process.stdout.read()
    assert process.wait(timeout=10) == 0, rest
    assert time.monotonic() - begin < 2.0
    process.stdout.close()
    assert "The cook was woken" in rest
    assert not list(tmp_path.iterdir())
